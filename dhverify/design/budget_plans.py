"""The plans: where to genotype, and how many units each step then has."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from dhverify.design.budget_costs import Costs

NONE: Final = "none"
SEEDLINGS: Final = "seedlings"
D0: Final = "D0"
D1: Final = "D1"
SEEDLINGS_AND_D1: Final = "seedlings and D1"
PLANS: Final = (NONE, SEEDLINGS, D0, D1, SEEDLINGS_AND_D1)
"""Where to genotype."""
VERIFYING_PLANS: Final = PLANS[1:]
"""Plans in which every line is verified, so that none that is wrong reaches the breeder."""

ASSAY_STEPS: Final = ("seedling assays", "D0 assays", "D1 assays")


@dataclass(frozen=True, kw_only=True)
class Flow:
    """Rates of one programme, and what a kernel comes to on average.

    Attributes
    ----------
    induction_rate, false_haploid_rate, missed_haploid_rate, survival, hybrid_survival, doubling, rogued
        Rates, 0 to 1.

    Examples
    --------
    >>> flow = Flow(
    ...     induction_rate=0.1, false_haploid_rate=0.05, missed_haploid_rate=0.05,
    ...     survival=0.8, hybrid_survival=0.8, doubling=0.2, rogued=0.0,
    ... )
    >>> round(flow.hybrid_share, 3)
    0.321

    """

    induction_rate: float
    false_haploid_rate: float
    missed_haploid_rate: float
    survival: float
    hybrid_survival: float
    doubling: float
    rogued: float

    @property
    def haploids(self) -> float:
        """Haploids sorted as such, of a kernel."""
        return self.induction_rate * (1 - self.missed_haploid_rate)

    @property
    def hybrids(self) -> float:
        """Hybrids sorted as haploid, of a kernel."""
        return (1 - self.induction_rate) * self.false_haploid_rate

    @property
    def hybrid_share(self) -> float:
        """Hybrids among what is sorted as haploid: the false discovery rate of the sorting."""
        sorted_out = self.haploids + self.hybrids
        return self.hybrids / sorted_out if sorted_out > 0 else 0.0

    @property
    def lines(self) -> float:
        """True lines, of a kernel."""
        return self.haploids * self.survival * self.doubling

    @property
    def wrong_lines(self) -> float:
        """Hybrids that set seed where nothing is genotyped, of a kernel."""
        return self.hybrids * self.hybrid_survival * (1 - self.rogued)


@dataclass(frozen=True, kw_only=True)
class Step:
    """One step of a plan: its name, the cost key of its unit (empty: none), and units of a kernel."""

    name: str
    key: str
    units: float


def steps(plan: str, flow: Flow) -> tuple[Step, ...]:
    """Every step of a plan in the order of the programme, with its expected units of a kernel.

    Hybrids that are rogued by eye have been grown by then: they count as plants, not as D1 ears.

    Parameters
    ----------
    plan
        One of ``PLANS``.
    flow
        The rates.

    Examples
    --------
    >>> flow = Flow(
    ...     induction_rate=0.1, false_haploid_rate=0.0, missed_haploid_rate=0.0,
    ...     survival=0.5, hybrid_survival=0.5, doubling=0.5, rogued=0.0,
    ... )
    >>> [(step.name, round(step.units, 3)) for step in steps("D1", flow)]
    [('kernels', 1.0), ('seedlings', 0.1), ('plants', 0.05), ('D1 assays', 0.025)]

    """
    are_seedlings_known = plan in {SEEDLINGS, SEEDLINGS_AND_D1}
    sorted_out = flow.haploids + flow.hybrids
    survivors = flow.haploids * flow.survival + flow.hybrids * flow.hybrid_survival
    found = [Step(name="kernels", key="kernel", units=1.0)]
    if are_seedlings_known:
        found.append(Step(name="seedling assays", key="assay", units=sorted_out))
    treated = flow.haploids if are_seedlings_known else sorted_out
    found.append(Step(name="seedlings", key="seedling", units=treated))
    if plan == D0:
        found.append(Step(name="D0 assays", key="assay", units=survivors))
    are_plants_clean = are_seedlings_known or plan == D0
    grown = flow.haploids * flow.survival if are_plants_clean else survivors
    found.append(Step(name="plants", key="plant", units=grown))
    if plan in {D1, SEEDLINGS_AND_D1}:
        ears = flow.lines if are_plants_clean else flow.lines + flow.wrong_lines
        found.append(Step(name="D1 assays", key="assay", units=ears))
    return tuple(found)


def cost_of_kernel(plan: str, flow: Flow, costs: Costs) -> float:
    """Expected cost of a plan, of a kernel."""
    return sum(step.units * costs.of(step.key) for step in steps(plan, flow))


def assays_of_kernel(plan: str, flow: Flow) -> float:
    """Expected assays of a plan, of a kernel."""
    return sum(step.units for step in steps(plan, flow) if step.name in ASSAY_STEPS)


def wrong_lines_of_kernel(plan: str, flow: Flow) -> float:
    """Expected wrong lines that reach the breeder, of a kernel."""
    return flow.wrong_lines if plan == NONE else 0.0


def cheapest(plans: tuple[str, ...], flow: Flow, costs: Costs) -> str:
    """Return the plan that costs least; of equal ones that with fewest assays, then the first."""

    def rank(plan: str) -> tuple[float, float]:
        return round_off(cost_of_kernel(plan, flow, costs)), round_off(assays_of_kernel(plan, flow))

    return min(plans, key=rank)


def round_off(value: float) -> float:
    """Return a figure to twelve digits, so that sums in another order compare as equal."""
    return float(f"{value:.12g}")
