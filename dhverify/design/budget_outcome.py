"""What a budget comes to, as plain records."""

from __future__ import annotations

from dataclasses import dataclass

from dhverify.design.budget_costs import Costs
from dhverify.design.budget_plans import Flow
from dhverify.design.budget_request import BudgetRequest


@dataclass(frozen=True, kw_only=True)
class StepRow:
    """A row of ``budget.csv``: a step of a plan; units are expectations."""

    plan: str
    step: str
    units: float
    cost: float


@dataclass(frozen=True, kw_only=True)
class PlanRow:
    """A row of ``plans.csv``; seedlings are those treated."""

    plan: str
    kernels: int
    seedlings: float
    assays: float
    cost: float
    probability: float
    expected_lines: float
    expected_wrong_lines: float


@dataclass(frozen=True, kw_only=True)
class SensitivityRow:
    """A row of ``sensitivity.csv``: what a plan costs at another rate of false haploids."""

    false_haploid_rate: float
    hybrid_share: float
    plan: str
    cost: float
    expected_wrong_lines: float
    cheapest: bool


@dataclass(frozen=True, kw_only=True)
class FlipRow:
    """A row of ``flips.csv``: a rate at which another verifying plan becomes the cheapest."""

    rate: str
    now: float
    flips_at: float
    below: str
    above: str


@dataclass(frozen=True, kw_only=True)
class RateRow:
    """A row of ``rates.csv``: a rate that the plans rest on, with a 95 % interval where it was observed."""

    rate: str
    value: float
    low: float | None
    high: float | None
    source: str


@dataclass(frozen=True, kw_only=True)
class NeedRow:
    """A row of ``needs.csv``: how many units are enough from a step on; from the seedlings on confirmed haploids."""

    step: str
    units: int


@dataclass(frozen=True, kw_only=True)
class BudgetOutcome:
    """Everything that was worked out.

    Attributes
    ----------
    request, costs
        As asked.
    source
        Where the rates are from, in words.
    flow
        The rates as expectations.
    kernels, probability
        Kernels to sort, and the probability of the lines at that number.
    kernels_if_known
        Kernels that the same rates would need if they were known exactly; None if they are.
    line_rate, line_rate_low, line_rate_high
        True lines of a kernel, with a 95 % interval.
    best
        The cheapest plan that lets no wrong line through.
    steps, plans, sensitivity, flips, rates, needs
        The tables.
    notes, warnings
        Sentences for a person.

    """

    request: BudgetRequest
    costs: Costs
    source: str
    flow: Flow
    kernels: int
    probability: float
    kernels_if_known: int | None
    line_rate: float
    line_rate_low: float
    line_rate_high: float
    best: str
    steps: tuple[StepRow, ...]
    plans: tuple[PlanRow, ...]
    sensitivity: tuple[SensitivityRow, ...]
    flips: tuple[FlipRow, ...]
    rates: tuple[RateRow, ...]
    needs: tuple[NeedRow, ...]
    notes: tuple[str, ...]
    warnings: tuple[str, ...]

    def plan(self, name: str) -> PlanRow:
        """Return a plan by its name."""
        return next(row for row in self.plans if row.plan == name)
