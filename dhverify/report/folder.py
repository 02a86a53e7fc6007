"""The results folder: which files it holds, and how one is recognised."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Final

from dhverify.report.page import page_text
from dhverify.report.summary import KIND, summary_text
from dhverify.report.tables import TABLE_RECORDS, csv_text, tables
from dhverify.report.whole_folder import check_target, write_whole
from dhverify.report.workbook import workbook_bytes

if TYPE_CHECKING:
    from pathlib import Path

    from dhverify.outcome import CheckOutcome

SUMMARY: Final = "summary.json"
REPORT: Final = "report.html"
WORKBOOK: Final = "results.xlsx"
RESULT_FILES: Final = frozenset({SUMMARY, REPORT, WORKBOOK, *(f"{name}.csv" for name in TABLE_RECORDS)})
"""Everything that a check can write."""


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
    target = check_results_target(directory, force=force)
    content = results_files(outcome, xlsx=xlsx)

    def fill(folder: Path) -> None:
        for name, data in content.items():
            (folder / name).write_bytes(data)

    write_whole(target, fill)
    return target


def check_results_target(directory: str | Path, *, force: bool = False) -> Path:
    """Tell whether results may be written to a folder, before any work is done.

    Returns
    -------
    pathlib.Path
        The resolved folder.

    Raises
    ------
    OutputError
        If it is a file, or not empty and not a results folder to be replaced.

    """
    return check_target(
        directory, force=force, is_replaceable=is_results_folder, content="the results of an earlier check"
    )


def is_results_folder(folder: Path) -> bool:
    """Whether a folder was written by a check and holds nothing else: a file of the user is never deleted."""
    if any(path.name not in RESULT_FILES or not path.is_file() for path in folder.iterdir()):
        return False
    try:
        found = json.loads((folder / SUMMARY).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(found, dict) and found.get("kind") == KIND and "schema_version" in found


def results_files(outcome: CheckOutcome, *, xlsx: bool = False) -> dict[str, bytes]:
    """Every file of the results folder: name -> bytes."""
    files = {f"{content.name}.csv": csv_text(content).encode() for content in tables(outcome)}
    files[SUMMARY] = summary_text(outcome).encode()
    files[REPORT] = page_text(outcome).encode()
    if xlsx:
        files[WORKBOOK] = workbook_bytes(outcome)
    return files
