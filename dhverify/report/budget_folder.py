"""The folder of a budget: its tables, summary, picture and page."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final

from dhverify.cautions import DOUBLING_CAUTION
from dhverify.design.budget_outcome import FlipRow, NeedRow, PlanRow, RateRow, SensitivityRow, StepRow
from dhverify.report.tables import Table, cell, csv_text, number_text, record_columns
from dhverify.report.whole_folder import check_target, write_whole
from dhverify.version import __version__

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from dhverify.design.budget_outcome import BudgetOutcome

SCHEMA_VERSION: Final = 1
KIND: Final = "dhverify budget"
"""Stands in ``summary.json`` and makes the folder recognisable."""
SUMMARY: Final = "summary.json"
PICTURE: Final = "sensitivity.svg"
REPORT: Final = "report.html"
RECORDS: Final[Mapping[str, type]] = {
    "budget": StepRow,
    "plans": PlanRow,
    "sensitivity": SensitivityRow,
    "flips": FlipRow,
    "rates": RateRow,
    "needs": NeedRow,
}
"""Table name (also the file name) -> the record of one row."""


def budget_table(outcome: BudgetOutcome, name: str) -> Table:
    """One table of an outcome, by the name of its file."""
    columns, kinds = record_columns(RECORDS[name])
    rows: Sequence[object] = outcome.steps if name == "budget" else getattr(outcome, name)
    cells = tuple(tuple(cell(getattr(row, column)) for column in columns) for row in rows)
    return Table(name=name, columns=columns, kinds=kinds, rows=cells)


def budget_summary(outcome: BudgetOutcome) -> dict[str, Any]:
    """Return the content of ``summary.json``, as plain values in a fixed order."""
    return {
        "schema_version": SCHEMA_VERSION,
        "kind": KIND,
        "version": __version__,
        "lines": int(outcome.request.lines),
        "sure": _plain(float(outcome.request.sure)),
        "kernels": outcome.kernels,
        "probability": _plain(outcome.probability),
        "kernels_if_rates_were_known": outcome.kernels_if_known,
        "lines_per_kernel": _plain(outcome.line_rate),
        "lines_per_kernel_low": _plain(outcome.line_rate_low),
        "lines_per_kernel_high": _plain(outcome.line_rate_high),
        "cheapest": outcome.best,
        "rates": {row.rate: _plain(row.value) for row in outcome.rates},
        "rates_from": _source(outcome),
        "costs": {name: _plain(value) for name, value in asdict(outcome.costs).items()},
        "notes": list(outcome.notes),
        "warnings": list(outcome.warnings),
        "caution": DOUBLING_CAUTION,
    }


def budget_files(outcome: BudgetOutcome) -> dict[str, bytes]:
    """Every file of the folder: name -> bytes."""
    from dhverify.report.budget_figure import sensitivity_svg
    from dhverify.report.page.budget import budget_page

    files = {f"{name}.csv": csv_text(budget_table(outcome, name)).encode() for name in RECORDS}
    text = json.dumps(budget_summary(outcome), indent=2, ensure_ascii=False, allow_nan=False)
    files[SUMMARY] = (text + "\n").encode()
    picture = sensitivity_svg(outcome)
    files[PICTURE] = picture.encode()
    files[REPORT] = budget_page(outcome, picture).encode()
    return files


def write_budget(outcome: BudgetOutcome, directory: str | Path, *, force: bool = False) -> Path:
    """Write the folder, whole or not at all.

    Raises
    ------
    OutputError
        If the folder is in use, or cannot be written.

    """
    target = check_budget_target(directory, force=force)
    content = budget_files(outcome)

    def fill(folder: Path) -> None:
        for name, data in content.items():
            (folder / name).write_bytes(data)

    write_whole(target, fill)
    return target


def check_budget_target(directory: str | Path, *, force: bool = False) -> Path:
    """Tell whether the folder may be written, before any work is done.

    Raises
    ------
    OutputError
        If it is a file, or not empty and not the folder of an earlier budget to be replaced.

    """
    content = "the budget of an earlier run"
    return check_target(directory, force=force, is_replaceable=is_budget_folder, content=content)


def is_budget_folder(folder: Path) -> bool:
    """Whether a folder was written here: its ``summary.json`` says so."""
    try:
        found = json.loads((folder / SUMMARY).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(found, dict) and found.get("kind") == KIND


def _source(outcome: BudgetOutcome) -> dict[str, str]:
    """Where each rate is from; no path, so that the same input gives the same bytes."""
    return {row.rate: row.source for row in outcome.rates}


def _plain(value: Any) -> Any:
    if not isinstance(value, float):
        return value
    return float(number_text(value)) if math.isfinite(value) else None
