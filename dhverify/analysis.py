"""The analysis of a lot: learn strands, assay and shares of the findings, then score every line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final, cast

import numpy as np
from numpy.typing import NDArray

from dhverify.family_models import FamilyModel, StrandRegistry, build_families
from dhverify.findings_table import Candidate, candidates
from dhverify.genotypes import MISSING
from dhverify.judged_lot import JudgedLot, Progress, judged_samples, prior_rows, silent_lines, stage_of
from dhverify.judging import FINDING_ORDER, candidate_log_weights, expected_column, outcross_ways, posterior
from dhverify.learning import first_assay, founder_priors, pool_frequency, prior_values
from dhverify.learning_rounds import allele_error, crude_clean, donors_of_other_parents, learn
from dhverify.lot import Lot, Places, with_loose_markers, without_markers
from dhverify.map_check import fit_map
from dhverify.marker_review import distorted_markers, impure_markers
from dhverify.observation import AssayModel, Observations
from dhverify.one_plant import with_plants
from dhverify.samples import Family, Sample, SampleSheet, Stage
from dhverify.scoring import LearntLot
from dhverify.strands import StrandCounts
from dhverify.stretches import seen_stretches

MOST_ALIKE: Final = 0.85
"""A marker segregates in a family when no call is commoner than this."""
LEAST_WEIGHT: Final = 0.004
"""Least weight of a marker without a place, where many repeat each other: 250 then count as one stretch (common
practice, no source)."""
FEWEST_COPIES: Final = 1.0
"""Copies of an untyped inducer's alleles that hybrids have to show before a line can be called the inducer (common
practice, no source)."""


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
    silent
        Names of samples that taught nothing.
    own_parent_pollen
        Share of outcrosses that are by pollen of the donor's own parents, as learnt; None: as shipped.

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
    silent: frozenset[str] = frozenset()
    own_parent_pollen: float | None = None
    _clean: NDArray[np.float64] | None = field(default=None, init=False, repr=False)

    @cached_property
    def line_of(self) -> dict[int, int]:
        """Number of each judged sample, by its row."""
        return {int(row): line for line, row in enumerate(self.rows)}

    def is_silent(self) -> NDArray[np.bool_]:
        """Whether each judged sample taught nothing; bool, shape (n_judged,)."""
        return silent_lines(self.judged, self.silent)

    def prior_rows(self) -> NDArray[np.float64]:
        """Prior of each judged sample; float64, shape (n_judged, n_findings)."""
        return prior_rows(self.judged, self.priors)

    def ways(self, line: int) -> tuple[tuple[Candidate, ...], NDArray[np.float64]]:
        """Candidates of a judged sample, and the log share of each within its finding, as learnt."""
        found = candidates(self.models[int(self.model_of[line])].shape)
        weights = candidate_log_weights(found, stage_of(self.judged[line]))
        is_own, is_other = outcross_ways(found)
        if self.own_parent_pollen is not None and is_own.any():
            shipped = np.exp(weights[is_own]).sum()
            weights[is_own] += np.log(self.own_parent_pollen / shipped)
            weights[is_other] += np.log((1 - self.own_parent_pollen) / (1 - shipped))
        return found, weights

    def clean_probability(self) -> NDArray[np.float64]:
        """Probability of the expected finding of each judged sample, before other plants are looked at."""
        if self._clean is None:
            object.__setattr__(self, "_clean", _clean_share(self))
        return cast("NDArray[np.float64]", self._clean)


def _clean_share(analysis: Analysis) -> NDArray[np.float64]:
    return posterior(analysis.pooled, analysis.prior_rows())[:, expected_column()]


def analyse(
    lot: Lot,
    sheet: SampleSheet,
    *,
    jobs: int = 1,
    progress: Progress | None = None,
    silent: frozenset[str] = frozenset(),
) -> Analysis:
    """Learn from a lot and score every line of it.

    Markers that the learnt lot shows to be at fault are set aside before the lines are scored, so that the
    analysis may stand on fewer markers than the lot handed in; ``Analysis.lot`` is the one to go on with.
    Silent samples do not hold what the sheet says: nothing is learnt from their lines and controls, and their
    references are taken as not typed. They are scored all the same.
    """
    judged = judged_samples(lot)
    keys = [(Family(donor=s.donor, inducer=s.inducer), s.plants > 1) for s in judged]
    registry, models = build_families(sheet, dict.fromkeys(keys), lot.heterozygosity(), silent)
    number = {key: index for index, key in enumerate(dict.fromkeys(keys))}
    work = JudgedLot(
        lot=lot,
        judged=judged,
        rows=lot.rows([s.name for s in judged]),
        models=models,
        model_of=np.array([number[key] for key in keys], dtype=np.int64),
        registry=registry,
        jobs=jobs,
        silent=silent,
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
        weight=_weight_of_unlinked(work),
    )
    work, learnt, prior = _with_fitting_parents(work, learnt, prior, sheet)
    learnt, counts, priors = learn(work, learnt, prior, progress)
    work, learnt, counts, prior = _without_faults(work, learnt, counts, prior)
    scores, pooled = work.scored(learnt, np.arange(len(judged)), progress)
    work, learnt, scores, pooled = _with_plants(work, learnt, priors, scores, pooled)
    pooled[_lacks_seen_inducer(work, counts), FINDING_ORDER.index("inducer")] = -np.inf
    return Analysis(
        lot=work.lot,
        judged=judged,
        rows=work.rows,
        models=work.models,
        model_of=work.model_of,
        registry=work.registry,
        learnt=learnt,
        log_likelihood=scores,
        pooled=pooled,
        priors=priors,
        strand_counts=counts,
        strand_prior=prior,
        plant_rows={m.donor_sample: lot.row[m.donor_sample] for m in work.models if m.donor_sample},
        places=work.lot.places,
        silent=silent,
    )


def _with_fitting_parents(
    work: JudgedLot, learnt: LearntLot, prior: NDArray[np.float64], sheet: SampleSheet
) -> tuple[JudgedLot, LearntLot, NDArray[np.float64]]:
    """Take donors as of unknown pedigree where untyped parents of theirs are not those of other donors."""
    apart = donors_of_other_parents(work, learnt, prior)
    if not apart:
        return work, learnt, prior
    families = [(model.family, model.shape.is_bulk) for model in work.models]
    registry, models = build_families(sheet, families, work.lot.heterozygosity(), work.silent, apart)
    prior = founder_priors(work.lot.seen, learnt.assay, registry, work.lot.row, learnt.pool_second)
    work = replace(work, models=models, registry=registry)
    return work, replace(learnt, strand_second=prior_values(prior)), prior


def _with_plants(
    work: JudgedLot,
    learnt: LearntLot,
    priors: dict[Stage, NDArray[np.float64]],
    scores: tuple[NDArray[np.float64], ...],
    pooled: NDArray[np.float64],
) -> tuple[JudgedLot, LearntLot, tuple[NDArray[np.float64], ...], NDArray[np.float64]]:
    """Score lines of donors of one plant anew with what is fixed in it."""
    before = work.models
    clean = posterior(pooled, prior_rows(work.judged, priors))[:, expected_column()]
    work, learnt = with_plants(work, learnt, clean)
    changed = np.array([new is not old for new, old in zip(work.models, before, strict=True)], dtype=bool)
    chosen = np.flatnonzero(changed[work.model_of]) if len(changed) else np.zeros(0, dtype=np.int64)
    if not len(chosen):
        return work, learnt, scores, pooled
    return work, learnt, *work.scored_anew(learnt, chosen, scores, pooled)


def _lacks_seen_inducer(work: JudgedLot, counts: StrandCounts) -> NDArray[np.bool_]:
    """Judged samples whose inducer nobody typed and no hybrid shows: what it looks like is not known."""
    is_seen = np.median(counts.seen, axis=1) >= FEWEST_COPIES
    is_typed = np.array([bool(info.sample) for info in work.registry.infos], dtype=bool)
    is_known = np.array(
        [
            bool(model.inducer_sample) or bool((is_seen | is_typed)[model.slots[list(model.inducer_slots)]].all())
            for model in work.models
        ],
        dtype=bool,
    )
    return np.asarray(~is_known[work.model_of])


def _clean_calls(work: JudgedLot) -> list[NDArray[np.int8]]:
    """Calls of the lines of each family that look homozygous beside the rest of the lot."""
    teachers = work.teachers()
    crude = crude_clean(work.lot, work.rows[teachers])
    clean = teachers[crude > 0.5]
    return [work.lot.seen.calls[work.rows[clean[work.model_of[clean] == index]]] for index in range(len(work.models))]


def _with_checked_map(work: JudgedLot) -> Lot:
    """Take markers as unlinked where the map does not fit the clean lines of the lot."""
    lot = work.lot
    families = _clean_calls(work)
    fit = fit_map(families, lot.grid)
    if fit.is_wrong:
        warning = (
            f"The map does not fit this lot: close neighbours part ways in {100 * fit.parted:.0f} % of the clean lines."
            " All markers are used as unlinked; check the map, the species and the marker positions."
        )
        return with_loose_markers(lot, np.arange(lot.grid.n_markers), "", warning)
    note = "segregates with neither neighbour: misplaced on the map, used as unlinked"
    return with_loose_markers(lot, fit.misplaced, note, "")


def _weight_of_unlinked(work: JudgedLot) -> float:
    """Weight of the likelihoods where no marker has a place: independent stretches per segregating marker."""
    if (work.lot.grid.chain_chrom != "").any():
        return 1.0
    weights = []
    teachers = work.teachers()
    for index in range(len(work.models)):
        calls = work.lot.seen.calls[work.rows[teachers[work.model_of[teachers] == index]]]
        called = np.maximum((calls != MISSING).sum(axis=0), 1)
        most = np.array([(calls == call).sum(axis=0) for call in range(3)]).max(axis=0)
        segregating = most / called < MOST_ALIKE
        stretches = seen_stretches(calls[:, segregating])
        if stretches is not None and segregating.any():
            weights.append(stretches / int(segregating.sum()))
    return float(np.clip(min(weights, default=1.0), LEAST_WEIGHT, 1.0))


def _without_faults(
    work: JudgedLot, learnt: LearntLot, counts: StrandCounts, prior: NDArray[np.float64]
) -> tuple[JudgedLot, LearntLot, StrandCounts, NDArray[np.float64]]:
    """Set aside markers at which offspring show a founder to be impure, and note distorted ones."""
    lot = work.lot
    families = _clean_calls(work)
    faults, impure = impure_markers(
        work.registry, work.models, learnt.strand_second, prior_values(prior), counts, allele_error(learnt.assay)
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
        weight=learnt.weight,
    )
    return replace(work, lot=lot), learnt, StrandCounts(values=counts.values[:, keep]), prior[:, keep]


def with_consensus(analysis: Analysis, lot: Lot, sets: Sequence[Sequence[str]], *, jobs: int = 1) -> Analysis:
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
    work = JudgedLot(
        lot=lot,
        judged=analysis.judged,
        rows=analysis.rows,
        models=analysis.models,
        model_of=analysis.model_of,
        registry=analysis.registry,
        jobs=jobs,
    )
    scores, pooled = work.scored_anew(learnt, chosen, analysis.log_likelihood, analysis.pooled)
    return replace(analysis, learnt=learnt, log_likelihood=scores, pooled=pooled)


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
