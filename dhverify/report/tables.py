"""Records of an outcome -> the tables of the results folder, as CSV text and as pandas frames.

Column order is the field order of the records; empty text stands for what is not known or not applicable.
"""

from __future__ import annotations

import csv
import io
import math
import types
from dataclasses import dataclass, fields
from decimal import Decimal
from enum import StrEnum
from functools import cache
from typing import TYPE_CHECKING, Any, Final, TypeAlias, Union, get_args, get_origin, get_type_hints

from dhverify.outcome import (
    AccountRow,
    CheckOutcome,
    DonorRow,
    IdentityRow,
    LineRow,
    MarkerRow,
    PlateRow,
    ReferenceRow,
    SegmentRow,
    WellRow,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import pandas as pd

Cell: TypeAlias = str | int | float | None

TABLE_RECORDS: Final[Mapping[str, type]] = types.MappingProxyType(
    {
        "lines": LineRow,
        "donors": DonorRow,
        "references": ReferenceRow,
        "account": AccountRow,
        "markers": MarkerRow,
        "segments": SegmentRow,
        "identity": IdentityRow,
        "plates": PlateRow,
        "wells": WellRow,
    }
)
"""Table name (also the file name and the attribute of the outcome) -> the record of one row."""

SIGNIFICANT_DIGITS: Final = 6
_SMALLEST_PLAIN: Final = 1e-9
_LARGEST_PLAIN: Final = 1e15


class ColumnKind(StrEnum):
    """How the values of a column are written."""

    TEXT = "text"
    WHOLE = "whole number"
    NUMBER = "number"


@dataclass(frozen=True, kw_only=True)
class Table:
    """One table: column names and kinds, and rows of plain cells (None is empty)."""

    name: str
    columns: tuple[str, ...]
    kinds: tuple[ColumnKind, ...]
    rows: tuple[tuple[Cell, ...], ...]


def table(outcome: CheckOutcome, name: str) -> Table:
    """One table of an outcome.

    Parameters
    ----------
    outcome
        What a check found.
    name
        A key of ``TABLE_RECORDS``.

    Raises
    ------
    KeyError
        If there is no table of that name.

    """
    record = TABLE_RECORDS[name]
    plain = record_table(name, record, getattr(outcome, name))
    if record is not LineRow:
        return plain
    extra = extra_column_names(outcome.extra_columns, taken=plain.columns)
    rows = tuple(row + _extra_cells(line, outcome) for row, line in zip(plain.rows, outcome.lines, strict=True))
    return Table(
        name=name,
        columns=plain.columns + extra,
        kinds=plain.kinds + (ColumnKind.TEXT,) * len(extra),
        rows=rows,
    )


def record_table(name: str, record: type, records: Iterable[object]) -> Table:
    """One table of records of one class, a row each."""
    columns, kinds = record_columns(record)
    rows = tuple(tuple(cell(getattr(row, column)) for column in columns) for row in records)
    return Table(name=name, columns=columns, kinds=kinds, rows=rows)


def tables(outcome: CheckOutcome) -> tuple[Table, ...]:
    """Every table of an outcome, in the order of ``TABLE_RECORDS``."""
    return tuple(table(outcome, name) for name in TABLE_RECORDS)


@cache
def record_columns(record: type) -> tuple[tuple[str, ...], tuple[ColumnKind, ...]]:
    """Column names and kinds of a record class, the ``extra`` field left out."""
    hints = get_type_hints(record)
    names = tuple(field.name for field in fields(record) if field.name != "extra")
    return names, tuple(_kind(hints[name]) for name in names)


def extra_column_names(names: Iterable[str], *, taken: Sequence[str]) -> tuple[str, ...]:
    """Column names for extra columns of the sheet: ``sheet_`` goes before a name that is taken.

    Examples
    --------
    >>> extra_column_names(["tray", "verdict"], taken=["sample", "verdict"])
    ('tray', 'sheet_verdict')

    """
    plain = list(names)
    used = set(taken)
    used.update(name for name in plain if name not in taken)
    result = []
    for name in plain:
        free = name
        while free in taken or (free != name and free in used):
            free = f"sheet_{free}"
        used.add(free)
        result.append(free)
    return tuple(result)


def cell(value: Any) -> Cell:
    """Turn a field of a record into one plain cell; numbers that are not finite are empty.

    Examples
    --------
    >>> cell((("P1", 0.48), ("P2", 0.52)))
    'P1=0.48;P2=0.52'
    >>> cell(True), cell(float("nan"))
    ('yes', None)

    """
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return ";".join(_part(part) for part in value)
    if isinstance(value, str):
        return str(value)
    if value is None or not math.isfinite(value):
        return None
    return int(value) if isinstance(value, int) else float(value)


def number_text(value: float) -> str:
    """Write a number with at most six significant digits; whole ones in full, rarely an exponent.

    Examples
    --------
    >>> number_text(1 / 3), number_text(1234567.0), number_text(0.00001), number_text(-0.0)
    ('0.333333', '1234567', '0.00001', '0')

    """
    if value == int(value) and abs(value) < _LARGEST_PLAIN:
        return str(int(value))
    short = f"{value:.{SIGNIFICANT_DIGITS}g}"
    if not _SMALLEST_PLAIN <= abs(value) < _LARGEST_PLAIN:
        return short
    plain = format(Decimal(short), "f")
    return plain.rstrip("0").rstrip(".") if "." in plain else plain


def csv_text(content: Table) -> str:
    """One table as CSV: comma, LF, decimal point, empty for None."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(content.columns)
    writer.writerows([_cell_text(value) for value in row] for row in content.rows)
    return out.getvalue()


def data_frame(content: Table) -> pd.DataFrame:
    """One table as a pandas frame: float64 (nan is missing), nullable Int64, and text.

    Parameters
    ----------
    content
        The table.

    Returns
    -------
    pandas.DataFrame
        A column per column of the CSV file; text cells are empty where nothing is known.

    """
    import pandas as pd

    series = {}
    for place, (name, kind) in enumerate(zip(content.columns, content.kinds, strict=True)):
        values = [row[place] for row in content.rows]
        series[name] = pd.Series(values, dtype=_DTYPES[kind])
    return pd.DataFrame(series, columns=list(content.columns))


_DTYPES: Final = types.MappingProxyType(
    {ColumnKind.TEXT: "str", ColumnKind.WHOLE: "Int64", ColumnKind.NUMBER: "float64"}
)


def _kind(hint: Any) -> ColumnKind:
    options = set(get_args(hint)) if get_origin(hint) in {types.UnionType, Union} else {hint}
    options.discard(type(None))
    if options == {float}:
        return ColumnKind.NUMBER
    return ColumnKind.WHOLE if options == {int} else ColumnKind.TEXT


def _part(part: Any) -> str:
    if isinstance(part, tuple):
        name, share = part
        return f"{name}={number_text(share)}"
    return str(part)


def _cell_text(value: Cell) -> str:
    if value is None:
        return ""
    return value if isinstance(value, str) else number_text(value)


def _extra_cells(line: LineRow, outcome: CheckOutcome) -> tuple[Cell, ...]:
    values = dict(line.extra)
    return tuple(values.get(name, "") for name in outcome.extra_columns)
