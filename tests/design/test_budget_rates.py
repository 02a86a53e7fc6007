"""Rates observed in a results folder: what they need, and what options change."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
from scipy import stats

import dhverify
from dhverify.design.budget import BudgetRequest, plan_programme
from dhverify.design.budget_chances import counted_rate, known_rate
from dhverify.design.budget_rates import ObservedProgramme, _present, programme_rates, share_behind
from dhverify.errors import FormatError, InputError
from dhverify.outcome import AccountRow
from dhverify.report.budget_results import read_observed_programme
from dhverify.report.tables import Table, cell, csv_text, record_columns
from dhverify.uncertain_rates import product_interval, quotient_interval, rate_of_count


def account_row(measure, count, of, low, high, by="all"):
    group = "" if by == "all" else "D01"
    return AccountRow(by=by, group=group, measure=measure, count=count, of=of, rate=count / of, low=low, high=high)


def season(*, kernels=5000, putative=450, true=90, judged=100, treated=400, survived=320, ears=60):
    """Rows as an account has them: true haploids are ``true`` of ``judged`` seedlings."""
    share = true / judged
    rows = [
        account_row("hybrids_among_putative_haploids", judged - true, judged, 0.05, 0.17),
        account_row("putative_haploid_rate", putative, kernels, *rate_of_count(putative, kernels).interval()),
        account_row(
            "induction_rate",
            putative * share,
            kernels,
            *product_interval(rate_of_count(putative, kernels), rate_of_count(true, judged)),
        ),
        account_row("putative_haploid_rate", 1, 9, 0.0, 0.5, by="donor"),
    ]
    if survived is not None:
        rows.append(account_row("survival", survived, treated, *rate_of_count(survived, treated).interval()))
    if ears is not None and true:
        interval = quotient_interval(rate_of_count(ears, treated), rate_of_count(true, judged))
        of = treated * share
        rows.append(account_row("doubling_success", ears, of, interval[0], min(max(interval[1], ears / of), 1.0)))
    return rows


@pytest.fixture
def folder(tmp_path):
    """Writes a results folder with the given account."""

    def write(rows, *, kind="dhverify check", text=None):
        place = tmp_path / "results"
        place.mkdir(exist_ok=True)
        columns, kinds = record_columns(AccountRow)
        cells = tuple(tuple(cell(getattr(row, name)) for name in columns) for row in rows)
        table = Table(name="account", columns=columns, kinds=kinds, rows=cells)
        (place / "account.csv").write_text(csv_text(table) if text is None else text)
        (place / "summary.json").write_text(json.dumps({"kind": kind}))
        return place

    return write


def test_lines_per_kernel_is_the_product_of_two_counts(folder):
    """The share of true haploids cancels: kernels follow the posterior of sorted share x ears of treated."""
    result = dhverify.plan_budget(40, sure=0.9, results=folder(season()))
    rng = np.random.default_rng(1)
    q = rng.beta(450.5, 4550.5, 100_000) * rng.beta(60.5, 340.5, 100_000)
    reached = stats.binom.sf(39, result.kernels, q)
    assert reached.mean() == pytest.approx(0.9, abs=4 * reached.std() / 100_000**0.5)
    assert result.outcome.line_rate == pytest.approx(q.mean(), rel=0.003)


def test_what_is_needed_of_kernels_sorted_as_haploid_is_one_count(folder):
    """Ears are counted of all seedlings treated, so that the share of true haploids cancels: a beta-binomial."""
    outcome = dhverify.plan_budget(40, sure=0.9, results=folder(season())).outcome
    units = {row.step: row.units for row in outcome.needs}
    enough, one_less = stats.betabinom.sf(39, [units["sorted as haploid"], units["sorted as haploid"] - 1], 60.5, 340.5)
    assert enough >= 0.9 > one_less
    assert outcome.kernels > units["sorted as haploid"] > units["seedlings"] > units["plants"]
    given = dhverify.plan_budget(40, sure=0.9, results=folder(season()), false_haploid_rate=0.0).outcome
    assert given.needs[0].units == given.needs[1].units  # without hybrids what is sorted is what is confirmed


def test_doubling_success_is_not_multiplied_by_survival_again(folder):
    outcome = dhverify.plan_budget(40, results=folder(season())).outcome
    induction, success = 405 / 5000, 60 / 360
    assert outcome.line_rate == pytest.approx(induction * success, rel=0.02)
    assert outcome.flow.survival == pytest.approx(0.8, rel=0.01)
    assert outcome.flow.doubling * outcome.flow.survival == pytest.approx(success, rel=0.02)
    assert outcome.flow.false_haploid_rate == pytest.approx(45 / 5000 / (1 - induction), rel=0.06)


def test_observed_rates_need_more_than_the_same_rates_known(folder):
    observed = dhverify.plan_budget(40, results=folder(season())).outcome
    known = dhverify.plan_budget(
        40,
        induction_rate=0.081,
        missed_haploid_rate=0.0,
        false_haploid_rate=0.01,
        survival=0.8,
        doubling=60 / 360 / 0.8,
    ).outcome
    assert observed.kernels > known.kernels
    assert observed.kernels_if_known == pytest.approx(known.kernels, rel=0.02)
    assert any("may be lower in truth" in note and note.endswith("D1 ears.") for note in observed.notes)
    ten_times = {"kernels": 50000, "putative": 4500, "true": 900, "judged": 1000}
    ten_times |= {"treated": 4000, "survived": 3200, "ears": 600}
    surer = dhverify.plan_budget(40, results=folder(season(**ten_times))).outcome
    assert known.kernels < surer.kernels < observed.kernels


def test_options_replace_what_was_observed(folder):
    place = folder(season())
    given = {"induction_rate": 0.1, "missed_haploid_rate": 0.05, "survival": 0.9, "doubling": 0.3}
    outcome = dhverify.plan_budget(30, results=place, false_haploid_rate=0.02, **given).outcome
    plain = dhverify.plan_budget(30, false_haploid_rate=0.02, **given).outcome
    assert outcome.plans == plain.plans
    assert {row.source for row in outcome.rates[:5]} == {"given"}


def test_a_given_doubling_multiplies_survival_and_the_share_of_true_haploids(folder):
    outcome = dhverify.plan_budget(30, results=folder(season()), doubling=0.25).outcome
    assert outcome.line_rate == pytest.approx(0.081 * 0.8 * 0.25, rel=0.02)


def test_a_given_survival_changes_doubling_success_in_ratio(folder):
    outcome = dhverify.plan_budget(30, results=folder(season()), survival=0.4).outcome
    assert outcome.line_rate == pytest.approx(405 / 5000 * 60 / 360 * 0.4 / 0.8, rel=0.03)
    assert any("in the ratio" in note for note in outcome.notes)


def test_a_given_survival_where_none_was_counted_is_for_units_only(folder):
    outcome = dhverify.plan_budget(30, results=folder(season(survived=None)), survival=0.5).outcome
    assert outcome.line_rate == pytest.approx(405 / 5000 * 60 / 360, rel=0.02)
    plants = next(row.units for row in outcome.steps if (row.plan, row.step) == ("seedlings", "plants"))
    seedlings = next(row.units for row in outcome.steps if (row.plan, row.step) == ("seedlings", "seedlings"))
    assert plants == pytest.approx(seedlings / 2)


def test_a_given_induction_rate_is_taken_with_the_observed_ears(folder):
    outcome = dhverify.plan_budget(30, results=folder(season()), induction_rate=0.1).outcome
    assert outcome.line_rate == pytest.approx(0.1 * 60 / 360, rel=0.02)
    assert any("none are taken to be missed" in note for note in outcome.notes)


def test_missed_haploids_are_left_out_of_an_observed_rate_already(folder):
    place = folder(season())
    plain = dhverify.plan_budget(30, results=place)
    more = dhverify.plan_budget(30, results=place, missed_haploid_rate=0.1)
    assert more.kernels == plain.kernels
    assert more.outcome.flow.induction_rate == pytest.approx(plain.outcome.flow.induction_rate / 0.9)
    assert any("--missed-haploid-rate does not change" in note for note in more.outcome.notes)


def test_more_ears_than_surviving_haploids_are_not_believed(folder):
    outcome = dhverify.plan_budget(30, results=folder(season(true=40, ears=250, survived=300))).outcome
    assert outcome.flow.doubling == pytest.approx(1.0)
    assert "ears of hybrids must be among them" in outcome.warnings[0]


def test_ears_that_may_be_of_hybrids_are_said(folder):
    """What the warning names is a share of surviving haploids, as --doubling is."""
    place = folder(season())
    (warning,) = dhverify.plan_budget(30, results=place).outcome.warnings
    least, now = map(float, re.search(r"give --doubling ([0-9.]+) \(.*now ([0-9.]+)\)", warning).groups())
    assert least == pytest.approx((60 / 400 - 0.1 * 0.8) / 0.9 / 0.8, abs=0.004)
    assert now == pytest.approx(60 / 360 / 0.8, abs=0.004)
    taken = dhverify.plan_budget(30, results=place, doubling=least).outcome
    assert taken.line_rate == pytest.approx(0.09 * (60 / 400 - 0.1 * 0.8), rel=0.06)  # ears of haploids only, a kernel
    assert dhverify.plan_budget(30, results=folder(season(true=100, judged=100))).outcome.warnings == ()


def test_where_every_ear_may_be_of_a_hybrid_no_rate_of_0_is_advised(folder):
    (warning,) = dhverify.plan_budget(30, results=folder(season(true=50, ears=100))).outcome.warnings
    assert "every ear may be of a hybrid" in warning
    assert "--doubling 0" not in warning


def test_a_share_is_as_uncertain_as_the_induction_rate_says():
    putative = counted_rate(450, 5000)
    low, high = product_interval(rate_of_count(450, 5000), rate_of_count(90, 100))
    assert share_behind(0.9, 100, putative, width=high - low).weight == pytest.approx(101, rel=0.1)
    low, high = product_interval(rate_of_count(450, 5000), rate_of_count(18, 20))
    assert share_behind(0.9, 100, putative, width=high - low).weight == pytest.approx(21, rel=0.25)
    assert share_behind(0.9, 100, known_rate(0.09), width=0.0) == counted_rate(90, 100)


@pytest.mark.parametrize(
    ("rows", "lacking"),
    [
        ([], ["induction_rate", "false_haploid_rate", "survival", "doubling"]),
        (season(survived=None), ["survival"]),
        (season(ears=None), ["doubling"]),
    ],
)
def test_a_folder_without_counts_is_an_error(folder, rows, lacking):
    """One message, with every rate and option that it is about."""
    with pytest.raises(InputError, match="--counts") as caught:
        dhverify.plan_budget(30, results=folder(rows))
    (defect,) = caught.value.defects
    assert defect.where == ", ".join(lacking)
    assert all("--" + name.replace("_", "-") in defect.expected for name in lacking)


def test_counts_without_judged_haploids_are_told_so(folder):
    """A folder of D1 lines has counts; what it lacks is the share of true haploids."""
    rows = [row for row in season() if row.measure in {"putative_haploid_rate", "survival"}]
    with pytest.raises(InputError) as caught:
        dhverify.plan_budget(30, results=folder(rows))
    (defect,) = caught.value.defects
    assert defect.where == "induction_rate, false_haploid_rate, doubling"
    assert "judged lines of stage haploid" in defect.expected
    assert "--counts" not in defect.expected
    with pytest.raises(InputError) as caught:
        dhverify.plan_budget(30, results=folder(season()[:2]))
    assert [defect.where for defect in caught.value.defects] == [
        "induction_rate, false_haploid_rate, doubling",
        "survival",
    ]


def test_options_stand_in_for_what_the_folder_lacks(folder):
    assert dhverify.plan_budget(30, results=folder(season(ears=None)), doubling=0.2).kernels > 30
    given = {"induction_rate": 0.1, "false_haploid_rate": 0.01, "survival": 0.5, "doubling": 0.2}
    assert dhverify.plan_budget(30, results=folder([]), **given).kernels > 30


@pytest.mark.parametrize(
    ("changed", "where"),
    [({"ears": 0}, "doubling"), ({"survived": 0}, "survival"), ({"putative": 0, "true": 0}, "induction_rate")],
)
def test_nothing_observed_makes_no_line(folder, changed, where):
    given = {"doubling": 0.2, "false_haploid_rate": 0.1}
    if where == "doubling":
        del given["doubling"]
    with pytest.raises(InputError, match="no line is possible") as caught:
        dhverify.plan_budget(30, results=folder(season(**changed)), **given)
    assert [defect.where for defect in caught.value.defects] == [where]


def test_false_haploids_without_hybrid_kernels(folder):
    """Where every kernel is a haploid there is no hybrid to be sorted wrong."""
    outcome = dhverify.plan_budget(3, results=folder(season()), induction_rate=1.0).outcome
    assert outcome.flow.false_haploid_rate == 0.0


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("by,group,measure\n", "no column count"),
        ("by,measure,count,of,low,high\nall,survival,x,9,0,1\n", "row 2, column count: found x"),
        ("by,measure,count,of,low,high\nall,survival,inf,9,0,1\n", "row 2, column count: found inf"),
        ("by,measure,count,of,low,high\nall,survival,-1,9,0,1\n", "row 2, column count: found -1"),
        ("by,measure,count,of,low,high\nall,survival,1,0,0,1\n", "row 2, column of: found 0"),
        ("by,measure,count,of,low,high\nall,survival,1,9,0.5,0.1\n", "found 0.5 and 0.1"),
    ],
)
def test_an_account_that_is_damaged_is_named(folder, text, message):
    with pytest.raises(FormatError, match=message):
        read_observed_programme(folder([], text=text))


def test_a_measure_without_figures_is_not_known(folder):
    text = "by,measure,count,of,low,high\nall,survival,,,,\n"
    assert read_observed_programme(folder([], text=text)).survival is None


def test_only_the_folder_of_a_check_is_read(folder, tmp_path):
    with pytest.raises(FormatError, match=r"no summary\.json"):
        read_observed_programme(tmp_path)
    with pytest.raises(FormatError, match="another kind"):
        read_observed_programme(folder([], kind="dhverify budget"))
    place = folder([])
    (place / "summary.json").write_text("{")
    with pytest.raises(FormatError, match="Expecting property name"):
        read_observed_programme(place)
    (place / "summary.json").write_text("[]")
    with pytest.raises(FormatError, match="another kind"):
        read_observed_programme(place)


def test_what_is_known_exactly_gives_no_reason():
    rates = programme_rates(
        BudgetRequest(
            lines=5, induction_rate=0.1, false_haploid_rate=0.0, missed_haploid_rate=0.0, survival=1.0, doubling=0.5
        ),
        ObservedProgramme(source="results"),
    )
    assert rates.least_known == ""
    assert rates.line_of_kernel.values.tolist() == [0.05]


def test_a_rate_that_was_not_checked_is_a_fault():
    with pytest.raises(ValueError, match="checked to be there"):
        _present(None)


def test_an_incomplete_request_without_a_folder_names_the_options():
    with pytest.raises(InputError, match="--from RESULTS") as caught:
        plan_programme(BudgetRequest(lines=5, survival=0.5))
    assert len(caught.value.defects) == 4
