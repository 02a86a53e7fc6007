"""From the analysis of a lot to the evidence of each line: findings, shares, segments, and what it rests on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom

from dhverify.alternatives import DonorPanel, OtherDonors, donor_panel, other_donors
from dhverify.analysis import Analysis
from dhverify.contamination import find_mixtures
from dhverify.decoding import Decoded, decode
from dhverify.evidence import LineEvidence
from dhverify.family_models import FamilyModel
from dhverify.findings_table import EXPECTED
from dhverify.genotypes import MISSING
from dhverify.judged_lot import Progress, prior_rows, unphased_lines
from dhverify.judging import FINDING_ORDER, Option, expected_column, posterior
from dhverify.learning import prior_values
from dhverify.learning_rounds import stage_priors
from dhverify.limits import Limits
from dhverify.lot import Lot
from dhverify.marker_classes import MarkerClasses, classify
from dhverify.measures import independent_stretches, line_measures
from dhverify.mixture_fits import MixtureFit, learnt_nearness
from dhverify.mothers import by_sisters
from dhverify.outcome import Finding
from dhverify.own_pollen import with_own_parent_pollen
from dhverify.pollen import named_pollen
from dhverify.poor_samples import POOR_SAMPLE, poor_samples
from dhverify.samples import Role, Sample, Stage
from dhverify.sisters import crossed_sisters

NO_DOUBT: Final = 0.9995
"""A line whose expected finding is at least this probable is not compared with every plant of the lot."""
EXCESS_PROBABILITY: Final = 1e-3
"""Heterozygotes that the assay alone gives a clean line with less than this probability make it a line in doubt
(computed from the binomial; one clean line in 1,000 is looked at in vain)."""
FIXED_HETEROZYGOSITY: Final = 0.1
"""Samples less heterozygous are taken as inbred when pollen parents are looked for (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Diagnosis:
    """Evidence of all judged samples, and what the families look like.

    Attributes
    ----------
    evidence
        By sample name.
    classes
        Marker classes of each family model.
    posterior
        float64, shape (n_judged, n_findings).
    priors
        Shares of the findings at each stage, as learnt.
    mixtures
        Each judged sample in doubt as a mixture, by its number.
    decoded
        Most probable origin of every stretch.

    """

    evidence: Mapping[str, LineEvidence]
    classes: tuple[MarkerClasses, ...]
    posterior: NDArray[np.float64]
    priors: Mapping[Stage, NDArray[np.float64]]
    panel: DonorPanel
    mixtures: Mapping[int, MixtureFit]
    decoded: Decoded


def diagnose(lot: Lot, analysis: Analysis, limits: Limits, progress: Progress | None = None) -> Diagnosis:
    """Find what each judged sample most probably is, among all plants of the lot."""
    panel = donor_panel(analysis)
    first = posterior(analysis.pooled, analysis.prior_rows())
    in_doubt = _in_doubt(analysis, first)
    others = other_donors(analysis, panel, in_doubt)
    doubtful = np.flatnonzero(in_doubt)
    if progress is not None:
        progress("looking for what explains lines in doubt", 0, max(1, len(doubtful)))
    pollen = named_pollen(analysis, panel, doubtful, first)
    mixtures = find_mixtures(analysis, panel, [int(k) for k in doubtful], lot.samples, _strangers(lot, analysis, first))
    options = [list(found) for found in others.options]
    for line, found in pollen.items():
        options[line] += found
    for line, poor in poor_samples(analysis, doubtful).items():
        options[line].append(poor)
    for line, sisters in crossed_sisters(analysis, doubtful).items():
        options[line].append(sisters)
    analysis, mixtures = _with_learnt_ways(analysis, mixtures, options)
    for line, mixture in mixtures.items():
        options[line] += mixture.options
    shares, *_ = _pooled_shares(analysis, options)
    for line, found in by_sisters(analysis, mixtures, shares).items():
        options[line] += found
    shares, priors, whole = _pooled_shares(analysis, options)
    typed = prior_values(analysis.strand_prior)
    classes = tuple(_classes(analysis, model, typed) for model in analysis.models)
    chosen = [_choose(analysis, line, shares[line], options[line]) for line in range(len(shares))]
    decoded = decode(analysis, [c.candidate for c in chosen], classes, limits)
    chance = _error_chance(analysis, shares, lot.seen.calls[analysis.rows])
    evidence = {
        sample.name: _evidence(
            lot,
            analysis,
            limits,
            line,
            shares[line],
            chosen[line],
            classes,
            others,
            panel,
            mixtures,
            decoded,
            float(chance[line]),
            float(whole[line]),
        )
        for line, sample in enumerate(analysis.judged)
    }
    return Diagnosis(
        evidence=evidence,
        classes=classes,
        posterior=shares,
        priors=priors,
        panel=panel,
        mixtures=mixtures,
        decoded=decoded,
    )


def _classes(analysis: Analysis, model: FamilyModel, typed: NDArray[np.float64]) -> MarkerClasses:
    """Classes of markers in a family; what is fixed in the one plant of a donor segregates no more."""
    learnt = analysis.learnt
    if not model.shape.parents:
        return classify(model, learnt.strand_second, typed)
    strands = model.slots[list(model.donor_slots)]
    of_plant = [values.copy() for values in (learnt.strand_second, typed)]
    for values in of_plant:
        values[strands] = learnt.in_plant(model, values[strands])
    return classify(model, *of_plant)


def _in_doubt(analysis: Analysis, share: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Lines that are not clearly clean, or show more heterozygotes than the assay explains."""
    calls = analysis.learnt.seen.calls[analysis.rows]
    excess = _error_chance(analysis, share, calls) < EXCESS_PROBABILITY
    return np.asarray((share[:, expected_column()] < NO_DOUBT) | excess)


def _error_chance(analysis: Analysis, share: NDArray[np.float64], calls: NDArray[np.int8]) -> NDArray[np.float64]:
    """Probability that the assay gives a clean line as many heterozygotes as each line shows; shape (n_lines,)."""
    het, called = (calls == 1).sum(axis=1), (calls != MISSING).sum(axis=1)
    rate = float(analysis.learnt.assay.calls.marker_hom_to_het.mean())
    if analysis.learnt.seen.depths is not None:
        is_clean = share[:, expected_column()] > NO_DOUBT
        rate = float(het[is_clean].sum() / max(called[is_clean].sum(), 1)) + 1e-4
    return np.asarray(binom.sf(het - 1, called, rate))


def _strangers(lot: Lot, analysis: Analysis, share: NDArray[np.float64]) -> frozenset[str]:
    """Samples that are no clean line of any donor here and homozygous: they may have given pollen."""
    fits_nothing = share[:, FINDING_ORDER.index("unresolved")] > 0.5
    names = {s.name for s, is_strange in zip(analysis.judged, fits_nothing, strict=True) if is_strange}
    names |= {s.name for s in lot.samples if s.role in {Role.KNOWN, Role.OTHER, Role.PARENT, Role.INDUCER}}
    het = lot.heterozygosity()
    return frozenset(name for name in names - analysis.silent if het[name] < FIXED_HETEROZYGOSITY)


def _with_learnt_ways(
    analysis: Analysis, mixtures: Mapping[int, MixtureFit], options: Sequence[Sequence[Option]]
) -> tuple[Analysis, dict[int, MixtureFit]]:
    """Weigh pollen parents and contaminants as this lot shows them; ``options`` are all others than mixtures."""
    everything = [[*found, *(mixtures[line].options if line in mixtures else [])] for line, found in enumerate(options)]
    shares, *_ = _pooled_shares(analysis, everything)
    is_line = np.array([sample.role is Role.LINE for sample in analysis.judged], dtype=bool)
    shares[analysis.is_silent() | ~is_line] = 0.0
    of_mixtures, of_outcrosses = (shares[:, FINDING_ORDER.index(f)] for f in (Finding.MIXTURE, Finding.OUTCROSS))
    nearness = learnt_nearness(mixtures, of_mixtures)
    weighed = {line: mixture.weighed(nearness) for line, mixture in mixtures.items()}
    return with_own_parent_pollen(analysis, of_outcrosses), weighed


def _pooled_shares(
    analysis: Analysis, options: Sequence[Sequence[Option]]
) -> tuple[NDArray[np.float64], dict[Stage, NDArray[np.float64]], NDArray[np.float64]]:
    """Posterior of the findings with what was found besides the standard ones, the shares learnt, the log evidence."""
    pooled = _with_options(analysis.pooled, options, analysis.learnt.weight)
    unphased = unphased_lines(analysis.models, analysis.model_of)
    heard = np.flatnonzero(~analysis.is_silent())
    priors = stage_priors([analysis.judged[k] for k in heard], pooled[heard], unphased[heard])
    rows = prior_rows(analysis.judged, priors)
    return posterior(pooled, rows), priors, np.logaddexp.reduce(pooled + np.log(rows), axis=1)


def _with_options(
    pooled: NDArray[np.float64], options: Sequence[Sequence[Option]], weight: float
) -> NDArray[np.float64]:
    result = pooled.copy()
    for line, found in enumerate(options):
        for option in found:
            column = FINDING_ORDER.index(option.finding)
            value = weight * option.log_likelihood + option.log_weight
            result[line, column] = np.logaddexp(result[line, column], value)
    return result


@dataclass(frozen=True, kw_only=True)
class _Choice:
    """The most probable finding of a line and the way in which it came about."""

    finding: str
    probability: float
    candidate: int | None
    detail: str
    name: str


def _choose(analysis: Analysis, line: int, share: NDArray[np.float64], options: Sequence[Option]) -> _Choice:
    """Most probable finding, then the most probable way to it."""
    finding = FINDING_ORDER[int(share.argmax())]
    found, weights = analysis.ways(line)
    values = analysis.learnt.weight * analysis.log_likelihood[line] + weights
    ways = [(float(values[k]), k, c.detail, "") for k, c in enumerate(found) if c.finding == finding]
    ways += [
        (analysis.learnt.weight * o.log_likelihood + o.log_weight, -1, o.detail, o.name)
        for o in options
        if o.finding == finding and (o.detail or finding != EXPECTED)
    ]
    _, candidate, detail, name = max(ways, key=lambda way: way[0])
    return _Choice(
        finding=finding,
        probability=float(share.max()),
        candidate=candidate if candidate >= 0 else None,
        detail=detail,
        name=name,
    )


def _evidence(
    lot: Lot,
    analysis: Analysis,
    limits: Limits,
    line: int,
    share: NDArray[np.float64],
    choice: _Choice,
    classes: Sequence[MarkerClasses],
    others: OtherDonors,
    panel: DonorPanel,
    mixtures: Mapping[int, MixtureFit],
    decoded: Decoded,
    chance: float,
    log_evidence: float,
) -> LineEvidence:
    sample = analysis.judged[line]
    number = int(analysis.model_of[line])
    expected = expected_finding(sample)
    calls = lot.seen.calls[analysis.rows[line]]
    measures = line_measures(
        calls,
        model=analysis.models[number],
        classes=classes[number],
        grid=lot.grid,
        stretches=independent_stretches(lot.grid),
        modelled=decoded.shares[line],
        parent_shares=decoded.parent_shares[line],
    )
    measures = replace(measures, heterozygosity_chance=chance)
    finding = expected if choice.finding == EXPECTED else Finding(choice.finding)
    is_blind = measures.called_markers < limits.min_called_markers
    if is_blind:
        finding = Finding.UNRESOLVED
    mixture = mixtures.get(line) if finding is Finding.MIXTURE else None
    is_best = mixture is not None and mixture.partner == choice.name
    best = panel.names[int(others.best[line])]
    if finding is Finding.OTHER_DONOR and choice.name:
        best = (choice.name,)
    return LineEvidence(
        sample=sample,
        is_genotyped=True,
        posterior=_named(share, expected),
        expected=expected,
        finding=finding,
        confidence=None if finding is Finding.UNRESOLVED else choice.probability,
        detail=choice.detail,
        named=choice.name,
        measures=measures,
        log_evidence=log_evidence,
        is_poor_sample=choice.detail == POOR_SAMPLE,
        segments=decoded.segments[line] if choice.finding == EXPECTED and not is_blind else (),
        segment_probability=float(decoded.segment_probability[line]),
        best_donor="" if is_blind else (sample.donor if sample.donor in best else best[0]),
        best_donor_fit=None if is_blind else float(others.fit[line]),
        contaminant=choice.name if mixture else "",
        contaminant_share=_told_share(mixture if is_best else None, analysis),
        inducer_is_known=bool(classes[number].is_diagnostic.any()),
    )


def _told_share(mixture: MixtureFit | None, analysis: Analysis) -> float | None:
    """The share of a contaminant where the data tell it."""
    return None if mixture is None else mixture.told_share(has_reads=analysis.learnt.seen.depths is not None)


def expected_finding(sample: Sample) -> Finding:
    """What the stage of a sample expects."""
    return Finding.DOUBLED_HAPLOID if sample.stage is Stage.D1 else Finding.HAPLOID


def _named(share: NDArray[np.float64], expected: Finding) -> dict[Finding, float]:
    names = [expected if f == EXPECTED else Finding(f) for f in FINDING_ORDER]
    return {name: float(p) for name, p in zip(names, share, strict=True)}
