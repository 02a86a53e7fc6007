"""What a budget is asked: lines wanted, how sure, and the rates that are given."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from numbers import Integral, Real
from typing import Final

from dhverify.errors import Defect, InputError

RATE_NAMES: Final = (
    "induction_rate",
    "false_haploid_rate",
    "missed_haploid_rate",
    "survival",
    "doubling",
    "hybrid_survival",
    "rogued",
)
"""Every rate that can be given."""
NEEDED_RATES: Final = RATE_NAMES[:5]
"""Rates without which nothing can be planned, unless they were observed."""


@dataclass(frozen=True, kw_only=True)
class BudgetRequest:
    """Lines wanted, how sure, and rates; None is not given.

    Attributes
    ----------
    lines
        True lines wanted.
    sure
        Probability of reaching them.
    induction_rate
        Share of kernels with a haploid embryo.
    false_haploid_rate
        Share of hybrid kernels that are sorted as haploid.
    missed_haploid_rate
        Share of haploid kernels that are sorted as hybrid.
    survival
        Share of treated seedlings that survive.
    doubling
        Share of surviving haploids that give D1 seed.
    hybrid_survival
        Share of treated hybrids that survive; as ``survival`` if None.
    rogued
        Share of hybrids that is removed by eye in the nursery; 0 if None.

    Raises
    ------
    InputError
        Naming everything that is wrong.

    Examples
    --------
    >>> BudgetRequest(lines=50).sure
    0.9

    """

    lines: int
    sure: float = 0.9
    induction_rate: float | None = None
    false_haploid_rate: float | None = None
    missed_haploid_rate: float | None = None
    survival: float | None = None
    doubling: float | None = None
    hybrid_survival: float | None = None
    rogued: float | None = None

    def __post_init__(self) -> None:
        defects = tuple(_defects(self))
        if defects:
            raise InputError("budget", defects)

    def rate(self, name: str) -> float | None:
        """Return a rate by one of ``RATE_NAMES``."""
        value: float | None = getattr(self, name)
        return None if value is None else float(value)


def option(name: str) -> str:
    """Return the option that gives a rate.

    Examples
    --------
    >>> option("false_haploid_rate")
    '--false-haploid-rate'

    """
    return "--" + name.replace("_", "-")


def _defects(request: BudgetRequest) -> Iterator[Defect]:
    if not _is_whole(request.lines) or request.lines < 1:
        yield Defect(where="--lines", found=str(request.lines), expected="a whole number of at least 1")
    if not _is_number(request.sure) or not 0 < request.sure < 1:
        yield Defect(where="--sure", found=str(request.sure), expected="a number between 0 and 1, both excluded")
    for name in RATE_NAMES:
        value = getattr(request, name)
        if value is None:
            continue
        if not _is_number(value) or not 0 <= value <= 1:
            yield Defect(where=option(name), found=str(value), expected="a number from 0 to 1")
        elif name in {"induction_rate", "survival", "doubling"} and value == 0:
            yield Defect(where=option(name), found="0", expected="more than 0: no line is possible")
        elif name == "missed_haploid_rate" and value == 1:
            yield Defect(where=option(name), found="1", expected="less than 1: no line is possible")


def _is_whole(value: object) -> bool:
    return isinstance(value, Integral) and not isinstance(value, bool)


def _is_number(value: object) -> bool:
    return isinstance(value, Real) and not isinstance(value, bool)
