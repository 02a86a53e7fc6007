"""Parts of plates that came out of place: two columns, rows or plates exchanged, a row or column that slipped midway.

A part is told as a map from label to label. There could be thousands; which are looked at is decided by wells that
seem to hold what was meant for another one.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, IntEnum
from typing import Final

from dhverify.plate_layout import TURNED, Move, Place, PlateLayout, moved, place_of, well_of
from dhverify.samples import Sample

LEAST_STEPS: Final = 3
"""Wells, or pairs of wells exchanged, that must speak for a displaced part (common practice, no source)."""
NOTHING: Final = "an empty well for "
"""Before a label: what it holds when it stands over an empty well."""


class Axis(IntEnum):
    """Which number of a place counts."""

    ROW = 0
    COLUMN = 1


class PartKind(Enum):
    """What came out of place."""

    PLATE = "plate"
    LINE = "row or column"
    RUN = "part of a row or column"
    EXCHANGE = "two rows, columns or plates"


@dataclass(frozen=True, kw_only=True, eq=False)
class DisplacedPart:
    """A part of a plate, or two plates, out of place.

    Attributes
    ----------
    subject
        What came out of place, for a person.
    what
        How: the end of a sentence.
    plates
        Names of the plates concerned.
    meant
        For each label of the part the label that its DNA was meant for.
    breadth
        How much is supposed: wells of the rows, columns or plates concerned, and one more where it is a run of them.
    kind
        What it is a part of.

    """

    subject: str
    what: str
    plates: tuple[str, ...]
    meant: Mapping[str, str]
    breadth: int
    kind: PartKind

    @property
    def told(self) -> str:
        """What happened."""
        return f"{self.subject} {'were' if self.kind is PartKind.EXCHANGE else 'was'} {self.what}"

    @property
    def guessed(self) -> str:
        """What seems to have happened."""
        return f"{self.subject} {'seem' if self.kind is PartKind.EXCHANGE else 'seems'} to have been {self.what}"


@dataclass(frozen=True, kw_only=True)
class Suspect:
    """A part that wells speak for, before it is looked at.

    Attributes
    ----------
    plates
        One plate, or the two that were exchanged.
    axis
        Row or column; None for two plates.
    lines
        Numbers of the two rows or columns exchanged, or of the one that slipped.
    step
        By how much the run of one row or column slipped; 0 where two were exchanged.

    """

    plates: tuple[str, ...]
    axis: int | None = None
    lines: tuple[int, ...] = ()
    step: int = 0

    def parts(self, layouts: Mapping[str, PlateLayout]) -> Iterator[DisplacedPart]:
        """Every part that it may be: where a row or column slipped, every place where that can have begun."""
        first = layouts[self.plates[0]]
        if self.axis is None:
            yield exchanged_plates(first, layouts[self.plates[1]])
        elif self.step:
            yield from shifted_line(first, axis=self.axis, line=self.lines[0], step=self.step)
            yield from slipped_runs(first, axis=self.axis, line=self.lines[0], step=self.step)
        else:
            yield exchanged_lines(first, axis=self.axis, one=self.lines[0], two=self.lines[1])


def suspects(steps: Iterable[tuple[Sample, Sample]]) -> dict[Suspect, set[object]]:
    """Parts that wells speak for, and the wells that do, each pair of wells exchanged counted once.

    Parameters
    ----------
    steps
        Samples with the one that their DNA seems to have been meant for; a sample may come several times.

    Examples
    --------
    >>> from dhverify.samples import Role
    >>> one, two = (Sample(name=well, role=Role.LINE, plate="P", well=well) for well in ("A01", "A03"))
    >>> found = suspects([(one, two), (two, one)])
    >>> found == {Suspect(plates=("P",), axis=Axis.COLUMN, lines=(0, 2)): {0}}
    True

    """
    found: dict[Suspect, set[object]] = {}
    for one, two in steps:
        if one.well and two.well:
            for suspect, where in _spoken_for(one, two):
                found.setdefault(suspect, set()).add(where)
    return found


def _spoken_for(one: Sample, two: Sample) -> Iterator[tuple[Suspect, object]]:
    place, origin = place_of(one.well), place_of(two.well)
    if one.plate != two.plate:
        if place == origin:
            low, high = sorted((one.plate, two.plate))
            yield Suspect(plates=(low, high)), place
        return
    for axis in (Axis.ROW, Axis.COLUMN):
        other = 1 - axis
        distance = place[axis] - origin[axis]
        if place[other] != origin[other] or not distance:
            continue
        lines = (min(place[axis], origin[axis]), max(place[axis], origin[axis]))
        yield Suspect(plates=(one.plate,), axis=axis, lines=lines), place[other]
        if abs(distance) == 1:
            yield Suspect(plates=(one.plate,), axis=other, lines=(place[other],), step=distance), place[axis]


def plate_name(plate: str) -> str:
    """Name of a plate at the head of a sentence."""
    return f"Plate {plate}" if plate else "The plate"


_WHOLE: Final = (
    TURNED,
    Move(words="shifted one column to the right", columns=1),
    Move(words="shifted one column to the left", columns=-1),
    Move(words="shifted one row down", rows=1),
    Move(words="shifted one row up", rows=-1),
)


def moved_plates(layout: PlateLayout) -> Iterator[DisplacedPart]:
    """A whole plate that was turned or shifted."""
    for move in _WHOLE:
        held = {s.name: NOTHING + s.name if origin is None else origin.name for s, origin, _ in moved(layout, move)}
        yield DisplacedPart(
            subject=plate_name(layout.plate),
            what=move.words,
            plates=(layout.plate,),
            meant=held,
            breadth=len(held),
            kind=PartKind.PLATE,
        )


def shifted_lines(layout: PlateLayout, touched: Collection[Place]) -> Iterator[DisplacedPart]:
    """Rows and columns with one of the places given that were shifted by one."""
    for axis in (Axis.ROW, Axis.COLUMN):
        for line in sorted({place[axis] for place in touched}):
            for step in (1, -1):
                yield from shifted_line(layout, axis=axis, line=line, step=step)


def shifted_line(layout: PlateLayout, *, axis: int, line: int, step: int) -> Iterator[DisplacedPart]:
    """A row or column that was shifted by one; what fell out may be at the other end of its filled wells."""
    places = [place for place in layout.at if place[axis] == line]
    meant = _shifted(layout, places, axis=1 - axis, step=step)
    for held in (meant, _closed(meant)):
        yield DisplacedPart(
            subject=f"{plate_name(layout.plate)}: {_noun(axis)} {_line_name(axis, line)}",
            what=_shifted_where(axis, step),
            plates=(layout.plate,),
            meant=held,
            breadth=len(held),
            kind=PartKind.LINE if len(held) < len(layout.at) else PartKind.PLATE,
        )


def _shifted(layout: PlateLayout, places: Sequence[Place], *, axis: int, step: int) -> dict[str, str]:
    held = {}
    for place in places:
        origin = _put(place, axis, (place[axis] - step) % layout.shape[axis])
        held[layout.at[place].name] = _name_at(layout, origin, layout.at[place])
    return held


def _closed(meant: Mapping[str, str]) -> dict[str, str]:
    """Put what a shift pushed out of the filled wells at one end of a row back in at the other."""
    emptied = [label for label, held in meant.items() if held.startswith(NOTHING)]
    lost = [label for label in meant if label not in meant.values()]
    return {**meant, emptied[0]: lost[0]} if len(emptied) == len(lost) == 1 else dict(meant)


def exchanged_plates(one: PlateLayout, two: PlateLayout) -> DisplacedPart:
    """Two plates of which each stands in the place of the other, well by well."""
    meant = {}
    for own, other in ((one, two), (two, one)):
        for place, sample in own.at.items():
            meant[sample.name] = _name_at(other, place, sample)
    names = " and ".join(layout.plate or "the one without a name" for layout in (one, two))
    return DisplacedPart(
        subject=f"Plates {names}",
        what="exchanged",
        plates=(one.plate, two.plate),
        meant=meant,
        breadth=len(meant),
        kind=PartKind.EXCHANGE,
    )


def exchanged_lines(layout: PlateLayout, *, axis: int, one: int, two: int) -> DisplacedPart:
    """Two rows or columns of a plate that were exchanged."""
    other = {one: two, two: one}
    meant = {}
    for place, sample in layout.at.items():
        if place[axis] in other:
            meant[sample.name] = _name_at(layout, _put(place, axis, other[place[axis]]), sample)
    names = " and ".join(_line_name(axis, number) for number in (one, two))
    return DisplacedPart(
        subject=f"{plate_name(layout.plate)}: {_noun(axis)}s {names}",
        what="exchanged",
        plates=(layout.plate,),
        meant=meant,
        breadth=len(meant),
        kind=PartKind.EXCHANGE,
    )


def slipped_runs(layout: PlateLayout, *, axis: int, line: int, step: int) -> Iterator[DisplacedPart]:
    """Runs of a row or column, to its end or from its start, whose wells hold what was meant for the one beside.

    The well that is left over at its end is empty, or filled as it should be, the sample standing there twice.
    """
    along = 1 - axis
    wells = {place[along]: sample for place, sample in layout.at.items() if place[axis] == line}
    for start in sorted(wells):
        for is_end, words in ((True, "from"), (False, "up to")):
            run = [n for n in wells if n == start or (n > start) == is_end]
            if not LEAST_STEPS <= len(run) < len(wells):
                continue
            places = [_at(axis, line, n) for n in sorted(run)]
            held = {layout.at[p].name: _name_at(layout, _put(p, along, p[along] - step), layout.at[p]) for p in places}
            full = {label: meant for label, meant in held.items() if not meant.startswith(NOTHING)}
            for meant in (held, full) if len(full) < len(held) else (held,):
                yield DisplacedPart(
                    subject=f"{plate_name(layout.plate)}: {_noun(axis)} {_line_name(axis, line)}",
                    what=f"{_shifted_where(axis, step)} {words} {well_of(_at(axis, line, start))}{' on' * is_end}",
                    plates=(layout.plate,),
                    meant=meant,
                    breadth=len(wells) + 1,
                    kind=PartKind.RUN,
                )


def _shifted_where(axis: int, step: int) -> str:
    if axis == Axis.ROW:
        return f"shifted by one to the {'right' if step > 0 else 'left'}"
    return f"shifted {'down' if step > 0 else 'up'} by one"


def _name_at(layout: PlateLayout, place: Place, sample: Sample) -> str:
    there = layout.at.get(place)
    return NOTHING + sample.name if there is None else there.name


def _put(place: Place, axis: int, number: int) -> Place:
    return (number, place[1]) if axis == Axis.ROW else (place[0], number)


def _at(axis: int, line: int, number: int) -> Place:
    """Place in a row or column."""
    return (line, number) if axis == Axis.ROW else (number, line)


def _noun(axis: int) -> str:
    return "row" if axis == Axis.ROW else "column"


def _line_name(axis: int, number: int) -> str:
    return chr(ord("A") + number) if axis == Axis.ROW else str(number + 1)
