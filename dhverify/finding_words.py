"""What a line is and what was measured of it, in words: the parts that the reason for a verdict is made of."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from dhverify.evidence import NO_MEASURES, LineEvidence, LineMeasures, Share
from dhverify.limits import Limits
from dhverify.outcome import Finding, Flag

SURE: Final = 0.999
"""Probabilities nearer to 0 or 1 are told as such: more digits would claim more than a model can know."""


def percent(share: float | None) -> str:
    """Return a share for a person, with no more digits than the data hold.

    Examples
    --------
    >>> percent(0.0049), percent(0.5)
    ('0.5 %', '50 %')

    """
    if share is None:
        return "an unknown share"
    value = 100 * share
    if value == 0:
        return "0 %"
    return f"{value:.1f} %" if value < 10 else f"{value:.0f} %"


def probability(value: float) -> str:
    """Return a probability for a person.

    Examples
    --------
    >>> probability(0.99997), probability(0.981), probability(0.002), probability(1e-9)
    ('over 0.999', '0.98', '0.002', 'below 0.001')

    """
    if value > SURE:
        return f"over {SURE}"
    if value < 1 - SURE:
        return f"below {1 - SURE:.3g}"
    return f"{value:.2f}" if 0.01 <= value <= 0.99 else f"{value:.3f}"


def measures_of(evidence: LineEvidence) -> LineMeasures:
    """Return what was measured of a line; empty measures where nothing was."""
    return evidence.measures or NO_MEASURES


def heterozygosity_words(evidence: LineEvidence, flags: frozenset[Flag], limits: Limits) -> str:
    """Return how heterozygous a line is, over all markers and where its family segregates, against the limit."""
    measures = measures_of(evidence)
    if not measures.called_markers:
        return "no usable marker called"
    against = _against(measures.heterozygosity, limits.max_heterozygosity, Flag.HETEROZYGOSITY in flags)
    if evidence.is_poor_sample:
        against = "more, and all over the genome, than the errors of this lot explain: poor DNA"
    if measures.segregating_markers:
        against += (
            f"; {percent(measures.heterozygosity_segregating)} of the {measures.segregating_markers} that segregate"
            " in its donor"
        )
    share = percent(measures.heterozygosity.value)
    return f"heterozygous at {share} of {measures.called_markers} called markers ({against})"


def inducer_words(evidence: LineEvidence, flags: frozenset[Flag], limits: Limits) -> str:
    """Return how much of the genome carries inducer alleles, by how many markers, against the limit."""
    measures = measures_of(evidence)
    if not measures.diagnostic_markers:
        return "no diagnostic marker called"
    against = _against(measures.inducer, limits.max_inducer_share, Flag.INDUCER_ALLELES in flags)
    return (
        f"inducer alleles over {percent(measures.inducer.value)} of the genome by"
        f" {measures.diagnostic_markers} diagnostic markers ({against})"
    )


def foreign_words(evidence: LineEvidence, flags: frozenset[Flag], limits: Limits) -> str:
    """Return how much of the genome carries alleles of neither donor nor inducer, against the limit."""
    foreign = measures_of(evidence).foreign
    against = _against(foreign, limits.max_foreign_share, Flag.FOREIGN_ALLELES in flags)
    return f"alleles of neither donor nor inducer over {percent(foreign.value)} of the genome ({against})"


def called_words(evidence: LineEvidence, limits: Limits) -> str:
    """Return how much was called, against both limits."""
    measures = measures_of(evidence)
    return (
        f"Called at {percent(measures.call_rate)} of usable markers (limit {percent(limits.min_call_rate)}),"
        f" {measures.diagnostic_markers or 0} diagnostic ones (limit {limits.min_diagnostic_markers})"
    )


def _against(share: Share, limit: float, is_over: bool) -> str:
    if is_over:
        return f"over the limit of {percent(limit)}"
    if share.value is not None and share.value > limit:
        return f"limit {percent(limit)}, not beyond chance"
    return f"limit {percent(limit)}"


def finding_words(evidence: LineEvidence) -> str:
    """Return what a line is that is not what its stage expects."""
    return _WHAT[evidence.finding](evidence)


def deciding_measures(evidence: LineEvidence, flags: frozenset[Flag], limits: Limits) -> str:
    """Return what was measured that speaks for the finding, each against its limit."""
    if is_of_another_cross(evidence):
        chosen = [_cannot_give(evidence), heterozygosity_words(evidence, flags, limits)]
        return ", ".join(filter(None, chosen))
    return _told(_SHOWN_BY[evidence.finding], evidence, flags, limits)


def expected_measures(evidence: LineEvidence, flags: frozenset[Flag], limits: Limits) -> str:
    """Return what was measured that speaks for or against a clean line, each against its limit."""
    return _told((heterozygosity_words,), evidence, flags, limits)


def _told(shown: tuple[_Words, ...], evidence: LineEvidence, flags: frozenset[Flag], limits: Limits) -> str:
    raised = tuple(words for flag, words in _TOLD_BY_FLAG.items() if flag in flags and words not in shown)
    return ", ".join(words(evidence, flags, limits) for words in (*shown, *raised))


def is_of_another_cross(evidence: LineEvidence) -> bool:
    """Whether the line is what another donor, or a parent of another cross, gives."""
    return evidence.finding is Finding.OTHER_DONOR or evidence.detail == "of another cross"


def _cannot_give(evidence: LineEvidence) -> str:
    share = measures_of(evidence).donor_share
    if share is None:
        return ""
    return f"alleles that {evidence.sample.donor} cannot give over {percent(1 - share)} of the genome"


_Words = Callable[[LineEvidence, frozenset[Flag], Limits], str]

_TOLD_BY_FLAG: Final[Mapping[Flag, _Words]] = {
    Flag.HETEROZYGOSITY: heterozygosity_words,
    Flag.INDUCER_ALLELES: inducer_words,
    Flag.FOREIGN_ALLELES: foreign_words,
}
MEASURED_FLAGS: Final = frozenset(_TOLD_BY_FLAG)
"""Flags of a share over its limit, which :func:`deciding_measures` tells of."""

_SHOWN_BY: Final[Mapping[Finding, tuple[_Words, ...]]] = {
    Finding.HYBRID: (inducer_words, heterozygosity_words),
    Finding.SELFED_HYBRID: (inducer_words, heterozygosity_words),
    Finding.DONOR: (heterozygosity_words,),
    Finding.SELFED_DONOR: (heterozygosity_words,),
    Finding.PARENT: (heterozygosity_words,),
    Finding.OUTCROSS: (foreign_words, heterozygosity_words),
    Finding.INDUCER: (inducer_words, heterozygosity_words),
    Finding.MIXTURE: (heterozygosity_words,),
    Finding.UNRESOLVED: (heterozygosity_words,),
}


def _hybrid(evidence: LineEvidence) -> str:
    donor = evidence.named or evidence.sample.donor
    return f"A hybrid of a gamete of {donor} with {_inducer_name(evidence)}"


def _selfed_hybrid(evidence: LineEvidence) -> str:
    return f"Progeny of a selfed hybrid of {evidence.sample.donor} with {_inducer_name(evidence)}, its alleles in runs"


def _inducer_name(evidence: LineEvidence) -> str:
    return f"inducer {evidence.sample.inducer}" if evidence.sample.inducer else "the inducer"


def _donor(evidence: LineEvidence) -> str:
    return f"The donor plant {evidence.named or evidence.sample.donor} itself"


def _selfed_donor(evidence: LineEvidence) -> str:
    how = f" ({evidence.detail})" if evidence.detail and "sisters" not in evidence.detail else ""
    return (
        f"Selfed progeny of {evidence.sample.donor}{how} or of two sisters crossed, which looks the same; not a fixed"
        " line"
    )


def _parent(evidence: LineEvidence) -> str:
    name = evidence.named or _largest_parent(evidence)
    if evidence.detail == "of another cross":
        return f"The inbred {name}, which is no parent of {evidence.sample.donor}"
    if not name:
        return f"An inbred parent of {evidence.sample.donor} itself, with no crossover to the other parent"
    return f"The inbred parent {name} itself, with no crossover to the other parent"


def _largest_parent(evidence: LineEvidence) -> str:
    shares = measures_of(evidence).parent_shares
    return max(shares, key=lambda pair: pair[1])[0] if shares else ""


def _outcross(evidence: LineEvidence) -> str:
    return f"An outcross: a gamete of {evidence.sample.donor} with {_pollen(evidence)}"


def _pollen(evidence: LineEvidence) -> str:
    if evidence.detail.startswith("parent "):
        return f"pollen of the donor's parent {_largest_parent(evidence)}".removesuffix(" ")
    return {
        "inbred": f"pollen of {evidence.named}",
        "line": f"pollen of a line or plant of {evidence.named}",
        "false hybrid": f"pollen of a false hybrid of {evidence.named} in the nursery",
        "the same pollen": f"the same unknown pollen as {evidence.named}",
        "a false hybrid in the nursery": "pollen of a false hybrid in the nursery",
        "selfed": "stray pollen, selfed since",
    }.get(evidence.detail, "stray pollen")


def _inducer(evidence: LineEvidence) -> str:
    name = evidence.named or evidence.sample.inducer
    what = "A selfed plant of the inducer" if evidence.detail == "selfed inducer" else "The inducer"
    return f"{what} {name}".removesuffix(" ") + f", not a line of {evidence.sample.donor}"


def _other_donor(evidence: LineEvidence) -> str:
    return f"A clean line of donor {evidence.named or evidence.best_donor}, not of {evidence.sample.donor}"


def _mixture(evidence: LineEvidence) -> str:
    share = f" ({percent(evidence.contaminant_share)} of the DNA)" if evidence.contaminant_share else ""
    if not evidence.contaminant:
        return "DNA of two samples"
    return f"DNA of two samples, best explained by {evidence.contaminant}{share} in it"


_WHAT: Final[Mapping[Finding, Callable[[LineEvidence], str]]] = {
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
