"""The sample sheet: CSV, TSV or XLSX into a validated `SampleSheet`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from dhverify.errors import Defect, SheetError
from dhverify.formats.defects import capped, did_you_mean
from dhverify.formats.opening import checksum
from dhverify.formats.record_table import RecordTable, read_records
from dhverify.formats.sheet_columns import exchanged_columns
from dhverify.formats.sheet_relations import Relations
from dhverify.formats.sheet_values import SHEET_COLUMNS, RowParser
from dhverify.samples import Role, SampleSheet

if TYPE_CHECKING:
    from os import PathLike


def read_samples(path: str | PathLike[str]) -> SampleSheet:
    r"""Read and validate a sample sheet.

    Parameters
    ----------
    path
        CSV, TSV or XLSX (first worksheet), with a header row.

    Returns
    -------
    SampleSheet
        Wells as ``A01``; the inducer filled in where the sheet has exactly one; unknown columns kept.

    Raises
    ------
    SheetError
        Naming everything that is wrong in the sheet, with row and column.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     file = Path(folder) / "samples.csv"
    ...     _ = file.write_text("sample,role,stage,donor\nF1,donor,,\nL1,line,D1,F1\n")
    ...     sheet = read_samples(file)
    >>> sheet["L1"].donor, sheet["L1"].row
    ('F1', 3)

    """
    file = Path(path)
    table = read_records(file, error=SheetError, needed=("sample", "role"))
    extra = tuple(column for column in table.columns if column.lower() not in SHEET_COLUMNS)
    defects = _lacking_columns(table, extra)
    defects = defects or exchanged_columns(table)
    if defects:
        raise SheetError(str(file), defects)
    parser = RowParser(extra)
    samples = [sample for record in table.records if (sample := parser.parse(record)) is not None]
    relations = Relations(samples, parser.unread)
    defects = _by_row([*parser.defects, *relations.defects()])
    if defects:
        raise SheetError(str(file), capped(defects))
    return SampleSheet(
        samples=relations.completed(),
        extra_columns=extra,
        source=file.name,
        checksum=checksum(file),
        warnings=tuple(
            [f"{file.name}: {text}" for text in relations.warnings]
            + [f"{file.name}: {text}" for text in _doubtful_columns(table, extra)]
        ),
    )


def _lacking_columns(table: RecordTable, extra: tuple[str, ...]) -> list[Defect]:
    has_lines = any(record["role"].lower() == Role.LINE for record in table.records)
    needed = ("sample", "role", "stage", "donor") if has_lines else ("sample", "role")
    lacking = [column for column in needed if column not in table.keys]
    return [_lacking(column, extra) for column in lacking]


def _lacking(column: str, extra: tuple[str, ...]) -> Defect:
    hint = did_you_mean(column, extra, otherwise="")
    expected = f"a column {column}" + (f"; is it {hint.split(' (')[0]}?" if "did you mean" in hint else "")
    return Defect(where="header", found=f"no column {column}", expected=expected)


def _doubtful_columns(table: RecordTable, extra: tuple[str, ...]) -> list[str]:
    absent = [column for column in SHEET_COLUMNS if column not in table.keys]
    hints = [(column, did_you_mean(column, absent, otherwise="") if absent else "") for column in extra]
    return [
        f"column {column} is not known and is only carried along; {hint}"
        for column, hint in hints
        if "did you mean" in hint
    ]


def _by_row(defects: list[Defect]) -> list[Defect]:
    """Sort defects by the row that their place begins with."""
    return sorted(defects, key=lambda defect: int(defect.where.split(",")[0].removeprefix("row ")))
