"""Why a line got its verdict: what it is, how sure that is, what was measured against which limit, what next."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Final

from dhverify.criteria import length_cm
from dhverify.evidence import LineEvidence
from dhverify.finding_words import (
    MEASURED_FLAGS,
    called_words,
    deciding_measures,
    expected_measures,
    finding_words,
    measures_of,
    probability,
)
from dhverify.limits import Limits
from dhverify.next_steps import next_step, strongest_rival
from dhverify.outcome import Finding, Flag, SegmentRow
from dhverify.verdicts import Judgement

_EXPECTED: Final = frozenset({Finding.HAPLOID, Finding.DOUBLED_HAPLOID})


def explain(evidence: LineEvidence, judgement: Judgement, limits: Limits) -> str:
    """Write the reason for a verdict: one short paragraph that ends with one thing to do.

    What holds back a line that is what its stage expects comes first, as it is what the reader has to know.
    """
    raised = tuple(_raised(evidence, judgement, limits))
    is_held_back = judgement.rule in {"flags", "few markers"} and bool(raised)
    lead = _lead(evidence, judgement, limits)
    told = (*raised, f"Otherwise {lead[0].lower()}{lead[1:]}") if is_held_back else (lead, *raised)
    return " ".join((*told, next_step(evidence, judgement, limits)))


def _lead(evidence: LineEvidence, judgement: Judgement, limits: Limits) -> str:
    if judgement.rule == "not genotyped":
        return "No genotype file holds this sample."
    if judgement.rule == "unresolved":
        return _unresolved(evidence, judgement, limits)
    if judgement.rule == "wrong tissue":
        return _wrong_tissue(evidence)
    if judgement.rule == "not decided":
        return _not_decided(evidence, judgement, limits)
    if evidence.finding not in _EXPECTED:
        return _another(evidence, judgement, limits)
    if Flag.INDUCER_SEGMENT in judgement.flags and _segments(evidence):
        return _with_segments(evidence, limits)
    return _clean(evidence, judgement, limits)


def _unresolved(evidence: LineEvidence, judgement: Judgement, limits: Limits) -> str:
    if Flag.TURNED_PLATE in judgement.flags:
        return "Nothing can be said of this line while it is not known whose DNA its well holds."
    called = measures_of(evidence).called_markers
    if called < limits.min_called_markers:
        return (
            f"Called at {called} usable markers only, where at least {limits.min_called_markers} are needed: too few"
            " to say anything."
        )
    return (
        f"Fits neither its donor {evidence.sample.donor} nor any other plant of this lot:"
        f" {deciding_measures(evidence, frozenset(judgement.flags), limits)}."
    )


def _wrong_tissue(evidence: LineEvidence) -> str:
    tissue = evidence.sample.tissue
    if tissue == "pericarp":
        return "The DNA is from pericarp, which is the mother plant and shows the donor itself."
    return (
        f"The DNA is from {tissue}: {tissue} of an induction cross carries the inducer's genome even when the embryo"
        " is haploid."
    )


def _not_decided(evidence: LineEvidence, judgement: Judgement, limits: Limits) -> str:
    rival, chance = strongest_rival(evidence)
    other = "none of the known findings" if rival is Finding.UNRESOLVED else str(rival)
    return (
        f"Not decided: {evidence.expected} of {evidence.sample.donor} with probability"
        f" {probability(evidence.expected_probability)} (limit {limits.min_confidence:g}), {other} with"
        f" {probability(chance)}; {_clean_measures(evidence, judgement, limits)}."
    )


def _another(evidence: LineEvidence, judgement: Judgement, limits: Limits) -> str:
    """Tell of a line that is something else than its stage expects."""
    sure = ""
    if evidence.confidence is not None:
        sure = (
            f" (probability {probability(evidence.confidence)}; {evidence.expected}"
            f" {probability(evidence.expected_probability)}, limit {1 - limits.min_confidence:.3g})"
        )
    measured = deciding_measures(evidence, frozenset(judgement.flags), limits)
    return f"{finding_words(evidence)}{sure}: {measured}."


def _with_segments(evidence: LineEvidence, limits: Limits) -> str:
    return (
        f"A clean gamete of {evidence.sample.donor} ({_sure(evidence, limits)}) that keeps inducer chromosome:"
        f" {_segments(evidence)}; longest accepted {limits.max_inducer_segment_cm:g} cM."
    )


def _clean(evidence: LineEvidence, judgement: Judgement, limits: Limits) -> str:
    """Tell of a line that is what its stage expects, whatever else holds it back."""
    what = f"clean gamete of {evidence.sample.donor} ({_sure(evidence, limits)})"
    measured = _clean_measures(evidence, judgement, limits)
    if (MEASURED_FLAGS | {Flag.INDUCER_SEGMENT}) & set(judgement.flags):
        return f"Probably a {what}, but {measured}."
    return f"A {what}: {measured}."


def _sure(evidence: LineEvidence, limits: Limits) -> str:
    chance = probability(evidence.expected_probability)
    return f"{evidence.expected} with probability {chance}, limit {limits.min_confidence:g}"


def _clean_measures(evidence: LineEvidence, judgement: Judgement, limits: Limits) -> str:
    flags = frozenset(judgement.flags)
    return f"{expected_measures(evidence, flags, limits)}; {_inducer_chromosome(evidence, flags, limits)}"


def _inducer_chromosome(evidence: LineEvidence, flags: frozenset[Flag], limits: Limits) -> str:
    kept = _segments(evidence)
    if kept:
        return f"keeps inducer chromosome as accepted (at most {limits.max_inducer_segment_cm:g} cM): {kept}"
    n = measures_of(evidence).diagnostic_markers or 0
    if Flag.INDUCER_SEGMENT in flags:
        return (
            f"an inducer segment with probability {probability(evidence.segment_probability)} at {n} diagnostic"
            " markers, too few to show where"
        )
    if not n or Flag.FEW_DIAGNOSTIC_MARKERS in flags:
        least = limits.min_diagnostic_markers
        return f"{n} diagnostic markers called (limit {least}), so inducer segments could not be looked for"
    return f"no inducer segment at {n} diagnostic markers"


def _segments(evidence: LineEvidence) -> str:
    return ", and ".join(_segment(segment) for segment in evidence.segments if segment.origin == "inducer")


def _segment(segment: SegmentRow) -> str:
    what = f"{'both copies' if segment.copies == 2 else 'one copy'}, {segment.markers} markers"
    if segment.start_cm is None or segment.end_cm is None:
        return f"chromosome {segment.chrom} (place unknown, {what})"
    place = f"chromosome {segment.chrom}, {segment.start_cm:.0f} to {segment.end_cm:.0f} cM"
    return f"{place} ({length_cm(segment):.0f} cM, {what})"


def _raised(evidence: LineEvidence, judgement: Judgement, limits: Limits) -> Iterator[str]:
    """Yield a sentence for what the sample itself does not tell against: few calls, and what other samples say."""
    if judgement.rule == "few markers":
        yield f"{called_words(evidence, limits)}: too little to send it on."
    for flag, words in _FLAG_WORDS.items():
        if flag in judgement.flags:
            yield words(evidence)
    yield from evidence.notes


def _duplicate(evidence: LineEvidence) -> str:
    others = " and ".join(evidence.duplicates) or "another line"
    label = f" ({evidence.duplicate_group})" if evidence.duplicate_group else ""
    return f"The same genotype as {others}{label}."


_FLAG_WORDS: Final[Mapping[Flag, Callable[[LineEvidence], str]]] = {
    Flag.DUPLICATE: _duplicate,
    Flag.SOURCE_MISMATCH: lambda found: f"Not the genotype of its source {found.sample.source}.",
    Flag.LINE_MISMATCH: lambda found: f"Not the genotype of the other samples of {found.sample.line}.",
    Flag.NEAR_A_DIRTY_BLANK: lambda _: "It stands beside a blank that holds DNA.",
    Flag.TURNED_PLATE: lambda _: "Its plate, or a part of it, seems to stand elsewhere than the sheet says.",
    Flag.WRONG_CONTROL: lambda _: "A control on its plate is not what it should be.",
    Flag.REFERENCE_IN_DOUBT: lambda _: "A reference of its family is in doubt.",
}
