"""Plans against a plain simulation, kernel by kernel, and against figures worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from dhverify.design.budget import BudgetRequest, Costs, plan_programme
from dhverify.design.budget_plans import PLANS, VERIFYING_PLANS, Flow, cost_of_kernel, steps
from dhverify.design.budget_sensitivity import at_rate
from dhverify.errors import InputError

RATES = {
    "induction_rate": 0.1,
    "false_haploid_rate": 0.05,
    "missed_haploid_rate": 0.08,
    "survival": 0.8,
    "doubling": 0.25,
}
COSTS = Costs(kernel=0.02, seedling=0.4, plant=0.6, assay=1.5, unit="hours")


def plan(lines=20, costs=None, **changed):
    return plan_programme(BudgetRequest(lines=lines, **{**RATES, **changed}), costs=costs)


def simulated(plan_name, kernels, n_seasons, rng, *, hybrid_survival=0.7, rogued=0.3):
    """Mean units of each step, true and wrong lines of each season: every kernel goes its own way."""
    units, lines, wrong = {}, [], []
    for _ in range(n_seasons):
        is_haploid = rng.random(kernels) < RATES["induction_rate"]
        is_sorted = np.where(
            is_haploid,
            rng.random(kernels) >= RATES["missed_haploid_rate"],
            rng.random(kernels) < RATES["false_haploid_rate"],
        )
        counted = {"kernels": kernels}
        is_treated = is_sorted
        if "seedlings" in plan_name:
            counted["seedling assays"] = is_sorted.sum()
            is_treated = is_sorted & is_haploid
        counted["seedlings"] = is_treated.sum()
        lives = is_treated & (rng.random(kernels) < np.where(is_haploid, RATES["survival"], hybrid_survival))
        if plan_name == "D0":
            counted["D0 assays"] = lives.sum()
            lives = lives & is_haploid
        counted["plants"] = lives.sum()
        has_ear = lives & np.where(is_haploid, rng.random(kernels) < RATES["doubling"], rng.random(kernels) >= rogued)
        if "D1" in plan_name:
            counted["D1 assays"] = has_ear.sum()
            has_ear = has_ear & is_haploid
        for name, number in counted.items():
            units.setdefault(name, []).append(number)
        lines.append((has_ear & is_haploid).sum())
        wrong.append((has_ear & ~is_haploid).sum())
    return {name: float(np.mean(values)) for name, values in units.items()}, np.array(lines), np.array(wrong)


@pytest.mark.parametrize("name", PLANS)
def test_plans_agree_with_a_plain_simulation(name):
    outcome = plan(lines=20, sure=0.85, hybrid_survival=0.7, rogued=0.3)
    n_seasons = 1500
    units, lines, wrong = simulated(name, outcome.kernels, n_seasons, np.random.default_rng(len(name)))
    for row in outcome.steps:
        if row.plan == name:
            assert units[row.step] == pytest.approx(row.units, abs=5 * (row.units / n_seasons) ** 0.5 + 1e-9)
    assert [row.step for row in outcome.steps if row.plan == name] == list(units)
    row = outcome.plan(name)
    reached = (lines >= 20).mean()
    assert reached == pytest.approx(row.probability, abs=4 * (0.13 / n_seasons) ** 0.5)
    assert lines.mean() == pytest.approx(row.expected_lines, rel=0.03)
    assert wrong.mean() == pytest.approx(row.expected_wrong_lines, rel=0.03, abs=1e-9)


def test_kernels_are_the_fewest_and_the_same_in_every_plan():
    outcome = plan(lines=40, sure=0.95)
    q = 0.1 * 0.92 * 0.8 * 0.25
    assert {row.kernels for row in outcome.plans} == {outcome.kernels}
    assert stats.binom.sf(39, outcome.kernels, q) >= 0.95 > stats.binom.sf(39, outcome.kernels - 1, q)
    assert outcome.probability == pytest.approx(stats.binom.sf(39, outcome.kernels, q), abs=1e-12)
    assert outcome.kernels_if_known is None
    needs = {row.step: row.units for row in outcome.needs}
    q = 0.2 * 0.092 / (0.092 + 0.045)
    assert (
        stats.binom.sf(39, needs["sorted as haploid"], q)
        >= 0.95
        > stats.binom.sf(39, needs["sorted as haploid"] - 1, q)
    )
    assert stats.binom.sf(39, needs["seedlings"], 0.2) >= 0.95 > stats.binom.sf(39, needs["seedlings"] - 1, 0.2)
    assert stats.binom.sf(39, needs["plants"], 0.25) >= 0.95 > stats.binom.sf(39, needs["plants"] - 1, 0.25)


def test_units_worked_out_by_hand():
    """1,000 kernels: 92 haploids and 45 hybrids sorted out, 73.6 and 36 alive, 18.4 lines."""
    flow = Flow(**RATES, hybrid_survival=0.8, rogued=0.0)
    found = {name: {step.name: 1000 * step.units for step in steps(name, flow)} for name in PLANS}
    assert found["none"] == pytest.approx({"kernels": 1000, "seedlings": 137, "plants": 109.6})
    assert found["seedlings"] == pytest.approx(
        {"kernels": 1000, "seedling assays": 137, "seedlings": 92, "plants": 73.6}
    )
    assert found["D0"] == pytest.approx({"kernels": 1000, "seedlings": 137, "D0 assays": 109.6, "plants": 73.6})
    assert found["D1"] == pytest.approx({"kernels": 1000, "seedlings": 137, "plants": 109.6, "D1 assays": 54.4})
    assert found["seedlings and D1"] == pytest.approx(
        {"kernels": 1000, "seedling assays": 137, "seedlings": 92, "plants": 73.6, "D1 assays": 18.4}
    )
    assert 1000 * flow.wrong_lines == pytest.approx(36)


@pytest.mark.parametrize(
    ("induction", "false", "missed", "expected"),
    [(0.1, 0.01, 0.05, 0.087), (0.1, 0.05, 0.05, 0.321), (0.1, 0.1, 0.1, 0.5), (0.08, 0.02, 0.05, 0.195)],
)
def test_hybrids_among_what_is_sorted_as_haploid(induction, false, missed, expected):
    """(1-h)a / [(1-h)a + h(1-b)] (computed)."""
    flow = Flow(
        induction_rate=induction,
        false_haploid_rate=false,
        missed_haploid_rate=missed,
        survival=1.0,
        hybrid_survival=1.0,
        doubling=1.0,
        rogued=0.0,
    )
    assert round(flow.hybrid_share, 3) == expected
    assert at_rate(replace(flow, induction_rate=0.0), "false_haploid_rate", 0.0).hybrid_share == 0.0


@pytest.mark.parametrize(("hours", "in_all"), [(15 / 6000, 15), (120 / 6000, 120)])
def test_six_thousand_pots_in_hours(hours, in_all):
    """By machine five people take 3 h, by hand fifteen people 8 h (common practice, no source)."""
    outcome = plan(lines=1300, false_haploid_rate=0.0, costs=Costs(plant=hours, unit="hours"))
    plants = next(row for row in outcome.steps if row.plan == "none" and row.step == "plants")
    assert plants.cost * 6000 / plants.units == pytest.approx(in_all)
    assert plants.units == pytest.approx(5300, rel=0.05)
    assert outcome.plan("none").cost == pytest.approx(plants.cost)


def test_costs_add_up_and_the_cheapest_that_verifies_is_named():
    outcome = plan(costs=COSTS)
    for row in outcome.plans:
        own = [step for step in outcome.steps if step.plan == row.plan]
        assert row.cost == pytest.approx(sum(step.cost for step in own))
        assert row.assays == pytest.approx(sum(step.units for step in own if step.step.endswith("assays")))
    by_cost = {row.plan: row.cost for row in outcome.plans}
    assert by_cost["none"] < min(by_cost[name] for name in VERIFYING_PLANS)
    assert outcome.best == min(VERIFYING_PLANS, key=by_cost.__getitem__)
    assert all(row.expected_wrong_lines == 0 for row in outcome.plans if row.plan != "none")


def test_no_wrong_lines_no_need_to_genotype():
    assert plan(false_haploid_rate=0.0, costs=COSTS).best == "none"
    assert plan(rogued=1.0, costs=COSTS).best == "none"


def test_without_costs_the_fewest_assays_win_and_nothing_flips():
    outcome = plan()
    assert outcome.flips == ()
    assert outcome.best == min(VERIFYING_PLANS, key=lambda name: outcome.plan(name).assays) == "D1"
    assert all(row.cost == 0 for row in outcome.plans)


def test_flips_are_where_a_fine_search_finds_them():
    outcome = plan(costs=COSTS)
    assert {row.rate for row in outcome.flips} >= {"false_haploid_rate", "doubling"}
    for rate in ("false_haploid_rate", "doubling", "survival", "induction_rate", "missed_haploid_rate", "rogued"):
        grid = (np.arange(500) + 0.5) / 500
        best = [
            min(VERIFYING_PLANS, key=lambda name, x=x: cost_of_kernel(name, at_rate(outcome.flow, rate, x), COSTS))
            for x in grid
        ]
        searched = [(a + b) / 2 for a, b, x, y in zip(grid, grid[1:], best, best[1:], strict=False) if x != y]
        found = [row.flips_at for row in outcome.flips if row.rate == rate]
        assert found == pytest.approx(searched, abs=1 / 500)


def test_the_sensitivity_table_holds_the_present_rate_and_the_flips():
    outcome = plan(costs=COSTS)
    now = {row.plan: row for row in outcome.sensitivity if row.false_haploid_rate == 0.05}
    for name in PLANS:
        assert now[name].cost == pytest.approx(outcome.plan(name).cost)
        assert now[name].expected_wrong_lines == pytest.approx(outcome.plan(name).expected_wrong_lines)
        assert now[name].cheapest == (name == outcome.best)
    rates = {row.false_haploid_rate for row in outcome.sensitivity}
    assert {row.flips_at for row in outcome.flips if row.rate == "false_haploid_rate"} <= rates
    assert 0.0 in rates


def test_survival_of_hybrids_follows_unless_given():
    tied, own = plan().flow, plan(hybrid_survival=0.5).flow
    assert at_rate(tied, "survival", 0.3).hybrid_survival == 0.3
    assert at_rate(own, "survival", 0.3).hybrid_survival == 0.5


@pytest.mark.parametrize(
    ("changed", "where"),
    [
        ({"lines": 0}, "--lines"),
        ({"lines": 2.5}, "--lines"),
        ({"lines": True}, "--lines"),
        ({"sure": 1.0}, "--sure"),
        ({"sure": 0.0}, "--sure"),
        ({"sure": float("nan")}, "--sure"),
        ({"induction_rate": -0.1}, "--induction-rate"),
        ({"induction_rate": 0}, "--induction-rate"),
        ({"false_haploid_rate": 1.1}, "--false-haploid-rate"),
        ({"missed_haploid_rate": 1.0}, "--missed-haploid-rate"),
        ({"survival": 0.0}, "--survival"),
        ({"doubling": 0.0}, "--doubling"),
        ({"doubling": "much"}, "--doubling"),
        ({"hybrid_survival": float("nan")}, "--hybrid-survival"),
        ({"rogued": 2}, "--rogued"),
        ({"survival": None}, "--survival"),
        ({"induction_rate": 1e-13}, "--lines"),
    ],
)
def test_bad_numbers_are_named(changed, where):
    with pytest.raises(InputError) as caught:
        plan(**changed)
    assert [defect.where for defect in caught.value.defects] == [where]


def test_all_that_is_wrong_is_said_at_once():
    with pytest.raises(InputError) as caught:
        BudgetRequest(lines=-1, sure=2, survival=-1, doubling=3)
    assert len(caught.value.defects) == 4


@pytest.mark.parametrize(
    ("values", "where", "expected"),
    [
        ({"assays": 2}, "cost assays", "a name of a cost: did you mean assay?"),
        ({"tractor": 2}, "cost tractor", "one of kernel, seedling, plant, assay, unit"),
        ({"assay": -1}, "cost assay", "a number of at least 0"),
        ({"assay": float("nan")}, "cost assay", "a number of at least 0"),
        ({"assay": True}, "cost assay", "a number of at least 0"),
        ({"assay": "two"}, "cost assay", "a number of at least 0"),
        ({"unit": 3}, "unit", 'text: unit = "hours"'),
    ],
)
def test_bad_costs_are_named(values, where, expected):
    with pytest.raises(InputError) as caught:
        Costs.from_mapping(values)
    (defect,) = caught.value.defects
    assert (defect.where, defect.expected) == (where, expected)
