"""The states of a hypothesis as a Markov chain along the map, with states made one that no data can tell apart.

Which of two gametes of a selfed plant came from the egg is never seen: swapping them gives another state with the
same pair of strands and the same future. Such states are found and lumped, so that a plant selfed twice has 7
states instead of 16. No likelihood changes.

References
----------
Kemeny JG, Snell JL (1960) Finite Markov chains. Van Nostrand, Princeton (lumpability, section 6.3).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.genotypes import locked
from dhverify.hypotheses import Factor, Hypothesis

NEVER: Final = 1e-200
"""Stands for probability 0 where its logarithm is taken."""
DECIMALS: Final = 12
"""Sums of probabilities that agree to so many decimals are equal."""


@dataclass(frozen=True, kw_only=True, eq=False)
class StateChain:
    """States with what they show, how often they occur, and where they go when factors are redrawn.

    Factors of one rate are redrawn alike, so that only the number of them that is redrawn matters: each such
    number (of every rate) is one way to move.

    Attributes
    ----------
    pair_of_state
        int64, shape (n_states,). Strand pair that each state shows.
    weights
        float64, shape (n_states,). Probability of each state at any one place.
    rates
        float64, shape (n_rates,). Distinct redraw rates per Morgan.
    redrawn, kept
        float64, shape (n_ways, n_rates). Number of factors of each rate that are redrawn, and that are not.
    moves
        float64, shape (n_ways, n_states, n_states). Probability of going from one state (last axis) to another,
        summed over the choices of factors.

    """

    pair_of_state: NDArray[np.int64]
    weights: NDArray[np.float64]
    rates: NDArray[np.float64]
    redrawn: NDArray[np.float64]
    kept: NDArray[np.float64]
    moves: NDArray[np.float64]

    def __post_init__(self) -> None:
        for field in ("pair_of_state", "weights", "rates", "redrawn", "kept", "moves"):
            object.__setattr__(self, field, locked(getattr(self, field)))

    @property
    def n_states(self) -> int:
        """Number of states."""
        return len(self.weights)

    def transitions(self, gap_morgan: NDArray[np.float64]) -> NDArray[np.float64]:
        """Probability of going from one state to another over gaps of the map.

        Parameters
        ----------
        gap_morgan
            float64, any shape. Distances; ``inf`` redraws everything.

        Returns
        -------
        ndarray
            float64, shape (*gaps, n_states, n_states): to, from.

        """
        log_stay = np.maximum(-self.rates * gap_morgan[..., None], np.log(NEVER))
        log_redraw = np.log(np.maximum(-np.expm1(log_stay), NEVER))
        chance = np.exp(log_stay @ self.kept.T + log_redraw @ self.redrawn.T)
        moved: NDArray[np.float64] = chance @ self.moves.reshape(len(self.moves), -1)
        return moved.reshape(*gap_morgan.shape, self.n_states, self.n_states)


def full_chain(hypothesis: Hypothesis) -> StateChain:
    """Return all states of a hypothesis."""
    return _full(hypothesis.factors, hypothesis.pair_of_state)


def lumped_chain(hypothesis: Hypothesis) -> StateChain:
    """Return the fewest states that give every line the same likelihood.

    Examples
    --------
    >>> from dhverify.hypotheses import Plant, Strand, plant_itself
    >>> twice = plant_itself("selfed twice", lambda meioses: Plant(Strand(0), Strand(1)), selfings=2)
    >>> twice.n_states, lumped_chain(twice).n_states
    (16, 7)

    """
    return _lumped(hypothesis.factors, hypothesis.pair_of_state)


@lru_cache(maxsize=256)
def _full(factors: tuple[Factor, ...], pair_of_state: tuple[int, ...]) -> StateChain:
    rates = tuple(dict.fromkeys(factor.rate for factor in factors))
    ways = _ways_to_move(factors, rates)
    redrawn = np.array(list(ways), dtype=np.float64).reshape(len(ways), len(rates))
    number = Counter(factor.rate for factor in factors)
    weights: NDArray[np.float64] = np.ones(1)
    for factor in factors:
        weights = np.kron(weights, np.array(factor.weights))
    return StateChain(
        pair_of_state=np.array(pair_of_state, dtype=np.int64),
        weights=weights,
        rates=np.array(rates, dtype=np.float64),
        redrawn=redrawn,
        kept=np.array([number[rate] for rate in rates], dtype=np.float64) - redrawn,
        moves=np.array(list(ways.values())),
    )


def _ways_to_move(factors: Sequence[Factor], rates: Sequence[float]) -> dict[tuple[int, ...], NDArray[np.float64]]:
    """Moves by the number of redrawn factors of each rate; each of shape (n_states, n_states), to and from."""
    ways = {(0,) * len(rates): np.ones((1, 1))}
    for factor in factors:
        stay = np.eye(factor.size)
        redraw = np.outer(factor.weights, np.ones(factor.size))
        longer: dict[tuple[int, ...], NDArray[np.float64]] = {}
        for count, moves in ways.items():
            more = tuple(n + (rate == factor.rate) for n, rate in zip(count, rates, strict=True))
            for key, step in ((count, stay), (more, redraw)):
                longer[key] = longer.get(key, 0.0) + np.kron(moves, step)
        ways = longer
    return ways


@lru_cache(maxsize=256)
def _lumped(factors: tuple[Factor, ...], pair_of_state: tuple[int, ...]) -> StateChain:
    full = _full(factors, pair_of_state)
    lump = _lumps(full)
    first = np.unique(lump, return_index=True)[1]
    members = (lump == np.arange(len(first))[:, None]).astype(np.float64)
    return StateChain(
        pair_of_state=full.pair_of_state[first],
        weights=members @ full.weights,
        rates=full.rates,
        redrawn=full.redrawn,
        kept=full.kept,
        moves=members @ full.moves[:, :, first],
    )


def _lumps(chain: StateChain) -> NDArray[np.int64]:
    """Lump of each state: states that show the same pair and go to each lump equally often, however they move.

    Lumps by pair are split until all states of a lump agree.
    """
    lump = np.unique(chain.pair_of_state, return_inverse=True)[1].reshape(-1)
    n_lumps = 0
    while n_lumps < lump.max() + 1:
        n_lumps = int(lump.max()) + 1
        members = (lump == np.arange(n_lumps)[:, None]).astype(np.float64)
        into = (members @ chain.moves).reshape(-1, chain.n_states)
        told = np.vstack([lump, np.round(into, DECIMALS)])
        lump = np.unique(told, axis=1, return_inverse=True)[1].reshape(-1)
    return lump
