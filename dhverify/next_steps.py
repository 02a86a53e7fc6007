"""The one thing to do next with a line, from its verdict and all its flags together."""

from __future__ import annotations

from typing import Final

from dhverify.evidence import LineEvidence
from dhverify.finding_words import MEASURED_FLAGS, measures_of
from dhverify.limits import Limits
from dhverify.outcome import Finding, Flag, Verdict
from dhverify.verdicts import Judgement

ENOUGH_DIAGNOSTIC: Final = 10
"""Diagnostic markers to ask for where a hybrid was not decided: twice the shipped limit (common practice, no
source)."""
FRESH_TISSUE: Final = "Take fresh tissue and genotype it again."
SETTLE_LAYOUT: Final = "Settle the layout of its plate first, then check again."
_LAYOUT: Final = frozenset({Flag.TURNED_PLATE, Flag.WRONG_CONTROL})
_SAMPLE_AT_FAULT: Final = MEASURED_FLAGS | {Flag.LOW_CALL_RATE}


def next_step(evidence: LineEvidence, judgement: Judgement, limits: Limits) -> str:
    """Return one sentence: what to do with the line now.

    Of several steps that flags ask for, the one that has to come first is told: nothing is worth doing with a
    sample before it is known which plant stood in its well, and which plants its family descends from.
    """
    if judgement.verdict is Verdict.PASS:
        return "Send it on."
    if judgement.verdict is Verdict.FAIL:
        return _after_a_fail(evidence, judgement)
    return _before_a_decision(evidence, judgement, limits)


def _after_a_fail(evidence: LineEvidence, judgement: Judgement) -> str:
    has_wrong_layout = bool(_LAYOUT & set(judgement.flags))
    if evidence.finding is Finding.OTHER_DONOR:
        return SETTLE_LAYOUT if has_wrong_layout else "Look for exchanged labels before it is used."
    if has_wrong_layout:
        return "Discard it once the layout of its plate is settled."
    if judgement.rule == "inducer segment":
        return "Discard it, unless a segment of that length may stay (limit max_inducer_segment_cm)."
    return "Discard it."


def _before_a_decision(evidence: LineEvidence, judgement: Judgement, limits: Limits) -> str:
    flags = set(judgement.flags)
    if judgement.rule == "not genotyped":
        return "Correct its name on the sheet, or genotype it again if its well failed."
    if judgement.rule == "wrong tissue":
        return "Sample the embryo or a seedling leaf."
    if Flag.TURNED_PLATE in flags:
        return SETTLE_LAYOUT
    if judgement.rule == "mixture" or _has_too_few_calls(evidence, judgement, limits):
        return _fresh_tissue(flags)
    if flags & _LAYOUT:
        return SETTLE_LAYOUT
    if Flag.REFERENCE_IN_DOUBT in flags:
        return "Genotype the references of its family again, then check again."
    return _of_the_sample(evidence, judgement, limits)


def _of_the_sample(evidence: LineEvidence, judgement: Judgement, limits: Limits) -> str:
    flags = set(judgement.flags)
    if judgement.rule == "few markers" or flags & _SAMPLE_AT_FAULT:
        return _fresh_tissue(flags)
    if Flag.NEAR_A_DIRTY_BLANK in flags:
        return "Genotype it again on another plate."
    if judgement.rule == "unresolved":
        return "Check its label, and if that is right genotype fresh tissue."
    if judgement.rule == "segment not placed":
        return "Genotype it again at more diagnostic markers, which would show the segment."
    if judgement.rule == "not decided":
        return _what_would_decide(evidence, limits)
    if Flag.LINE_MISMATCH in flags:
        return f"Take fresh tissue of every sample of {evidence.sample.line} and genotype them again."
    if Flag.SOURCE_MISMATCH in flags:
        return f"Follow the labels back to {evidence.sample.source}."
    return _which_is_the_original(evidence)


def _which_is_the_original(evidence: LineEvidence) -> str:
    if evidence.undeclared_source is None:
        return "Look in the seed store which is the original: markers cannot tell."
    line, seedling = evidence.undeclared_source
    return (
        f"If {line} was grown from {seedling}, write {seedling} in its column source; if not, look in the seed store"
        " which is the original."
    )


def _has_too_few_calls(evidence: LineEvidence, judgement: Judgement, limits: Limits) -> bool:
    return judgement.rule == "unresolved" and measures_of(evidence).called_markers < limits.min_called_markers


def _fresh_tissue(flags: set[Flag]) -> str:
    if Flag.NEAR_A_DIRTY_BLANK in flags:
        return "Take fresh tissue and genotype it again on another plate."
    return FRESH_TISSUE


def strongest_rival(evidence: LineEvidence) -> tuple[Finding, float]:
    """Return the most probable finding beside the one that the stage expects, with its probability."""
    rivals = ((p, finding) for finding, p in evidence.posterior.items() if finding is not evidence.expected)
    chance, finding = max(rivals, default=(0.0, Finding.UNRESOLVED))
    return finding, chance


def _what_would_decide(evidence: LineEvidence, limits: Limits) -> str:
    measures, (rival, _) = measures_of(evidence), strongest_rival(evidence)
    if rival in {Finding.HYBRID, Finding.SELFED_HYBRID, Finding.INDUCER}:
        wanted = max(limits.min_diagnostic_markers, ENOUGH_DIAGNOSTIC) - (measures.diagnostic_markers or 0)
        many = f"about {wanted} more" if wanted > 0 else "other"
        return f"Genotype it again at {many} diagnostic markers, which would decide."
    if rival in {Finding.SELFED_DONOR, Finding.DONOR, Finding.PARENT, Finding.OTHER_DONOR}:
        return "Genotype it again at more markers that segregate in its donor, which would decide."
    return FRESH_TISSUE
