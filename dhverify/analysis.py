"""The analysis of a lot: learn strands, assay and shares of the findings, then score every line."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, cast

import numpy as np
from numpy.typing import NDArray

from dhverify.family_models import FamilyModel, StrandRegistry, build_families
from dhverify.findings_table import FamilyShape, candidates
from dhverify.genotypes import MISSING
from dhverify.judging import (
    FINDING_ORDER,
    candidate_log_weights,
    expected_column,
    finding_log_likelihood,
    learn_prior,
    posterior,
    stage_prior,
)
from dhverify.learning import (
    LineWeights,
    count_strands,
    first_assay,
    fixed_second,
    founder_priors,
    hybrid_heterozygosity,
    learn_calls,
    learn_reads,
    phase_family,
    pool_frequency,
    prior_values,
    with_strands,
)
from dhverify.lot import Lot, Places, with_loose_markers, without_markers
from dhverify.map_check import fit_map
from dhverify.marker_quality import sample_call_rate, sample_heterozygosity
from dhverify.marker_review import distorted_markers, impure_markers
from dhverify.observation import AssayModel, Observations
from dhverify.samples import Family, Role, Sample, SampleSheet, Stage
from dhverify.scoring import FamilyLines, LearntLot, score
from dhverify.strands import StrandCounts, updated_strands
from dhverify.suspects import relearn_founders, suspect_founders, suspect_inducers, untyped_prior

ROUNDS: Final = 3
MAX_LINES_TO_SCORE: Final = 1200
"""Lines that are scored in the learning rounds; all are scored at the end."""
Progress = Callable[[str, int, int], None]
"""Called with (step, done, of)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Analysis:
    """What was learnt of a lot, and how each judged sample scores.

    Attributes
    ----------
    lot
        The lot at the markers that are used.
    judged
        The judged samples: genotyped lines, and controls that name a donor.
    models
        Families, and for each judged sample its index among them (``model_of``).
    learnt
        Strands and assay.
    log_likelihood
        For each judged sample the log likelihood of every candidate of its family shape.
    pooled
        float64, shape (n_judged, n_findings). Log likelihood of each finding.
    priors
        Shares of the findings at each stage, as learnt.
    strand_counts
        What clean lines and hybrids showed of each strand.
    strand_prior
        Pseudo-counts of each strand from its founder's own genotype.
    plant_rows
        Row of each typed donor plant, by name.
    places
        Names and positions of the usable markers.

    """

    lot: Lot
    judged: tuple[Sample, ...]
    rows: NDArray[np.int64]
    models: tuple[FamilyModel, ...]
    model_of: NDArray[np.int64]
    registry: StrandRegistry
    learnt: LearntLot
    log_likelihood: tuple[NDArray[np.float64], ...]
    pooled: NDArray[np.float64]
    priors: dict[Stage, NDArray[np.float64]]
    strand_counts: StrandCounts
    strand_prior: NDArray[np.float64]
    plant_rows: dict[str, int]
    places: Places
    _clean: NDArray[np.float64] | None = field(default=None, init=False, repr=False)

    def prior_rows(self) -> NDArray[np.float64]:
        """Prior of each judged sample; float64, shape (n_judged, n_findings)."""
        return np.array([self.priors[stage_of(sample)] for sample in self.judged]).reshape(
            len(self.judged), len(FINDING_ORDER)
        )

    def clean_probability(self) -> NDArray[np.float64]:
        """Probability of the expected finding of each judged sample, before other plants are looked at."""
        if self._clean is None:
            object.__setattr__(self, "_clean", _clean_share(self))
        return cast("NDArray[np.float64]", self._clean)


def _clean_share(analysis: Analysis) -> NDArray[np.float64]:
    return posterior(analysis.pooled, analysis.prior_rows())[:, expected_column()]


def stage_of(sample: Sample) -> Stage:
    """Stage of a judged sample; a control is taken as a seedling."""
    return sample.stage or Stage.HAPLOID


def judged_samples(lot: Lot) -> tuple[Sample, ...]:
    """Genotyped lines, and controls that name a donor, in sheet order."""
    return tuple(s for s in lot.samples if s.role is Role.LINE or (s.role is Role.CONTROL and s.donor))


