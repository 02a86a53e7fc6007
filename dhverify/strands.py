"""Founder strands: the alleles of the founders, learnt from their own genotypes and from their offspring.

A strand's value at a marker is the probability that a copy of it shows the second allele: near 0 or 1 for a pure
inbred, in between where its seed stock is not pure or where nothing is known. It is raised by expectation and
maximisation over the lines whose finding says which strands they carry.

References
----------
Dempster AP, Laird NM, Rubin DB (1977) J R Stat Soc B 39:1-38 (EM).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.hypotheses import Hypothesis
from dhverify.likelihood import lay_emissions, state_posterior
from dhverify.marker_grid import NO_MARKER, MarkerGrid

TYPED_WEIGHT: Final = 2.0
"""Copies that a founder's own genotype counts for against its offspring: a plant may differ from its stock."""
UNTYPED_WEIGHT: Final = 0.4
"""Copies that the prior counts for where a founder has no call: little, its offspring decide (common practice, no
source)."""
FOUNDER_IMPURITY: Final = 0.005
"""Share of markers at which a pure stock's plant is expected to differ from the stock that was crossed."""
LOWEST: Final = 0.001
"""No strand is taken as surer than this."""


def strand_prior(
    genotype_likelihood: NDArray[np.float64], base_second: NDArray[np.float64] | float = 0.5
) -> NDArray[np.float64]:
    """Pseudo-counts of the two alleles of a founder from its own genotype.

    Parameters
    ----------
    genotype_likelihood
        float64, shape (n_markers, 3); 1 everywhere where it was not typed.
    base_second
        float64, shape (n_markers,), or one number. Share of the second allele where nothing was typed.

    Returns
    -------
    ndarray
        float64, shape (n_markers, 2). Beta parameters of the first and second allele.

    """
    base = np.broadcast_to(np.asarray(base_second, dtype=np.float64), genotype_likelihood.shape[:1])
    posterior = genotype_likelihood * np.stack([0.98 * (1 - base), np.full(len(base), 0.02), 0.98 * base], axis=1)
    posterior /= posterior.sum(axis=1, keepdims=True)
    second = posterior[:, 2] + posterior[:, 1] / 2
    second = FOUNDER_IMPURITY + (1 - 2 * FOUNDER_IMPURITY) * second
    spread = genotype_likelihood.max(axis=1) / np.maximum(genotype_likelihood.sum(axis=1), 1e-300)
    known = np.clip((spread - 1 / 3) * 1.5, 0.0, 1.0)
    weight = UNTYPED_WEIGHT + (TYPED_WEIGHT - UNTYPED_WEIGHT) * known
    return np.stack([weight * (1 - second), weight * second], axis=1)


def pair_genotypes(
    pairs: list[tuple[int, int]], strand_second: NDArray[np.float64], fixed: Mapping[int, NDArray[np.float64]]
) -> NDArray[np.float64]:
    """Genotype probabilities of strand pairs.

    Parameters
    ----------
    pairs
        Strand slots; equal slots are one allele twice, unless the slot is in ``fixed``.
    strand_second
        float64, shape (n_slots, n_markers). Probability of the second allele.
    fixed
        Genotype probabilities, float64, shape (n_markers, 3), of slots that stand for a whole genotype.

    Returns
    -------
    ndarray
        float64, shape (n_markers, 3, n_pairs).

    """
    result = np.empty((strand_second.shape[1], 3, len(pairs)))
    for column, (first, second) in enumerate(pairs):
        if first in fixed:
            result[:, :, column] = fixed[first]
            continue
        p, q = strand_second[first], strand_second[second]
        if first == second:
            result[:, 0, column], result[:, 1, column], result[:, 2, column] = 1 - p, 0.0, p
        else:
            result[:, 0, column] = (1 - p) * (1 - q)
            result[:, 2, column] = p * q
            result[:, 1, column] = 1 - result[:, 0, column] - result[:, 2, column]
    return result


