"""The results folder: which files it holds, and how one is recognised."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from dhverify.report.folder_kind import REPORT, SUMMARY, FolderKind
from dhverify.report.page import page_text
from dhverify.report.summary import KIND, summary_text
from dhverify.report.tables import TABLE_RECORDS, csv_text, tables
from dhverify.report.workbook import workbook_bytes

if TYPE_CHECKING:
    from pathlib import Path

    from dhverify.outcome import CheckOutcome

WORKBOOK: Final = "results.xlsx"
RESULTS: Final = FolderKind(
    kind=KIND,
    content="the results of an earlier check",
    files=frozenset({SUMMARY, REPORT, WORKBOOK, *(f"{name}.csv" for name in TABLE_RECORDS)}),
)
"""The folder of a check."""


def write_results(outcome: CheckOutcome, directory: str | Path, *, force: bool = False, xlsx: bool = False) -> Path:
    """Write the results folder.

    Everything is written beside the folder first, and then takes its name: after a fault or a stop there is
    either the whole folder or what stood there before.

    Parameters
    ----------
    outcome
        What a check found.
    directory
        The folder; its parents are made.
    force
        Replace a results folder that stands there. Any other folder that is not empty is never replaced.
    xlsx
        Also write all tables into one workbook.

    Returns
    -------
    pathlib.Path
        The folder.

    Raises
    ------
    OutputError
        If the folder is in use, or cannot be written.

    """
    return RESULTS.write(directory, lambda: results_files(outcome, xlsx=xlsx), force=force)


def results_files(outcome: CheckOutcome, *, xlsx: bool = False) -> dict[str, bytes]:
    """Every file of the results folder: name -> bytes."""
    files = {f"{content.name}.csv": csv_text(content).encode() for content in tables(outcome)}
    files[SUMMARY] = summary_text(outcome).encode()
    files[REPORT] = page_text(outcome).encode()
    if xlsx:
        files[WORKBOOK] = workbook_bytes(outcome)
    return files
