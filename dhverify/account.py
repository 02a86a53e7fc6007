"""The account of a programme: rates of its groups, with intervals that carry what the verdicts leave open."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from dhverify.counted_lines import CountedLine, check_columns, counted_lines, group_value
from dhverify.counts_check import check_counts
from dhverify.intervals import rate_interval
from dhverify.outcome import AccountRow, Finding
from dhverify.samples import Sample, SampleSheet, Stage
from dhverify.small_groups import with_shrinkage
from dhverify.uncertain_rates import (
    UncertainRate,
    product_interval,
    quotient_interval,
    rate_of_count,
    rate_of_lines,
    rounded,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from dhverify.counts import Counts, CountsRow
    from dhverify.evidence import LineEvidence

PLAIN_RATES: Final = (
    ("uncoloured_kernels", "uncoloured", "kernels"),
    ("putative_haploid_rate", "putative_haploids", "kernels"),
    ("survival", "survived", "treated"),
    ("lines_per_kernel", "d1_ears", "kernels"),
)
"""Measures that are one count of another: measure, count, of."""

MEASURES: Final = (
    "wrong_lines",
    "hybrids_among_putative_haploids",
    "unresolved_lines",
    "duplicate_lines",
    "inducer_segment_lines",
    "uncoloured_kernels",
    "putative_haploid_rate",
    "induction_rate",
    "survival",
    "doubling_success",
    "lines_per_kernel",
)
"""Measures in the order in which a group has them."""


@dataclass(frozen=True, kw_only=True, eq=False)
class _Group:
    """Lines and counts of one group."""

    by: str
    name: str
    lines: tuple[CountedLine, ...]
    counts: tuple[CountsRow, ...]


def build_account(
    evidence: Mapping[str, LineEvidence],
    sheet: SampleSheet,
    *,
    counts: Counts | None = None,
    by: Sequence[str] = (),
) -> tuple[AccountRow, ...]:
    """Account for a programme as a whole, by donor, by inducer, and by any column of the sheet.

    The interval of a rate of lines is that of the Jeffreys posterior, averaged over what the verdicts leave
    open. The rate itself is the plain one, ``count / of``. Lines that stand elsewhere than the sheet says count in no
    rate. Where something that a measure needs was not counted,
    it has no row. Wherever ``doubling_success`` is shown, :data:`dhverify.cautions.DOUBLING_CAUTION` stands beside it.

    Parameters
    ----------
    evidence
        What was found of each line, by sample name.
    sheet
        The sample sheet.
    counts
        Kernels, seedlings and ears of the programme, if they were counted.
    by
        Columns of the sheet to group by as well.

    Returns
    -------
    tuple of AccountRow

    Raises
    ------
    InputError
        If the sheet has no such column.
    FormatError
        If the counts cannot be those of this sheet.

    References
    ----------
    Brown, Cai & DasGupta 2001, Stat Sci 16:101-133, doi:10.1214/ss/1009213286, for the Jeffreys interval.

    """
    check_columns(sheet, by)
    lines = counted_lines(sheet, evidence)
    if counts is not None:
        check_counts(counts, sheet, lines)
    rows: list[AccountRow] = []
    for column in dict.fromkeys(("all", "donor", "inducer", *by)):
        groups = _groups(column, lines, counts)
        found = [_rows(group) for group in groups]
        rows += with_shrinkage([row for group in found for row in group], column)
    return tuple(rows)


# groups


def _groups(column: str, lines: Sequence[CountedLine], counts: Counts | None) -> list[_Group]:
    """Lines and counts by group, in the order of first appearance; what has no value there is left out."""
    of_group: dict[str, tuple[list[CountedLine], list[CountsRow]]] = {}
    for line in lines:
        of_group.setdefault(_line_group(line, column), ([], []))[0].append(line)
    inducers = _inducers_of(lines)
    for row in () if counts is None else counts.rows:
        of_group.setdefault(_counts_group(row, column, inducers), ([], []))[1].append(row)
    return [
        _Group(by=column, name="" if column == "all" else name, lines=tuple(own), counts=tuple(rows))
        for name, (own, rows) in of_group.items()
        if name
    ]


def _inducers_of(lines: Sequence[CountedLine]) -> dict[str, set[str]]:
    """Inducers of the lines of each donor."""
    found: dict[str, set[str]] = {}
    for line in lines:
        found.setdefault(line.sample.donor, set()).add(line.sample.inducer)
    return found


def _line_group(line: CountedLine, column: str) -> str:
    return "all" if column == "all" else group_value(line.sample, column)


def _counts_group(row: CountsRow, column: str, inducers: Mapping[str, set[str]]) -> str:
    """Group of a row of the counts; empty where the counts do not say."""
    if column == "all":
        return "all"
    if column == "donor":
        return row.donor
    if column == "inducer":
        own = inducers.get(row.donor, set())
        return row.inducer or (next(iter(own)) if len(own) == 1 else "")
    return dict(row.extra).get(column, "")


# measures


def _rows(group: _Group) -> list[AccountRow]:
    found = [*_line_measures(group), *_count_measures(group)]
    return sorted(found, key=lambda row: MEASURES.index(row.measure))


def _line_measures(group: _Group) -> list[AccountRow]:
    lines = [line for line in group.lines if line.is_settled]
    decided = [line for line in lines if line.is_decided]
    seedlings = [line for line in decided if line.stage is Stage.HAPLOID]
    resolved = [line for line in lines if line.finding is not Finding.UNRESOLVED]
    told = [line.has_inducer_segment for line in decided if line.is_expected]
    segmented = [has_one for has_one in told if has_one is not None]
    rows = [
        _line_row(group, "wrong_lines", [not li.is_expected for li in decided], [li.wrong for li in decided]),
        _line_row(
            group,
            "hybrids_among_putative_haploids",
            [li.finding is Finding.HYBRID for li in seedlings],
            [li.hybrid for li in seedlings],
        ),
        _line_row(group, "unresolved_lines", [li.finding is Finding.UNRESOLVED for li in lines]),
        _line_row(group, "duplicate_lines", [li.is_duplicate for li in resolved]),
        _line_row(group, "inducer_segment_lines", segmented),
    ]
    return [row for row in rows if row is not None]


def _line_row(
    group: _Group, measure: str, is_counted: Sequence[bool], chance: Sequence[float] | None = None
) -> AccountRow | None:
    if not is_counted:
        return None
    p = np.array(is_counted if chance is None else chance, dtype=np.float64)
    low, high = share_interval(p)
    return _row(group, measure, float(sum(is_counted)), float(len(is_counted)), (low, high))


def share_interval(probabilities: NDArray[np.float64]) -> tuple[float, float]:
    """95 % interval of the rate behind lines with probabilities of their own."""
    _, low, high = rate_interval(rounded(np.clip(probabilities, 0.0, 1.0)))
    return low, high


def _row(group: _Group, measure: str, count: float, of: float, interval: tuple[float, float]) -> AccountRow:
    rate = count / of
    return AccountRow(
        by=group.by,
        group=group.name,
        measure=measure,
        count=count,
        of=of,
        rate=rate,
        low=min(interval[0], rate),
        high=max(interval[1], rate),
    )


def _count_measures(group: _Group) -> list[AccountRow]:
    rows = []
    for measure, count, of in PLAIN_RATES:
        totals = _totals(group.counts, (count, of))
        if totals is not None and totals[of] > 0:
            interval = _count_interval(totals[count], totals[of])
            rows.append(_row(group, measure, float(totals[count]), float(totals[of]), interval))
    return rows + [row for row in (_induction(group), _doubling(group)) if row is not None]


def _count_interval(count: int, of: int) -> tuple[float, float]:
    """Jeffreys interval, its ends at 0 for a count of none and at 1 for a count of all."""
    low, high = rate_of_count(count, of).interval()
    return (0.0 if count == 0 else low, 1.0 if count == of else high)


def _totals(rows: Iterable[CountsRow], columns: Sequence[str]) -> dict[str, int] | None:
    """Sums over the rows in which all of some columns were counted; None where there is no such row."""
    able = _counted(rows, columns)
    if not able:
        return None
    return {column: sum(row.count(column) or 0 for row in able) for column in columns}


def _counted(rows: Iterable[CountsRow], columns: Sequence[str]) -> list[CountsRow]:
    return [row for row in rows if all(row.count(column) is not None for column in columns)]


@dataclass(frozen=True, kw_only=True, eq=False)
class _TrueShare:
    """Share of true haploids among putative haploids: as found, and as a posterior."""

    share: float
    rate: UncertainRate


def _true_haploids(group: _Group, columns: Sequence[str]) -> _TrueShare | None:
    """True haploids among what the first of some columns counted, from the seedlings of the donors counted there.

    A donor weighs as much as was counted of it, not as many seedlings as were genotyped of it. A clean gamete of
    another donor is a haploid, too: its label is wrong, not its induction.
    """
    rows = _counted(group.counts, columns)
    seedlings = [line for line in group.lines if line.stage is Stage.HAPLOID and line.is_decided]
    weight = _weight_by_donor(rows, columns[0], [line.sample for line in seedlings])
    is_told = weight > 0
    if not is_told.any():
        return None
    told, weight = [line for line, is_in in zip(seedlings, is_told, strict=True) if is_in], weight[is_told]
    share = float(weight @ [line.is_haploid for line in told] / weight.sum())
    return _TrueShare(
        share=share, rate=rate_of_lines(weighted_lines(np.array([line.haploid for line in told]), weight))
    )


def _weight_by_donor(rows: Sequence[CountsRow], column: str, samples: Sequence[Sample]) -> NDArray[np.float64]:
    """Count of a column for each sample's donor, shared by the samples of that donor; shape (n_samples,)."""
    counted: dict[tuple[str, str], int] = {}
    for row in rows:
        counted[row.donor, row.inducer] = counted.get((row.donor, row.inducer), 0) + (row.count(column) or 0)
    keys = [next((key for key in ((s.donor, s.inducer), (s.donor, "")) if key in counted), None) for s in samples]
    n_of = Counter(keys)
    return np.array([counted[key] / n_of[key] if key is not None else 0.0 for key in keys], dtype=np.float64)


