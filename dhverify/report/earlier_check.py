"""Reading the results folder of an earlier check: its summary and its tables."""

from __future__ import annotations

import csv
import io
import json
from typing import TYPE_CHECKING, Any, Final

from dhverify.errors import Defect, FormatError
from dhverify.formats.opening import text_of
from dhverify.report.folder_kind import SUMMARY
from dhverify.report.summary import KIND

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

A_CHECK: Final = "a results folder that 'dhverify check' wrote"
ITS_COLUMNS: Final = "the columns that a check writes"


def read_check_summary(folder: Path) -> dict[str, Any]:
    """Read ``summary.json``, which also says that the folder is that of a check.

    Raises
    ------
    FormatError
        If there is none, or it is of something else.

    """
    file = folder / SUMMARY
    if not file.is_file():
        raise FormatError(str(folder), [Defect(where="the folder", found=f"no {SUMMARY}", expected=A_CHECK)])
    try:
        found = json.loads(text_of(file, FormatError, expected=A_CHECK))
    except ValueError as fault:
        raise FormatError(str(file), [Defect(where="the file", found=str(fault), expected=A_CHECK)]) from None
    if not isinstance(found, dict) or found.get("kind") != KIND:
        raise FormatError(str(folder), [Defect(where=SUMMARY, found="another kind", expected=A_CHECK)])
    return found


def read_check_rows(file: Path, columns: Sequence[str]) -> list[dict[str, str]]:
    """Read the rows of a table, by column name.

    Raises
    ------
    FormatError
        If the file cannot be read, or a column is not there; all that are lacking are named.

    """
    reader = csv.DictReader(io.StringIO(text_of(file, FormatError, expected=A_CHECK), newline=""), restval="")
    lacking = [name for name in columns if name not in (reader.fieldnames or ())]
    if lacking:
        defects = [Defect(where="header", found=f"no column {name}", expected=ITS_COLUMNS) for name in lacking]
        raise FormatError(str(file), defects)
    return list(reader)
