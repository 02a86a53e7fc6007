"""Small tables with a header (sheet, counts, map) from CSV, TSV or XLSX, as text."""

from __future__ import annotations

import csv
import datetime as dt
import io
import warnings
import zipfile
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from dhverify.errors import Defect, FormatError, InputError
from dhverify.formats.defects import capped
from dhverify.formats.opening import reading, text_of, text_stream
from dhverify.formats.text_table import delimiter_of

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

_XLSX_MAGIC: Final = b"PK\x03\x04"


@dataclass(frozen=True, kw_only=True)
class Record:
    """One row: its number in the file, and the text of each column by its lower-case name."""

    row: int
    values: dict[str, str]

    def __getitem__(self, column: str) -> str:
        return self.values.get(column, "")


@dataclass(frozen=True, kw_only=True)
class RecordTable:
    """A table of text.

    Attributes
    ----------
    path
        The file.
    columns
        Column names as in the file, stripped of blanks, in order.
    records
        The rows that hold anything.

    """

    path: Path
    columns: tuple[str, ...]
    records: tuple[Record, ...]

    @property
    def keys(self) -> tuple[str, ...]:
        """Column names in lower case."""
        return tuple(column.lower() for column in self.columns)


def read_records(path: Path, *, error: type[InputError] = FormatError) -> RecordTable:
    """Read a table with a header; column names are told without regard to case.

    Parameters
    ----------
    path
        CSV, TSV or XLSX (the first worksheet).
    error
        What to raise.

    Raises
    ------
    InputError
        Of the given class: the file cannot be read; no header or no rows; a column name is given twice; a
        row has more or fewer values than there are columns.

    """
    with reading(path, error), path.open("rb") as stream:
        is_workbook = stream.read(4) == _XLSX_MAGIC
    rows = _workbook_rows(path, error) if is_workbook else _text_rows(path, error)
    if not rows:
        raise error(str(path), [Defect(where="the file", found="nothing in it", expected="a header and rows")])
    header_row, header = rows[0]
    header = _without_trailing_blanks(header)
    defects = _header_defects(header_row, header)
    records = []
    for number, values in rows[1:]:
        short = _without_trailing_blanks(values)
        if len(short) > len(header) or (len(values) < len(header) and not is_workbook):
            found = f"{len(values)} columns"
            defects.append(Defect(where=f"row {number}", found=found, expected=f"{len(header)} columns"))
        else:
            padded = short + [""] * (len(header) - len(short))
            keys = (column.lower() for column in header)
            records.append(Record(row=number, values=dict(zip(keys, padded, strict=True))))
    if not defects and not records:
        defects = [Defect(where="the file", found="a header and no rows", expected="at least one row")]
    if defects:
        raise error(str(path), capped(defects))
    return RecordTable(path=path, columns=tuple(header), records=tuple(records))


def _header_defects(row: int, header: list[str]) -> list[Defect]:
    first: dict[str, int] = {}
    defects = []
    for number, name in enumerate(header, start=1):
        if not name:
            found = f"no name for column {number}"
            defects.append(Defect(where=f"row {row} (header)", found=found, expected="a name for each column"))
        elif name.lower() in first:
            found = f"column {name} again (columns {first[name.lower()]} and {number})"
            defects.append(Defect(where=f"row {row} (header)", found=found, expected="each column once"))
        first.setdefault(name.lower(), number)
    return defects


def _without_trailing_blanks(values: list[str]) -> list[str]:
    count = len(values)
    while count and not values[count - 1]:
        count -= 1
    return values[:count]


def _filled(rows: Iterable[tuple[int, list[str]]]) -> list[tuple[int, list[str]]]:
    return [(number, values) for number, values in rows if any(values)]


def _text_rows(path: Path, error: type[InputError]) -> list[tuple[int, list[str]]]:
    text = text_of(path, error)
    reader = csv.reader(text_stream(text), delimiter=delimiter_of(text), strict=True)
    try:
        return _filled((reader.line_num, [value.strip() for value in row]) for row in reader)
    except csv.Error as fault:
        expected = "quotes in pairs around a value"
        defect = Defect(where=f"row {reader.line_num}", found=str(fault), expected=expected)
        raise error(str(path), [defect]) from None


def _workbook_rows(path: Path, error: type[InputError]) -> list[tuple[int, list[str]]]:
    import openpyxl
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        with warnings.catch_warnings(), reading(path, error):
            # openpyxl warns of formatting that it does not keep; only values are read here
            warnings.simplefilter("ignore")
            book = openpyxl.load_workbook(io.BytesIO(path.read_bytes()), data_only=True)
    except (InvalidFileException, zipfile.BadZipFile, KeyError, ValueError) as fault:
        expected = "an XLSX workbook, or CSV or TSV text"
        defect = Defect(where="the file", found=f"a workbook that cannot be read ({fault})", expected=expected)
        raise error(str(path), [defect]) from None
    sheet = book.worksheets[0]
    rows = enumerate(sheet.iter_rows(values_only=True), start=1)
    return _filled((number, [_cell_text(value) for value in values]) for number, values in rows)


def _cell_text(value: object) -> str:
    """Return a cell of a workbook as it would stand in a CSV file."""
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    if isinstance(value, dt.datetime) and value.time() == dt.time():
        return value.date().isoformat()
    return str(value).strip()
