"""Counts of an outcome that the summary, the page and the closing message share."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dhverify.outcome import CheckOutcome, Finding, Flag, LineRow, Verdict
from dhverify.report.tracks import natural_key

if TYPE_CHECKING:
    from collections.abc import Iterable


@dataclass(frozen=True, kw_only=True)
class VerdictCounts:
    """How many lines (replicates counted once) have each verdict, and how many samples they are.

    The three add to ``lines``, as in ``donors.csv``.
    """

    lines: int
    passed: int
    failed: int
    retest: int
    samples: int

    @property
    def has_replicates(self) -> bool:
        """Whether there are more samples than lines."""
        return self.samples != self.lines


def verdict_counts(outcome: CheckOutcome) -> VerdictCounts:
    """Return the counts as they stand in ``donors.csv``, summed; samples are counted where it has no row."""
    if not outcome.donors:
        of = Counter(line.verdict for line in outcome.lines)
        passed, failed, retest = of[Verdict.PASS], of[Verdict.FAIL], of[Verdict.RETEST]
    else:
        passed = sum(row.passed for row in outcome.donors)
        failed = sum(row.failed for row in outcome.donors)
        retest = sum(row.retest for row in outcome.donors)
    return VerdictCounts(
        lines=passed + failed + retest,
        passed=passed,
        failed=failed,
        retest=retest,
        samples=len(outcome.lines),
    )


def finding_counts(lines: Iterable[LineRow]) -> dict[Finding, int]:
    """Count samples of each finding that occurs, in the order of ``Finding``."""
    counts = Counter(line.finding for line in lines)
    return {finding: counts[finding] for finding in Finding if counts[finding]}


def flag_counts(lines: Iterable[LineRow]) -> dict[Flag, int]:
    """Count samples with each flag that occurs, in the order of ``Flag``."""
    counts = Counter(flag for line in lines for flag in line.flags)
    return {flag: counts[flag] for flag in Flag if counts[flag]}


def pile(outcome: CheckOutcome, verdict: Verdict) -> tuple[LineRow, ...]:
    """Return samples of one verdict in bench order: plate, well, then as on the sheet."""
    chosen = (line for line in outcome.lines if line.verdict is verdict)
    return tuple(sorted(chosen, key=lambda line: (natural_key(line.plate), line.plate, well_key(line.well))))


def well_key(well: str) -> tuple[str, int]:
    """Sort key of a well: by row letter, then by column number; empty wells first.

    Examples
    --------
    >>> sorted(["B01", "A10", "A02"], key=well_key)
    ['A02', 'A10', 'B01']

    """
    return well[:1], int(well[1:]) if well[1:].isdecimal() else 0


def duplicate_groups(outcome: CheckOutcome) -> dict[str, tuple[LineRow, ...]]:
    """Return samples of each duplicate group, in order of first appearance."""
    groups: dict[str, list[LineRow]] = {}
    for line in outcome.lines:
        if line.duplicate_group:
            groups.setdefault(line.duplicate_group, []).append(line)
    return {name: tuple(members) for name, members in groups.items()}
