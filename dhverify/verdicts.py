"""The verdict of a line: the first rule that matches, with its flags."""

from __future__ import annotations

from dataclasses import dataclass

from dhverify.criteria import (
    CRITERIA,
    State,
    Weight,
    heterozygosity_excludes_inducer,
    hides_segment,
    is_wrong_tissue,
    long_segments,
)
from dhverify.evidence import LineEvidence
from dhverify.limits import Limits
from dhverify.outcome import Finding, Flag, Verdict


@dataclass(frozen=True, kw_only=True)
class Judgement:
    """A verdict, its flags in the order of the criteria, and the rule that decided."""

    verdict: Verdict
    flags: tuple[Flag, ...]
    rule: str


def judge(evidence: LineEvidence, limits: Limits) -> Judgement:
    """Give the verdict of one line.

    The rules are tried in order; the first that matches decides: nothing can be said; wrong tissue; mixture;
    the expected finding is out of the question; an inducer segment; anything in doubt; else pass.
    """
    if not evidence.is_genotyped:
        return Judgement(verdict=Verdict.RETEST, flags=(Flag.NOT_GENOTYPED,), rule="not genotyped")
    asked = [(criterion, criterion.ask(evidence, limits)) for criterion in CRITERIA]
    missed = [criterion for criterion, state in asked if state is State.NOT_MET]
    flags = tuple(criterion.flag for criterion in missed)
    verdict, rule = _decide(evidence, limits, flags, any(c.weight is Weight.RETEST for c in missed))
    return Judgement(verdict=verdict, flags=flags, rule=rule)


def _decide(
    evidence: LineEvidence,
    limits: Limits,
    flags: tuple[Flag, ...],
    has_retest_flag: bool,
) -> tuple[Verdict, str]:
    if evidence.finding is Finding.UNRESOLVED:
        return Verdict.RETEST, "unresolved"
    if is_wrong_tissue(evidence):
        return Verdict.RETEST, "wrong tissue"
    if evidence.finding is Finding.MIXTURE:
        return Verdict.RETEST, "mixture"
    if evidence.expected_probability <= 1 - limits.min_confidence:
        return _fail_or_doubt("finding", flags)
    if long_segments(evidence, limits):
        return _fail_or_doubt("inducer segment", flags)
    if evidence.expected_probability < limits.min_confidence:
        return Verdict.RETEST, "not decided"
    if hides_segment(evidence, limits):
        return Verdict.RETEST, "segment not placed"
    few = {Flag.LOW_CALL_RATE, Flag.FEW_DIAGNOSTIC_MARKERS} & set(flags)
    if few and not heterozygosity_excludes_inducer(evidence, limits):
        return Verdict.RETEST, "few markers"
    if Flag.LOW_CALL_RATE in flags:
        return Verdict.RETEST, "few markers"
    if has_retest_flag:
        return Verdict.RETEST, "flags"
    return Verdict.PASS, "pass"


def _fail_or_doubt(rule: str, flags: tuple[Flag, ...]) -> tuple[Verdict, str]:
    """Fail a line, unless what it is compared with is in doubt: one wrong reference must not fail a family."""
    if Flag.REFERENCE_IN_DOUBT in flags:
        return Verdict.RETEST, "reference in doubt"
    return Verdict.FAIL, rule
