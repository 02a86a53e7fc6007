"""The sample sheet to fill in: what `dhverify sheet` writes."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import TYPE_CHECKING, Final

from dhverify.errors import Defect, FormatError, OutputError
from dhverify.formats.sample_names import read_sample_names
from dhverify.formats.sheet_values import SHEET_COLUMNS
from dhverify.formats.template_guesses import TemplateRow, guess_rows

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from os import PathLike

GUESS_COLUMN: Final = "guess"
"""Extra column that names the guessed columns of a row; empty it, or leave it: it is only carried along."""


def sheet_from_genotypes(
    paths: str | PathLike[str] | Iterable[str | PathLike[str]],
    file: str | PathLike[str],
    *,
    layout: str = "auto",
    force: bool = False,
) -> tuple[TemplateRow, ...]:
    """Write a sample sheet to fill in, from the sample names of genotype files.

    Parameters
    ----------
    paths
        Genotype files.
    file
        The sheet; a workbook where the name ends in ``.xlsx``, else CSV.
    layout
        Of tables: ``auto``, ``wide`` or ``long``.
    force
        Replace a file that is not empty.

    Returns
    -------
    tuple
        The rows that were written.

    Raises
    ------
    FormatError
        A genotype file cannot be read, or none holds a sample.
    OutputError
        The file is there already, or cannot be written.

    """
    names = read_sample_names(paths, layout=layout)
    if not names:
        raise FormatError("genotypes", [Defect(where="samples", found="none", expected="at least one")])
    rows = guess_rows(names)
    write_template(rows, file, force=force)
    return rows


def write_template(rows: Sequence[TemplateRow], file: str | PathLike[str], *, force: bool = False) -> None:
    """Write rows as CSV, or as a workbook where the name ends in ``.xlsx``.

    Raises
    ------
    OutputError
        The file is there already and not empty, or cannot be written.

    """
    path = Path(file)
    table = [[*SHEET_COLUMNS, GUESS_COLUMN], *(_cells(row) for row in rows)]
    try:
        if not force and path.exists() and (path.is_dir() or path.stat().st_size):
            raise _cannot_write(path, "a file that is not empty", "a new name, or --force to replace it")
        data = _workbook(table) if path.suffix.lower() == ".xlsx" else _csv(table)
        beside = path.with_name(f".{path.name}.part")
        beside.write_bytes(data)
        beside.replace(path)
    except OSError as fault:
        raise _cannot_write(path, fault.strerror or str(fault), "a file that can be written") from None


def _cannot_write(path: Path, found: str, expected: str) -> OutputError:
    return OutputError(str(path), [Defect(where="the file", found=found, expected=expected)])


def _cells(row: TemplateRow) -> list[str]:
    values = {"sample": row.sample, **row.values}
    guesses = "; ".join(filter(None, [", ".join(row.guessed), row.note]))
    return [*(values.get(column, "") for column in SHEET_COLUMNS), guesses]


def _csv(table: list[list[str]]) -> bytes:
    stream = io.StringIO()
    csv.writer(stream, lineterminator="\n").writerows(table)
    return stream.getvalue().encode()


def _workbook(table: list[list[str]]) -> bytes:
    import openpyxl

    book = openpyxl.Workbook()
    sheet = book.worksheets[0]
    sheet.title = "samples"
    for row in table:
        sheet.append(row)
    # names such as =A1 are text, not formulas
    for cells in sheet.iter_rows():
        for cell in cells:
            cell.data_type = "s"
    sheet.freeze_panes = "B2"
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()