def analyse(lot: Lot, sheet: SampleSheet, *, jobs: int = 1, progress: Progress | None = None) -> Analysis:
    """Learn from a lot and score every line of it.

    Markers that the learnt lot shows to be at fault are set aside before the lines are scored, so that the
    analysis may stand on fewer markers than the lot handed in; ``Analysis.lot`` is the one to go on with.
    """
    judged = judged_samples(lot)
    keys = [(Family(donor=s.donor, inducer=s.inducer), s.plants > 1) for s in judged]
    registry, models = build_families(sheet, dict.fromkeys(keys), lot.heterozygosity())
    number = {key: index for index, key in enumerate(dict.fromkeys(keys))}
    work = _Work(
        lot=lot,
        judged=judged,
        rows=lot.rows([s.name for s in judged]),
        models=models,
        model_of=np.array([number[key] for key in keys], dtype=np.int64),
        registry=registry,
        jobs=jobs,
    )
    work = replace(work, lot=_with_checked_map(work))
    pool = pool_frequency(work.lot.seen, np.arange(work.lot.seen.n_samples))
    prior = founder_priors(work.lot.seen, first_assay(work.lot.seen), registry, lot.row, pool)
    learnt = LearntLot(
        seen=work.lot.seen,
        grid=work.lot.grid,
        assay=first_assay(work.lot.seen),
        strand_second=prior_values(prior),
        pool_second=pool,
    )
    learnt, counts, priors = _learn(work, learnt, prior, progress)
    work, learnt, counts, prior = _without_faults(work, learnt, counts, prior)
    scores, pooled = work.scored(learnt, np.arange(len(judged)), progress)
    return Analysis(
        lot=work.lot,
        judged=judged,
        rows=work.rows,
        models=models,
        model_of=work.model_of,
        registry=registry,
        learnt=learnt,
        log_likelihood=scores,
        pooled=pooled,
        priors=priors,
        strand_counts=counts,
        strand_prior=prior,
        plant_rows={m.donor_sample: lot.row[m.donor_sample] for m in models if m.donor_sample},
        places=work.lot.places,
    )


def _with_checked_map(work: _Work) -> Lot:
    """Take markers as unlinked where the map does not fit the clean lines of the lot."""
    lot = work.lot
    crude = _crude_clean(lot, work.rows)
    families = [
        lot.seen.calls[work.rows[(work.model_of == index) & (crude > 0.5)]] for index in range(len(work.models))
    ]
    fit = fit_map(families, lot.grid)
    if fit.is_wrong:
        warning = (
            f"The map does not fit this lot: close neighbours part ways in {fit.parted:.0%} of the clean lines. All"
            " markers are used as unlinked; check the map, the species and the marker positions."
        )
        return with_loose_markers(lot, np.arange(lot.grid.n_markers), "", warning)
    note = "segregates with neither neighbour: misplaced on the map, used as unlinked"
    return with_loose_markers(lot, fit.misplaced, note, "")


def _without_faults(
    work: _Work, learnt: LearntLot, counts: StrandCounts, prior: NDArray[np.float64]
) -> tuple[_Work, LearntLot, StrandCounts, NDArray[np.float64]]:
    """Set aside markers at which offspring show a founder to be impure, and note distorted ones."""
    lot = work.lot
    crude = _crude_clean(lot, work.rows)
    families = [
        lot.seen.calls[work.rows[(work.model_of == index) & (crude > 0.5)]] for index in range(len(work.models))
    ]
    faults, impure = impure_markers(
        work.registry, work.models, learnt.strand_second, prior_values(prior), counts, _allele_error(learnt.assay)
    )
    noted = impure | distorted_markers(work.models, families, learnt.strand_second)
    lot = replace(lot, notes={**lot.notes, **{int(lot.usable[m]): text for m, text in noted.items()}})
    if not faults or len(faults) >= lot.grid.n_markers / 4:
        return replace(work, lot=lot), learnt, counts, prior
    keep = np.setdiff1d(np.arange(lot.grid.n_markers), list(faults))
    lot = without_markers(lot, faults)
    errors = learnt.assay.calls
    learnt = LearntLot(
        seen=lot.seen,
        grid=lot.grid,
        assay=AssayModel(
            calls=replace(errors, marker_hom_to_het=errors.marker_hom_to_het[keep]), reads=learnt.assay.reads
        ),
        strand_second=learnt.strand_second[:, keep],
        pool_second=learnt.pool_second[keep],
    )
    return replace(work, lot=lot), learnt, StrandCounts(values=counts.values[:, keep]), prior[:, keep]


