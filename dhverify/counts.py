"""Programme counts: how many kernels, seedlings and ears of each donor."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator

STEPS: Final = ("kernels", "putative_haploids", "treated", "transplanted", "survived", "selfed", "d1_ears")
"""What is left after each step of the programme, in order; none can be more than the one before."""

COUNT_COLUMNS: Final = (
    "kernels",
    "uncoloured",
    "hybrids",
    "putative_haploids",
    "treated",
    "transplanted",
    "survived",
    "selfed",
    "d1_ears",
)
"""Everything that can be counted, in the order of the programme."""


@dataclass(frozen=True, kw_only=True)
class CountsRow:
    """Counts of a donor, or of a donor and an inducer; None is not counted.

    Attributes
    ----------
    donor, inducer
        Names as in the sample sheet; the inducer may be empty.
    kernels
        Harvested and scored.
    uncoloured, hybrids, putative_haploids
        Of the kernels: without colour, with a coloured embryo, sorted as haploid.
    treated, transplanted, survived, selfed
        Plants at each step.
    d1_ears
        Ears with at least one seed.
    extra
        (column, text) of the other columns, in the order of the file.
    row
        Row number in the file, the header being row 1.

    """

    donor: str
    inducer: str = ""
    kernels: int | None = None
    uncoloured: int | None = None
    hybrids: int | None = None
    putative_haploids: int | None = None
    treated: int | None = None
    transplanted: int | None = None
    survived: int | None = None
    selfed: int | None = None
    d1_ears: int | None = None
    extra: tuple[tuple[str, str], ...] = ()
    row: int = 0

    def count(self, column: str) -> int | None:
        """Return a count by the name of its column, one of ``COUNT_COLUMNS``."""
        value: int | None = getattr(self, column)
        return value


@dataclass(frozen=True, kw_only=True)
class Counts:
    """The validated counts of a programme.

    Attributes
    ----------
    rows
        In the order of the file.
    extra_columns
        Names of the other columns, in the order of the file.
    source
        File name, for messages.
    checksum
        SHA-256 of the file, empty if they were not read from one.
    warnings
        What a user should look at, a sentence each.

    """

    rows: tuple[CountsRow, ...]
    extra_columns: tuple[str, ...] = ()
    source: str = "counts"
    checksum: str = ""
    warnings: tuple[str, ...] = ()

    def __iter__(self) -> Iterator[CountsRow]:
        return iter(self.rows)

    def __len__(self) -> int:
        return len(self.rows)
