"""What to do next, in plain words, for each donor and each group of the programme."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from dhverify.account import share_interval
from dhverify.counted_lines import CountedLine, counted_lines, group_value
from dhverify.group_tests import Stratum, excess_probability, holm, rate_ratio
from dhverify.outcome import Finding, Flag
from dhverify.samples import SampleSheet, Stage
from dhverify.uncertain_rates import rate_of_count

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from dhverify.counts import Counts
    from dhverify.evidence import LineEvidence

SIGNIFICANCE: Final = 0.01
"""After Holm's correction for the number of groups (common practice, no source)."""
UNRELIABLE_HYBRIDS: Final = 0.25
"""Colour sorting that lets through a larger share of hybrids than this, beyond the 95 % interval, is not worth its
work (a decision, no source: false discovery rate (1-h)a / [(1-h)a + h(1-b)] = .32 at h = .10, a = b = .05)."""
UNRELIABLE_UNCOLOURED: Final = 0.05
"""A colour inhibitor of the donor shows in at least this share of its kernels (common practice, no source; 23.6 %
of 178 subtropical inbreds showed no endosperm colour, Gain et al. 2023)."""
WORTH_GENOTYPING: Final = 0.05
"""Share of wrong lines from which all are worth genotyping, however the other donors do (a decision, no source: one
line in twenty)."""
FEW_LINES: Final = 10
UNSETTLED: Final = frozenset({Flag.TURNED_PLATE, Flag.REFERENCE_IN_DOUBT})
"""Flags of lines that say nothing of their donor: whose DNA they hold, or what they should be, is not known."""
SETTLE_FIRST: Final = (
    "Nothing can be said of this donor until the layout of its plates and the references of its family are settled."
)


@dataclass(frozen=True, kw_only=True)
class ProgrammeAdvice:
    """Sentences for people.

    Attributes
    ----------
    donors
        What to do with each donor, by name.
    groups
        Groups of other columns (sorters, ears, seasons) that differ from the rest.

    """

    donors: Mapping[str, str]
    groups: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class _Rate:
    """Events in a group, against those in the others, with the probability that this is chance."""

    count: int
    of: int
    others_count: int
    others_of: int
    low: float
    high: float
    chance: float = 1.0

    @property
    def rate(self) -> float:
        return self.count / max(self.of, 1)

    @property
    def others(self) -> float:
        return self.others_count / max(self.others_of, 1)

    @property
    def is_excess(self) -> bool:
        return self.chance < SIGNIFICANCE and self.rate > self.others


def advise(
    evidence: Mapping[str, LineEvidence],
    sheet: SampleSheet,
    *,
    counts: Counts | None = None,
    by: Sequence[str] = (),
) -> ProgrammeAdvice:
    """Say what to do next with each donor, and which groups let through more hybrids than the others.

    Each donor is held against all others by Fisher's exact test; a group of another column against the others
    within donors, so that a sorter is not blamed for a difficult donor. All probabilities are corrected by Holm's
    procedure for the number of groups of their column.

    Parameters
    ----------
    evidence
        By sample name.
    sheet
        The sample sheet.
    counts
        Counts of the programme, if there are any.
    by
        Further columns to group by.

    """
    told = [line for line in counted_lines(sheet, evidence) if line.is_decided or not line.is_settled]
    lines = [line for line in told if not _is_unsettled(line, evidence)]
    unsettled = {line.sample.donor for line in told} - {line.sample.donor for line in lines}
    donors = list(dict.fromkeys(sample.donor for sample in sheet.lines))
    hybrids = _hybrids(lines)
    later = _later(lines)
    uncoloured = _uncoloured(counts, donors)
    words = {
        donor: _donor_words(
            hybrids.get(donor), later.get(donor), uncoloured.get(donor), len(donors), is_settled=donor not in unsettled
        )
        for donor in donors
    }
    groups = tuple(text for column in dict.fromkeys(by) for text in _column_words(lines, column))
    return ProgrammeAdvice(donors=words, groups=groups)


