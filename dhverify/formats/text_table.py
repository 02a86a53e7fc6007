"""Delimited text as a table of codes: each distinct text once, cells as numbers."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from dhverify.errors import Defect, FormatError, InputError
from dhverify.formats.defects import capped
from dhverify.formats.opening import text_of, text_stream

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

_DELIMITERS: Final = "\t,;"
_BLOCK: Final = 256
_MOST_SHOWN: Final = 40


@dataclass(frozen=True, kw_only=True, eq=False)
class TextTable:
    """A table below its header.

    Attributes
    ----------
    path
        The file.
    header
        Column names, stripped of blanks.
    cells
        int32, shape (n_rows, n_columns). Index into ``texts``.
    texts
        Distinct texts, stripped of blanks (two codes may have the same text).
    rows
        int64, shape (n_rows,). Line of the file on which each row ends, the header being 1.

    """

    path: Path
    header: tuple[str, ...]
    cells: NDArray[np.int32]
    texts: tuple[str, ...]
    rows: NDArray[np.int64]

    def column(self, index: int) -> list[str]:
        """Return the texts of one column."""
        return [self.texts[code] for code in self.cells[:, index]]


class _Codes(dict[str, int]):
    """Numbers texts in order of first appearance."""

    def __missing__(self, text: str) -> int:
        self[text] = number = len(self)
        return number


def read_text_table(path: Path) -> TextTable:
    """Read a CSV or TSV file, plain or compressed.

    Raises
    ------
    FormatError
        The file is no text, has no rows, or rows with a wrong number of columns (all are named).

    """
    text = text_of(path, expected="VCF, BCF, or a CSV or TSV table")
    check_delimiter(path, text)
    reader = _Rows(text)
    codes = _Codes()
    try:
        header = next(iter(reader), [])
        if not header:
            raise FormatError(str(path), [_no_rows("nothing in it")])
        cells, rows = _coded(path, reader, codes, len(header))
    except csv.Error as fault:
        defect = Defect(where=f"row {reader.line}", found=str(fault), expected="quotes in pairs around a value")
        raise FormatError(str(path), [defect]) from None
    if not len(rows):
        raise FormatError(str(path), [_no_rows("a header and no rows")])
    return TextTable(
        path=path,
        header=tuple(name.strip() for name in header),
        cells=cells,
        texts=tuple(text.strip() for text in codes),
        rows=rows,
    )


def _no_rows(found: str) -> Defect:
    return Defect(where="the file", found=found, expected="a header and rows")


def delimiter_of(text: str) -> str:
    r"""Return the delimiter of a table: the commonest of tab, comma and semicolon in its first line.

    Examples
    --------
    >>> delimiter_of("sample;role\nL1;line\n")
    ';'

    """
    first = text.lstrip("\r\n").partition("\n")[0]
    return max(_DELIMITERS[1] + _DELIMITERS, key=first.count)


def check_delimiter(path: Path, text: str, error: type[InputError] = FormatError) -> None:
    """Refuse a table whose first line has another delimiter than tab, comma and semicolon.

    Raises
    ------
    InputError
        Of the given class.

    """
    first = text.lstrip("\r\n").partition("\n")[0].strip()
    other = next((mark for mark in "|:" if mark in first), "blanks" if len(first.split()) > 1 else "")
    if other and not any(mark in first for mark in _DELIMITERS):
        shown = first if len(first) <= _MOST_SHOWN else f"{first[:_MOST_SHOWN]}..."
        found = f"one column, {shown}, as if separated by {other}"
        expected = "columns separated by commas, semicolons or tabs"
        raise error(str(path), [Defect(where="row 1 (header)", found=found, expected=expected)])


class _Rows:
    """The rows of a text that hold anything, and the line on which each ends."""

    def __init__(self, text: str) -> None:
        self._reader = csv.reader(text_stream(text), delimiter=delimiter_of(text), strict=True)

    def __iter__(self) -> Iterator[list[str]]:
        return (row for row in self._reader if any(map(str.strip, row)))

    @property
    def line(self) -> int:
        """Line of the file that was read last."""
        return self._reader.line_num


def _coded(path: Path, rows: _Rows, codes: _Codes, n_columns: int) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
    blocks: list[NDArray[np.int32]] = []
    block: list[NDArray[np.int32]] = []
    lines: list[int] = []
    defects: list[Defect] = []
    for row in rows:
        if len(row) != n_columns:
            found = f"{len(row)} columns"
            defects.append(Defect(where=f"row {rows.line}", found=found, expected=f"{n_columns} columns"))
            continue
        block.append(np.fromiter(map(codes.__getitem__, row), dtype=np.int32, count=n_columns))
        lines.append(rows.line)
        if len(block) == _BLOCK:
            blocks.append(np.array(block))
            block = []
    if defects:
        raise FormatError(str(path), capped(defects))
    blocks.append(np.array(block, dtype=np.int32).reshape(-1, n_columns))
    return np.concatenate(blocks), np.array(lines, dtype=np.int64)
