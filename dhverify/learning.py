"""Learning from the lot: strands, error rates of the assay, and shares of the findings, in a few EM rounds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify import assumptions
from dhverify.family_models import FamilyModel, StrandRegistry
from dhverify.findings_table import Candidate, candidates
from dhverify.genotypes import MISSING
from dhverify.observation import AssayModel, CallErrors, Observations, ReadErrors
from dhverify.scoring import FamilyLines, LearntLot
from dhverify.strands import (
    StrandCounts,
    add_counts,
    add_plant_counts,
    phase,
    strand_prior,
    updated_strands,
)

MARKER_ERROR_WEIGHTS: Final = (40.0, 4000.0)
"""Least and most calls that the lot's rate of false heterozygotes counts for in a marker's own rate."""
MAX_LINES_TO_LEARN: Final = 120
"""Lines of one family that take part in learning; more add little."""
LINES_PER_COUNT: Final = 96
"""Lines whose strands are counted together, for memory only: it changes no result."""
SURE_HETEROZYGOTE: Final = 0.95
"""Probability of a heterozygote in a sure hybrid from which its call counts for the drop-out rate (common practice,
no source)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class LineWeights:
    """How far each line of a family takes part in learning.

    Attributes
    ----------
    clean, hybrid, selfed_hybrid
        float64, shape (n_lines,). Probability of a clean donor gamete, of a hybrid with the inducer, and of the
        progeny of one.

    """

    clean: NDArray[np.float64]
    hybrid: NDArray[np.float64]
    selfed_hybrid: NDArray[np.float64]

    @classmethod
    def only_clean(cls, clean: NDArray[np.float64]) -> LineWeights:
        """Clean lines and nothing else."""
        nothing = np.zeros_like(clean)
        return cls(clean=clean, hybrid=nothing, selfed_hybrid=nothing)


def first_assay(seen: Observations) -> AssayModel:
    """The assay before anything was learnt."""
    errors = CallErrors(
        marker_hom_to_het=np.full(seen.n_markers, assumptions.HOM_TO_HET.mean),
        hom_to_other_hom=assumptions.HOM_TO_OTHER_HOM.mean,
        dropout=assumptions.DROPOUT.mean,
    )
    return AssayModel(calls=errors, reads=ReadErrors())


def pool_frequency(seen: Observations, samples: NDArray[np.int64]) -> NDArray[np.float64]:
    """Share of the second allele in material of unknown origin: that of the lot, kept off 0 and 1.

    Returns
    -------
    ndarray
        float64, shape (n_markers,).

    """
    calls = seen.calls[samples]
    called = (calls != MISSING).sum(axis=0)
    second = np.where(calls == MISSING, 0, calls).sum(axis=0, dtype=np.int64) / 2
    return np.asarray((second + 1.0) / (called + 2.0) * 0.8 + 0.1, dtype=np.float64)