@dataclass(kw_only=True, eq=False)
class StrandCounts:
    """Expected copies of each strand seen with either allele; float64, shape (n_strands, n_markers, 2)."""

    values: NDArray[np.float64]

    @property
    def seen(self) -> NDArray[np.float64]:
        """Copies seen with either allele; float64, shape (n_strands, n_markers)."""
        return np.asarray(self.values.sum(axis=2))

    @classmethod
    def empty(cls, n_strands: int, n_markers: int) -> StrandCounts:
        """Nothing counted yet."""
        return cls(values=np.zeros((n_strands, n_markers, 2)))


def add_counts(
    counts: StrandCounts,
    hypothesis: Hypothesis,
    grid: MarkerGrid,
    *,
    genotype_likelihood: NDArray[np.float64],
    line_weight: NDArray[np.float64],
    slots: NDArray[np.int64],
    strand_second: NDArray[np.float64],
) -> None:
    """Add the strand copies that lines of one family carry under one hypothesis.

    Parameters
    ----------
    counts
        Updated in place.
    hypothesis
        What the lines are.
    grid
        The chains.
    genotype_likelihood
        float64, shape (n_markers, n_lines, 3).
    line_weight
        float64, shape (n_lines,). Probability of the hypothesis for each line.
    slots
        int64. Global strand of each local slot.
    strand_second
        float64, shape (n_strands, n_markers), of all strands.

    """
    pairs = list(hypothesis.pairs)
    local = strand_second[slots]
    genotypes = pair_genotypes(pairs, local, {})
    emissions = (genotype_likelihood @ genotypes).transpose(0, 2, 1)
    posterior = state_posterior(hypothesis, lay_emissions(emissions, pairs, grid), grid) * line_weight
    for column, (first, second) in enumerate(pairs):
        p, q = local[first][:, None], local[second][:, None]
        weight = posterior[:, column]
        none, one, two = (genotype_likelihood[:, :, g] for g in range(3))
        if first == second:
            share = p * two / np.maximum(p * two + (1 - p) * none, 1e-300)
            _count(counts, int(slots[first]), weight, share)
            continue
        total = (1 - p) * (1 - q) * none + (p * (1 - q) + q * (1 - p)) * one + p * q * two
        total = np.maximum(total, 1e-300)
        _count(counts, int(slots[first]), weight, p * ((1 - q) * one + q * two) / total)
        _count(counts, int(slots[second]), weight, q * ((1 - p) * one + p * two) / total)


def _count(counts: StrandCounts, strand: int, weight: NDArray[np.float64], second: NDArray[np.float64]) -> None:
    counts.values[strand, :, 1] += (weight * second).sum(axis=1)
    counts.values[strand, :, 0] += (weight * (1 - second)).sum(axis=1)


def add_plant_counts(
    counts: StrandCounts,
    *,
    first: int,
    second: int,
    genotype_likelihood: NDArray[np.float64],
    strand_second: NDArray[np.float64],
    weight: float,
) -> None:
    """Add what a typed plant with two known strands (an F1 donor, a hybrid inducer) says of them.

    Parameters
    ----------
    counts
        Updated in place.
    first, second
        Strands of the plant.
    genotype_likelihood
        float64, shape (n_markers, 3).
    strand_second
        float64, shape (n_strands, n_markers).
    weight
        Copies that it counts for.

    """
    p, q = strand_second[first], strand_second[second]
    none, one, two = genotype_likelihood.T
    total = (1 - p) * (1 - q) * none + (p * (1 - q) + q * (1 - p)) * one + p * q * two
    total = np.maximum(total, 1e-300)
    told = weight * (np.ptp(genotype_likelihood, axis=1) > 0)
    for strand, share in (
        (first, p * ((1 - q) * one + q * two) / total),
        (second, q * ((1 - p) * one + p * two) / total),
    ):
        counts.values[strand, :, 1] += told * share
        counts.values[strand, :, 0] += told * (1 - share)


