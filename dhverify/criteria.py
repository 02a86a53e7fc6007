"""One small criterion each: evidence and limits give met, not met, or not to be said."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from typing import Final

from dhverify.evidence import LineEvidence, Share
from dhverify.limits import Limits
from dhverify.outcome import Finding, Flag, SegmentRow
from dhverify.samples import Stage, Tissue

BY_ERROR: Final = 1e-3
"""Heterozygotes that the assay gives a clean line with less than this probability count even where the interval of
their share still holds the limit (the 99.9th percentile of a clean line, computed from the binomial)."""
ROUNDING_CM: Final = 1e-6
"""A segment longer than accepted by less is as long as accepted: the difference of two positions is not exact."""


class State(Enum):
    """What a criterion says."""

    MET = "met"
    NOT_MET = "not met"
    CANNOT_SAY = "cannot say"


class Weight(Enum):
    """What follows when a criterion is not met."""

    NOTE = "worth knowing"
    RETEST = "retest"


@dataclass(frozen=True, kw_only=True)
class Criterion:
    """A question about one line.

    Attributes
    ----------
    flag
        What is written when it is not met.
    why
        The reason for the criterion.
    weight
        What follows when it is not met.
    ask
        The question.

    """

    flag: Flag
    why: str
    weight: Weight
    ask: Callable[[LineEvidence, Limits], State]


def _state(is_met: bool) -> State:
    return State.MET if is_met else State.NOT_MET


def is_wrong_tissue(evidence: LineEvidence) -> bool:
    """Whether the DNA cannot tell about the line: the mother's pericarp, or an induction cross's endosperm.

    Endosperm is triploid and carries the inducer's genome even when the embryo is haploid (Chaikam et al. 2026,
    doi:10.20900/cbgg20260016, for triploidy; the consequence is computed).
    """
    tissue = evidence.sample.tissue
    if tissue is Tissue.PERICARP:
        return True
    return evidence.sample.stage is Stage.HAPLOID and tissue in {Tissue.ENDOSPERM, Tissue.SEED}


def heterozygosity_excludes_inducer(evidence: LineEvidence, limits: Limits) -> bool:
    """Whether a hybrid with the inducer is excluded although few diagnostic markers were called."""
    ruled_out = (Finding.HYBRID, Finding.SELFED_HYBRID, Finding.INDUCER)
    chance = sum(evidence.posterior.get(finding, 0.0) for finding in ruled_out)
    return chance < (1 - limits.min_confidence) / 5 and evidence.expected_probability >= limits.min_confidence


def _call_rate(evidence: LineEvidence, limits: Limits) -> State:
    if evidence.measures is None:
        return State.CANNOT_SAY
    return _state(evidence.measures.call_rate >= limits.min_call_rate)


def _few_diagnostic(evidence: LineEvidence, limits: Limits) -> State:
    measures = evidence.measures
    if measures is None or measures.diagnostic_markers is None:
        return State.CANNOT_SAY
    return _state(measures.diagnostic_markers >= limits.min_diagnostic_markers)


def _over(share: Share, limit: float) -> State:
    """Not met when a share lies over its limit, beyond its 95 % interval."""
    if share.low is None or share.value is None:
        return State.CANNOT_SAY
    return _state(share.low <= limit or share.value <= limit)


def _heterozygosity(evidence: LineEvidence, limits: Limits) -> State:
    measures = evidence.measures
    if measures is None:
        return State.CANNOT_SAY
    if evidence.is_poor_sample:
        return State.NOT_MET
    share = measures.heterozygosity.value
    if share is not None and share > limits.max_heterozygosity and measures.heterozygosity_chance < BY_ERROR:
        return State.NOT_MET
    return _over(measures.heterozygosity, limits.max_heterozygosity)


def _inducer(evidence: LineEvidence, limits: Limits) -> State:
    if evidence.measures is None:
        return State.CANNOT_SAY
    return _over(evidence.measures.inducer, limits.max_inducer_share)


def _foreign(evidence: LineEvidence, limits: Limits) -> State:
    if evidence.measures is None:
        return State.CANNOT_SAY
    if any(segment.origin == "foreign" for segment in evidence.segments):
        return State.NOT_MET
    return _over(evidence.measures.foreign, limits.max_foreign_share)


def _raised(flag: Flag) -> Callable[[LineEvidence, Limits], State]:
    def ask(evidence: LineEvidence, limits: Limits) -> State:
        del limits
        return _state(flag not in evidence.flags)

    return ask


def length_cm(segment: SegmentRow) -> float:
    """Length of a segment between its outermost markers; 0 where its place is not known."""
    if segment.start_cm is None or segment.end_cm is None:
        return 0.0
    return segment.end_cm - segment.start_cm


def long_segments(evidence: LineEvidence, limits: Limits) -> list[float]:
    """Lengths in cM of inducer segments that are longer than accepted; all of them where none is accepted."""
    accepted = limits.max_inducer_segment_cm
    lengths = [length_cm(segment) for segment in evidence.segments if segment.origin == "inducer"]
    return [length for length in lengths if accepted == 0 or length > accepted + ROUNDING_CM]


def hides_segment(evidence: LineEvidence, limits: Limits) -> bool:
    """Whether a segment is more likely than not, but too few markers show where it lies."""
    is_accepted = limits.max_inducer_segment_cm > 0
    is_sought = evidence.inducer_is_known and not evidence.segments and not is_accepted
    return is_sought and evidence.segment_probability > 0.5


def _segment(evidence: LineEvidence, limits: Limits) -> State:
    return _state(not long_segments(evidence, limits) and not hides_segment(evidence, limits))


def _tissue(evidence: LineEvidence, limits: Limits) -> State:
    del limits
    return _state(not is_wrong_tissue(evidence))


def _mixture(evidence: LineEvidence, limits: Limits) -> State:
    del limits
    return _state(evidence.finding is not Finding.MIXTURE)


def _other_donor(evidence: LineEvidence, limits: Limits) -> State:
    del limits
    return _state(evidence.finding is not Finding.OTHER_DONOR)


CRITERIA: Final[tuple[Criterion, ...]] = (
    Criterion(
        flag=Flag.LOW_CALL_RATE,
        why="few calls mean poor DNA or a failed assay",
        weight=Weight.NOTE,
        ask=_call_rate,
    ),
    Criterion(
        flag=Flag.FEW_DIAGNOSTIC_MARKERS,
        why="only diagnostic markers show the inducer for certain",
        weight=Weight.NOTE,
        ask=_few_diagnostic,
    ),
    Criterion(
        flag=Flag.HETEROZYGOSITY,
        why="a clean donor gamete has no heterozygote",
        weight=Weight.RETEST,
        ask=_heterozygosity,
    ),
    Criterion(
        flag=Flag.INDUCER_ALLELES,
        why="a clean line carries no allele of the inducer",
        weight=Weight.RETEST,
        ask=_inducer,
    ),
    Criterion(
        flag=Flag.INDUCER_SEGMENT,
        why="a stretch of inducer chromosome stays in the line for good",
        weight=Weight.NOTE,
        ask=_segment,
    ),
    Criterion(
        flag=Flag.FOREIGN_ALLELES,
        why="alleles of neither donor nor inducer mean another plant",
        weight=Weight.RETEST,
        ask=_foreign,
    ),
    Criterion(
        flag=Flag.OTHER_DONOR,
        why="a clean line under a wrong label misleads every later cross",
        weight=Weight.NOTE,
        ask=_other_donor,
    ),
    Criterion(
        flag=Flag.DUPLICATE,
        why="one genotype under two names: which is the original is not in the markers",
        weight=Weight.RETEST,
        ask=_raised(Flag.DUPLICATE),
    ),
    Criterion(
        flag=Flag.SOURCE_MISMATCH,
        why="a descendant has the genotype of its source",
        weight=Weight.RETEST,
        ask=_raised(Flag.SOURCE_MISMATCH),
    ),
    Criterion(
        flag=Flag.LINE_MISMATCH,
        why="replicates of a line have one genotype",
        weight=Weight.RETEST,
        ask=_raised(Flag.LINE_MISMATCH),
    ),
    Criterion(flag=Flag.MIXTURE, why="the sample is at fault, not the line", weight=Weight.NOTE, ask=_mixture),
    Criterion(
        flag=Flag.WRONG_TISSUE,
        why="the tissue does not show the embryo",
        weight=Weight.NOTE,
        ask=_tissue,
    ),
    Criterion(
        flag=Flag.NEAR_A_DIRTY_BLANK,
        why="what got into the blank may have got into its neighbours",
        weight=Weight.RETEST,
        ask=_raised(Flag.NEAR_A_DIRTY_BLANK),
    ),
    Criterion(
        flag=Flag.TURNED_PLATE,
        why="nothing is turned back silently",
        weight=Weight.RETEST,
        ask=_raised(Flag.TURNED_PLATE),
    ),
    Criterion(
        flag=Flag.WRONG_CONTROL,
        why="a wrong control puts its whole plate in doubt",
        weight=Weight.RETEST,
        ask=_raised(Flag.WRONG_CONTROL),
    ),
    Criterion(
        flag=Flag.REFERENCE_IN_DOUBT,
        why="one mislabelled parent must not silently fail a family",
        weight=Weight.RETEST,
        ask=_raised(Flag.REFERENCE_IN_DOUBT),
    ),
)