def with_consensus(
    analysis: Analysis, lot: Lot, sets: Sequence[Sequence[str]], *, jobs: int = 1
) -> Analysis:
    """Judge replicates that agree together: each takes the calls or reads of all of them.

    Parameters
    ----------
    analysis
        Of the samples one by one.
    lot
        The lot.
    sets
        Names of samples that are one genotype.
    jobs
        Threads.

    Returns
    -------
    Analysis
        The same, with the likelihoods of those samples from what was seen of the whole set.

    """
    number = {sample.name: k for k, sample in enumerate(analysis.judged)}
    held = [[name for name in names if name in number] for names in sets]
    held = [names for names in held if len(names) > 1]
    if not held:
        return analysis
    seen = analysis.learnt.seen
    calls = seen.calls.copy()
    depths = None if seen.depths is None else seen.depths.copy()
    for names in held:
        rows = lot.rows(names)
        calls[rows] = consensus_calls(seen.calls[rows])
        if depths is not None and seen.depths is not None:
            depths[rows] = seen.depths[rows].sum(axis=0)
    learnt = replace(analysis.learnt, seen=Observations(calls=calls, depths=depths))
    chosen = np.array(sorted(number[name] for names in held for name in names), dtype=np.int64)
    work = _Work(
        lot=lot,
        judged=analysis.judged,
        rows=analysis.rows,
        models=analysis.models,
        model_of=analysis.model_of,
        registry=analysis.registry,
        jobs=jobs,
    )
    scores, pooled = work.scored(learnt, chosen)
    all_scores, all_pooled = list(analysis.log_likelihood), analysis.pooled.copy()
    for position, k in enumerate(chosen):
        all_scores[k] = scores[position]
    all_pooled[chosen] = pooled
    return replace(analysis, learnt=learnt, log_likelihood=tuple(all_scores), pooled=all_pooled)


def consensus_calls(calls: NDArray[np.int8]) -> NDArray[np.int8]:
    """Most frequent call at each marker; missing where two are as frequent.

    Parameters
    ----------
    calls
        int8, shape (n_samples, n_markers).

    Returns
    -------
    ndarray
        int8, shape (n_markers,).

    """
    votes = np.array([(calls == call).sum(axis=0) for call in range(3)])
    most = votes.max(axis=0)
    is_tied = (votes == most).sum(axis=0) > 1
    return np.where((most == 0) | is_tied, MISSING, votes.argmax(axis=0)).astype(np.int8)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Work:
    """What stays the same through all rounds."""

    lot: Lot
    judged: tuple[Sample, ...]
    rows: NDArray[np.int64]
    models: tuple[FamilyModel, ...]
    model_of: NDArray[np.int64]
    registry: StrandRegistry
    jobs: int

    def groups(self, chosen: NDArray[np.int64]) -> list[FamilyLines]:
        """Families of some judged samples; ``order`` indexes ``chosen``."""
        found = []
        for index, model in enumerate(self.models):
            order = np.flatnonzero(self.model_of[chosen] == index)
            if len(order):
                plant = self.lot.row[model.donor_sample] if model.donor_sample else None
                found.append(
                    FamilyLines(model=model, plant=plant, samples=self.rows[chosen[order]], order=order)
                )
        return found

    def scored(
        self, learnt: LearntLot, chosen: NDArray[np.int64], progress: Progress | None = None
    ) -> tuple[tuple[NDArray[np.float64], ...], NDArray[np.float64]]:
        """Log likelihoods of every candidate and of every finding for some judged samples."""
        scores: list[NDArray[np.float64]] = [np.zeros(0)] * len(chosen)
        pooled = np.full((len(chosen), len(FINDING_ORDER)), -np.inf)
        done = 0

        def advance(n_lines: int) -> None:
            nonlocal done
            done += n_lines
            if progress is not None:
                progress("judging lines", done, len(chosen))

        for shape, groups in _by_shape(self.groups(chosen)).items():
            order = np.concatenate([group.order for group in groups])
            inner = _renumbered(groups)
            found = candidates(shape)
            values = score(learnt, inner, found, jobs=self.jobs, advance=advance)
            for stage in Stage:
                at_stage = np.array([stage_of(self.judged[chosen[k]]) is stage for k in order])
                weights = candidate_log_weights(found, stage)
                if at_stage.any():
                    pooled[order[at_stage]] = finding_log_likelihood(values[at_stage], found, weights)
            for position, k in enumerate(order):
                scores[k] = values[position]
        return tuple(scores), pooled


def _by_shape(groups: Sequence[FamilyLines]) -> dict[FamilyShape, list[FamilyLines]]:
    found: dict[FamilyShape, list[FamilyLines]] = {}
    for group in groups:
        found.setdefault(group.model.shape, []).append(group)
    return found


def _renumbered(groups: Sequence[FamilyLines]) -> list[FamilyLines]:
    """The same groups with results in consecutive rows."""
    start = 0
    inner = []
    for group in groups:
        stop = start + len(group.samples)
        inner.append(replace(group, order=np.arange(start, stop)))
        start = stop
    return inner


