"""One forward recursion for all hypotheses, vectorised over lines and chromosomes.

References
----------
Rabiner LR (1989) A tutorial on hidden Markov models. Proc IEEE 77:257-286 (scaling, forward-backward).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.hypotheses import Hypothesis
from dhverify.marker_grid import NO_MARKER, MarkerGrid
from dhverify.state_chain import StateChain, full_chain, lumped_chain

STEPS_PER_SCALING: Final = 16
"""Probabilities are scaled to 1 once in so many markers: likelihoods down to 1e-19 of each are safe."""
LEAST: Final = np.finfo(np.float64).tiny


@dataclass(frozen=True, kw_only=True, eq=False)
class Emissions:
    """Likelihood of what was observed, given a strand pair, laid out along the chains.

    Attributes
    ----------
    values
        float64, shape (n_steps, n_chains, n_columns, n_lines).
    columns
        The strand pair of each column.

    """

    values: NDArray[np.float64]
    columns: Mapping[tuple[int, int], int]

    def of_pairs(self, hypothesis: Hypothesis) -> NDArray[np.int64]:
        """Return the column of each strand pair of a hypothesis; int64, shape (n_pairs,)."""
        return np.array([self.columns[pair] for pair in hypothesis.pairs], dtype=np.int64)

    @property
    def n_lines(self) -> int:
        """Number of lines."""
        return self.values.shape[3]


def lay_emissions(per_marker: NDArray[np.float64], pairs: Sequence[tuple[int, int]], grid: MarkerGrid) -> Emissions:
    """Arrange likelihoods per marker as chains; padding becomes 1.

    Parameters
    ----------
    per_marker
        float64, shape (n_markers, n_pairs, n_lines).
    pairs
        The strand pair of each column of ``per_marker``.
    grid
        The chains.

    """
    values = per_marker[grid.marker]
    values[grid.marker == NO_MARKER] = 1.0
    return Emissions(values=values, columns={pair: column for column, pair in enumerate(pairs)})


def log_likelihood(hypothesis: Hypothesis, emissions: Emissions, grid: MarkerGrid) -> NDArray[np.float64]:
    """Log likelihood of each line under a hypothesis; float64, shape (n_lines,)."""
    return chain_log_likelihood(hypothesis, emissions, grid).sum(axis=0)


def chain_log_likelihood(hypothesis: Hypothesis, emissions: Emissions, grid: MarkerGrid) -> NDArray[np.float64]:
    """Log likelihood of each chain of each line; float64, shape (n_chains, n_lines)."""
    chain = lumped_chain(hypothesis)
    column = emissions.of_pairs(hypothesis)[chain.pair_of_state]
    alpha = np.empty((grid.n_chains, chain.n_states, emissions.n_lines))
    alpha[...] = chain.weights[:, None]
    carried = np.empty_like(alpha)
    total = np.zeros((grid.n_chains, emissions.n_lines))
    for part in _stretches(grid):
        for move, seen in zip(chain.transitions(grid.gap_morgan[part]), emissions.values[part], strict=True):
            np.matmul(move, alpha, out=carried)
            seen.take(column, axis=1, out=alpha, mode="clip")
            alpha *= carried
        scale = np.maximum(alpha.sum(axis=1), LEAST)
        alpha /= scale[:, None]
        total += np.log(scale)
    return total


def _stretches(grid: MarkerGrid) -> Iterator[slice]:
    """Yield the steps between two scalings."""
    for start in range(0, grid.n_steps, STEPS_PER_SCALING):
        yield slice(start, start + STEPS_PER_SCALING)


def state_posterior(hypothesis: Hypothesis, emissions: Emissions, grid: MarkerGrid) -> NDArray[np.float64]:
    """Posterior of each strand pair at every marker (forward-backward).

    Returns
    -------
    ndarray
        float64, shape (n_markers, n_pairs, n_lines); adds to 1 over pairs.

    """
    chain = lumped_chain(hypothesis)
    joint = _posterior(chain, emissions.of_pairs(hypothesis), emissions, grid)
    n_pairs = len(hypothesis.pairs)
    if n_pairs == chain.n_states and (chain.pair_of_state == np.arange(n_pairs)).all():
        return joint
    pooled = np.zeros((joint.shape[0], n_pairs, joint.shape[2]))
    for state, pair in enumerate(chain.pair_of_state):
        pooled[:, pair] += joint[:, state]
    return pooled


def factor_posterior(hypothesis: Hypothesis, emissions: Emissions, grid: MarkerGrid) -> NDArray[np.float64]:
    """Posterior of every state at every marker; float64, shape (n_markers, n_states, n_lines)."""
    return _posterior(full_chain(hypothesis), emissions.of_pairs(hypothesis), emissions, grid)


def _posterior(
    chain: StateChain, column_of_pair: NDArray[np.int64], emissions: Emissions, grid: MarkerGrid
) -> NDArray[np.float64]:
    """Posterior of every state of a chain at every marker, forward and back."""
    column = column_of_pair[chain.pair_of_state]
    transitions = chain.transitions(grid.gap_morgan)
    joint = np.empty((*grid.marker.shape, chain.n_states, emissions.n_lines))
    before = np.broadcast_to(chain.weights[:, None], joint.shape[1:])
    for step, seen in enumerate(emissions.values):
        seen.take(column, axis=1, out=joint[step], mode="clip")
        joint[step] *= transitions[step] @ before
        if step % STEPS_PER_SCALING == 0:
            joint[step] /= np.maximum(joint[step].max(axis=1, keepdims=True), LEAST)
        before = joint[step]
    after = np.ones(joint.shape[1:])
    for step in range(len(joint) - 1, 0, -1):
        after *= emissions.values[step].take(column, axis=1)
        after = transitions[step].transpose(0, 2, 1) @ after
        if step % STEPS_PER_SCALING == 0:
            after /= np.maximum(after.max(axis=1, keepdims=True), LEAST)
        joint[step - 1] *= after
    joint /= np.maximum(joint.sum(axis=2, keepdims=True), LEAST)
    return _by_marker(joint, grid)


def _by_marker(values: NDArray[np.float64], grid: MarkerGrid) -> NDArray[np.float64]:
    """Arrange what is laid out along the chains by marker; shape (n_markers, ...) from (n_steps, n_chains, ...)."""
    result = np.zeros((grid.n_markers, *values.shape[2:]))
    is_marker = grid.marker != NO_MARKER
    result[grid.marker[is_marker]] = values[is_marker]
    return result


def marker_emissions(emissions: Emissions, hypothesis: Hypothesis, grid: MarkerGrid) -> NDArray[np.float64]:
    """Likelihood of what was observed at each marker alone, in every state; shape (n_markers, n_states, n_lines)."""
    column = emissions.of_pairs(hypothesis)[np.array(hypothesis.pair_of_state)]
    return _by_marker(emissions.values, grid)[:, column]
