"""The rounds in which a lot is learnt: score, weigh, count strands, learn the assay, and again."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.judged_lot import JudgedLot, Progress, prior_rows, stage_of
from dhverify.judging import FINDING_ORDER, expected_column, learn_prior, posterior, stage_prior
from dhverify.learning import (
    LineWeights,
    count_strands,
    fixed_second,
    hybrid_heterozygosity,
    learn_calls,
    learn_reads,
    phase_family,
    with_strands,
)
from dhverify.lot import Lot
from dhverify.marker_quality import sample_call_rate, sample_heterozygosity
from dhverify.observation import AssayModel
from dhverify.samples import Role, Sample, Stage
from dhverify.scoring import FamilyLines, LearntLot
from dhverify.shared_parents import PhasedDonor, contradicting, joined, oriented
from dhverify.strands import StrandCounts, updated_strands
from dhverify.suspects import (
    relearn_founders,
    suspect_founders,
    suspect_inducers,
    untyped_prior,
    without_refuted_inducers,
)

ROUNDS: Final = 3
"""Times that strands, assay and shares are learnt in turn (common practice, no source)."""
MAX_LINES_TO_SCORE: Final = 800
"""Lines that take part in the learning rounds, for speed; all are scored at the end (common practice, no source)."""
LINES_PER_FAMILY: Final = 4
"""At least so many lines take part in the learning rounds: in all, and of each family; all are scored at the end."""


def learn(
    work: JudgedLot, learnt: LearntLot, prior: NDArray[np.float64], progress: Progress | None
) -> tuple[LearntLot, StrandCounts, dict[Stage, NDArray[np.float64]]]:
    """Learn strands, assay and shares of the findings.

    Parameters
    ----------
    work
        The judged lot.
    learnt
        What is known before.
    prior
        float64, shape (n_strands, n_markers, 2). Pseudo-counts from the founders' own genotypes.
    progress
        Called with (step, done, of).

    Returns
    -------
    learnt, counts, priors
        With the strands and the assay; copies of each strand seen; shares of the findings by stage.

    """
    chosen, groups, crude = _learners(work)
    counts = StrandCounts.empty(*learnt.strand_second.shape)
    priors = {stage: stage_prior(stage) for stage in Stage}
    if not len(chosen):
        return learnt, counts, priors
    learnt = _first_strands(learnt, groups, crude, prior, work)
    for round_number in range(ROUNDS):
        if progress is not None:
            progress("learning from the lot", round_number, ROUNDS)
        _, pooled = work.scored(learnt, chosen)
        priors, share = _shares(work, chosen, pooled)
        if round_number == 0:
            learnt, prior, is_changed = _without_suspects(work, learnt, prior, groups, crude, share, chosen)
            if is_changed:
                _, pooled = work.scored(learnt, chosen)
                priors, share = _shares(work, chosen, pooled)
        weights = [
            LineWeights(
                clean=share[group.order, expected_column()],
                hybrid=share[group.order, FINDING_ORDER.index("hybrid")],
                selfed_hybrid=share[group.order, FINDING_ORDER.index("selfed hybrid")],
            )
            for group in groups
        ]
        counts = count_strands(learnt, groups, weights, work.lot.row)
        prior = without_refuted_inducers(groups, prior, counts, work.registry, learnt.pool_second)
        learnt = with_strands(learnt, updated_strands(prior, counts, allele_error(learnt.assay)))
        learnt = replace(learnt, assay=_learn_assay(learnt, groups, weights))
    return learnt, counts, priors


def _learners(work: JudgedLot) -> tuple[NDArray[np.int64], list[FamilyLines], NDArray[np.float64]]:
    """Judged samples that take part in learning, by family, and whether each looks homozygous."""
    teachers = work.teachers()
    most = max(MAX_LINES_TO_SCORE, LINES_PER_FAMILY * len(work.models))
    chosen = teachers[_spread(work.model_of[teachers], most)]
    return chosen, work.groups(chosen), crude_clean(work.lot, work.rows[chosen])


def _shares(
    work: JudgedLot, chosen: NDArray[np.int64], pooled: NDArray[np.float64]
) -> tuple[dict[Stage, NDArray[np.float64]], NDArray[np.float64]]:
    """Shares of the findings at each stage among some judged samples, and the posterior of each of them."""
    samples = [work.judged[k] for k in chosen]
    priors = stage_priors(samples, pooled, work.is_unphased()[chosen])
    return priors, posterior(pooled, prior_rows(samples, priors))


def _without_suspects(
    work: JudgedLot,
    learnt: LearntLot,
    prior: NDArray[np.float64],
    groups: Sequence[FamilyLines],
    crude: NDArray[np.float64],
    share: NDArray[np.float64],
    chosen: NDArray[np.int64],
) -> tuple[LearntLot, NDArray[np.float64], bool]:
    """Set references back to unknown that most of their offspring contradict."""
    founders = suspect_founders(groups, crude, share, work.registry)
    if founders:
        learnt = relearn_founders(learnt, groups, crude, prior, founders)
        prior = untyped_prior(prior, founders, learnt.pool_second)
        _, pooled = work.scored(learnt, chosen)
        _, share = _shares(work, chosen, pooled)
    inducers = suspect_inducers(
        learnt, groups, share, prior, work.registry, lambda trial, lines: work.scored(trial, chosen[lines])[1]
    )
    if inducers:
        prior = untyped_prior(prior, list(inducers), learnt.pool_second)
        values = learnt.strand_second.copy()
        for strand, shown in inducers.items():
            values[strand] = shown
        learnt = with_strands(learnt, values)
    return learnt, prior, bool(founders or inducers)


def allele_error(assay: AssayModel) -> float:
    """Chance that a homozygote looks like the other one."""
    return max(assay.calls.hom_to_other_hom, assay.reads.wrong_locus / 3)


def stage_priors(
    samples: Sequence[Sample], pooled: NDArray[np.float64], is_unphased: NDArray[np.bool_]
) -> dict[Stage, NDArray[np.float64]]:
    """Shares of the findings at each stage; a control does not count.

    Parameters
    ----------
    samples
        The judged samples.
    pooled
        float64, shape (n_samples, n_findings). Log likelihoods.
    is_unphased
        bool, shape (n_samples,). Lines of donors without a typed parent: a line without a visible crossover looks
        like a parent there, so that they say nothing of the share of parents.

    """
    stages = np.array([stage_of(s).value if s.role is Role.LINE else "" for s in samples], dtype=np.str_)
    told = pooled.copy()
    told[is_unphased, FINDING_ORDER.index("parent")] = -np.inf
    return {stage: learn_prior(told[stages == stage.value], stage_prior(stage)) for stage in Stage}


def _spread(model_of: NDArray[np.int64], most: int) -> NDArray[np.int64]:
    """Judged samples that take part in learning: evenly from all families, at most ``most``."""
    if len(model_of) <= most:
        return np.arange(len(model_of))
    rank = np.zeros(len(model_of), dtype=np.int64)
    for index in np.unique(model_of):
        members = np.flatnonzero(model_of == index)
        rank[members] = np.argsort(np.argsort(_scatter(len(members))))
    return np.sort(np.lexsort((np.arange(len(rank)), rank))[:most])


def _scatter(n: int) -> NDArray[np.float64]:
    """A fixed scattered order (golden-ratio sequence), so that neighbours on the sheet do not go together."""
    return np.asarray((np.arange(n) * 0.6180339887498949) % 1.0, dtype=np.float64)


def crude_clean(lot: Lot, rows: NDArray[np.int64]) -> NDArray[np.float64]:
    """1 for samples that look homozygous beside the rest of the lot, else 0; before any model."""
    if not len(rows):
        return np.zeros(0)
    het = sample_heterozygosity(lot.seen.calls[rows])
    rate = sample_call_rate(lot.seen.calls[rows])
    is_called = np.isfinite(het) & (rate > 0.3 * np.median(rate))
    if not is_called.any():
        return np.zeros(len(rows))
    low = float(np.quantile(het[is_called], 0.2))
    return np.where(is_called & (het <= min(2 * low + 0.02, 0.15)), 1.0, 0.0)


def _first_strands(
    learnt: LearntLot,
    groups: Sequence[FamilyLines],
    crude: NDArray[np.float64],
    prior: NDArray[np.float64],
    work: JudgedLot,
) -> LearntLot:
    """Strand values to start from: phase what is unphased, then two rounds on lines that look clean."""
    learnt = with_strands(learnt, _phased_strands(learnt, groups, crude, prior))
    if all(info.sample for info in work.registry.infos):
        return learnt
    for _ in range(2):
        weights = [LineWeights.only_clean(crude[group.order]) for group in groups]
        counts = count_strands(learnt, groups, weights, work.lot.row)
        learnt = with_strands(learnt, updated_strands(prior, counts))
    return learnt


def _phased_strands(
    learnt: LearntLot, groups: Sequence[FamilyLines], crude: NDArray[np.float64], prior: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Strand values with those of unphased donors told apart, each given to the parent that other families show."""
    values = learnt.strand_second.copy()
    donors = _phased_donors(learnt, groups, crude)
    if donors:
        known = _known_otherwise(learnt, groups, crude, prior)
        for strand, second in joined(donors, oriented(donors, known, learnt.grid), known).items():
            values[strand] = second
    return values