def weighted_lines(probabilities: NDArray[np.float64], weight: NDArray[np.float64]) -> NDArray[np.float64]:
    """As many probabilities of equal weight as weighted ones are worth, spread alike.

    Parameters
    ----------
    probabilities
        float64, shape (n_lines,).
    weight
        float64, shape (n_lines,), above 0.

    Returns
    -------
    ndarray
        float64, shape (n,): the probabilities at evenly spaced places of their weighted distribution, n the effective
        number of lines, (sum w)**2 / sum w**2.

    References
    ----------
    Kish L (1965) Survey sampling. Wiley, New York.

    """
    n = max(1, round(float(weight.sum() ** 2 / (weight**2).sum())))
    if n == len(probabilities):
        return probabilities
    order = np.argsort(probabilities, kind="stable")
    upto = np.cumsum(weight[order]) / weight.sum()
    places = np.searchsorted(upto, (np.arange(n) + 0.5) / n)
    return np.asarray(probabilities[order][np.minimum(places, len(order) - 1)])


def _induction(group: _Group) -> AccountRow | None:
    """Putative haploids x share of true haploids among them / kernels."""
    columns = ("putative_haploids", "kernels")
    totals, true = _totals(group.counts, columns), _true_haploids(group, columns)
    if totals is None or true is None or not totals["kernels"]:
        return None
    putative, kernels = totals["putative_haploids"], totals["kernels"]
    interval = product_interval(rate_of_count(putative, kernels), true.rate)
    return _row(group, "induction_rate", putative * true.share, float(kernels), interval)


def _doubling(group: _Group) -> AccountRow | None:
    """D1 ears / (treated x share of true haploids)."""
    columns = ("treated", "d1_ears")
    totals, true = _totals(group.counts, columns), _true_haploids(group, columns)
    if totals is None or true is None:
        return None
    ears, treated = totals["d1_ears"], totals["treated"]
    of = treated * true.share
    if of <= 0:
        return None
    interval = quotient_interval(rate_of_count(ears, treated), true.rate)
    row = _row(group, "doubling_success", float(min(ears, of)), of, interval)
    return row if ears <= of else replace(row, count=float(ears), rate=1.0, high=1.0)
