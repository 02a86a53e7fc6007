"""What the results folder of a check says to the choice of markers: error rates, bad markers, undecided lines."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from dhverify.design.marker_set_retests import Retests, UndecidedLine
from dhverify.errors import Defect, FormatError
from dhverify.limits import Limits
from dhverify.report.earlier_check import read_check_rows, read_check_summary
from dhverify.report.folder_kind import SUMMARY

if TYPE_CHECKING:
    from collections.abc import Mapping
    from os import PathLike


LINE_COLUMNS: Final = (
    *("sample", "stage", "donor", "inducer", "verdict", "finding", "confidence", "flags"),
    *("called_markers", "diagnostic_markers", "segregating_markers", "parent_shares"),
)
LEAST_RATE: Final = 1e-4
"""A rate that a check saw none of is not taken as 0."""


@dataclass(frozen=True, kw_only=True)
class MarkerResults:
    """What is taken from a results folder.

    Attributes
    ----------
    source
        The folder, for messages.
    error_rate, dropout
        Calls that are wrong; heterozygotes that lose an allele.
    bad_markers
        Set aside by the check.
    retests
        Lines with the verdict ``retest``, and the markers that speak in the verdicts already.

    """

    source: str
    error_rate: float
    dropout: float
    bad_markers: frozenset[str]
    retests: Retests


def read_marker_results(folder: str | PathLike[str]) -> MarkerResults:
    """Read what the choice of markers needs from the results folder of a check.

    Raises
    ------
    FormatError
        If it is no such folder, or a file of it is not as a check writes it.

    """
    place = Path(folder)
    summary = read_check_summary(place)
    markers = read_check_rows(place / "markers.csv", ("marker", "usable"))
    lines = read_check_rows(place / "lines.csv", LINE_COLUMNS)
    limits = summary.get("limits")
    limits = limits if isinstance(limits, dict) else {}
    error_rate, dropout = _assay(place, summary.get("error_rates"))
    return MarkerResults(
        source=str(place),
        error_rate=error_rate,
        dropout=dropout,
        bad_markers=frozenset(row["marker"] for row in markers if row["usable"] == "no"),
        retests=Retests(
            lines=tuple(_line(place, row) for row in lines if row["verdict"] == "retest"),
            typed_markers=frozenset(row["marker"] for row in markers if row["usable"] == "yes"),
            min_confidence=_number(place, limits, "min_confidence"),
            min_called_markers=_whole(place / SUMMARY, "min_called_markers", limits.get("min_called_markers", 0)),
            min_diagnostic_markers=_whole(
                place / SUMMARY, "min_diagnostic_markers", limits.get("min_diagnostic_markers", 0)
            ),
            priors=_priors(place, summary.get("priors")),
        ),
    )


def _assay(place: Path, rates: Any) -> tuple[float, float]:
    """Error rate and drop-out that call homozygotes and heterozygotes wrong as often as the check saw.

    The check counts every heterozygote called homozygous; here it drops out first, and then the call may be wrong:
    it is called right with (1 - D)(1 - E) + D E / 2.
    """
    error_rate = max(_number(place, rates, "hom_to_het") + _number(place, rates, "hom_to_other_hom"), LEAST_RATE)
    lost = _number(place, rates, "dropout")
    return error_rate, max((lost - error_rate) / (1 - 1.5 * error_rate), LEAST_RATE)


def _line(place: Path, row: dict[str, str]) -> UndecidedLine:
    file, where, text = place / "lines.csv", f"sample {row['sample']}", row["confidence"]
    called, diagnostic, segregating = (
        _whole(file, f"{where}, {name}", row[name] or 0)
        for name in ("called_markers", "diagnostic_markers", "segregating_markers")
    )
    shares = [part.rpartition("=")[2] for part in row["parent_shares"].split(";") if part]
    return UndecidedLine(
        sample=row["sample"],
        stage=row["stage"],
        donor=row["donor"],
        inducer=row["inducer"],
        finding=row["finding"],
        confidence=_share(file, f"{where}, confidence", text) if text else None,
        flags=tuple(flag for flag in row["flags"].split(";") if flag),
        called_markers=called,
        diagnostic_markers=diagnostic,
        segregating_markers=segregating,
        largest_parent_share=max((_share(file, f"{where}, parent_shares", share) for share in shares), default=1.0),
    )


def _priors(place: Path, found: Any) -> dict[str, dict[str, float]]:
    groups = found if isinstance(found, dict) else {}
    return {
        stage: {name: _number(place, shares, name) for name in (shares if isinstance(shares, dict) else {})}
        for stage, shares in groups.items()
    }


def _whole(file: Path, where: str, found: Any) -> int:
    try:
        value = float(found)
    except (TypeError, ValueError):
        value = -1.0
    if value < 0 or value != int(value):
        raise FormatError(str(file), [Defect(where=where, found=str(found), expected="a whole number of at least 0")])
    return int(value)


def _number(place: Path, values: Any, name: str) -> float:
    found = values.get(name) if isinstance(values, dict) else None
    return _share(place / SUMMARY, name, found)


def _share(file: Path, where: str, found: Any) -> float:
    try:
        value = float(found)
    except (TypeError, ValueError):
        value = -1.0
    if not 0 <= value <= 1:
        raise FormatError(str(file), [Defect(where=where, found=str(found), expected="a number from 0 to 1")])
    return value


def request_settings(settings: Mapping[str, Any], earlier: MarkerResults | None) -> dict[str, Any]:
    """Return the settings that were given; else error rates and limit of an earlier check, or the shipped limit.

    Examples
    --------
    >>> request_settings({"goal": "D1", "error_rate": None}, None)
    {'min_diagnostic_markers': 5, 'goal': 'D1'}

    """
    given = {name: value for name, value in settings.items() if value is not None}
    if earlier is None:
        return {"min_diagnostic_markers": Limits().min_diagnostic_markers, **given}
    return {
        "error_rate": earlier.error_rate,
        "dropout": earlier.dropout,
        "min_diagnostic_markers": earlier.retests.min_diagnostic_markers,
        **given,
    }
