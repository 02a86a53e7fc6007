"""The judge against programmes with known truth; opt in with ``-m accuracy``.

In full the shares themselves have to reach the targets; in the short form (environment variable
``DHVERIFY_ACCURACY=short``) they must not lie below them beyond chance.
"""

from __future__ import annotations

import numpy as np
import pytest
from measuring import Tally, calibration_error, measured
from msprime_suite import MSPRIME, measured_msprime
from scenarios import IS_SHORT, Targets, scenarios

from dhverify.intervals import wilson

pytestmark = pytest.mark.accuracy
SEEDS = (101,) if IS_SHORT else (101, 102, 103)
CHOSEN = {scenario.name: scenario for scenario in scenarios()}


def reached(count: int, of: int, target: float | None) -> bool:
    if target is None or not of:
        return True
    return float(wilson(count, of)[1]) >= target if IS_SHORT else count / of >= target


def kept_below(count: int, of: int, most: float | None) -> bool:
    if most is None or not of:
        return True
    return float(wilson(min(count, of), of)[0]) <= most if IS_SHORT else count / of <= most


def shortfalls(counts: Tally, targets: Targets) -> list[str]:
    shares = {
        "bad lines not passed": (counts.caught, counts.bad, targets.caught),
        "good lines not failed": (counts.not_failed, counts.good, targets.not_failed),
        "right cause of bad lines": (counts.cause, counts.bad, targets.cause),
        "segments found": (counts.found_segments, counts.visible_segments, targets.segments),
    }
    found = [f"{name} {n} of {of}, target {t}" for name, (n, of, t) in shares.items() if not reached(n, of, t)]
    if not kept_below(counts.false_segments, counts.good, targets.false_segments):
        found.append(f"false segments {counts.false_segments} of {counts.good}, target {targets.false_segments}")
    error = counts.ece_interval()[0] if IS_SHORT else counts.ece
    if targets.ece is not None and error > targets.ece:
        found.append(f"calibration error {counts.ece:.4f}, target {targets.ece}")
    return found


def check(counts: Tally, targets: Targets, record_property) -> None:
    for name in ("bad", "caught", "cause", "good", "not_failed", "passed", "ece"):
        record_property(name, getattr(counts, name))
    assert counts.lines > 100
    assert shortfalls(counts, targets) == [], counts.confused.most_common(8)


@pytest.mark.parametrize("name", CHOSEN)
def test_targets_are_reached(name, record_property):
    check(measured(CHOSEN[name], SEEDS), CHOSEN[name].targets, record_property)


def test_targets_are_reached_where_meioses_come_from_another_program(record_property):
    """Gametes of a fixed pedigree by msprime (Baumdicker et al. 2022, Genetics 220:iyab229)."""
    check(measured_msprime(SEEDS), MSPRIME.targets, record_property)


def test_a_shortfall_is_seen():
    """The measure itself: a judge that passes one bad line in ten and is sure of all is told off for both."""
    counts = Tally(
        lines=1200,
        good=1000,
        not_failed=1000,
        passed=1000,
        bad=200,
        caught=180,
        cause=180,
        confidence=[1.0] * 1200,
        is_right=[True] * 1140 + [False] * 60,
    )
    found = shortfalls(counts, Targets(caught=0.995, not_failed=0.995, cause=0.98, ece=0.01))
    assert [text.split(",")[0] for text in found] == [
        "bad lines not passed 180 of 200",
        "right cause of bad lines 180 of 200",
        f"calibration error {60 / 1200:.4f}",
    ]


def test_calibration_error_by_hand():
    """Two bins of two lines: confidence .55 and .95, half right in each: (.05 + .45) / 2."""
    error = calibration_error(np.array([0.55, 0.55, 0.95, 0.95]), np.array([True, False, True, False]))
    assert error == pytest.approx(0.25)
