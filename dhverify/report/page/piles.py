"""The three piles: which lines, where they stand, why, and the next step."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Final

from dhverify.outcome import CheckOutcome, Finding, LineRow, Verdict
from dhverify.report.counting import pile
from dhverify.report.look import counted, percent, span, sureness

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

MOST_WITH_REASONS: Final = 300
MOST_NAMES_OPEN: Final = 240

_HEADINGS: Final = {
    Verdict.FAIL: ("Must not go on", "Take these out now, in this order, and do not cross them."),
    Verdict.RETEST: (
        "To be tested again",
        "The data do not decide, or the sample is in doubt; each says what it needs.",
    ),
    Verdict.PASS: (
        "May go on",
        "These are what their stage says, within the limits at the end of this page.",
    ),
}


@dataclass(frozen=True, kw_only=True)
class PileEntry:
    """One sample of a pile; ``index`` is its row in ``lines.csv``."""

    index: int
    line: LineRow
    place: str
    what: str
    measures: str


@dataclass(frozen=True, kw_only=True)
class Tray:
    """Samples of one plate (empty: no plate), in well order."""

    plate: str
    lines: tuple[LineRow, ...]


@dataclass(frozen=True, kw_only=True)
class Pile:
    """Samples of one verdict: some told with reasons, the rest by name only."""

    verdict: str
    heading: str
    next_step: str
    n_samples: int
    told: tuple[PileEntry, ...]
    trays: tuple[Tray, ...]
    is_folded: bool


def piles(outcome: CheckOutcome) -> tuple[Pile, ...]:
    """Return the piles that hold something: fail, retest, pass."""
    index = {id(line): place for place, line in enumerate(outcome.lines)}
    made = (_pile(verdict, pile(outcome, verdict), index) for verdict in _HEADINGS)
    return tuple(one for one in made if one.n_samples)


def told_at(found: Iterable[Pile]) -> dict[str, int]:
    """Return the row in ``lines.csv`` of each sample that a pile tells of with its reasons."""
    return {entry.line.sample: entry.index for one in found for entry in one.told}


def measures_sentence(line: LineRow) -> str:
    """Return the main measures of a line in one sentence."""
    parts = [f"{counted(line.called_markers, 'marker')} called"]
    if line.call_rate is not None:
        parts[0] += f" ({percent(line.call_rate)})"
    if line.heterozygosity is not None:
        parts.append(_with_span("heterozygous", line.heterozygosity, line.heterozygosity_low, line.heterozygosity_high))
    if line.inducer_share is not None:
        parts.append(_with_span("inducer share", line.inducer_share, line.inducer_share_low, line.inducer_share_high))
    if line.foreign_share is not None:
        parts.append(f"foreign share {percent(line.foreign_share)}")
    return "; ".join(parts) + "."


def _pile(verdict: Verdict, members: tuple[LineRow, ...], index: dict[int, int]) -> Pile:
    heading, next_step = _HEADINGS[verdict]
    with_reasons = members if verdict is not Verdict.PASS else tuple(line for line in members if line.flags)
    told = with_reasons[:MOST_WITH_REASONS]
    shown = {id(line) for line in told} if verdict is not Verdict.PASS else set()
    by_name = [line for line in members if id(line) not in shown]
    return Pile(
        verdict=str(verdict),
        heading=heading,
        next_step=next_step,
        n_samples=len(members),
        told=tuple(_entry(line, index[id(line)]) for line in told),
        trays=tuple(_trays(by_name)),
        is_folded=len(by_name) > MOST_NAMES_OPEN,
    )


def _entry(line: LineRow, index: int) -> PileEntry:
    return PileEntry(index=index, line=line, place=place_of(line), what=_what(line), measures=measures_sentence(line))


def place_of(line: LineRow) -> str:
    """Where a sample stands on the bench; empty if the sheet does not say."""
    return ", ".join(part for part in (line.plate, line.well) if part)


def _what(line: LineRow) -> str:
    if line.finding is Finding.UNRESOLVED or line.confidence is None:
        return str(line.finding)
    return f"{line.finding}, {sureness(line.confidence)} sure"


def _trays(lines: Iterable[LineRow]) -> Iterator[Tray]:
    for plate, members in groupby(lines, key=lambda line: line.plate):
        yield Tray(plate=plate, lines=tuple(members))


def _with_span(label: str, value: float, low: float | None, high: float | None) -> str:
    interval = span(low, high)
    return f"{label} {percent(value)}" + (f" (95 % interval {interval})" if interval else "")