def _is_unsettled(line: CountedLine, evidence: Mapping[str, LineEvidence]) -> bool:
    """Whether a sample of a line stands on a moved plate or has a reference in doubt."""
    return any(sample.name in evidence and evidence[sample.name].flags & UNSETTLED for sample in line.samples)


# rates of each donor against the others


def _hybrids(lines: Sequence[CountedLine]) -> dict[str, _Rate]:
    tables: dict[str, list[tuple[bool, float]]] = {}
    for line in lines:
        if line.stage is Stage.HAPLOID:
            told = (line.finding is Finding.HYBRID, line.hybrid)
            tables.setdefault(line.sample.donor, []).append(told)
    return _against_others(tables)


def _later(lines: Sequence[CountedLine]) -> dict[str, _Rate]:
    tables: dict[str, list[tuple[bool, float]]] = {}
    for line in lines:
        if line.stage is not Stage.HAPLOID:
            tables.setdefault(line.sample.donor, []).append((not line.is_expected, line.wrong))
    return _against_others(tables)


def _against_others(tables: Mapping[str, list[tuple[bool, float]]]) -> dict[str, _Rate]:
    own = {name: (sum(told for told, _ in table), len(table)) for name, table in tables.items() if table}
    intervals = {name: share_interval(np.array([p for _, p in tables[name]])) for name in own}
    return _corrected(own, intervals)


def _uncoloured(counts: Counts | None, donors: Sequence[str]) -> dict[str, _Rate]:
    if counts is None:
        return {}
    own: dict[str, tuple[int, int]] = {}
    for row in counts:
        if row.uncoloured is not None and row.kernels and row.donor in donors:
            before = own.get(row.donor, (0, 0))
            own[row.donor] = (before[0] + row.uncoloured, before[1] + row.kernels)
    return _corrected(own, {name: rate_of_count(*pair).interval() for name, pair in own.items()})


def _corrected(own: Mapping[str, tuple[int, int]], intervals: Mapping[str, tuple[float, float]]) -> dict[str, _Rate]:
    total, of = (sum(pair[k] for pair in own.values()) for k in (0, 1))
    strata = {name: Stratum(count=x, of=n, others_count=total - x, others_of=of - n) for name, (x, n) in own.items()}
    chances = holm([excess_probability([stratum]) for stratum in strata.values()])
    return {
        name: _Rate(
            count=s.count,
            of=s.of,
            others_count=s.others_count,
            others_of=s.others_of,
            low=intervals[name][0],
            high=intervals[name][1],
            chance=chance if s.others_of else 1.0,
        )
        for (name, s), chance in zip(strata.items(), chances, strict=True)
    }


# words


def _donor_words(
    hybrids: _Rate | None, later: _Rate | None, uncoloured: _Rate | None, n_donors: int, *, is_settled: bool = True
) -> str:
    found = []
    if uncoloured is not None and uncoloured.is_excess and uncoloured.low > UNRELIABLE_UNCOLOURED:
        found.append(
            f"Do not use the colour marker with this donor: {_of(uncoloured)} kernels show no colour"
            f" {_against(uncoloured, n_donors)}."
        )
    if hybrids is not None:
        found += _hybrid_words(hybrids, n_donors, is_named=bool(found))
    if later is not None and later.is_excess:
        found.append(
            f"Genotype all lines of this donor: {_of(later)} are not what their stage says {_against(later, n_donors)}."
        )
    return " ".join(found) or (_nothing(hybrids, later) if is_settled else SETTLE_FIRST)


def _hybrid_words(hybrids: _Rate, n_donors: int, *, is_named: bool) -> list[str]:
    is_unreliable = hybrids.low > UNRELIABLE_HYBRIDS
    if not hybrids.is_excess and not is_unreliable:
        return []
    against = f" {_against(hybrids, n_donors)}" if hybrids.is_excess else ""
    words = [f"Genotype all haploids of this donor: {_of(hybrids)} putative haploids are hybrids{against}."]
    if is_unreliable and not is_named:
        words.append("Do not rely on the colour marker with it.")
    return words


