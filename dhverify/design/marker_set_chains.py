"""Exact probabilities of every call pattern of a few linked markers, for many cases at once.

The hidden states are those of the judge (:mod:`dhverify.hypotheses`); only the order of the work differs: patterns
grow marker by marker, so that all 3 ** n patterns of n markers cost little more than the last marker.

References
----------
Lander ES, Green P (1987) Construction of multilocus genetic linkage maps in humans. PNAS 84:2363-2367.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.findings_table import Tree, plant_maker, tree_slots
from dhverify.genotypes import locked
from dhverify.hypotheses import (
    Factor,
    Hypothesis,
    Meioses,
    Plant,
    crossed,
    gamete_twice,
    hypothesis,
    plant_itself,
)

CHUNK: Final = 1_500_000
"""Numbers that one step of the recursion may hold."""


def call_table(error_rate: float, dropout: float) -> NDArray[np.float64]:
    """Probability of each call given the genotype; float64, shape (3 genotypes, 3 calls).

    A heterozygote first loses an allele with probability ``dropout``, either one; then a call is wrong with
    probability ``error_rate``, either other genotype.

    Examples
    --------
    >>> call_table(0.01, 0.04)[1].round(4)
    array([0.0247, 0.9506, 0.0247])

    """
    lost = np.eye(3)
    lost[1] = dropout / 2, 1 - dropout, dropout / 2
    wrong = np.full((3, 3), error_rate / 2)
    np.fill_diagonal(wrong, 1 - error_rate)
    return np.asarray(lost @ wrong)


@dataclass(frozen=True, kw_only=True, eq=False)
class StateModel:
    """Hidden states of one finding, and what they show at a marker of each code.

    Attributes
    ----------
    factors
        Meioses, the first varying slowest.
    show
        float64, shape (n_codes, n_outcomes, n_states). Probability of each outcome; outcomes are the calls of one
        sample, or of a pair of samples (the first sample's call varying slowest).

    """

    factors: tuple[Factor, ...]
    show: NDArray[np.float64]

    def __post_init__(self) -> None:
        object.__setattr__(self, "show", locked(self.show))

    @property
    def n_states(self) -> int:
        """Number of hidden states."""
        return int(self.show.shape[2])

    @property
    def n_outcomes(self) -> int:
        """Number of outcomes at a marker."""
        return int(self.show.shape[1])

    @cached_property
    def weights(self) -> NDArray[np.float64]:
        """Probability of each state at any one place; float64, shape (n_states,)."""
        weights = np.ones(1)
        for factor in self.factors:
            weights = np.outer(weights, factor.weights).ravel()
        return weights


@lru_cache(maxsize=512)
def models(
    donor: Tree, inducer: Tree, finding: str, error_rate: float, dropout: float
) -> tuple[StateModel, StateModel]:
    """Model of a clean gamete and of what it must be told from (of one genotype twice, against two sisters).

    Parameters
    ----------
    donor, inducer
        Pedigrees over local slots.
    finding
        ``hybrid``, ``selfed hybrid``, ``selfed donor``, ``donor`` or ``sisters``.
    error_rate, dropout
        Of the assay.

    """
    calls = call_table(error_rate, dropout)
    n_slots = len(set(tree_slots(donor)) | set(tree_slots(inducer)))
    if finding == "sisters":
        return _sister_models(donor, n_slots, calls)
    mother, father = plant_maker(donor), plant_maker(inducer)
    wrong = {
        "hybrid": lambda: crossed(finding, mother, father),
        "selfed hybrid": lambda: crossed(finding, mother, father, selfings=1),
        "selfed donor": lambda: plant_itself(finding, mother, selfings=1),
        "donor": lambda: plant_itself(finding, mother),
    }[finding]()
    return _single(gamete_twice("clean", mother), n_slots, calls), _single(wrong, n_slots, calls)


@lru_cache(maxsize=512)
def inbred_model(slot: int, donor: Tree, inducer: Tree, error_rate: float, dropout: float) -> StateModel:
    """Model of one inbred of the pedigrees, by its slot."""
    n_slots = len(set(tree_slots(donor)) | set(tree_slots(inducer)))
    return _single(plant_itself("inbred", plant_maker(slot)), n_slots, call_table(error_rate, dropout))


def _single(states: Hypothesis, n_slots: int, calls: NDArray[np.float64]) -> StateModel:
    pairs = np.array(states.pairs)[list(states.pair_of_state)]
    genotype = _alleles(n_slots)[:, pairs].sum(axis=2)
    return StateModel(factors=states.factors, show=calls[genotype].transpose(0, 2, 1))


def _alleles(n_slots: int) -> NDArray[np.int64]:
    """Allele of each slot by code; int64, shape (n_codes, n_slots); the first slot has allele 0."""
    code = np.arange(2 ** (n_slots - 1))[:, None]
    return np.hstack([np.zeros_like(code), (code >> np.arange(n_slots - 1)) & 1])


def _sister_models(donor: Tree, n_slots: int, calls: NDArray[np.float64]) -> tuple[StateModel, StateModel]:
    meioses = Meioses()
    plant = plant_maker(donor)(meioses)
    gametes = [meioses.gamete(plant) for _ in range(2)]
    first, second = (_single(hypothesis("gamete", meioses, Plant(g, g)), n_slots, calls).show for g in gametes)
    clean = _single(gamete_twice("clean", plant_maker(donor)), n_slots, calls)
    copies = _paired(clean.show, clean.show)
    return (
        StateModel(factors=clean.factors, show=copies),
        StateModel(factors=tuple(meioses.factors), show=_paired(first, second)),
    )


def _paired(first: NDArray[np.float64], second: NDArray[np.float64]) -> NDArray[np.float64]:
    joint = first[:, :, None, :] * second[:, None, :, :]
    return joint.reshape(len(first), -1, first.shape[2])


def pattern_probabilities(
    model: StateModel, code: NDArray[np.int64], gap_morgan: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Probability of every pattern of outcomes along short chains.

    Parameters
    ----------
    model
        Hidden states.
    code
        int64, shape (n_cases, n_markers).
    gap_morgan
        float64, shape (n_cases, n_markers). Distance to the marker before; the first one is not read.

    Returns
    -------
    ndarray
        float64, shape (n_cases, n_outcomes ** n_markers); the outcome of the last marker varies fastest.

    """
    n_cases, n_markers = code.shape
    size = model.n_outcomes**n_markers * model.n_states
    step = max(1, CHUNK // size)
    if n_cases > step:
        parts = [slice(start, start + step) for start in range(0, n_cases, step)]
        return np.concatenate([pattern_probabilities(model, code[part], gap_morgan[part]) for part in parts])
    alpha = np.broadcast_to(model.weights, (n_cases, 1, model.n_states))
    for marker in range(n_markers):
        if marker:
            alpha = redrawn(alpha, model.factors, gap_morgan[:, marker])
        shown = model.show[code[:, marker]]
        alpha = (alpha[:, :, None, :] * shown[:, None, :, :]).reshape(n_cases, -1, model.n_states)
    return np.asarray(alpha.sum(axis=2))


def redrawn(
    alpha: NDArray[np.float64], factors: tuple[Factor, ...], gap_morgan: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Carry state probabilities, shape (n_cases, n_patterns, n_states), over a gap, a factor at a time."""
    shape = alpha.shape
    view = alpha.reshape(*shape[:2], *(factor.size for factor in factors))
    for axis, factor in enumerate(factors, start=2):
        keep = np.exp(-factor.rate * gap_morgan).reshape((-1,) + (1,) * (view.ndim - 1))
        weights = np.array(factor.weights).reshape((-1,) + (1,) * (view.ndim - axis - 1))
        view = keep * view + (1 - keep) * weights * view.sum(axis=axis, keepdims=True)
    return view.reshape(shape)


def affinity(
    both: tuple[StateModel, StateModel], code: NDArray[np.int64], gap_morgan: NDArray[np.float64]
) -> NDArray[np.float64]:
    """How well short chains tell two findings apart: minus the log of sum sqrt(p q); float64, shape (n_cases,).

    It bounds both errors, and adds up over unlinked chains (Bhattacharyya A (1943) Bull Calcutta Math Soc
    35:99-109).
    """
    first, second = (pattern_probabilities(model, code, gap_morgan) for model in both)
    overlap = np.sqrt(first * second).sum(axis=1)
    return np.asarray(-np.log(np.maximum(overlap, 1e-300)))


def sampled_patterns(
    both: tuple[StateModel, StateModel],
    code: NDArray[np.int64],
    gap_morgan: NDArray[np.float64],
    n_draws: int,
    rng: np.random.Generator,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Log probabilities of patterns drawn half from either finding, where a chain is too long to list all.

    Parameters
    ----------
    both
        The two findings.
    code, gap_morgan
        Shape (n_markers,), of one chain.
    n_draws
        Patterns drawn from each.
    rng
        Source of randomness.

    Returns
    -------
    tuple of ndarray
        Log probability under the first and the second finding; float64, shape (2 * n_draws,).

    """
    drawn = np.concatenate([drawn_patterns(model, code, gap_morgan, n_draws, rng) for model in both])
    first, second = (pattern_log_probability(model, code, gap_morgan, drawn) for model in both)
    return first, second


def drawn_patterns(
    model: StateModel, code: NDArray[np.int64], gap_morgan: NDArray[np.float64], n: int, rng: np.random.Generator
) -> NDArray[np.int64]:
    """Outcomes of n samples; int64, shape (n, n_markers)."""
    values = [np.zeros(n, dtype=np.int64) for _ in model.factors]
    seen = np.empty((n, len(code)), dtype=np.int64)
    sizes = tuple(factor.size for factor in model.factors)
    for marker, which in enumerate(code):
        for place, factor in enumerate(model.factors):
            fresh = rng.choice(factor.size, size=n, p=factor.weights)
            is_kept = (rng.random(n) < np.exp(-factor.rate * gap_morgan[marker])) & (marker > 0)
            values[place] = np.where(is_kept, values[place], fresh)
        state = np.ravel_multi_index(values, sizes) if sizes else np.zeros(n, dtype=np.int64)
        limits = np.cumsum(model.show[which], axis=0)[:, state]
        seen[:, marker] = np.minimum((rng.random(n) >= limits).sum(axis=0), model.n_outcomes - 1)
    return seen


def pattern_log_probability(
    model: StateModel, code: NDArray[np.int64], gap_morgan: NDArray[np.float64], seen: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Log probability of the outcomes of each sample on one chain; float64, shape (n_samples,)."""
    alpha = np.broadcast_to(model.weights, (1, len(seen), model.n_states))
    total = np.zeros(len(seen))
    for marker, which in enumerate(code):
        if marker:
            alpha = redrawn(alpha, model.factors, gap_morgan[marker : marker + 1])
        alpha = alpha * model.show[which][seen[:, marker]]
        scale = np.maximum(alpha.sum(axis=2), 1e-300)
        total += np.log(scale[0])
        alpha = alpha / scale[:, :, None]
    return total
