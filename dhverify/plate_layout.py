"""Plates as the sheet lays them out: wells, their neighbours, and where a turned or shifted plate takes its DNA."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, TypeAlias

from dhverify.samples import Sample, SampleSheet

Place: TypeAlias = tuple[int, int]
"""Row and column of a well, from 0."""

SMALL: Final = (8, 12)
LARGE: Final = (16, 24)
"""Rows and columns of plates of 96 and 384 wells."""
FEW_BEYOND: Final = 2
"""Where no more wells than this lie beyond H12, the plate is rather one of 96 wells and they are slips (common
practice, no source)."""


def place_of(well: str) -> Place:
    """Row and column of a well, from 0.

    Examples
    --------
    >>> place_of("A01"), place_of("P24")
    ((0, 0), (15, 23))

    """
    return ord(well[0]) - ord("A"), int(well[1:]) - 1


def well_of(place: Place) -> str:
    """Name of the well at a place.

    Examples
    --------
    >>> well_of((7, 11))
    'H12'

    """
    return f"{chr(ord('A') + place[0])}{place[1] + 1:02d}"


@dataclass(frozen=True, kw_only=True)
class PlateLayout:
    """One plate as the sheet has it.

    Attributes
    ----------
    plate
        Its name; may be empty where the sheet names none.
    shape
        Rows and columns: 8 x 12, or 16 x 24 where a well needs it.
    at
        The sample at each place that the sheet fills.

    """

    plate: str
    shape: tuple[int, int]
    at: Mapping[Place, Sample]

    def beside(self, well: str) -> tuple[Sample, ...]:
        """Samples above, below and beside a well."""
        row, column = place_of(well)
        around = [(row - 1, column), (row + 1, column), (row, column - 1), (row, column + 1)]
        return tuple(self.at[place] for place in around if place in self.at)


def plate_layouts(sheet: SampleSheet) -> tuple[PlateLayout, ...]:
    """Plates of a sheet, in the order in which it names them; rows without a well are left out."""
    plates: dict[str, dict[Place, Sample]] = {}
    for sample in sheet:
        if sample.well:
            plates.setdefault(sample.plate, {})[place_of(sample.well)] = sample
    return tuple(PlateLayout(plate=plate, shape=_shape(at), at=at) for plate, at in plates.items())


def layout_warnings(sheet: SampleSheet) -> tuple[str, ...]:
    """Warnings of wells that are probably slips: a few beyond H12, and wells without a plate where others have one."""
    texts = [_beyond(layout) for layout in plate_layouts(sheet)]
    bare = [sample for sample in sheet if sample.well and not sample.plate]
    if bare and any(sample.plate for sample in sheet):
        texts.append(
            f"{_some(bare)} on the sheet {'has' if len(bare) == 1 else 'have'} a well but no plate: taken as a plate of"
            " their own without a name"
        )
    return tuple(text for text in texts if text)


def _beyond(layout: PlateLayout) -> str:
    """Warning of the few wells of a plate that lie beyond H12; empty where there are none or many."""
    beyond = [s for (row, column), s in layout.at.items() if row >= SMALL[0] or column >= SMALL[1]]
    if not 0 < len(beyond) <= min(FEW_BEYOND, len(layout.at) - 1):
        return ""
    name = f"plate {layout.plate}" if layout.plate else "the plate"
    lies = "lies" if len(beyond) == 1 else "lie"
    return f"only {_some(beyond)} of {name} {lies} beyond H12: is the well right? All of it is taken as 384 wells"


def _some(samples: Sequence[Sample]) -> str:
    named = ", ".join(f"{sample.name} ({sample.well})" for sample in samples[:5])
    return named + (f" and {len(samples) - 5} more" if len(samples) > 5 else "")


def _shape(at: Mapping[Place, Sample]) -> tuple[int, int]:
    is_small = all(row < SMALL[0] and column < SMALL[1] for row, column in at)
    return SMALL if is_small else LARGE


@dataclass(frozen=True, kw_only=True)
class Move:
    """A way in which a whole plate can have come out of place.

    Attributes
    ----------
    words
        For a person: what was done to the plate.
    turned
        Whether it was turned by 180 degrees.
    rows, columns
        By how many rows and columns the DNA stands further than the sheet says.

    """

    words: str
    turned: bool = False
    rows: int = 0
    columns: int = 0

    def origin(self, place: Place, shape: tuple[int, int]) -> tuple[Place, bool]:
        """Place on the sheet whose DNA stands here, and whether it came around the edge.

        Examples
        --------
        >>> Move(words="turned", turned=True).origin((0, 0), (8, 12))
        ((7, 11), False)
        >>> Move(words="shifted", columns=1).origin((2, 0), (8, 12))
        ((2, 11), True)

        """
        if self.turned:
            return (shape[0] - 1 - place[0], shape[1] - 1 - place[1]), False
        row, column = place[0] - self.rows, place[1] - self.columns
        is_around = not (0 <= row < shape[0] and 0 <= column < shape[1])
        return (row % shape[0], column % shape[1]), is_around


IN_PLACE: Final = Move(words="as the sheet says")
TURNED: Final = Move(words="turned by 180 degrees", turned=True)
SHIFTS: Final = (
    Move(words="shifted by one column to the right", columns=1),
    Move(words="shifted by one column to the left", columns=-1),
    Move(words="shifted by one row down", rows=1),
    Move(words="shifted by one row up", rows=-1),
)


def moved(layout: PlateLayout, move: Move) -> Iterator[tuple[Sample, Sample | None, bool]]:
    """For each sample of a plate, the sample whose DNA it would hold after a move, if the sheet has one there.

    Yields
    ------
    sample, origin, is_around
        ``is_around`` where the DNA would have come around the edge of the plate.

    """
    for place, sample in layout.at.items():
        origin, is_around = move.origin(place, layout.shape)
        yield sample, layout.at.get(origin), is_around
