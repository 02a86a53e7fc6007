"""A proved lower bound on the number of markers, linkage and phase included.

The proof helps the test: whoever cannot reach the limits with that help cannot reach them without. For each row of
cross and finding it gives a linear condition that every set meeting the limits fulfils, whatever its markers' places;
an integer programme over these conditions then bounds the number.

1. *The donor gamete is told.* A hybrid or selfed hybrid carries a donor gamete as a clean line does, of the same
   distribution; its strands are made known, and so are the inducer gamete and the donor plant's chromosomes. Errors
   can only fall. Only markers at which the wrong line differs from what is told say anything; let N be their number.
2. *Hybrid.* With N such markers the least of miss + w x false fail, for a weight w, is R(N), exactly. Limits a and b
   require E[R(N)] <= a + w b. With the convex hull of R below it, Jensen's inequality gives a least E[N], and E[N] is
   a sum over markers of the chance that donor gamete and inducer gamete differ there: one for a diagnostic marker,
   half for one that segregates in an F1. Two close markers in opposite phase count one, as they should.
3. *Selfed hybrid, selfed donor, sisters.* Which of its two chromosomes a plant passed on is told too, but a clean line
   carries no trace of that, so for each value the false fails are bounded alike. Where two chromosomes were passed on
   is positively associated along the map, so N is more spread, in convex order, than the same number of independent
   markers (Meester LE, Shanthikumar JG (1993) Prob Eng Inf Sci 7:343-360; Christofides TC, Vaggelatou E (2004) J
   Multivar Anal 88:138-151): for convex functions unlinked markers are the best case, which is computed exactly.
4. *Segments.* The share of places with at least three markers is at most a third of the mean number of markers in a
   place (Markov's inequality), which is a sum over markers.
5. *Diagnostic markers.* Where so many are asked for in a cross, the condition is their number itself.
6. *Spare assays.* Of a set that holds when any K fail, a set of K fewer holds.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds as VariableBounds
from scipy.optimize import LinearConstraint, milp
from scipy.stats import binom, multinomial

from dhverify.design.marker_set_chains import call_table, models
from dhverify.design.marker_set_crosses import DesignCross
from dhverify.design.marker_set_request import MIN_SEGMENT_MARKERS
from dhverify.design.marker_set_rows import Candidates, Row

MOST_DIFFERING: Final = 12
"""Beyond so many differing markers the error is taken as 0: on the safe side."""
MOST_MARKERS: Final = 120
LEVELS: Final = np.concatenate([[0.0], np.geomspace(1e-9, 1.0, 700)])
"""False fail probabilities that are looked at; between two of them the better end of either term is taken."""
NODES: Final = 3000
SLACK: Final = 1e-6

PROOF: Final = (
    "Integer programme over linear conditions that every set meeting the limits fulfils, linkage and phase included:"
    " the test is helped by telling it the donor gamete and what was passed on, the least error of that easier test"
    " is exact, and Jensen's inequality or positive association along the map turns it into a least sum over markers."
    " Conditions of crosses whose limits cannot be reached are left out."
)


@dataclass(frozen=True, kw_only=True)
class LowerBound:
    """A proved bound.

    Attributes
    ----------
    markers
        No set that meets the limits has fewer.
    proof
        How it was proved, for people.

    """

    markers: int
    proof: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Condition:
    """Sum of ``weight`` over the chosen markers is at least ``least``; weight float64, shape (n_markers,)."""

    weight: NDArray[np.float64]
    least: float


def row_condition(row: Row, cross: DesignCross, error_rate: float, dropout: float) -> Condition:
    """Return the linear condition of one row."""
    by_code = _differing_by_code(row, cross)
    weight = np.where(row.code > 0, by_code[row.code], 0.0)
    least = least_differing(row.finding, error_rate, dropout, row.miss, row.false_fail)
    is_certain = not np.any((weight > 0) & (weight < 1))
    if row.finding in {"selfed donor", "sisters"} and is_certain:
        least = max(least, float(least_segregating(row.finding, error_rate, dropout, row.miss, row.false_fail)))
    return Condition(weight=weight, least=least)


def _differing_by_code(row: Row, cross: DesignCross) -> NDArray[np.float64]:
    """Chance that gametes differ (hybrids), or that the donor plant is heterozygous; float64, shape (n_codes,)."""
    is_hybrid = row.finding in {"hybrid", "selfed hybrid"}
    finding = "hybrid" if is_hybrid else "selfed donor"
    _, wrong = models(cross.donor_tree, cross.inducer_tree, finding, 0.0, 0.0)
    het = wrong.show[:, 1, :] @ wrong.weights
    return np.asarray(het if is_hybrid else 2 * het)


@lru_cache(maxsize=256)
def least_differing(finding: str, error_rate: float, dropout: float, miss: float, false_fail: float) -> float:
    """Least expected number of differing markers (steps 2 and 3 of the proof).

    Examples
    --------
    >>> 3 < least_differing("hybrid", 0.01, 0.03, 0.001, 0.001) <= 4
    True

    """
    if finding == "hybrid":
        tables = [_counts_table(n, 1, error_rate, dropout) for n in range(MOST_DIFFERING + 1)]
        return _largest_least([partial(_told_risk, *table) for table in tables], miss, false_fail)
    misses = _expected_miss(finding, error_rate, dropout)
    return _largest_least([partial(_level_risk, expected) for expected in misses], miss, false_fail)


def _told_risk(good: NDArray[np.float64], wrong: NDArray[np.float64], weight: float) -> float:
    """Least of miss + weight x false fail between two known distributions."""
    return float(np.minimum(weight * good, wrong).sum())


def _level_risk(expected_miss: NDArray[np.float64], weight: float) -> float:
    """Least of miss + weight x false fail over the levels, from below: miss falls as the level rises."""
    between = expected_miss[1:] + weight * LEVELS[:-1]
    return float(min(between.min(), expected_miss[0]))


def least_segregating(finding: str, error_rate: float, dropout: float, miss: float, false_fail: float) -> int:
    """Fewest markers at which the donor is heterozygous for certain (step 3, at the very limit of false fails).

    The false fails may differ from donor gamete to donor gamete and keep the limit on average only: what counts is the
    convex envelope over the levels (Jensen's inequality). Between two levels the better end is taken.
    """
    levels = LEVELS[:-1]
    least = []
    for missed in _expected_miss(finding, error_rate, dropout)[:, 1:]:
        corners = _corners(levels, missed)
        least.append(float(np.interp(false_fail, levels[corners], missed[corners])))
    return int(np.argmax(np.array(least) <= miss))


def _largest_least(risks: Sequence[Callable[[float], float]], miss: float, false_fail: float) -> float:
    """Largest, over the weights, of the least N at which the convex hull of the risk is within the limits."""
    best = 0.0
    for weight in np.geomspace(1e-3, 1e3, 61) * miss / false_fail:
        risk = np.array([*(of(weight) for of in risks), 0.0])
        best = max(best, _first_below(_hull(risk), miss + weight * false_fail))
    return best


def _first_below(hull: NDArray[np.float64], limit: float) -> float:
    """Least real N at which a convex falling function, linear between whole numbers, is at most the limit."""
    at = int(np.argmax(hull <= limit))
    if at == 0:
        return 0.0
    return at - 1 + float((hull[at - 1] - limit) / (hull[at - 1] - hull[at]))


def _hull(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Largest convex function below the values at 0, 1, 2, ...; the values may have further axes behind."""
    if values.ndim > 1:
        return np.stack([_hull(column) for column in values.T], axis=1)
    place = np.arange(len(values), dtype=np.float64)
    corners = _corners(place, values)
    return np.interp(place, corners, values[corners])


def _corners(x: NDArray[np.float64], y: NDArray[np.float64]) -> list[int]:
    """Points, by number, of the convex envelope below some points that are given by rising x."""
    corners: list[int] = []
    for point in range(len(x)):
        while len(corners) > 1 and _is_above(x, y, corners[-2], corners[-1], point):
            corners.pop()
        corners.append(point)
    return corners


def _is_above(x: NDArray[np.float64], y: NDArray[np.float64], left: int, middle: int, right: int) -> bool:
    rise, run = y[middle] - y[left], x[middle] - x[left]
    return bool(rise * (x[right] - x[left]) >= (y[right] - y[left]) * run)


@lru_cache(maxsize=256)
def _counts_table(
    n: int, genotype: int, error_rate: float, dropout: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Probability of the counts of the three calls at n markers: of a homozygote, and of the other genotype."""
    calls = call_table(error_rate, dropout)
    counts = np.array([(i, j, n - i - j) for i in range(n + 1) for j in range(n + 1 - i)])
    first, second = (multinomial.pmf(counts, n, calls[which] / calls[which].sum()) for which in (0, genotype))
    return np.atleast_1d(first), np.atleast_1d(second)


@lru_cache(maxsize=32)
def _expected_miss(finding: str, error_rate: float, dropout: float) -> NDArray[np.float64]:
    """Miss at each level with n informative markers, unlinked: the best case; float64, shape (n, n_levels)."""
    kinds = {"selfed hybrid": (1, 2), "selfed donor": (1,), "sisters": (2,)}[finding]
    share = 0.75 if finding == "selfed hybrid" else 0.5
    told = np.zeros((MOST_MARKERS + 1, len(LEVELS)))
    for k in range(MOST_DIFFERING + 1):
        told[k] = np.min([_miss(k - other, other, error_rate, dropout) for other in _others(k, kinds)], axis=0)
    hull = _hull(told)
    chance = np.array([binom.pmf(np.arange(MOST_MARKERS + 1), n, share) for n in range(MOST_MARKERS + 1)])
    return np.asarray(chance @ hull)


def _others(k: int, kinds: tuple[int, ...]) -> list[int]:
    """Numbers of markers, of k that differ, that are homozygous for the other allele."""
    if len(kinds) > 1:
        return list(range(k + 1))
    return [k] if kinds == (2,) else [0]


def _miss(n_het: int, n_other: int, error_rate: float, dropout: float) -> NDArray[np.float64]:
    """Miss of the best test, at each level, when it is known which markers differ (Neyman and Pearson)."""
    het, other = _counts_table(n_het, 1, error_rate, dropout), _counts_table(n_other, 2, error_rate, dropout)
    good, wrong = (np.outer(a, b).ravel() for a, b in zip(het, other, strict=True))
    order = np.argsort(good / np.maximum(wrong, 1e-300), kind="stable")
    level = np.concatenate([[0.0], np.cumsum(good[order])])
    power = np.concatenate([[0.0], np.cumsum(wrong[order])])
    level, last = np.unique(level, return_index=False, return_inverse=True)
    highest = np.zeros(len(level))
    np.maximum.at(highest, last, power)
    return np.asarray(np.clip(1 - np.interp(LEVELS, level, highest), 0, 1))


def lower_bound(
    conditions: Sequence[Condition], candidates: Candidates, required: Sequence[int], spare: int
) -> LowerBound:
    """Bound the number of markers by an integer programme over the conditions.

    Parameters
    ----------
    conditions
        What every set fulfils.
    candidates
        Markers; those to be avoided count for nothing.
    required
        Markers that are in every set.
    spare
        Assays that may fail.

    Returns
    -------
    LowerBound
        At least the number of required markers.

    """
    real = [condition for condition in conditions if condition.least > 0]
    spared = f" With {spare} spare, {spare} more than without (step of the proof: {spare} may fail)." if spare else ""
    if not real:
        return LowerBound(markers=len(required), proof="No limit can be reached; only required markers count.")
    weight = np.array([condition.weight for condition in real])
    least = np.array([condition.least for condition in real]) - SLACK
    if not spare and len(required):
        least = least - weight[:, list(required)].sum(axis=1)
    free = candidates.is_allowed.copy()
    free[list(required)] = bool(spare)
    columns, number = np.unique(weight[:, free].round(9), axis=1, return_counts=True)
    value = _least_number(columns, number, least)
    total = value + (spare or len(required))
    return LowerBound(markers=max(total, len(required)), proof=PROOF + spared)


def _least_number(columns: NDArray[np.float64], number: NDArray[np.int64], least: NDArray[np.float64]) -> int:
    """Dual bound of the integer programme, rounded up; 0 where it has none."""
    useful = columns.any(axis=0)
    columns, number = columns[:, useful], number[useful]
    can_be_met = columns @ number >= least
    if not can_be_met.any() or not (least > 0).any():
        return 0
    found = milp(
        np.ones(columns.shape[1]),
        constraints=LinearConstraint(columns[can_be_met], lb=least[can_be_met]),
        bounds=VariableBounds(0, number.astype(np.float64)),
        integrality=np.ones(columns.shape[1], dtype=np.int64),
        options={"node_limit": NODES},
    )
    bound = getattr(found, "mip_dual_bound", None)
    return int(np.ceil(float(bound) - 1e-4)) if bound is not None and np.isfinite(bound) else 0


def segment_condition(is_diagnostic: NDArray[np.bool_], reach: NDArray[np.float64], power: float) -> Condition:
    """Return the condition of a segment goal (step 4 of the proof)."""
    return Condition(weight=np.where(is_diagnostic, reach, 0.0), least=MIN_SEGMENT_MARKERS * power)
