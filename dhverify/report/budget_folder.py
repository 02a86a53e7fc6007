"""The folder of a budget: its tables, summary, picture and page."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final

from dhverify.cautions import DOUBLING_CAUTION
from dhverify.design.budget_outcome import FlipRow, NeedRow, PlanRow, RateRow, SensitivityRow, StepRow
from dhverify.report.folder_kind import REPORT, SUMMARY, FolderKind
from dhverify.report.summary_text import json_text, plain, shipped_schema
from dhverify.report.tables import Table, csv_text, record_table
from dhverify.version import __version__

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from dhverify.design.budget_outcome import BudgetOutcome

SCHEMA_VERSION: Final = 1
"""Raised when a name in ``summary.json`` is renamed or dropped; additions do not raise it."""
PICTURE: Final = "sensitivity.svg"
RECORDS: Final[Mapping[str, type]] = {
    "budget": StepRow,
    "plans": PlanRow,
    "sensitivity": SensitivityRow,
    "flips": FlipRow,
    "rates": RateRow,
    "needs": NeedRow,
}
"""Table name (also the file name) -> the record of one row."""
BUDGET: Final = FolderKind(
    kind="dhverify budget",
    content="the budget of an earlier run",
    files=frozenset({SUMMARY, REPORT, PICTURE, *(f"{name}.csv" for name in RECORDS)}),
)
"""The folder of a budget."""


def budget_table(outcome: BudgetOutcome, name: str) -> Table:
    """One table of an outcome, by the name of its file."""
    return record_table(name, RECORDS[name], outcome.steps if name == "budget" else getattr(outcome, name))


def budget_summary(outcome: BudgetOutcome) -> dict[str, Any]:
    """Return the content of ``summary.json``, as plain values in a fixed order; no path, so that it stays the same."""
    return {
        "schema_version": SCHEMA_VERSION,
        "kind": BUDGET.kind,
        "version": __version__,
        "lines": int(outcome.request.lines),
        "sure": plain(float(outcome.request.sure)),
        "kernels": outcome.kernels,
        "probability": plain(outcome.probability),
        "kernels_if_rates_were_known": outcome.kernels_if_known,
        "lines_per_kernel": plain(outcome.line_rate),
        "lines_per_kernel_low": plain(outcome.line_rate_low),
        "lines_per_kernel_high": plain(outcome.line_rate_high),
        "cheapest": outcome.best,
        "rates": {row.rate: plain(row.value) for row in outcome.rates},
        "rates_from": {row.rate: row.source for row in outcome.rates},
        "costs": {name: plain(value) for name, value in asdict(outcome.costs).items()},
        "notes": list(outcome.notes),
        "warnings": list(outcome.warnings),
        "caution": DOUBLING_CAUTION,
    }


def budget_schema() -> dict[str, Any]:
    """Return the JSON Schema of the ``summary.json`` of a budget, as it ships with the package.

    Examples
    --------
    >>> budget_schema()["properties"]["kind"]
    {'const': 'dhverify budget'}

    """
    return shipped_schema("budget_summary.schema.json")


def budget_files(outcome: BudgetOutcome) -> dict[str, bytes]:
    """Every file of the folder: name -> bytes."""
    from dhverify.report.budget_figure import sensitivity_svg
    from dhverify.report.page.budget import budget_page

    files = {f"{name}.csv": csv_text(budget_table(outcome, name)).encode() for name in RECORDS}
    files[SUMMARY] = json_text(budget_summary(outcome)).encode()
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
    return BUDGET.write(directory, lambda: budget_files(outcome), force=force)