def donors_of_other_parents(work: JudgedLot, learnt: LearntLot, prior: NDArray[np.float64]) -> frozenset[str]:
    """Names of donors whose lines contradict what other families show of parents that nobody typed."""
    uses = Counter(int(slot) for model in work.models for slot in model.slots[list(model.donor_slots)])
    if not any(uses[int(s)] > 1 for m in work.models if m.is_unphased for s in m.slots[list(m.donor_slots)]):
        return frozenset()
    _, groups, crude = _learners(work)
    donors = _phased_donors(learnt, groups, crude)
    known = _known_otherwise(learnt, groups, crude, prior)
    return frozenset(donors[number].name for number in contradicting(donors, known, learnt.grid))


def _phased_donors(learnt: LearntLot, groups: Sequence[FamilyLines], crude: NDArray[np.float64]) -> list[PhasedDonor]:
    donors = []
    for group in groups:
        phased = phase_family(learnt, group, crude[group.order]) if group.model.is_unphased else None
        if phased is not None:
            first, second = group.model.slots[list(group.model.donor_slots)]
            name = group.model.family.donor
            donors.append(PhasedDonor(name=name, strands=(int(first), int(second)), second=phased))
    return donors


def _known_otherwise(
    learnt: LearntLot, groups: Sequence[FamilyLines], crude: NDArray[np.float64], prior: NDArray[np.float64]
) -> NDArray[np.float64]:
    """What families with a typed parent tell of all strands; 0.5 where they carry no copy of one."""
    groups = [group for group in groups if not group.model.is_unphased]
    weights = [LineWeights.only_clean(crude[group.order]) for group in groups]
    counts = StrandCounts.empty(*learnt.strand_second.shape)
    for _ in range(2 if groups else 0):
        counts = count_strands(learnt, groups, weights, {}, plants=False)
        learnt = with_strands(learnt, updated_strands(prior, counts))
    return np.where(counts.seen >= 1.0, learnt.strand_second, 0.5)


def _learn_assay(learnt: LearntLot, groups: Sequence[FamilyLines], weights: Sequence[LineWeights]) -> AssayModel:
    clean = [group.samples[weight.clean > 0.9] for group, weight in zip(groups, weights, strict=True)]
    everyone = np.concatenate(clean) if clean else np.zeros(0, dtype=np.int64)
    hybrids = [
        (group.samples[weight.hybrid > 0.9], hybrid_heterozygosity(learnt, group.model))
        for group, weight in zip(groups, weights, strict=True)
    ]
    predicted = [(rows, fixed_second(learnt, group.model)) for rows, group in zip(clean, groups, strict=True)]
    if learnt.seen.depths is not None:
        return AssayModel(calls=learnt.assay.calls, reads=learn_reads(learnt, hybrids, predicted))
    return AssayModel(calls=learn_calls(learnt, everyone, hybrids, predicted), reads=learnt.assay.reads)