def _learn(
    work: _Work, learnt: LearntLot, prior: NDArray[np.float64], progress: Progress | None
) -> tuple[LearntLot, StrandCounts, dict[Stage, NDArray[np.float64]]]:
    chosen = _spread(work.model_of, MAX_LINES_TO_SCORE)
    groups = work.groups(chosen)
    crude = _crude_clean(work.lot, work.rows[chosen])
    learnt = _first_strands(learnt, groups, crude, prior, work)
    counts = StrandCounts.empty(*learnt.strand_second.shape)
    priors: dict[Stage, NDArray[np.float64]] = {}
    for round_number in range(ROUNDS):
        if progress is not None:
            progress("learning from the lot", round_number, ROUNDS)
        _, pooled = work.scored(learnt, chosen)
        priors = stage_priors([work.judged[k] for k in chosen], pooled)
        share = posterior(pooled, np.array([priors[stage_of(work.judged[k])] for k in chosen]))
        if round_number == 0:
            learnt, prior, is_changed = _without_suspects(work, learnt, prior, groups, crude, share, chosen)
            if is_changed:
                _, pooled = work.scored(learnt, chosen)
                priors = stage_priors([work.judged[k] for k in chosen], pooled)
                share = posterior(pooled, np.array([priors[stage_of(work.judged[k])] for k in chosen]))
        weights = [
            LineWeights(
                clean=share[group.order, expected_column()],
                hybrid=share[group.order, FINDING_ORDER.index("hybrid")],
            )
            for group in groups
        ]
        counts = count_strands(learnt, groups, weights, work.lot.row)
        learnt = with_strands(learnt, updated_strands(prior, counts, _allele_error(learnt.assay)))
        learnt = replace(learnt, assay=_learn_assay(learnt, groups, weights))
    return learnt, counts, priors


def _without_suspects(
    work: _Work,
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
        priors = stage_priors([work.judged[k] for k in chosen], pooled)
        share = posterior(pooled, np.array([priors[stage_of(work.judged[k])] for k in chosen]))
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


def _allele_error(assay: AssayModel) -> float:
    """Chance that a homozygote looks like the other one."""
    return max(assay.calls.hom_to_other_hom, assay.reads.wrong_locus / 3)


def stage_priors(samples: Sequence[Sample], pooled: NDArray[np.float64]) -> dict[Stage, NDArray[np.float64]]:
    """Shares of the findings at each stage; a control does not count."""
    stages = np.array([stage_of(s).value if s.role is Role.LINE else "" for s in samples], dtype=np.str_)
    return {stage: learn_prior(pooled[stages == stage.value], stage_prior(stage)) for stage in Stage}


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
    return (np.arange(n) * 0.6180339887498949) % 1.0


def _crude_clean(lot: Lot, rows: NDArray[np.int64]) -> NDArray[np.float64]:
    """1 for samples that look homozygous beside the rest of the lot, else 0; before any model."""
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
    work: _Work,
) -> LearntLot:
    """Strand values to start from: phase what is unphased, then two rounds on lines that look clean."""
    values = learnt.strand_second.copy()
    for group in groups:
        if group.model.is_unphased:
            phased = phase_family(learnt, group, crude[group.order])
            if phased is not None:
                values[group.model.slots[list(group.model.donor_slots)]] = phased
    learnt = with_strands(learnt, values)
    if all(info.sample for info in work.registry.infos):
        return learnt
    for _ in range(2):
        weights = [
            LineWeights(clean=crude[group.order], hybrid=np.zeros(len(group.order))) for group in groups
        ]
        counts = count_strands(learnt, groups, weights, work.lot.row)
        learnt = with_strands(learnt, updated_strands(prior, counts))
    return learnt


def _learn_assay(
    learnt: LearntLot, groups: Sequence[FamilyLines], weights: Sequence[LineWeights]
) -> AssayModel:
    clean = [group.samples[weight.clean > 0.9] for group, weight in zip(groups, weights, strict=True)]
    everyone = np.concatenate(clean) if clean else np.zeros(0, dtype=np.int64)
    hybrids = [
        (group.samples[weight.hybrid > 0.9], hybrid_heterozygosity(learnt, group.model))
        for group, weight in zip(groups, weights, strict=True)
    ]
    predicted = [(rows, fixed_second(learnt, group.model)) for rows, group in zip(clean, groups, strict=True)]
    if learnt.seen.depths is not None:
        return AssayModel(calls=learnt.assay.calls, reads=learn_reads(learnt, everyone, hybrids, predicted))
    return AssayModel(calls=learn_calls(learnt, everyone, hybrids, predicted), reads=learnt.assay.reads)
