"""How the choice of a plan depends on the rates: costs at other rates, and where the choice flips.

Of a kernel, the cost of every plan is a straight line in each single rate, so that the cheapest plan is the lower
envelope of lines and the points where it flips are exact.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, pairwise
from typing import TYPE_CHECKING, Final

from dhverify.design.budget_outcome import FlipRow, SensitivityRow
from dhverify.design.budget_plans import (
    PLANS,
    VERIFYING_PLANS,
    Flow,
    cheapest,
    cost_of_kernel,
    round_off,
    wrong_lines_of_kernel,
)

if TYPE_CHECKING:
    from dhverify.design.budget_costs import Costs

FLIP_RATES: Final = ("induction_rate", "false_haploid_rate", "missed_haploid_rate", "survival", "doubling", "rogued")
"""Rates that are varied, one at a time."""
SHOWN_RATES: Final = (0.0, 0.001, 0.002, 0.005, 0.01, 0.02, 0.03, 0.05, 0.075, 0.1, 0.15, 0.2, 0.3)
"""Rates of false haploids in the sensitivity table; the present one and the flips are added."""


def at_rate(flow: Flow, name: str, value: float) -> Flow:
    """Return the same programme with one rate changed; hybrids that survive like haploids still do.

    Examples
    --------
    >>> flow = Flow(
    ...     induction_rate=0.1, false_haploid_rate=0.05, missed_haploid_rate=0.05,
    ...     survival=0.8, hybrid_survival=0.8, doubling=0.2, rogued=0.0,
    ... )
    >>> at_rate(flow, "survival", 0.5).hybrid_survival
    0.5

    """
    changed = {name: value}
    if name == "survival" and flow.hybrid_survival == flow.survival:
        changed["hybrid_survival"] = value
    return replace(flow, **changed)


def flips(flow: Flow, costs: Costs) -> tuple[FlipRow, ...]:
    """Every rate between 0 and 1 at which another verifying plan becomes the cheapest, the others unchanged.

    Parameters
    ----------
    flow
        The rates as they are.
    costs
        Without costs nothing flips.

    """
    return tuple(row for name in FLIP_RATES for row in _flips_of(name, flow, costs))


def sensitivity(flow: Flow, costs: Costs, kernels: int, flips_found: tuple[FlipRow, ...]) -> tuple[SensitivityRow, ...]:
    """Costs of every plan at other rates of false haploids; the kernels needed stay the same."""
    own = [row.flips_at for row in flips_found if row.rate == "false_haploid_rate"]
    rates = sorted({*SHOWN_RATES, flow.false_haploid_rate, *own})
    return tuple(row for rate in rates for row in _at(at_rate(flow, "false_haploid_rate", rate), costs, kernels))


def _at(flow: Flow, costs: Costs, kernels: int) -> list[SensitivityRow]:
    best = cheapest(VERIFYING_PLANS, flow, costs)
    return [
        SensitivityRow(
            false_haploid_rate=flow.false_haploid_rate,
            hybrid_share=flow.hybrid_share,
            plan=plan,
            cost=kernels * cost_of_kernel(plan, flow, costs),
            expected_wrong_lines=kernels * wrong_lines_of_kernel(plan, flow),
            cheapest=plan == best,
        )
        for plan in PLANS
    ]


def _flips_of(name: str, flow: Flow, costs: Costs) -> list[FlipRow]:
    now = getattr(flow, name)
    ends = [0.0, *_crossings(name, flow, costs), 1.0]
    best = [cheapest(VERIFYING_PLANS, at_rate(flow, name, (a + b) / 2), costs) for a, b in pairwise(ends)]
    return [
        FlipRow(rate=name, now=now, flips_at=at, below=below, above=above)
        for at, (below, above) in zip(ends[1:-1], pairwise(best), strict=True)
        if below != above
    ]


def _crossings(name: str, flow: Flow, costs: Costs) -> list[float]:
    """Rates at which two verifying plans cost the same."""
    at_0, at_1 = at_rate(flow, name, 0.0), at_rate(flow, name, 1.0)
    lines = [(cost_of_kernel(plan, at_0, costs), cost_of_kernel(plan, at_1, costs)) for plan in VERIFYING_PLANS]
    found = set()
    for (low_0, low_1), (high_0, high_1) in combinations(lines, 2):
        gap_0, gap_1 = high_0 - low_0, high_1 - low_1
        if gap_0 * gap_1 < 0:
            found.add(round_off(gap_0 / (gap_0 - gap_1)))
    return sorted(value for value in found if 0 < value < 1)
