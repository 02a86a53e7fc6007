"""The error tree of dhverify.

::

    DhverifyError
    └── InputError          a file, a table or an argument is wrong (exit status 2)
        ├── FormatError     a genotype file, map, limits or counts file cannot be read
        ├── SheetError      the sample sheet contradicts itself
        ├── PedigreeError   a pedigree cannot be parsed
        ├── LimitsError     a limit is unknown or out of range
        └── OutputError     the results folder cannot be written there

Anything else that escapes is a fault of dhverify itself (exit status 3).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

LONGEST_FOUND: Final = 400
"""Characters of a value that are shown in a message."""


class DhverifyError(Exception):
    """Base of every error that dhverify raises on purpose."""


@dataclass(frozen=True, kw_only=True)
class Defect:
    """One thing that is wrong in one place.

    Attributes
    ----------
    where
        Row, column, sample, marker or option, for a person: ``row 7, column donor``.
    found
        What stands there.
    expected
        What should stand there, or what to do.

    """

    where: str
    found: str
    expected: str

    def __str__(self) -> str:
        found = self.found if len(self.found) <= LONGEST_FOUND else f"{self.found[:LONGEST_FOUND]}..."
        return f"{self.where}: found {found}; expected {self.expected}"


class InputError(DhverifyError):
    """Something that the user handed in is wrong; nothing was written.

    Parameters
    ----------
    source
        The file name or option that is wrong.
    defects
        All defects found there, in order; at least one.

    """

    def __init__(self, source: str, defects: Iterable[Defect]) -> None:
        self.source = source
        self.defects = tuple(defects)
        if not self.defects:
            raise ValueError("an InputError needs at least one defect")
        super().__init__(self._message())

    def _message(self) -> str:
        if len(self.defects) == 1:
            return f"{self.source}: {self.defects[0]}"
        lines = [f"{self.source}: {len(self.defects)} things are wrong"]
        lines += [f"  {defect}" for defect in self.defects]
        return "\n".join(lines)


class FormatError(InputError):
    """A genotype file, map, limits or counts file cannot be read as what it claims to be."""


class SheetError(InputError):
    """The sample sheet contradicts itself or the genotypes."""


class PedigreeError(InputError):
    """A pedigree cannot be parsed; the defect tells the position in the text."""


class LimitsError(InputError):
    """A limit is unknown, no number, or out of its range."""


class OutputError(InputError):
    """The results folder or file cannot be written there."""
