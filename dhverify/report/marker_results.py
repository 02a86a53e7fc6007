"""What the results folder of a check says to the choice of markers: error rates, bad markers, undecided lines."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dhverify.design.marker_set_retests import UndecidedLine
from dhverify.errors import Defect, FormatError
from dhverify.formats.opening import text_of
from dhverify.report.summary import KIND

if TYPE_CHECKING:
    from collections.abc import Mapping
    from os import PathLike


@dataclass(frozen=True, kw_only=True)
class MarkerResults:
    """What is taken from a results folder.

    Attributes
    ----------
    source
        The folder, for messages.
    error_rate, dropout
        Calls that are wrong; heterozygotes that lose an allele.
    min_confidence
        Posterior from which a line is decided.
    bad_markers
        Set aside by the check.
    typed_markers
        Used by the check: what they say is in the verdicts already.
    undecided
        Lines with the verdict ``retest``.

    """

    source: str
    error_rate: float
    dropout: float
    min_confidence: float
    bad_markers: frozenset[str]
    typed_markers: frozenset[str]
    undecided: tuple[UndecidedLine, ...]


def read_marker_results(folder: str | PathLike[str]) -> MarkerResults:
    """Read what the choice of markers needs from the results folder of a check.

    Raises
    ------
    FormatError
        If it is no such folder, or a file of it is not as a check writes it.

    """
    place = Path(folder)
    summary = _summary(place)
    markers = _rows(place / "markers.csv", ("marker", "usable"))
    lines = _rows(
        place / "lines.csv", ("sample", "stage", "donor", "inducer", "verdict", "finding", "confidence", "flags")
    )
    rates, limits = summary.get("error_rates", {}), summary.get("limits", {})
    return MarkerResults(
        source=str(place),
        error_rate=_number(place, rates, "hom_to_het") + _number(place, rates, "hom_to_other_hom"),
        dropout=_number(place, rates, "dropout"),
        min_confidence=_number(place, limits, "min_confidence"),
        bad_markers=frozenset(row["marker"] for row in markers if row["usable"] == "no"),
        typed_markers=frozenset(row["marker"] for row in markers if row["usable"] == "yes"),
        undecided=tuple(_line(place, row) for row in lines if row["verdict"] == "retest"),
    )


def _line(place: Path, row: dict[str, str]) -> UndecidedLine:
    text = row["confidence"]
    return UndecidedLine(
        sample=row["sample"],
        stage=row["stage"],
        donor=row["donor"],
        inducer=row["inducer"],
        finding=row["finding"],
        confidence=_share(place / "lines.csv", f"sample {row['sample']}, confidence", text) if text else None,
        flags=tuple(flag for flag in row["flags"].split(";") if flag),
    )


def _summary(place: Path) -> dict[str, Any]:
    expected = "a results folder that 'dhverify check' wrote"
    file = place / "summary.json"
    if not file.is_file():
        raise FormatError(str(place), [Defect(where="the folder", found="no summary.json", expected=expected)])
    try:
        found = json.loads(text_of(file, FormatError))
    except ValueError as fault:
        raise FormatError(str(file), [Defect(where="the file", found=str(fault), expected=expected)]) from None
    if not isinstance(found, dict) or found.get("kind") != KIND:
        raise FormatError(str(place), [Defect(where="summary.json", found="another kind", expected=expected)])
    return found


def _rows(file: Path, needed: tuple[str, ...]) -> list[dict[str, str]]:
    reader = csv.DictReader(io.StringIO(text_of(file, FormatError)))
    missing = [name for name in needed if name not in (reader.fieldnames or ())]
    if missing:
        expected = "the columns that a check writes"
        raise FormatError(
            str(file), [Defect(where="header", found=f"no column {name}", expected=expected) for name in missing]
        )
    return list(reader)


def _number(place: Path, values: Any, name: str) -> float:
    found = values.get(name) if isinstance(values, dict) else None
    return _share(place / "summary.json", name, found)


def _share(file: Path, where: str, found: Any) -> float:
    try:
        value = float(found)
    except (TypeError, ValueError):
        value = -1.0
    if not 0 <= value <= 1:
        raise FormatError(str(file), [Defect(where=where, found=str(found), expected="a number from 0 to 1")])
    return value


LEAST_RATE = 1e-4
"""A rate that a check saw none of is not taken as 0."""


def request_settings(settings: Mapping[str, Any], earlier: MarkerResults | None) -> dict[str, Any]:
    """Return the settings that were given, with the error rates of an earlier check where none was.

    Examples
    --------
    >>> request_settings({"goal": "D1", "error_rate": None}, None)
    {'goal': 'D1'}

    """
    given = {name: value for name, value in settings.items() if value is not None}
    if earlier is None:
        return given
    learnt = {
        "error_rate": max(earlier.error_rate, LEAST_RATE),
        "dropout": max(earlier.dropout, LEAST_RATE),
    }
    return {**learnt, **given}
