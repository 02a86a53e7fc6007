"""Positive controls: whether what stands in their wells is what the sheet expects there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.alternatives import homozygous, screen, united
from dhverify.analysis import Analysis
from dhverify.evidence import LineEvidence
from dhverify.findings_table import EXPECTED, candidates
from dhverify.judging import FINDING_ORDER, candidate_log_weights, finding_log_likelihood, posterior, stage_prior
from dhverify.limits import Limits
from dhverify.lot import Lot
from dhverify.outcome import Answer, Finding
from dhverify.samples import Role, Sample, SampleSheet, Stage
from dhverify.scoring import FamilyLines, score

CLEAN: Final = frozenset({Finding.HAPLOID, Finding.DOUBLED_HAPLOID})
"""Markers cannot see ploidy: either word is right for a clean gamete."""
MOST_FAMILIES: Final = 4


@dataclass(frozen=True, kw_only=True)
class ControlFinding:
    """A positive control against what is expected of it.

    Attributes
    ----------
    sample
        Its row of the sheet.
    finding, confidence
        What it is; ``unresolved`` without a confidence.
    is_right
        Whether it is what the sheet expects.
    family
        The donor whose family fits best, where the sheet names none.

    """

    sample: Sample
    finding: Finding
    confidence: float | None
    is_right: Answer
    family: str = ""


def judge_controls(
    lot: Lot, analysis: Analysis, evidence: Mapping[str, LineEvidence], sheet: SampleSheet, limits: Limits
) -> tuple[ControlFinding, ...]:
    """Judge all controls of a sheet, in its order.

    A control that names a donor is judged like a line; one that names none is held against every family, and the
    best fitting ones count.
    """
    return tuple(_judge(lot, analysis, evidence, control, limits) for control in sheet.with_role(Role.CONTROL))


def _judge(
    lot: Lot, analysis: Analysis, evidence: Mapping[str, LineEvidence], control: Sample, limits: Limits
) -> ControlFinding:
    known = evidence.get(control.name)
    if known is not None and known.is_genotyped:
        shares = dict(known.posterior) or {known.finding: known.confidence or 0.0}
        return _finding(control, shares, known.finding, "", limits)
    if control.name not in lot.row or not analysis.models:
        return _finding(control, {}, Finding.UNRESOLVED, "", limits)
    shares, family = _any_family(analysis, lot.row[control.name])
    best = max(shares, key=lambda finding: shares[finding])
    n_called = int((lot.seen.calls[lot.row[control.name]] >= 0).sum())
    return _finding(
        control, shares, best if n_called >= limits.min_called_markers else Finding.UNRESOLVED, family, limits
    )


def _finding(
    control: Sample, shares: Mapping[Finding, float], finding: Finding, family: str, limits: Limits
) -> ControlFinding:
    expected = expected_findings(control)
    p = sum(shares.get(f, 0.0) for f in expected)
    answer = Answer.CANNOT_SAY
    if expected and finding is not Finding.UNRESOLVED:
        if p >= limits.min_confidence:
            answer = Answer.YES
        elif p <= 1 - limits.min_confidence:
            answer = Answer.NO
    return ControlFinding(
        sample=control,
        finding=finding,
        confidence=None if finding is Finding.UNRESOLVED else shares.get(finding),
        is_right=answer,
        family=family,
    )


def expected_findings(control: Sample) -> frozenset[Finding]:
    """Findings that are right for a control; none where the column ``expected`` does not name one."""
    text = control.expected.strip().casefold()
    if text not in set(Finding):
        return frozenset()
    finding = Finding(text)
    return CLEAN if finding in CLEAN else frozenset({finding})


def _any_family(analysis: Analysis, row: int) -> tuple[dict[Finding, float], str]:
    """Posterior of the findings over the families that fit best, and the best one's donor."""
    rows = np.array([row])
    numbers = _closest_families(analysis, rows)
    table = np.array([_finding_scores(analysis, number, rows) for number in numbers])
    best = numbers[int(table.max(axis=1).argmax())]
    joint = np.logaddexp.reduce(table, axis=0) - np.log(len(numbers))
    shares = posterior(joint[None], stage_prior(Stage.HAPLOID))[0]
    named = {
        Finding.HAPLOID if name == EXPECTED else Finding(name): float(p)
        for name, p in zip(FINDING_ORDER, shares, strict=True)
    }
    return named, analysis.models[best].family.donor


def _closest_families(analysis: Analysis, rows: NDArray[np.int64]) -> list[int]:
    """Families whose gametes, doubled or united with the inducer, come closest, markers taken as independent."""
    values = analysis.learnt.strand_second
    scores = []
    for model in analysis.models:
        donor = values[model.slots[list(model.donor_slots)]].mean(axis=0)
        inducer = values[model.slots[list(model.inducer_slots)]].mean(axis=0)
        options = np.array([homozygous(donor), united(donor, inducer), united(donor, donor)])
        scores.append(float(screen(analysis.learnt, rows, options).max()))
    return [int(k) for k in np.argsort(-np.array(scores), kind="stable")[:MOST_FAMILIES]]


def _finding_scores(analysis: Analysis, number: int, rows: NDArray[np.int64]) -> NDArray[np.float64]:
    """Log likelihood of every finding in one family; float64, shape (n_findings,)."""
    model = analysis.models[number]
    found = candidates(model.shape)
    group = FamilyLines(
        model=model,
        plant=analysis.plant_rows.get(model.donor_sample),
        samples=rows,
        order=np.zeros(1, dtype=np.int64),
    )
    values = score(analysis.learnt, [group], found)
    return np.asarray(finding_log_likelihood(values, found, candidate_log_weights(found, Stage.HAPLOID))[0])