def _of(rate: _Rate) -> str:
    interval = f"{100 * rate.low:.1f} % to {100 * rate.high:.1f} %"
    return f"{rate.count} of {rate.of} ({100 * rate.rate:.1f} %, 95 % interval {interval})"


def _against(rate: _Rate, n_donors: int) -> str:
    chance = f"{rate.chance:.1g}" if rate.chance >= 1e-6 else "less than 1e-06"
    return (
        f"against {100 * rate.others:.1f} % of the other donors, which chance does not explain (probability {chance}"
        f" after Holm's correction for {n_donors} donors)"
    )


def _nothing(hybrids: _Rate | None, later: _Rate | None) -> str:
    rate, what = (hybrids, "putative haploids are hybrids") if hybrids is not None else (later, "lines are wrong")
    if rate is None:
        return "No line of this donor could be decided: nothing can be said."
    if rate.of < FEW_LINES:
        return f"Too few lines to tell: {_of(rate)} {what}."
    beginning = "No worse than the other donors" if rate.others_of else "No other donor to compare with"
    wrong = "a hybrid" if hybrids is not None else "wrong"
    return f"{beginning}: {_of(rate)} {what}. {_left_unchecked(rate, wrong)}"


def _left_unchecked(rate: _Rate, wrong: str) -> str:
    """Say what a rate means for lines of the donor that are not genotyped."""
    if rate.count == 0:
        return f"Of those sent on without genotyping, at most about 1 in {_one_in(rate.high)} will be {wrong}."
    about = f"about 1 in {_one_in(rate.rate)}"
    if rate.rate < WORTH_GENOTYPING:
        return f"Of those sent on without genotyping, {about} will be {wrong}."
    return f"Genotype all before they are sent on: {about} of those that are not genotyped will be {wrong}."


def _one_in(share: float) -> int:
    return max(round(1 / share), 1)


def _column_words(lines: Sequence[CountedLine], column: str) -> list[str]:
    """Name the groups of a column that let through more hybrids than the others, within donors."""
    strata = _strata(lines, column)
    if len(strata) < 2 or column in {"donor", "sample", "line"}:
        return []
    chances = holm([excess_probability(own) for own in strata.values()])
    return [
        _group_words(column, name, own, f"{chance:.1g} after Holm's correction for {len(strata)} groups")
        for (name, own), chance in zip(strata.items(), chances, strict=True)
        if chance < SIGNIFICANCE
    ]


def _group_words(column: str, name: str, strata: Sequence[Stratum], chance: str) -> str:
    ratio = rate_ratio(strata)
    count, of = sum(s.count for s in strata), sum(s.of for s in strata)
    size = "hybrids where the others let through none"
    if ratio is not None:
        size = f"{ratio[0]:.1f} times the hybrids of the others (95 % interval {ratio[1]:.1f} to {ratio[2]:.1f})"
    return (
        f"{column} {name} lets through {size}: {count} of {of} putative haploids are hybrids, compared within donors;"
        f" probability of chance {chance}."
    )


def _strata(lines: Sequence[CountedLine], column: str) -> dict[str, list[Stratum]]:
    """Hybrids among the seedlings of every group, against the others of the same donor."""
    own: dict[str, dict[str, tuple[int, int]]] = {}
    donors: dict[str, tuple[int, int]] = {}
    for line in lines:
        value, donor = group_value(line.sample, column), line.sample.donor
        if line.stage is not Stage.HAPLOID or not value:
            continue
        hit = int(line.finding is Finding.HYBRID)
        count, of = own.setdefault(value, {}).get(donor, (0, 0))
        own[value][donor] = (count + hit, of + 1)
        count, of = donors.get(donor, (0, 0))
        donors[donor] = (count + hit, of + 1)
    return {
        value: [
            Stratum(count=x, of=n, others_count=donors[donor][0] - x, others_of=donors[donor][1] - n)
            for donor, (x, n) in table.items()
        ]
        for value, table in own.items()
    }
