"""The folder of a choice of markers: its tables, summary and page."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final

from dhverify.design.marker_set_outcome import ChosenRow, CrossRow, RetestRow
from dhverify.report.tables import Table, cell, csv_text, number_text, record_columns
from dhverify.report.whole_folder import check_target, write_whole
from dhverify.version import __version__

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from dhverify.design.marker_set_outcome import MarkerSetOutcome

SCHEMA_VERSION: Final = 1
KIND: Final = "dhverify markers"
"""Stands in ``summary.json`` and makes the folder recognisable."""
SUMMARY: Final = "summary.json"
RECORDS: Final[Mapping[str, type]] = {"chosen": ChosenRow, "crosses": CrossRow, "retests": RetestRow}


def marker_set_table(outcome: MarkerSetOutcome, name: str) -> Table:
    """One table of an outcome, by the name of its file: ``chosen``, ``crosses`` or ``retests``."""
    columns, kinds = record_columns(RECORDS[name])
    rows: Sequence[object] = getattr(outcome, name)
    cells = tuple(tuple(cell(getattr(row, column)) for column in columns) for row in rows)
    return Table(name=name, columns=columns, kinds=kinds, rows=cells)


def marker_set_summary(outcome: MarkerSetOutcome) -> dict[str, Any]:
    """Return the content of ``summary.json``, as plain values in a fixed order."""
    settings = {name: _plain(value) for name, value in asdict(outcome.request).items()}
    return {
        "schema_version": SCHEMA_VERSION,
        "kind": KIND,
        "version": __version__,
        "chosen": len(outcome.chosen),
        "lower_bound": outcome.lower_bound,
        "lower_bound_proof": outcome.lower_bound_proof,
        "gap": gap(outcome),
        "crosses": len(outcome.crosses),
        "crosses_met": outcome.n_met,
        "candidates": outcome.n_candidates,
        "chosen_markers": [row.marker for row in outcome.chosen],
        "settings": settings,
        "error_rates_from": outcome.rates_source,
        "map": outcome.map_description,
        "inputs": [{"name": name, "sha256": checksum} for name, checksum in outcome.inputs],
        "warnings": list(outcome.warnings),
    }


def gap(outcome: MarkerSetOutcome) -> int | None:
    """Markers chosen beyond the proved bound; None where not every goal that can be reached is met."""
    more = len(outcome.chosen) - outcome.lower_bound
    return more if more >= 0 else None


def marker_set_files(outcome: MarkerSetOutcome) -> dict[str, bytes]:
    """Every file of the folder: name -> bytes."""
    from dhverify.report.page.marker_set import marker_set_page

    names = [name for name in RECORDS if name != "retests" or outcome.retests]
    files = {f"{name}.csv": csv_text(marker_set_table(outcome, name)).encode() for name in names}
    text = json.dumps(marker_set_summary(outcome), indent=2, ensure_ascii=False, allow_nan=False)
    files[SUMMARY] = (text + "\n").encode()
    files["report.html"] = marker_set_page(outcome).encode()
    return files


def write_marker_set(outcome: MarkerSetOutcome, directory: str | Path, *, force: bool = False) -> Path:
    """Write the folder, whole or not at all.

    Raises
    ------
    OutputError
        If the folder is in use, or cannot be written.

    """
    target = check_marker_set_target(directory, force=force)
    content = marker_set_files(outcome)

    def fill(folder: Path) -> None:
        for name, data in content.items():
            (folder / name).write_bytes(data)

    write_whole(target, fill)
    return target


def check_marker_set_target(directory: str | Path, *, force: bool = False) -> Path:
    """Tell whether the folder may be written, before any work is done.

    Raises
    ------
    OutputError
        If it is a file, or not empty and not the folder of an earlier choice to be replaced.

    """
    content = "the marker set of an earlier run"
    return check_target(directory, force=force, is_replaceable=is_marker_set_folder, content=content)


def is_marker_set_folder(folder: Path) -> bool:
    """Whether a folder was written here: its ``summary.json`` says so."""
    try:
        found = json.loads((folder / SUMMARY).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(found, dict) and found.get("kind") == KIND


def _plain(value: Any) -> Any:
    if isinstance(value, tuple):
        return list(value)
    if not isinstance(value, float):
        return value
    return float(number_text(value)) if math.isfinite(value) else None
