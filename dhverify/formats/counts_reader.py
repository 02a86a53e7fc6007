"""Programme counts from CSV, TSV or XLSX."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Final

from dhverify.counts import COUNT_COLUMNS, STEPS, Counts, CountsRow
from dhverify.errors import Defect, FormatError
from dhverify.formats.defects import capped, did_you_mean, whole_number
from dhverify.formats.opening import checksum
from dhverify.formats.record_table import Record, RecordTable, read_records

if TYPE_CHECKING:
    from collections.abc import Iterator
    from os import PathLike

_SORTED: Final = ("uncoloured", "hybrids", "putative_haploids")


def read_counts(path: str | PathLike[str]) -> Counts:
    r"""Read and validate programme counts.

    Parameters
    ----------
    path
        CSV, TSV or XLSX: a row per donor, or donor and inducer; an empty value is not counted.

    Raises
    ------
    FormatError
        Naming everything that is wrong: a column that is lacking, a value that is no whole number, counts
        that cannot be (more plants after a step than before it), a group given twice.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     file = Path(folder) / "counts.csv"
    ...     _ = file.write_text("donor,kernels,putative_haploids\nF1,300,\n")
    ...     counts = read_counts(file)
    >>> counts.rows[0].kernels, counts.rows[0].putative_haploids
    (300, None)

    """
    file = Path(path)
    table = read_records(file, needed=("donor", *COUNT_COLUMNS))
    extra = tuple(c for c in table.columns if c.lower() not in {"donor", "inducer", *COUNT_COLUMNS})
    defects = _lacking(table, extra)
    if defects:
        raise FormatError(str(file), defects)
    rows = [_row(record, extra, defects) for record in table.records]
    defects += [defect for row in rows for defect in _impossible(row)]
    defects += _doubled(rows)
    if defects:
        raise FormatError(str(file), capped(sorted(defects, key=_row_number)))
    return Counts(
        rows=tuple(rows),
        extra_columns=extra,
        source=file.name,
        checksum=checksum(file),
        warnings=tuple(f"{file.name}: {text}" for text in _doubtful(table, extra)),
    )


def _row_number(defect: Defect) -> int:
    return int(defect.where.split(",")[0].removeprefix("row "))


def _lacking(table: RecordTable, extra: tuple[str, ...]) -> list[Defect]:
    defects = []
    if "donor" not in table.keys:
        expected = "a column donor" + _hint("donor", extra)
        defects.append(Defect(where="header", found="no column donor", expected=expected))
    if not set(table.keys) & set(COUNT_COLUMNS):
        expected = "at least one of " + ", ".join(COUNT_COLUMNS)
        defects.append(Defect(where="header", found="no column of counts", expected=expected))
    return defects


def _hint(column: str, extra: tuple[str, ...]) -> str:
    hint = did_you_mean(column, extra) if extra else ""
    return f"; is it {hint.split(' (')[0]}?" if "did you mean" in hint else ""


def _doubtful(table: RecordTable, extra: tuple[str, ...]) -> Iterator[str]:
    absent = [column for column in ("inducer", *COUNT_COLUMNS) if column not in table.keys]
    for column in extra:
        hint = did_you_mean(column, absent) if absent else ""
        if "did you mean" in hint:
            yield f"column {column} is not known and is taken as a group; {hint}."


def _row(record: Record, extra: tuple[str, ...], defects: list[Defect]) -> CountsRow:
    if not record["donor"]:
        where = f"row {record.row}, column donor"
        defects.append(Defect(where=where, found="nothing", expected="the name of a donor"))
    counts = {column: _count(record, column, defects) for column in COUNT_COLUMNS}
    return CountsRow(
        donor=record["donor"],
        inducer=record["inducer"],
        extra=tuple((column, record[column.lower()]) for column in extra),
        row=record.row,
        **counts,
    )


def _count(record: Record, column: str, defects: list[Defect]) -> int | None:
    text = record[column]
    if not text:
        return None
    number = whole_number(text)
    if number is None:
        where = f"row {record.row}, column {column}"
        defects.append(Defect(where=where, found=text, expected="a whole number of at least 0, or empty"))
    return number


def _impossible(row: CountsRow) -> Iterator[Defect]:
    counted = [(column, count) for column in STEPS if (count := row.count(column)) is not None]
    for (earlier, before), (later, after) in pairwise(counted):
        if after > before:
            expected = f"at most {before}, the {earlier.replace('_', ' ')}"
            yield Defect(where=f"row {row.row}, column {later}", found=str(after), expected=expected)
    parts = [(column, count) for column in _SORTED if (count := row.count(column)) is not None]
    total = sum(count for _, count in parts)
    largest = max((count for _, count in parts), default=0)
    if row.kernels is not None and len(parts) > 1 and total > row.kernels >= largest:
        found = f"{row.kernels}, and {' + '.join(column for column, _ in parts)} = {total}"
        yield Defect(where=f"row {row.row}, column kernels", found=found, expected=f"at least {total}")
    for column in ("uncoloured", "hybrids"):
        count = row.count(column)
        if row.kernels is not None and count is not None and count > row.kernels:
            expected = f"at most {row.kernels}, the kernels"
            yield Defect(where=f"row {row.row}, column {column}", found=str(count), expected=expected)


def _doubled(rows: list[CountsRow]) -> Iterator[Defect]:
    first: dict[tuple[object, ...], int] = {}
    for row in rows:
        group = (row.donor, row.inducer, row.extra)
        if group in first:
            found = " x ".join(filter(None, (row.donor, row.inducer, *(text for _, text in row.extra))))
            expected = f"each group once (it stands in row {first[group]} too)"
            yield Defect(where=f"row {row.row}", found=f"{found} again", expected=expected)
        first.setdefault(group, row.row)
