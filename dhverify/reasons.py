"""Why a line got its verdict, in one plain sentence or two: what was measured, against which limit, what next."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Final

from dhverify.criteria import long_segments
from dhverify.evidence import NO_MEASURES, LineEvidence, LineMeasures
from dhverify.limits import Limits
from dhverify.outcome import Finding, Flag, Verdict
from dhverify.verdicts import Judgement

MEASURED: Final = frozenset({Flag.HETEROZYGOSITY, Flag.INDUCER_ALLELES, Flag.FOREIGN_ALLELES})
"""Flags that the sentence on the finding already tells of."""
NEXT_RETEST: Final = "Take fresh tissue and genotype it again."


def explain(evidence: LineEvidence, judgement: Judgement, limits: Limits) -> str:
    """Write the reason for a verdict."""
    if not evidence.is_genotyped:
        return "No genotype file holds this sample. Genotype it again, or correct its name on the sheet."
    if judgement.verdict is Verdict.PASS:
        return _passed(evidence, judgement, limits)
    if judgement.rule == "unresolved":
        return _unresolved(evidence, limits)
    if judgement.rule == "wrong tissue":
        return _wrong_tissue(evidence)
    if judgement.rule in {"finding", "reference in doubt", "mixture"}:
        if evidence.finding not in FINDING_TEXT:
            return _in_doubt(evidence, replace(judgement, rule="not decided"), limits)
        text = FINDING_TEXT[evidence.finding](evidence, evidence.measures or NO_MEASURES)
        kept = replace(judgement, flags=tuple(f for f in judgement.flags if f not in MEASURED))
        return " ".join(filter(None, [text, _next_step(evidence, judgement), _flag_sentences(evidence, kept)]))
    if judgement.rule == "inducer segment":
        return _segment(evidence, limits)
    return _in_doubt(evidence, judgement, limits)


def percent(share: float | None) -> str:
    """A share for a person: two digits that count, never more than the data hold."""
    if share is None:
        return "an unknown share"
    value = 100 * share
    if value == 0:
        return "0 %"
    return f"{value:.1f} %" if value < 10 else f"{value:.0f} %"


def _measured(measures: LineMeasures) -> str:
    het = measures.heterozygosity
    text = f"heterozygous at {percent(het.value)} of {measures.called_markers} called markers"
    if measures.segregating_markers:
        text += (
            f" ({percent(measures.heterozygosity_segregating)} of the {measures.segregating_markers} that"
            " segregate in its donor)"
        )
    return text


def _diagnostic(measures: LineMeasures) -> str:
    if not measures.diagnostic_markers:
        return "no diagnostic marker called"
    return (
        f"inducer alleles over {percent(measures.inducer.value)} of the genome, by"
        f" {measures.diagnostic_markers} diagnostic markers"
    )


def _passed(evidence: LineEvidence, judgement: Judgement, limits: Limits) -> str:
    measures = evidence.measures or NO_MEASURES
    text = (
        f"A clean gamete of {evidence.sample.donor}: {_measured(measures)} (limit {percent(limits.max_heterozygosity)})"
    )
    if Flag.FEW_DIAGNOSTIC_MARKERS in judgement.flags or not measures.diagnostic_markers:
        text += (
            f"; {measures.diagnostic_markers or 0} diagnostic markers called (limit"
            f" {limits.min_diagnostic_markers}), so inducer segments could not be looked for."
        )
    else:
        text += f"; no inducer segment at {measures.diagnostic_markers} diagnostic markers."
    return text


def _unresolved(evidence: LineEvidence, limits: Limits) -> str:
    measures = evidence.measures or NO_MEASURES
    if measures.called_markers < limits.min_called_markers:
        return (
            f"Called at {measures.called_markers} usable markers only (at least {limits.min_called_markers} are"
            f" needed): too few to say anything. {NEXT_RETEST}"
        )
    return (
        f"Fits neither its donor {evidence.sample.donor} nor any other plant of this lot: {_measured(measures)}."
        " Check the label and the sheet, then genotype fresh tissue."
    )


def _wrong_tissue(evidence: LineEvidence) -> str:
    tissue = evidence.sample.tissue
    if tissue == "pericarp":
        why = "pericarp is the mother plant and shows the donor itself"
    else:
        why = f"{tissue} of an induction cross carries the inducer's genome even when the embryo is haploid"
    return f"The DNA is from {tissue}: {why}. Sample the embryo or a seedling leaf."


def _hybrid(evidence: LineEvidence, measures: LineMeasures) -> str:
    donor = evidence.named or evidence.sample.donor
    return (
        f"A hybrid of a gamete of {donor} with inducer {evidence.sample.inducer or 'pollen'}: {_diagnostic(measures)},"
        f" {_measured(measures)}."
    )


def _selfed_hybrid(evidence: LineEvidence, measures: LineMeasures) -> str:
    return (
        f"Progeny of a selfed hybrid of {evidence.sample.donor} with the inducer: {_diagnostic(measures)} in runs,"
        f" {_measured(measures)}."
    )


def _donor(evidence: LineEvidence, measures: LineMeasures) -> str:
    return f"The donor plant {evidence.named or evidence.sample.donor} itself: {_measured(measures)}."


def _selfed_donor(evidence: LineEvidence, measures: LineMeasures) -> str:
    how = f" ({evidence.detail})" if evidence.detail else ""
    return (
        f"Selfed progeny of {evidence.sample.donor}{how}, or two sister gametes united, which markers cannot tell"
        f" apart; not a fixed line: {_measured(measures)}."
    )


def _parent(evidence: LineEvidence, measures: LineMeasures) -> str:
    shares = sorted(measures.parent_shares, key=lambda pair: -pair[1])
    name = evidence.named or (shares[0][0] if shares else "a parent")
    if evidence.detail == "of another cross":
        return f"The inbred {name}, which is no parent of {evidence.sample.donor}: {_measured(measures)}."
    return f"The inbred parent {name} itself: no crossover to the other parent, {_measured(measures)}."


def _outcross(evidence: LineEvidence, measures: LineMeasures) -> str:
    by = {
        "inbred": f"pollen of {evidence.named}",
        "line": f"pollen of a line or plant of {evidence.named}",
        "false hybrid": f"pollen of a false hybrid of {evidence.named} in the nursery",
        "the same pollen": f"the same unknown pollen as {evidence.named}",
        "a false hybrid in the nursery": "pollen of a false hybrid in the nursery",
        "selfed": "stray pollen, selfed since",
    }.get(evidence.detail, "stray pollen")
    if evidence.detail.startswith("parent "):
        shares = sorted(measures.parent_shares, key=lambda pair: -pair[1])
        by = f"pollen of the donor's parent {shares[0][0]}" if shares else "pollen of a parent of the donor"
    return (
        f"An outcross: a gamete of {evidence.sample.donor} with {by}; {_measured(measures)}, alleles of neither"
        f" donor nor inducer over {percent(measures.foreign.value)} of the genome."
    )


def _inducer(evidence: LineEvidence, measures: LineMeasures) -> str:
    name = evidence.named or evidence.sample.inducer or "the inducer"
    what = "A selfed plant of the inducer" if evidence.detail == "selfed inducer" else "The inducer"
    return f"{what} {name}, not a line of {evidence.sample.donor}: {_diagnostic(measures)}, {_measured(measures)}."


def _other_donor(evidence: LineEvidence, measures: LineMeasures) -> str:
    name = evidence.named or evidence.best_donor
    return (
        f"A clean line of donor {name}, not of {evidence.sample.donor}: {_measured(measures)}. Look for exchanged"
        " labels."
    )


def _mixture(evidence: LineEvidence, measures: LineMeasures) -> str:
    share = f" ({percent(evidence.contaminant_share)} of the DNA)" if evidence.contaminant_share else ""
    return f"DNA of two samples: best explained by {evidence.contaminant}{share} in it; {_measured(measures)}."


FINDING_TEXT: Final[Mapping[Finding, Callable[[LineEvidence, LineMeasures], str]]] = {
    Finding.HYBRID: _hybrid,
    Finding.SELFED_HYBRID: _selfed_hybrid,
    Finding.DONOR: _donor,
    Finding.SELFED_DONOR: _selfed_donor,
    Finding.PARENT: _parent,
    Finding.OUTCROSS: _outcross,
    Finding.INDUCER: _inducer,
    Finding.OTHER_DONOR: _other_donor,
    Finding.MIXTURE: _mixture,
}


def _next_step(evidence: LineEvidence, judgement: Judgement) -> str:
    if judgement.rule == "mixture":
        return NEXT_RETEST
    if judgement.rule == "reference in doubt":
        return "The family's references contradict its lines: genotype the references again before deciding."
    if evidence.finding is Finding.OTHER_DONOR:
        return ""
    return "Discard it."


def _segment(evidence: LineEvidence, limits: Limits) -> str:
    found = [s for s in evidence.segments if s.origin == "inducer"]
    places = "; ".join(
        f"chromosome {s.chrom}, {_extent(s.start_cm, s.end_cm)}, {'both copies' if s.copies == 2 else 'one copy'},"
        f" {s.markers} markers"
        for s in found
    )
    longest = max(long_segments(evidence, limits), default=0.0)
    return (
        f"A clean gamete of {evidence.sample.donor} that keeps inducer chromosome: {places}. The longest spans"
        f" {longest:.0f} cM (accepted: {limits.max_inducer_segment_cm:g} cM). Discard it, or accept the segment by"
        " raising the limit."
    )


def _extent(start: float | None, end: float | None) -> str:
    if start is None or end is None:
        return "place unknown"
    return f"{start:.0f} to {end:.0f} cM"


def _in_doubt(evidence: LineEvidence, judgement: Judgement, limits: Limits) -> str:
    measures = evidence.measures or NO_MEASURES
    sentences = []
    if judgement.rule == "not decided":
        rivals = sorted(((p, f) for f, p in evidence.posterior.items() if f is not evidence.expected), reverse=True)
        probability, rival = rivals[0]
        sentences.append(
            f"{evidence.expected.capitalize()} with probability {evidence.expected_probability:.2f} (limit"
            f" {limits.min_confidence:g}), {rival} with {probability:.2f}: {_measured(measures)}."
        )
        sentences.append(_what_would_decide(rival, measures, limits))
    elif judgement.rule == "few markers":
        sentences.append(
            f"Called at {percent(measures.call_rate)} of usable markers (limit {percent(limits.min_call_rate)}),"
            f" {measures.diagnostic_markers or 0} diagnostic ones (limit {limits.min_diagnostic_markers}):"
            f" too little to send it on. {NEXT_RETEST}"
        )
    sentences.append(_flag_sentences(evidence, judgement))
    return " ".join(filter(None, sentences))


def _what_would_decide(rival: Finding, measures: LineMeasures, limits: Limits) -> str:
    if rival in {Finding.HYBRID, Finding.SELFED_HYBRID, Finding.INDUCER}:
        have = measures.diagnostic_markers or 0
        more = max(limits.min_diagnostic_markers, 10) - have
        if more > 0:
            return f"About {more} more diagnostic markers would decide."
        return "Genotyping it once more, at more diagnostic markers, would decide."
    if rival in {Finding.SELFED_DONOR, Finding.DONOR, Finding.PARENT, Finding.OTHER_DONOR}:
        have = measures.segregating_markers or 0
        return f"More markers that segregate in its donor ({have} were called) would decide."
    return NEXT_RETEST


def _flag_sentences(evidence: LineEvidence, judgement: Judgement) -> str:
    measures = evidence.measures or NO_MEASURES
    texts = {
        Flag.HETEROZYGOSITY: f"It is {_measured(measures)}, over the limit. {NEXT_RETEST}",
        Flag.INDUCER_ALLELES: f"It shows {_diagnostic(measures)}, over the limit. {NEXT_RETEST}",
        Flag.FOREIGN_ALLELES: (
            f"Alleles of neither donor nor inducer over {percent(measures.foreign.value)} of the genome. {NEXT_RETEST}"
        ),
        Flag.DUPLICATE: (
            f"The same genotype as another line ({evidence.duplicate_group}): which is the original, only the"
            " seed store can tell."
        ),
        Flag.SOURCE_MISMATCH: f"Not the genotype of its source {evidence.sample.source}: follow the labels back.",
        Flag.LINE_MISMATCH: f"Not the genotype of the other samples of {evidence.sample.line}: sample again.",
        Flag.NEAR_A_DIRTY_BLANK: "It stands beside a blank that holds DNA: genotype it on another plate.",
        Flag.TURNED_PLATE: "Its plate seems to have been turned or shifted: settle the layout first.",
        Flag.WRONG_CONTROL: "A control on its plate is not what it should be: settle the layout first.",
        Flag.REFERENCE_IN_DOUBT: "A reference of its family is in doubt: genotype the references again.",
    }
    shown = [texts[flag] for flag in judgement.flags if flag in texts]
    return " ".join([*shown, *evidence.notes])
