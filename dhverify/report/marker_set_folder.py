"""The folder of a choice of markers: its tables, summary and page."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final

from dhverify.design.marker_set_outcome import ChosenRow, CrossRow, RetestRow
from dhverify.report.folder_kind import REPORT, SUMMARY, FolderKind
from dhverify.report.summary_text import json_text, plain, shipped_schema
from dhverify.report.tables import Table, csv_text, record_table
from dhverify.version import __version__

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from dhverify.design.marker_set_outcome import MarkerSetOutcome

SCHEMA_VERSION: Final = 1
"""Raised when a name in ``summary.json`` is renamed or dropped; additions do not raise it."""
RECORDS: Final[Mapping[str, type]] = {"chosen": ChosenRow, "crosses": CrossRow, "retests": RetestRow}
"""Table name (also the file name) -> the record of one row."""
MARKER_SET: Final = FolderKind(
    kind="dhverify markers",
    content="the marker set of an earlier run",
    files=frozenset({SUMMARY, REPORT, *(f"{name}.csv" for name in RECORDS)}),
)
"""The folder of a choice of markers."""


def marker_set_table(outcome: MarkerSetOutcome, name: str) -> Table:
    """One table of an outcome, by the name of its file: ``chosen``, ``crosses`` or ``retests``."""
    return record_table(name, RECORDS[name], getattr(outcome, name))


def marker_set_summary(outcome: MarkerSetOutcome) -> dict[str, Any]:
    """Return the content of ``summary.json``, as plain values in a fixed order."""
    return {
        "schema_version": SCHEMA_VERSION,
        "kind": MARKER_SET.kind,
        "version": __version__,
        "chosen": len(outcome.chosen),
        "lower_bound": outcome.lower_bound,
        "lower_bound_proof": outcome.lower_bound_proof,
        "gap": gap(outcome),
        "crosses": len(outcome.crosses),
        "crosses_met": outcome.n_met,
        "candidates": outcome.n_candidates,
        "chosen_markers": [row.marker for row in outcome.chosen],
        "settings": {name: plain(value) for name, value in asdict(outcome.request).items()},
        "error_rates_from": outcome.rates_source,
        "map": outcome.map_description,
        "inputs": [{"name": name, "sha256": checksum} for name, checksum in outcome.inputs],
        "warnings": list(outcome.warnings),
        "notes": list(outcome.notes),
    }


def marker_set_schema() -> dict[str, Any]:
    """Return the JSON Schema of the ``summary.json`` of a choice of markers, as it ships with the package.

    Examples
    --------
    >>> marker_set_schema()["properties"]["kind"]
    {'const': 'dhverify markers'}

    """
    return shipped_schema("marker_set_summary.schema.json")


def gap(outcome: MarkerSetOutcome) -> int | None:
    """Markers chosen beyond the proved bound; None where fewer were allowed than the goals need."""
    more = len(outcome.chosen) - outcome.lower_bound
    return more if more >= 0 else None


def marker_set_files(outcome: MarkerSetOutcome) -> dict[str, bytes]:
    """Every file of the folder: name -> bytes."""
    from dhverify.report.page.marker_set import marker_set_page

    names = [name for name in RECORDS if name != "retests" or outcome.retests or outcome.notes]
    files = {f"{name}.csv": csv_text(marker_set_table(outcome, name)).encode() for name in names}
    files[SUMMARY] = json_text(marker_set_summary(outcome)).encode()
    files[REPORT] = marker_set_page(outcome).encode()
    return files


def write_marker_set(outcome: MarkerSetOutcome, directory: str | Path, *, force: bool = False) -> Path:
    """Write the folder, whole or not at all.

    Raises
    ------
    OutputError
        If the folder is in use, or cannot be written.

    """
    return MARKER_SET.write(directory, lambda: marker_set_files(outcome), force=force)