def updated_strands(prior: NDArray[np.float64], counts: StrandCounts, error: float = 0.0) -> NDArray[np.float64]:
    """Strand values after a round of counting.

    A rarer allele that is seen no more often than the assay errs is no sign of an impure stock.

    Parameters
    ----------
    prior
        float64, shape (n_strands, n_markers, 2). Pseudo-counts.
    counts
        What the lines showed.
    error
        Homozygotes that the assay shows as the other homozygote.

    Returns
    -------
    ndarray
        float64, shape (n_strands, n_markers).

    """
    seen = counts.values.copy()
    total = seen.sum(axis=-1)
    by_error = error * total
    for allele in (0, 1):
        rarer = seen[..., allele]
        is_noise = (rarer < total / 4) & (rarer <= by_error + 3 * np.sqrt(by_error + 0.1))
        seen[..., allele] = np.where(is_noise, 0.0, rarer)
    both = prior + seen
    second = both[..., 1] / both.sum(axis=-1)
    return np.clip(second, LOWEST, 1 - LOWEST)


def phase(
    allele_likelihood: NDArray[np.float64],
    grid: MarkerGrid,
    *,
    plant_log_prior: NDArray[np.float64] | None = None,
    redraw_rate: float = 2.0,
) -> NDArray[np.float64]:
    """Tell apart the two chromosomes of a plant from gametes of it, along every chain at once.

    Each gamete carries a filtered probability of being on the first chromosome; at each marker the more likely
    of three stories is taken: both chromosomes alike, or either of the two phases.

    Parameters
    ----------
    allele_likelihood
        float64, shape (n_markers, n_lines, 2). Likelihood of what was seen of each gamete, given its allele.
    grid
        The chains.
    plant_log_prior
        float64, shape (n_markers, 3), log likelihood of the plant's own genotype, where it was typed.
    redraw_rate
        Redraws per Morgan.

    Returns
    -------
    ndarray
        float64, shape (2, n_markers). Probability of the second allele on each chromosome.

    """
    n_markers, n_lines = allele_likelihood.shape[:2]
    value = np.full((2, n_markers), 0.5)
    on_first = np.full((grid.n_chains, n_lines), 0.5)
    is_open = np.ones(grid.n_chains, dtype=bool)
    prior = np.zeros((n_markers, 3)) if plant_log_prior is None else plant_log_prior
    for step in range(grid.n_steps):
        is_marker = grid.marker[step] != NO_MARKER
        chain, marker = np.flatnonzero(is_marker), grid.marker[step][is_marker]
        keep = np.exp(-redraw_rate * grid.gap_morgan[step][is_marker])[:, None]
        here = keep * on_first[chain] + (1 - keep) * 0.5
        is_open[chain] |= keep[:, 0] == 0.0
        on_first[chain] = _phase_step(value, here, marker, allele_likelihood[marker], prior[marker])
    return value


def _phase_step(
    value: NDArray[np.float64],
    on_first: NDArray[np.float64],
    marker: NDArray[np.int64],
    likelihood: NDArray[np.float64],
    prior: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Choose the story of one marker on each chain; returns the filtered probabilities."""
    sure = 0.97
    stories = ((0.01, 0.01), (0.99, 0.99), (1 - sure, sure), (sure, 1 - sure))
    plant = (prior[:, 0], prior[:, 2], prior[:, 1], prior[:, 1])
    scores, after = [], []
    for (p, q), told in zip(stories, plant, strict=True):
        first = likelihood[..., 0] * (1 - p) + likelihood[..., 1] * p
        second = likelihood[..., 0] * (1 - q) + likelihood[..., 1] * q
        total = np.maximum(on_first * first + (1 - on_first) * second, 1e-300)
        scores.append(np.log(total).sum(axis=1) + told)
        after.append(on_first * first / total)
    score = np.array(scores)
    best = score.argmax(axis=0)
    weights = np.exp(score - score.max(axis=0))
    weights /= weights.sum(axis=0)
    values = np.array(stories)
    value[:, marker] = values[best].T
    undecided = weights.max(axis=0) < 0.6
    is_split = np.abs(score[2] - score[3]) < 1e-9
    soft = values.T @ weights
    value[:, marker[undecided & ~is_split]] = soft[:, undecided & ~is_split]
    picked: NDArray[np.float64] = np.array(after)[best, np.arange(len(best))]
    return picked
