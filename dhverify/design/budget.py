"""The budget of a season: how many of what, and when to genotype.

>>> outcome = plan_programme(
...     BudgetRequest(
...         lines=40, induction_rate=0.1, false_haploid_rate=0.02, missed_haploid_rate=0.05,
...         survival=0.8, doubling=0.2,
...     ),
...     costs=Costs(kernel=0.01, seedling=0.2, plant=0.5, assay=2.0),
... )
>>> outcome.kernels, outcome.best
(3173, 'D1')
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from dhverify.design.budget_chances import Spread, chance, fewest_units, known_rate, spread
from dhverify.design.budget_costs import Costs
from dhverify.design.budget_outcome import BudgetOutcome, NeedRow, PlanRow, StepRow
from dhverify.design.budget_plans import (
    ASSAY_STEPS,
    PLANS,
    VERIFYING_PLANS,
    Flow,
    cheapest,
    steps,
    wrong_lines_of_kernel,
)
from dhverify.design.budget_rates import ObservedProgramme, ProgrammeRates, programme_rates
from dhverify.design.budget_request import BudgetRequest
from dhverify.design.budget_sensitivity import flips, sensitivity
from dhverify.errors import Defect, InputError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

__all__ = ["BudgetRequest", "Costs", "ObservedProgramme", "plan_programme"]


def plan_programme(
    request: BudgetRequest, *, costs: Costs | None = None, observed: ObservedProgramme | None = None
) -> BudgetOutcome:
    """Work out kernels, and the units, cost and wrong lines of every plan.

    Parameters
    ----------
    request
        Lines, how sure, and the rates that are given.
    costs
        Nothing costs anything if None.
    observed
        Rates of an earlier season; those given in the request replace them.

    Raises
    ------
    InputError
        If a rate is lacking, or the lines cannot be reached.

    """
    prices = costs or Costs()
    rates = programme_rates(request, observed)
    kernels = _needed(request, rates.line_of_kernel)
    probability = chance(request.lines, kernels, rates.line_of_kernel)
    step_rows = tuple(row for plan in PLANS for row in _step_rows(plan, rates.flow, prices, kernels))
    found = flips(rates.flow, prices)
    low, high = rates.line_of_kernel.interval()
    return BudgetOutcome(
        request=request,
        costs=prices,
        source="as given" if observed is None else f"as observed in {observed.source}, unless given",
        flow=rates.flow,
        kernels=kernels,
        probability=probability,
        kernels_if_known=_needed_if_known(request, rates),
        line_rate=rates.line_of_kernel.mean,
        line_rate_low=low,
        line_rate_high=high,
        best=best_plan(rates.flow, prices),
        steps=step_rows,
        plans=tuple(_plan_row(plan, rates.flow, step_rows, kernels, probability) for plan in PLANS),
        sensitivity=sensitivity(rates.flow, prices, kernels, found),
        flips=found,
        rates=rates.rows,
        needs=tuple(_needs(request, rates)),
        notes=(*rates.notes, *_reason(rates)),
        warnings=rates.warnings,
    )


def best_plan(flow: Flow, costs: Costs) -> str:
    """Return the cheapest plan that lets no wrong line through; to genotype nowhere only where there is none."""
    return cheapest(PLANS if flow.wrong_lines == 0 else VERIFYING_PLANS, flow, costs)


def _step_rows(plan: str, flow: Flow, costs: Costs, kernels: int) -> list[StepRow]:
    return [
        StepRow(plan=plan, step=step.name, units=kernels * step.units, cost=kernels * step.units * costs.of(step.key))
        for step in steps(plan, flow)
    ]


def _plan_row(plan: str, flow: Flow, rows: Sequence[StepRow], kernels: int, probability: float) -> PlanRow:
    own = [row for row in rows if row.plan == plan]
    return PlanRow(
        plan=plan,
        kernels=kernels,
        seedlings=sum(row.units for row in own if row.step == "seedlings"),
        assays=sum((row.units for row in own if row.step in ASSAY_STEPS), 0.0),
        cost=sum(row.cost for row in own),
        probability=probability,
        expected_lines=kernels * flow.lines,
        expected_wrong_lines=kernels * wrong_lines_of_kernel(plan, flow),
    )


def _needed(request: BudgetRequest, rate: Spread) -> int:
    found = fewest_units(request.lines, request.sure, rate)
    if found is None:
        raise InputError(
            "budget",
            [
                Defect(
                    where="--lines",
                    found=f"{request.lines}, with probability {request.sure:g} and {rate.mean:.3g} lines of a unit",
                    expected="an aim that a million million units can reach",
                )
            ],
        )
    return found


def _needed_if_known(request: BudgetRequest, rates: ProgrammeRates) -> int | None:
    """Kernels that the same rates would need if they were known exactly."""
    if len(rates.line_of_kernel.values) == 1:
        return None
    return _needed(request, spread([known_rate(rates.line_of_kernel.mean)]))


def _needs(request: BudgetRequest, rates: ProgrammeRates) -> Iterator[NeedRow]:
    """Yield what is enough from a later step on: kernels sorted as haploid, and then confirmed haploids."""
    later = {
        "sorted as haploid": rates.line_of_sorted,
        "seedlings": rates.line_of_seedling,
        "plants": rates.line_of_plant,
    }
    for step, rate in later.items():
        yield NeedRow(step=step, units=_needed(request, rate))


def _reason(rates: ProgrammeRates) -> Iterator[str]:
    if rates.least_known:
        yield (
            "Observed rates are of a sample and may be lower in truth, so more units are needed than if they were"
            f" known exactly; known least well: {rates.least_known}."
        )
