"""What a marker set is asked to do: goals, limits, error rates of the assay, and what is given or ruled out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from dhverify import assumptions
from dhverify.errors import Defect, InputError

GOALS: Final = ("haploid", "D1", "both")

DEFAULT_ERROR_RATE: Final = 0.01
"""Calls that are wrong: between 0.70 % (Wang et al. 2020, Sci Rep 10:16308) and below 2 % (Yan et al. 2010, Mol
Breeding 25:441-451) in maize; the value itself is common practice, no source."""
DEFAULT_DROPOUT: Final = assumptions.DROPOUT.mean
MIN_SEGMENT_MARKERS: Final = 3
"""Chosen diagnostic markers that make a segment visible."""


@dataclass(frozen=True, kw_only=True)
class MarkerSetRequest:
    """Goals and limits of a marker set.

    Attributes
    ----------
    goal
        ``haploid`` (tell hybrids), ``D1`` (tell selfed hybrids and selfed donors) or ``both``.
    miss, false_fail
        Highest probability that a wrong line passes, and that a good one fails.
    segment_cm, segment_power
        Length of inducer segments to be seen, and the share of places where they must be; None: not asked.
    identity
        Also tell sister lines apart.
    size
        At most so many markers; None: as many as it takes.
    spare
        Assays that may fail while the goal still holds.
    error_rate, dropout
        Calls that are wrong, either other genotype equally; heterozygotes that lose an allele before that.
    require, avoid
        Names of markers that must, or must not, be chosen.
    min_diagnostic_markers
        Diagnostic markers that each cross must have, as far as there are candidates, because a check wants so many
        called; 0: not asked.

    Raises
    ------
    InputError
        Naming every setting that is wrong.

    Examples
    --------
    >>> MarkerSetRequest(goal="D1", miss=0.01).false_fail
    0.001

    """

    goal: str = "both"
    miss: float = 0.001
    false_fail: float = 0.001
    segment_cm: float | None = None
    segment_power: float | None = None
    identity: bool = False
    size: int | None = None
    spare: int = 0
    error_rate: float = DEFAULT_ERROR_RATE
    dropout: float = DEFAULT_DROPOUT
    require: tuple[str, ...] = ()
    avoid: tuple[str, ...] = ()
    min_diagnostic_markers: int = 0

    def __post_init__(self) -> None:
        defects = tuple(_defects(self))
        if defects:
            raise InputError("markers", defects)

    @property
    def findings(self) -> tuple[str, ...]:
        """What a clean gamete must be told from, by name."""
        told = {
            "haploid": ("hybrid",),
            "D1": ("selfed hybrid", "selfed donor"),
            "both": ("hybrid", "selfed hybrid", "selfed donor"),
        }[self.goal]
        return (*told, "sisters") if self.identity else told


def _defects(request: MarkerSetRequest) -> Iterator[Defect]:
    if request.goal not in GOALS:
        yield Defect(where="--goal", found=str(request.goal), expected="haploid, D1 or both")
    for name in ("miss", "false_fail"):
        yield from _outside(name, getattr(request, name), above=0.0, below=0.5)
    yield from _outside("error_rate", request.error_rate, above=None, below=0.5)
    yield from _outside("dropout", request.dropout, above=None, below=1.0)
    if (request.segment_cm is None) != (request.segment_power is None):
        where = "--segment-cm" if request.segment_cm is None else "--segment-power"
        yield Defect(where=where, found="nothing", expected="--segment-cm and --segment-power together")
    if request.segment_cm is not None:
        yield from _outside("segment_cm", request.segment_cm, above=0.0, below=10000.0)
    if request.segment_power is not None and not 0 < request.segment_power <= 1:
        yield Defect(where="--segment-power", found=f"{request.segment_power}", expected="a number above 0, at most 1")
    if request.size is not None and request.size < 1:
        yield Defect(where="--size", found=str(request.size), expected="a whole number of at least 1")
    if not 0 <= request.spare <= MAX_SPARE:
        yield Defect(where="--spare", found=str(request.spare), expected=f"a whole number from 0 to {MAX_SPARE}")
    if request.min_diagnostic_markers < 0:
        found, expected = str(request.min_diagnostic_markers), "a whole number of at least 0"
        yield Defect(where="min_diagnostic_markers", found=found, expected=expected)
    for name in sorted(set(request.require) & set(request.avoid)):
        yield Defect(where=f"marker {name}", found="in --require and in --avoid", expected="it in one of them")


MAX_SPARE: Final = 5


def _outside(name: str, value: float, *, above: float | None, below: float) -> Iterator[Defect]:
    is_low = value < 0 if above is None else not value > above
    if is_low or not value < below:
        start = "a number of at least 0" if above is None else f"a number above {above:g}"
        yield Defect(where="--" + name.replace("_", "-"), found=f"{value}", expected=f"{start}, below {below:g}")
