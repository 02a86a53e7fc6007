"""Plates as square wells: shapes for the verdicts, dashes for blanks, an arrow for a leak."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from dhverify.outcome import Answer, CheckOutcome, PlateRow, WellRow
from dhverify.report.counting import well_key
from dhverify.report.look import counted, percent

if TYPE_CHECKING:
    from collections.abc import Iterable

PITCH: Final = 26
MARGIN: Final = 24
MOST_OPEN: Final = 4
_SMALL: Final = (8, 12)
_LARGE: Final = (16, 24)


@dataclass(frozen=True, kw_only=True)
class WellView:
    """One well in drawing units, its shape and its words."""

    x: int
    y: int
    shape: str
    words: str


@dataclass(frozen=True, kw_only=True)
class Leak:
    """An arrow from the well that gave to the well that received."""

    x1: float
    y1: float
    x2: float
    y2: float


@dataclass(frozen=True, kw_only=True)
class PlateView:
    """One plate: its drawing and its sentence."""

    row: PlateRow
    width: int
    height: int
    letters: tuple[tuple[str, int], ...]
    numbers: tuple[tuple[str, int], ...]
    wells: tuple[WellView, ...]
    leaks: tuple[Leak, ...]
    sentence: str
    in_trouble: tuple[WellRow, ...]
    is_folded: bool


def plate_views(outcome: CheckOutcome) -> tuple[PlateView, ...]:
    """Return the plates in the order of ``plates.csv``; calm ones are folded where there are many."""
    by_plate: dict[str, list[WellRow]] = {}
    for well in outcome.wells:
        by_plate.setdefault(well.plate, []).append(well)
    many = len(outcome.plates) > MOST_OPEN
    limit = outcome.limits.max_blank_call_rate
    return tuple(_plate_view(row, by_plate.get(row.plate, []), limit, many=many) for row in outcome.plates)


def well_shape(well: WellRow, max_blank_call_rate: float) -> str:
    """Return the name of the shape that a well is drawn with."""
    if well.role == "blank":
        is_dirty = bool(well.contaminant) or (well.call_rate or 0) > max_blank_call_rate
        return "dirty-blank" if is_dirty else "blank"
    if well.verdict:
        return well.verdict
    return "control" if well.role == "control" else "other"


def place(well: str) -> tuple[int, int]:
    """Return row and column of a well, both from 0.

    Examples
    --------
    >>> place("A01"), place("P24")
    ((0, 0), (15, 23))

    """
    letter, number = well_key(well)
    return ord(letter) - ord("A"), number - 1


def _plate_view(row: PlateRow, wells: list[WellRow], limit: float, *, many: bool) -> PlateView:
    places = {well.sample: place(well.well) for well in wells}
    is_small = all(r < _SMALL[0] and c < _SMALL[1] for r, c in places.values())
    n_rows, n_columns = _SMALL if is_small else _LARGE
    views = tuple(_well_view(well, limit) for well in wells)
    calm = not (row.dirty_blanks or row.leaking_wells or row.wrong_controls or row.turned is Answer.YES)
    return PlateView(
        row=row,
        width=MARGIN + n_columns * PITCH + 2,
        height=MARGIN + n_rows * PITCH + 2,
        letters=tuple((chr(ord("A") + r), MARGIN + r * PITCH + PITCH // 2) for r in range(n_rows)),
        numbers=tuple((str(c + 1), MARGIN + c * PITCH + PITCH // 2) for c in range(n_columns)),
        wells=views,
        leaks=tuple(_leaks(wells, places)),
        sentence=_sentence(row),
        in_trouble=tuple(well for well in wells if well.contaminant or _is_dirty(well, limit)),
        is_folded=many and calm,
    )


def _is_dirty(well: WellRow, limit: float) -> bool:
    return well_shape(well, limit) == "dirty-blank"


def _well_view(well: WellRow, limit: float) -> WellView:
    r, c = place(well.well)
    what = ", ".join(part for part in (well.role, well.verdict, well.finding) if part)
    words = f"{well.well}: {well.sample} ({what}); called {percent(well.call_rate)}"
    if well.contaminant:
        words += f"; holds DNA of {well.contaminant}"
    return WellView(x=MARGIN + c * PITCH, y=MARGIN + r * PITCH, shape=well_shape(well, limit), words=words)


def _leaks(wells: list[WellRow], places: dict[str, tuple[int, int]]) -> Iterable[Leak]:
    for well in wells:
        giver = places.get(well.contaminant)
        taker = place(well.well)
        if giver is None or giver == taker:
            continue
        (y1, x1), (y2, x2) = ((MARGIN + PITCH * (k + 0.5) for k in spot) for spot in (giver, taker))
        length = ((x2 - x1) ** 2 + (y2 - y1) ** 2) ** 0.5
        back = 7 / length
        yield Leak(
            x1=round(x1, 1),
            y1=round(y1, 1),
            x2=round(x2 - back * (x2 - x1), 1),
            y2=round(y2 - back * (y2 - y1), 1),
        )


def _sentence(row: PlateRow) -> str:
    parts = [f"{counted(row.wells, 'well')} with a sample"]
    if row.blanks:
        parts.append(f"{counted(row.blanks, 'blank')}, {_of(row.dirty_blanks, 'dirty')}")
    else:
        parts.append("no blank")
    if row.controls:
        parts.append(f"{counted(row.controls, 'control')}, {_of(row.wrong_controls, 'wrong')}")
    parts.append(f"{counted(row.leaking_wells, 'well')} with another's DNA" if row.leaking_wells else "no leak found")
    turned = {Answer.YES: "it looks turned", Answer.NO: "it is not turned"}.get(
        row.turned, "whether it is turned cannot be said"
    )
    return f"{'; '.join(parts)}; {turned}."


def _of(count: int, word: str) -> str:
    return f"none {word}" if not count else f"{count} {word}"
