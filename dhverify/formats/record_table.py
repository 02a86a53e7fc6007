"""Small tables with a header (sheet, counts, map) from CSV, TSV or XLSX, as text."""

from __future__ import annotations

import csv
import datetime as dt
import io
import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from dhverify.errors import Defect, FormatError, InputError
from dhverify.formats.defects import a_few, capped
from dhverify.formats.opening import reading, text_of, text_stream
from dhverify.formats.text_table import check_delimiter, delimiter_of

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


def read_records(path: Path, *, error: type[InputError] = FormatError, needed: tuple[str, ...] = ()) -> RecordTable:
    """Read a table with a header; column names are told without regard to case.

    Parameters
    ----------
    path
        CSV, TSV or XLSX (the first worksheet).
    error
        What to raise.
    needed
        Columns of which the header has at least one, or the first row is no header of such a table.

    Raises
    ------
    InputError
        Of the given class: the file cannot be read; no header or no rows; none of the columns needed; a column
        name is given twice; a row has more or fewer values than there are columns.

    """
    with reading(path, error), path.open("rb") as stream:
        is_workbook = stream.read(4) == _XLSX_MAGIC
    rows = _workbook_rows(path, error) if is_workbook else _text_rows(path, error)
    if not rows:
        raise error(str(path), [Defect(where="the file", found="nothing in it", expected="a header and rows")])
    header_row, header = rows[0]
    header = _without_trailing_blanks(header)
    if needed and not {name.lower() for name in header} & set(needed):
        raise error(str(path), [_no_header(header_row, header, needed)])
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


def _no_header(row: int, header: list[str], needed: tuple[str, ...]) -> Defect:
    lacking = ", ".join(f"no column {name}" for name in needed)
    like_genotypes = {"marker", "chrom", "pos"} & {name.lower() for name in header}
    hint = "; this looks like a genotype table" if like_genotypes else ""
    return Defect(
        where=f"row {row} (header)",
        found=f"{lacking}, but {a_few(name for name in header if name)}",
        expected=f"a header row with {' and '.join(needed)}{hint}",
    )


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
    text = text_of(path, error, expected="a table: CSV or TSV text, or an XLSX workbook")
    check_delimiter(path, text, error)
    reader = csv.reader(text_stream(text), delimiter=delimiter_of(text), strict=True)
    try:
        return _filled((reader.line_num, [value.strip() for value in row]) for row in reader)
    except csv.Error as fault:
        expected = "quotes in pairs around a value"
        defect = Defect(where=f"row {reader.line_num}", found=str(fault), expected=expected)
        raise error(str(path), [defect]) from None


def _workbook_rows(path: Path, error: type[InputError]) -> list[tuple[int, list[str]]]:
    import openpyxl

    try:
        with warnings.catch_warnings(), reading(path, error):
            # openpyxl warns of formatting that it does not keep; only values are read here
            warnings.simplefilter("ignore")
            book = openpyxl.load_workbook(io.BytesIO(path.read_bytes()), data_only=True)
            rows = enumerate(book.worksheets[0].iter_rows(values_only=True), start=1)
            return _filled((number, [_cell_text(value) for value in values]) for number, values in rows)
    except InputError:
        raise
    except Exception as fault:  # noqa: BLE001 (of a damaged workbook openpyxl and its parsers raise nearly anything)
        what = str(fault).partition("\n")[0] or type(fault).__name__
        expected = "an XLSX workbook, or CSV or TSV text"
        defect = Defect(where="the file", found=f"a workbook that cannot be read ({what})", expected=expected)
        raise error(str(path), [defect]) from None


def _cell_text(value: object) -> str:
    """Return a cell of a workbook as it would stand in a CSV file."""
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    if isinstance(value, dt.datetime) and value.time() == dt.time():
        return value.date().isoformat()
    return str(value).strip()
