"""What the results folder of a check says to a budget: the rates of the programme, as uncertain as they are."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from dhverify.design.budget_chances import Rate, counted_rate
from dhverify.design.budget_rates import ObservedProgramme, share_behind
from dhverify.errors import Defect, FormatError
from dhverify.report.earlier_check import read_check_rows, read_check_summary

if TYPE_CHECKING:
    from os import PathLike

ACCOUNT: Final = "account.csv"
COLUMNS: Final = ("by", "measure", "count", "of", "low", "high")
NUMBERS: Final = COLUMNS[2:]


@dataclass(frozen=True, kw_only=True)
class _Measure:
    """A measure of the programme as a whole, with its 95 % interval."""

    count: float
    of: float
    low: float
    high: float


def read_observed_programme(folder: str | PathLike[str]) -> ObservedProgramme:
    """Read the rates of a programme from the results folder of a check.

    Counts become Jeffreys posteriors. The share of true haploids is the induction rate over the share of kernels
    sorted as haploid, and as uncertain as the interval of the induction rate says. Ears are counted of all seedlings
    treated: doubling success is of the true haploids among them.

    Parameters
    ----------
    folder
        The results folder.

    Returns
    -------
    ObservedProgramme
        Rates that were not counted are None.

    Raises
    ------
    FormatError
        If it is no such folder, or a file of it is not as a check writes it.

    """
    place = Path(folder)
    read_check_summary(place)
    found = _measures(place / ACCOUNT)
    putative, survival = _counted(found.get("putative_haploid_rate")), _counted(found.get("survival"))
    induction, doubling = found.get("induction_rate"), found.get("doubling_success")
    seedlings = found.get("hybrids_among_putative_haploids")
    if putative is None or induction is None or seedlings is None:
        return ObservedProgramme(source=str(place), putative=putative, survival=survival)
    sorted_as_haploid = found["putative_haploid_rate"].count
    share = min(induction.count / sorted_as_haploid, 1.0) if sorted_as_haploid else 0.0
    width = induction.high - induction.low
    return ObservedProgramme(
        source=str(place),
        putative=putative,
        true_share=share_behind(share, seedlings.of, putative, width=width),
        ears=_ears(doubling, share),
        survival=survival,
    )


def _ears(doubling: _Measure | None, share: float) -> Rate | None:
    """D1 ears of all seedlings treated."""
    if doubling is None or share <= 0:
        return None
    treated = doubling.of / share
    return counted_rate(min(doubling.count, treated), treated)


def _counted(measure: _Measure | None) -> Rate | None:
    return None if measure is None else counted_rate(min(measure.count, measure.of), measure.of)


def _measures(file: Path) -> dict[str, _Measure]:
    """Measures of the programme as a whole, by name."""
    return {
        row["measure"]: _measure(file, number, row)
        for number, row in enumerate(read_check_rows(file, COLUMNS), start=2)
        if row["by"] == "all" and all(row[name] for name in NUMBERS)
    }


def _measure(file: Path, number: int, row: dict[str, str]) -> _Measure:
    values = {name: _number(row[name]) for name in NUMBERS}
    defects = [
        Defect(where=f"row {number}, column {name}", found=row[name], expected="a number of at least 0")
        for name, value in values.items()
        if not value >= 0
    ]
    if not defects and values["of"] == 0:
        defects = [Defect(where=f"row {number}, column of", found="0", expected="more than 0")]
    if not defects and not values["low"] <= values["high"] <= 1:
        found = f"{row['low']} and {row['high']}"
        defects = [
            Defect(where=f"row {number}, columns low and high", found=found, expected="an interval within 0 to 1")
        ]
    if defects:
        raise FormatError(str(file), defects)
    return _Measure(**values)


def _number(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        return math.nan
    return value if math.isfinite(value) else math.nan
