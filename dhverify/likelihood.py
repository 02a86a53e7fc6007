"""One forward recursion for all hypotheses, vectorised over lines and chromosomes.

References
----------
Rabiner LR (1989) A tutorial on hidden Markov models. Proc IEEE 77:257-286 (scaling, forward-backward).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dhverify.hypotheses import Hypothesis
from dhverify.marker_grid import NO_MARKER, MarkerGrid


@dataclass(frozen=True, kw_only=True, eq=False)
class Emissions:
    """Likelihood of what was observed, given a strand pair, laid out along the chains.

    Attributes
    ----------
    values
        float64, shape (n_steps, n_columns, n_chains, n_lines).
    columns
        The strand pair of each column.

    """

    values: NDArray[np.float64]
    columns: Mapping[tuple[int, int], int]

    def of_states(self, hypothesis: Hypothesis) -> NDArray[np.int64]:
        """Return the column of each state of a hypothesis; int64, shape (n_states,)."""
        of_pair = np.array([self.columns[pair] for pair in hypothesis.pairs], dtype=np.int64)
        return of_pair[np.array(hypothesis.pair_of_state)]

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
    laid = per_marker[grid.marker]
    laid[grid.marker == NO_MARKER] = 1.0
    values = np.ascontiguousarray(laid.transpose(0, 2, 1, 3))
    return Emissions(values=values, columns={pair: column for column, pair in enumerate(pairs)})


def log_likelihood(hypothesis: Hypothesis, emissions: Emissions, grid: MarkerGrid) -> NDArray[np.float64]:
    """Log likelihood of each line under a hypothesis; float64, shape (n_lines,)."""
    return chain_log_likelihood(hypothesis, emissions, grid).sum(axis=0)


def chain_log_likelihood(hypothesis: Hypothesis, emissions: Emissions, grid: MarkerGrid) -> NDArray[np.float64]:
    """Log likelihood of each chain of each line; float64, shape (n_chains, n_lines)."""
    column_of_state = emissions.of_states(hypothesis)
    keep = keep_probabilities(hypothesis, grid)
    n_lines = emissions.n_lines
    alpha = np.empty((hypothesis.n_states, grid.n_chains, n_lines))
    alpha[...] = hypothesis.state_weights[:, None, None]
    total = np.zeros((grid.n_chains, n_lines))
    for step in range(grid.n_steps):
        if step:
            _redraw(alpha, hypothesis, keep[:, step])
        alpha *= emissions.values[step][column_of_state]
        scale = alpha.sum(axis=0)
        np.maximum(scale, np.finfo(np.float64).tiny, out=scale)
        alpha /= scale
        total += np.log(scale)
    return total


def state_posterior(hypothesis: Hypothesis, emissions: Emissions, grid: MarkerGrid) -> NDArray[np.float64]:
    """Posterior of each strand pair at every marker (forward-backward).

    Returns
    -------
    ndarray
        float64, shape (n_markers, n_pairs, n_lines); adds to 1 over pairs.

    """
    pair_of_state = np.array(hypothesis.pair_of_state)
    joint = factor_posterior(hypothesis, emissions, grid)
    n_pairs = len(hypothesis.pairs)
    if n_pairs == joint.shape[1] and (pair_of_state == np.arange(n_pairs)).all():
        return joint
    pooled = np.zeros((joint.shape[0], n_pairs, joint.shape[2]))
    for state, pair in enumerate(pair_of_state):
        pooled[:, pair] += joint[:, state]
    return pooled


def factor_posterior(hypothesis: Hypothesis, emissions: Emissions, grid: MarkerGrid) -> NDArray[np.float64]:
    """Posterior of every state at every marker; float64, shape (n_markers, n_states, n_lines)."""
    column_of_state = emissions.of_states(hypothesis)
    keep = keep_probabilities(hypothesis, grid)
    n_steps, _, n_chains, n_lines = emissions.values.shape
    forward = np.empty((n_steps, hypothesis.n_states, n_chains, n_lines))
    alpha = np.empty((hypothesis.n_states, n_chains, n_lines))
    alpha[...] = hypothesis.state_weights[:, None, None]
    for step in range(n_steps):
        if step:
            _redraw(alpha, hypothesis, keep[:, step])
        alpha *= emissions.values[step][column_of_state]
        alpha /= np.maximum(alpha.sum(axis=0), np.finfo(np.float64).tiny)
        forward[step] = alpha
    posterior = np.zeros((grid.n_markers, hypothesis.n_states, n_lines))
    beta = np.ones((hypothesis.n_states, n_chains, n_lines))
    for step in range(n_steps - 1, -1, -1):
        here = forward[step] * beta
        here /= np.maximum(here.sum(axis=0), np.finfo(np.float64).tiny)
        is_marker = grid.marker[step] != NO_MARKER
        posterior[grid.marker[step][is_marker]] = here[:, is_marker].transpose(1, 0, 2)
        if step:
            beta *= emissions.values[step][column_of_state]
            _look_back(beta, hypothesis, keep[:, step])
            beta /= np.maximum(beta.max(axis=0), np.finfo(np.float64).tiny)
    return posterior


def keep_probabilities(hypothesis: Hypothesis, grid: MarkerGrid) -> NDArray[np.float64]:
    """Probability that a factor is not redrawn before a step; shape (n_factors, n_steps, n_chains)."""
    rates = np.array([factor.rate for factor in hypothesis.factors])
    return np.exp(-rates[:, None, None] * grid.gap_morgan)


def _redraw(alpha: NDArray[np.float64], hypothesis: Hypothesis, keep: NDArray[np.float64]) -> None:
    """Carry state probabilities over one gap, a factor at a time, in place."""
    view = alpha.reshape(*hypothesis.shape, *alpha.shape[1:])
    for axis, factor in enumerate(hypothesis.factors):
        stay = keep[axis][:, None]
        total = view.sum(axis=axis) * (1.0 - stay)
        view *= stay
        for value, weight in enumerate(factor.weights):
            index = (slice(None),) * axis + (value,)
            view[index] += weight * total


def _look_back(beta: NDArray[np.float64], hypothesis: Hypothesis, keep: NDArray[np.float64]) -> None:
    """Carry backward probabilities over one gap, a factor at a time, in place."""
    view = beta.reshape(*hypothesis.shape, *beta.shape[1:])
    for axis, factor in enumerate(hypothesis.factors):
        stay = keep[axis][:, None]
        weights = np.array(factor.weights).reshape((-1,) + (1,) * (view.ndim - axis - 1))
        total = (view * weights).sum(axis=axis, keepdims=True) * (1.0 - stay)
        view *= stay
        view += total
