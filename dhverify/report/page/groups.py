"""Copies, exchanges, doubtful references and markers that were set aside, as groups."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from dhverify.outcome import Answer, CheckOutcome, Flag, IdentityRow, LineRow, MarkerRow, ReferenceRow
from dhverify.report.counting import duplicate_groups
from dhverify.report.look import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

MOST_MARKERS_OPEN: Final = 24
SURELY_NOT: Final = -20.0
"""Log odds below which a declared pair is answered no with any limit, unless neither sample is a clean line: the
source then segregates."""
_NUMBER: Final = re.compile(r"\d+(?:\.\d+)?")


@dataclass(frozen=True, kw_only=True)
class CopyGroup:
    """Samples that are one genotype and were not declared so, with the pairs that show it."""

    label: str
    lines: tuple[LineRow, ...]
    lowest_agreement: float | None
    compared_markers: int | None


@dataclass(frozen=True, kw_only=True)
class Mismatch:
    """A declared pair that is not one genotype; ``is_exchange`` where two of them fit crosswise."""

    row: IdentityRow
    is_exchange: bool


@dataclass(frozen=True, kw_only=True)
class MarkerGroup:
    """Markers that were set aside for one reason."""

    reason: str
    shown: tuple[MarkerRow, ...]
    folded: tuple[MarkerRow, ...]

    @property
    def n_markers(self) -> int:
        """How many there are."""
        return len(self.shown) + len(self.folded)


@dataclass(frozen=True, kw_only=True)
class DoubtfulReferences:
    """References that contradict their offspring, those not judged, and the lines that wait for them."""

    contradicting: tuple[ReferenceRow, ...]
    unsure: tuple[ReferenceRow, ...]
    waiting: tuple[LineRow, ...]


def copies(outcome: CheckOutcome) -> tuple[CopyGroup, ...]:
    """Return the groups of undeclared copies."""
    return tuple(_copy_group(label, lines, outcome) for label, lines in duplicate_groups(outcome).items())


def mismatches(outcome: CheckOutcome) -> tuple[Mismatch, ...]:
    """Return declared pairs that are not one genotype."""
    rows = [row for row in outcome.identity if row.declared != "none" and row.same_genotype is Answer.NO]
    fits = {(row.sample, row.suggestion) for row in rows if row.suggestion}
    return tuple(Mismatch(row=row, is_exchange=(row.suggestion, row.sample) in fits) for row in rows)


def identity_sentence(outcome: CheckOutcome) -> str:
    """Return how the declared pairs fared."""
    declared = [row for row in outcome.identity if row.declared != "none"]
    if not declared:
        return "The sheet declares no samples as one genotype, so none could be compared with what it should be."
    kinds = Counter(_answer_words(row, outcome.limits.min_identity_markers) for row in declared)
    parts = [f"{kinds[words]:,} {words}" for words in _ANSWERS if kinds[words]]
    return f"{counted(len(declared), 'pair')} declared as one genotype: {', '.join(parts)}."


def doubtful_references(outcome: CheckOutcome) -> DoubtfulReferences:
    """Return what rests on a doubtful reference."""
    return DoubtfulReferences(
        contradicting=tuple(row for row in outcome.references if row.agrees is Answer.NO),
        unsure=tuple(row for row in outcome.references if row.agrees is Answer.CANNOT_SAY),
        waiting=tuple(line for line in outcome.lines if Flag.REFERENCE_IN_DOUBT in line.flags),
    )


def set_aside(outcome: CheckOutcome) -> tuple[MarkerGroup, ...]:
    """Return markers that are not used, by reason (whatever its numbers), the commonest reason first."""
    by_kind: dict[str, list[MarkerRow]] = {}
    for row in outcome.markers:
        if not row.usable:
            by_kind.setdefault(_NUMBER.sub("#", row.reason), []).append(row)
    return tuple(_marker_group(rows) for rows in sorted(by_kind.values(), key=len, reverse=True))


def joint_reason(reasons: Sequence[str]) -> str:
    """Return one reason for all: numbers that differ become a range.

    Examples
    --------
    >>> joint_reason(["called in 27% of the samples", "called in 4% of the samples"])
    'called in 4 to 27% of the samples'

    """
    numbers = zip(*(_NUMBER.findall(reason) for reason in reasons), strict=True)
    ranges = iter([_range(sorted(set(found), key=float)) for found in numbers])
    return _NUMBER.sub(lambda _: next(ranges), reasons[0])


_FEW_MARKERS: Final = "cannot be told for lack of markers"
_NOT_CLEAN: Final = "cannot be told because neither sample is a clean line"
_UNSURE: Final = "cannot be told because the calls leave both open"
_ANSWERS: Final = ("agree", "do not", _FEW_MARKERS, _NOT_CLEAN, _UNSURE)


def _answer_words(row: IdentityRow, min_markers: int) -> str:
    """Return how a declared pair fared; one that speaks against itself and is left open has no clean line in it."""
    if row.same_genotype is Answer.CANNOT_SAY:
        if row.compared_markers < min_markers or row.log_odds is None:
            return _FEW_MARKERS
        return _NOT_CLEAN if row.log_odds <= SURELY_NOT else _UNSURE
    return "agree" if row.same_genotype is Answer.YES else "do not"


def _marker_group(rows: Sequence[MarkerRow]) -> MarkerGroup:
    return MarkerGroup(
        reason=joint_reason([row.reason for row in rows]),
        shown=tuple(rows[:MOST_MARKERS_OPEN]),
        folded=tuple(rows[MOST_MARKERS_OPEN:]),
    )


def _range(numbers: Sequence[str]) -> str:
    return numbers[0] if len(numbers) == 1 else f"{numbers[0]} to {numbers[-1]}"


def _copy_group(label: str, lines: tuple[LineRow, ...], outcome: CheckOutcome) -> CopyGroup:
    names = {line.sample for line in lines}
    pairs = [
        row
        for row in outcome.identity
        if row.same_genotype is Answer.YES
        and row.declared in {"none", "known"}
        and (row.sample in names or row.other_sample in names)
    ]
    agreements = [row.agreement for row in pairs if row.agreement is not None]
    return CopyGroup(
        label=label,
        lines=lines,
        lowest_agreement=min(agreements, default=None),
        compared_markers=min((row.compared_markers for row in pairs), default=None),
    )