def founder_priors(
    lot_seen: Observations,
    assay: AssayModel,
    registry: StrandRegistry,
    row: dict[str, int],
    pool_second: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Pseudo-counts of all strands from the founders' own genotypes; shape (n_strands, n_markers, 2).

    A founder that was not typed starts from the shares of the lot.
    """
    prior = np.empty((len(registry.infos), lot_seen.n_markers, 2))
    for strand, info in enumerate(registry.infos):
        if info.sample:
            likelihood = assay.genotype_likelihood(lot_seen, np.array([row[info.sample]]))[:, 0]
        else:
            likelihood = np.ones((lot_seen.n_markers, 3))
        prior[strand] = strand_prior(likelihood, pool_second)
    return prior


def prior_values(prior: NDArray[np.float64]) -> NDArray[np.float64]:
    """Strand values that pseudo-counts alone give."""
    return updated_strands(prior, StrandCounts.empty(prior.shape[0], prior.shape[1]))


def phase_family(lot: LearntLot, group: FamilyLines, clean: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Tell the two strands of an unphased donor apart; None where too few clean lines show them.

    Returns
    -------
    ndarray or None
        float64, shape (2, n_markers).

    """
    picked = group.samples[clean > 0.5][:MAX_LINES_TO_LEARN]
    if len(picked) < 3:
        return None
    likelihood = lot.assay.genotype_likelihood(lot.seen, picked)[..., (0, 2)]
    floor = 0.02
    likelihood = (likelihood + floor) / (1 + 2 * floor)
    plant = None
    if group.plant is not None:
        seen = lot.assay.genotype_likelihood(lot.seen, np.array([group.plant]))[:, 0]
        plant = np.log(seen + 0.01)
    return phase(likelihood, lot.grid, plant_log_prior=plant)


def count_strands(
    lot: LearntLot,
    groups: Sequence[FamilyLines],
    weights: Sequence[LineWeights],
    row: dict[str, int],
    *,
    plants: bool = True,
) -> StrandCounts:
    """Count the strand copies that clean lines and hybrids of all families carry, and typed plants if wanted."""
    counts = StrandCounts.empty(*lot.strand_second.shape)
    for group, weight in zip(groups, weights, strict=True):
        found = candidates(group.model.shape)
        _count_lines(counts, lot, group, found[0], weight.clean)
        for finding, share in (("hybrid", weight.hybrid), ("selfed hybrid", weight.selfed_hybrid)):
            candidate = next((c for c in found if c.finding == finding), None)
            if candidate is not None:
                _count_lines(counts, lot, group, candidate, share)
    if plants:
        _count_plants(counts, lot, groups, row)
    return counts


def _count_lines(
    counts: StrandCounts, lot: LearntLot, group: FamilyLines, found: Candidate, weight: NDArray[np.float64]
) -> None:
    used = np.flatnonzero(weight > 0.3)[:MAX_LINES_TO_LEARN]
    for start in range(0, len(used), LINES_PER_COUNT):
        part = used[start : start + LINES_PER_COUNT]
        add_counts(
            counts,
            found.hypothesis,
            lot.grid,
            genotype_likelihood=lot.assay.genotype_likelihood(lot.seen, group.samples[part]),
            line_weight=weight[part],
            slots=group.model.slots,
            strand_second=lot.strand_second,
        )


def _count_plants(counts: StrandCounts, lot: LearntLot, groups: Sequence[FamilyLines], row: dict[str, int]) -> None:
    """Count typed F1 donors and hybrid inducers, each once."""
    done: set[str] = set()
    for group in groups:
        model = group.model
        for sample, tree in (
            (model.donor_sample, model.shape.donor),
            (model.inducer_sample, model.shape.inducer),
        ):
            if not sample or sample in done or isinstance(tree, int):
                continue
            first, second = tree
            if isinstance(first, int) and isinstance(second, int) and first != second:
                done.add(sample)
                add_plant_counts(
                    counts,
                    first=int(model.slots[first]),
                    second=int(model.slots[second]),
                    genotype_likelihood=lot.assay.genotype_likelihood(lot.seen, np.array([row[sample]]))[:, 0],
                    strand_second=lot.strand_second,
                    weight=1.5,
                )


def learn_calls(
    lot: LearntLot,
    clean: NDArray[np.int64],
    hybrids: Sequence[tuple[NDArray[np.int64], NDArray[np.float64]]],
    predicted: Sequence[tuple[NDArray[np.int64], NDArray[np.float64]]],
) -> CallErrors:
    """Error rates of calls from lines whose genotype is known.

    Parameters
    ----------
    lot
        The lot.
    clean
        Sample rows of clean lines: every heterozygous call is false.
    hybrids
        For each family, sample rows of its hybrids and the probability that each marker is heterozygous in
        them (float64, shape (n_markers,)).
    predicted
        For each family, sample rows of its clean lines and the expected second-allele share where both donor
        strands agree, nan elsewhere (float64, shape (n_markers,)).

    """
    calls = lot.seen.calls
    n_het = (calls[clean] == 1).sum(axis=0)
    n_called = (calls[clean] != MISSING).sum(axis=0)
    base = assumptions.HOM_TO_HET
    keep = _without_worst_twentieth(n_het, n_called)
    lot_rate = (n_het[keep].sum() + base.mean * base.weight) / (n_called[keep].sum() + base.weight)
    weight = _marker_weight(n_het[keep], n_called[keep], float(lot_rate))
    marker_rate = (n_het + lot_rate * weight) / (n_called + weight)
    return CallErrors(
        marker_hom_to_het=np.clip(marker_rate, 2e-4, 0.25),
        hom_to_other_hom=_other_hom_rate(calls, predicted),
        dropout=_dropout_rate(calls, hybrids),
    )


def _marker_weight(n_het: NDArray[np.int64], n_called: NDArray[np.int64], rate: float) -> float:
    """Calls that the lot's rate counts for: many when markers differ no more than by chance (moments)."""
    expected = n_called * rate
    variance = expected * (1 - rate)
    excess = float(((n_het - expected) ** 2 - variance).sum())
    between = excess / max(float((n_called * (n_called - 1)).sum()), 1.0)
    low, high = MARKER_ERROR_WEIGHTS
    if between <= 0:
        return high
    return float(np.clip(rate * (1 - rate) / between - 1, low, high))


def _without_worst_twentieth(n_het: NDArray[np.int64], n_called: NDArray[np.int64]) -> NDArray[np.bool_]:
    rate = n_het / np.maximum(n_called, 1)
    return np.asarray(rate <= np.quantile(rate, 0.95)) if len(rate) else np.zeros(0, dtype=bool)


def _other_hom_rate(
    calls: NDArray[np.int8], predicted: Sequence[tuple[NDArray[np.int64], NDArray[np.float64]]]
) -> float:
    base = assumptions.HOM_TO_OTHER_HOM
    wrong, seen = base.mean * base.weight, base.weight
    for rows, second in predicted:
        fixed = (second < 0.08) | (second > 0.92)
        part = calls[np.ix_(rows, fixed)]
        target = np.where(second[fixed] > 0.5, 2, 0)
        is_called = (part == 0) | (part == 2)
        wrong += float((is_called & (part != target)).sum())
        seen += float(is_called.sum())
    return float(np.clip(wrong / seen, 2e-4, 0.1))


def _dropout_rate(calls: NDArray[np.int8], hybrids: Sequence[tuple[NDArray[np.int64], NDArray[np.float64]]]) -> float:
    base = assumptions.DROPOUT
    lost, seen = base.mean * base.weight, base.weight
    for rows, het in hybrids:
        part = calls[np.ix_(rows, het > SURE_HETEROZYGOTE)]
        lost += float(((part == 0) | (part == 2)).sum())
        seen += float((part != MISSING).sum())
    return float(np.clip(lost / seen, 0.002, 0.5))


def learn_reads(
    lot: LearntLot,
    hybrids: Sequence[tuple[NDArray[np.int64], NDArray[np.float64]]],
    predicted: Sequence[tuple[NDArray[np.int64], NDArray[np.float64]]],
) -> ReadErrors:
    """Error rates of reads from lines whose genotype is known (parameters as in :func:`learn_calls`)."""
    depths = lot.seen.depths
    if depths is None:
        return lot.assay.reads
    base = assumptions.READ_ERROR
    wrong, seen = base.mean * base.weight, base.weight
    for rows, second in predicted:
        fixed = (second < 0.01) | (second > 0.99)
        part = depths[rows][:, fixed].astype(np.int64)
        is_second = second[fixed] > 0.5
        minor = np.where(is_second, part[..., 0], part[..., 1])
        total = part.sum(axis=2)
        is_trusted = (minor * 4 <= total) | (total < 4)
        wrong += float(minor[is_trusted].sum())
        seen += float(total[is_trusted].sum())
    first, both, pairs, agreeing = 50.0, 100.0, 0.0, 0.0
    for rows, het in hybrids:
        part = depths[rows][:, het > SURE_HETEROZYGOTE].astype(np.int64)
        total = part.sum(axis=2)
        first += float(part[..., 0].sum())
        both += float(total.sum())
        pairs += float((total * (total - 1)).sum())
        agreeing += float((part * (part - 1)).sum())
    share = float(np.clip(first / both, 0.3, 0.7))
    return ReadErrors(
        read_error=float(np.clip(wrong / seen, 5e-4, 0.05)),
        overdispersion=_overdispersion(pairs, agreeing, share),
        first_share=share,
    )


def _overdispersion(pairs: float, agreeing: float, share: float) -> float:
    """Intraclass correlation from pairs of reads of one heterozygote that show the same allele."""
    base, weight = assumptions.READ_OVERDISPERSION, 2000.0
    if pairs <= 0:
        return base
    by_chance = share**2 + (1 - share) ** 2
    observed = (agreeing / pairs - by_chance) / (1 - by_chance)
    blended = (observed * pairs + base * weight) / (pairs + weight)
    return float(np.clip(blended, 0.0, 0.3))


def with_strands(lot: LearntLot, strand_second: NDArray[np.float64]) -> LearntLot:
    """The lot with other strand values."""
    return replace(lot, strand_second=strand_second)


def fixed_second(lot: LearntLot, model: FamilyModel) -> NDArray[np.float64]:
    """Second-allele probability where all donor strands agree, nan elsewhere; shape (n_markers,)."""
    values = lot.strand_second[model.slots[list(model.donor_slots)]]
    low, high = values.min(axis=0), values.max(axis=0)
    return np.where(high < 0.1, high, np.where(low > 0.9, low, np.nan))


def hybrid_heterozygosity(lot: LearntLot, model: FamilyModel) -> NDArray[np.float64]:
    """Probability that a hybrid is heterozygous, where it does not depend on its gamete; shape (n_markers,)."""
    donor = lot.strand_second[model.slots[list(model.donor_slots)]]
    inducer = lot.strand_second[model.slots[list(model.inducer_slots)]]
    apart = np.maximum((1 - donor.max(axis=0)) * inducer.min(axis=0), donor.min(axis=0) * (1 - inducer.max(axis=0)))
    return np.asarray(apart, dtype=np.float64)
