"""The command, the folder it writes, and the call from Python."""

from __future__ import annotations

import csv
import json
import re

import pytest

import dhverify
from dhverify.cautions import DOUBLING_CAUTION
from dhverify.cli.main import main
from dhverify.design.budget_outcome import FlipRow
from dhverify.report.budget_figure import span_shown
from dhverify.report.budget_folder import BUDGET
from dhverify.report.page.budget import cost_text, sure

RATES = {
    "--induction-rate": "0.1",
    "--false-haploid-rate": "0.05",
    "--missed-haploid-rate": "0.05",
    "--survival": "0.8",
    "--doubling": "0.2",
}
COSTS = 'kernel = 0.01\nseedling = 0.2\nplant = 0.5\nassay = 2\nunit = "$"\n'


def arguments(*more, lines="20", **changed):
    rates = {**RATES, **{"--" + name.replace("_", "-"): value for name, value in changed.items()}}
    return ["budget", "--lines", lines, *(text for pair in rates.items() for text in pair), *map(str, more)]


@pytest.fixture
def costs(tmp_path):
    file = tmp_path / "costs.toml"
    file.write_text(COSTS)
    return file


def test_the_answer_is_printed_in_words(costs, capsys):
    assert main(arguments("--costs", costs)) == 0
    shown = capsys.readouterr()
    assert re.match(r"Sort [\d,]+ kernels to have at least 20 true lines with a probability of 9\d", shown.out)
    assert "The cheapest plan that lets no wrong line through is 'D1': genotype every D1 ear" in shown.out
    assert "genotyping pays as soon as a wrong line" in shown.out
    assert "hybrids would be" in shown.out
    assert "Report:" not in shown.out
    assert DOUBLING_CAUTION in shown.out
    assert shown.err == ""


def test_the_folder_has_the_tables(costs, tmp_path, capsys):
    out = tmp_path / "plan"
    assert main(arguments("--costs", costs, "--out", out, "--quiet")) == 0
    assert capsys.readouterr().out == ""
    names = {file.name for file in out.iterdir()}
    assert names >= {"budget.csv", "plans.csv", "sensitivity.csv", "sensitivity.svg", "summary.json", "report.html"}
    header, *rows = csv.reader((out / "plans.csv").read_text().splitlines())
    assert header == [
        "plan",
        "kernels",
        "seedlings",
        "assays",
        "cost",
        "probability",
        "expected_lines",
        "expected_wrong_lines",
    ]
    assert [row[0] for row in rows] == ["none", "seedlings", "D0", "D1", "seedlings and D1"]
    header, *rows = csv.reader((out / "budget.csv").read_text().splitlines())
    assert header == ["plan", "step", "units", "cost"]
    summary = json.loads((out / "summary.json").read_text())
    assert summary["kind"] == "dhverify budget"
    assert summary["cheapest"] == "D1"
    assert summary["caution"] == DOUBLING_CAUTION
    page = (out / "report.html").read_text()
    assert "authorised disposer" in page
    assert "<svg" in page
    assert "<?xml" not in page


def test_the_same_input_gives_the_same_bytes(costs, tmp_path):
    for name in ("one", "two"):
        assert main(arguments("--costs", costs, "--out", tmp_path / name, "--quiet")) == 0
    for file in (tmp_path / "one").iterdir():
        assert file.read_bytes() == (tmp_path / "two" / file.name).read_bytes(), file.name


def test_a_folder_in_use_is_refused_unless_forced(tmp_path, capsys):
    out = tmp_path / "plan"
    assert main(arguments("--out", out)) == 0
    assert capsys.readouterr().out.splitlines()[-1] == f"Report: {out / 'report.html'}"
    assert main(arguments("--out", out)) == 2
    assert "--force" in capsys.readouterr().err
    assert main(arguments("--out", out, "--force", "--quiet", lines="30")) == 0
    assert json.loads((out / "summary.json").read_text())["lines"] == 30
    other = tmp_path / "other"
    other.mkdir()
    (other / "notes.txt").write_text("mine")
    assert main(arguments("--out", other, "--force")) == 2
    assert [file.name for file in other.iterdir()] == ["notes.txt"]
    (other / "summary.json").write_text("[]")
    assert not BUDGET.is_of_kind(other)


@pytest.mark.parametrize(
    ("changed", "found"),
    [
        ({"lines": "0"}, "--lines: found 0"),
        ({"lines": "2.5"}, "--lines: found 2.5; expected a whole number"),
        ({"sure": "1"}, "--sure: found 1.0"),
        ({"induction_rate": "1.2"}, "--induction-rate: found 1.2"),
        ({"induction_rate": "0"}, "no line is possible"),
        ({"missed_haploid_rate": "1"}, "no line is possible"),
        ({"survival": "0"}, "no line is possible"),
        ({"doubling": "0"}, "no line is possible"),
        ({"doubling": "nan"}, "--doubling: found nan"),
        ({"false_haploid_rate": "-0.1"}, "--false-haploid-rate: found -0.1"),
        ({"rogued": "7"}, "--rogued: found 7.0"),
        ({"hybrid_survival": "7"}, "--hybrid-survival: found 7.0"),
        ({"doubling": "1e-14"}, "a million million units"),
    ],
)
def test_bad_numbers_end_with_one_message(changed, found, tmp_path, capsys):
    out = tmp_path / "plan"
    assert main(arguments("--out", out, **changed)) == 2
    shown = capsys.readouterr()
    assert found in shown.err
    assert shown.out == ""
    assert not out.exists()


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("assays = 2\n", "cost assays: found an unknown name; expected a name of a cost: did you mean assay?"),
        ("assay = -2\n", "cost assay: found -2"),
        ("assay = nan\n", "cost assay: found nan"),
        ("assay two\n", "expected TOML"),
        ("[assay]\nx = 1\n", "cost assay"),
    ],
)
def test_bad_costs_end_with_one_message(text, found, costs, tmp_path, capsys):
    costs.write_text(text)
    out = tmp_path / "plan"
    assert main(arguments("--costs", costs, "--out", out)) == 2
    shown = capsys.readouterr()
    assert shown.err.startswith(f"dhverify: {costs}: ")
    assert found in shown.err
    assert len(shown.err.splitlines()) == 1
    assert not out.exists()


def test_rates_that_are_lacking_are_named(capsys):
    assert main(["budget", "--lines", "5"]) == 2
    assert capsys.readouterr().err.count("--from RESULTS") == 5


def test_from_a_folder_of_a_check(tmp_path, capsys):
    demo, results = tmp_path / "demo", tmp_path / "results"
    assert main(["simulate", str(demo), "--donors", "2", "--lines", "20", "--markers", "150", "--quiet"]) == 0
    files = [str(demo / "genotypes.vcf.gz"), "--samples", str(demo / "samples.csv"), "--out", str(results), "--quiet"]
    assert main(["check", *files, "--counts", str(demo / "counts.csv")]) == 0
    capsys.readouterr()
    assert main(["budget", "--lines", "25", "--from", str(results)]) == 0
    shown = capsys.readouterr().out
    assert "were that known exactly" in shown
    assert "may be lower in truth" in shown
    account = {
        row["measure"]: row
        for row in csv.DictReader((results / "account.csv").read_text().splitlines())
        if row["by"] == "all"
    }
    putative, kernels, ears, treated = (
        float(account[measure][column])
        for measure, column in (
            ("putative_haploid_rate", "count"),
            ("putative_haploid_rate", "of"),
            ("doubling_success", "count"),
            ("survival", "of"),
        )
    )
    outcome = dhverify.plan_budget(25, results=results).outcome
    q = (putative + 0.5) / (kernels + 1) * (ears + 0.5) / (treated + 1)
    assert outcome.line_rate == pytest.approx(q, rel=0.001)
    rates = {name: float(account[name]["rate"]) for name in ("induction_rate", "survival", "doubling_success")}
    known = dhverify.plan_budget(
        25,
        induction_rate=rates["induction_rate"],
        missed_haploid_rate=0.0,
        false_haploid_rate=0.01,
        survival=rates["survival"],
        doubling=rates["doubling_success"] / rates["survival"],
    )
    assert outcome.kernels > known.kernels


def test_warnings_go_to_the_error_stream(tmp_path, capsys):
    place = tmp_path / "results"
    place.mkdir()
    (place / "summary.json").write_text('{"kind": "dhverify check"}')
    (place / "account.csv").write_text(
        "by,measure,count,of,low,high\n"
        "all,hybrids_among_putative_haploids,40,100,0.3,0.5\n"
        "all,putative_haploid_rate,450,5000,0.08,0.1\n"
        "all,induction_rate,270,5000,0.045,0.064\n"
        "all,survival,320,400,0.76,0.84\n"
        "all,doubling_success,100,240,0.33,0.52\n"
    )
    assert main(["budget", "--lines", "5", "--from", str(place)]) == 0
    assert capsys.readouterr().err.startswith("warning: Doubling success of the folder counts every D1 ear")


def test_the_result_has_its_tables_as_frames(tmp_path):
    rates = {name.lstrip("-").replace("-", "_"): float(value) for name, value in RATES.items()}
    result = dhverify.plan_budget(20, costs={"assay": 2, "plant": 1, "seedling": 9}, **rates)
    assert list(result.plans.plan) == ["none", "seedlings", "D0", "D1", "seedlings and D1"]
    assert set(result.budget.columns) == {"plan", "step", "units", "cost"}
    assert result.sensitivity.cheapest.isin(["yes", "no"]).all()
    assert list(result.needs.step) == ["sorted as haploid", "seedlings", "plants"]
    assert len(result.rates) == 7
    assert result.summary["kernels"] == result.kernels
    assert len(result.flips) == len(result.outcome.flips)
    assert len(result.plot_sensitivity().lines) >= 6
    assert "cheapest plan" in repr(result)
    assert (result.write(tmp_path / "plan") / "plans.csv").exists()
    with pytest.raises(TypeError):
        dhverify.plan_budget(20, survivals=0.5)


def shown_for(costs=None, **changed):
    from dhverify.report.page.budget import closing_lines

    rates = {name.lstrip("-").replace("-", "_"): float(value) for name, value in RATES.items()}
    outcome = dhverify.plan_budget(20, costs=costs, **{**rates, **changed}).outcome
    return outcome, "\n".join(closing_lines(outcome))


def test_sentences_for_every_outcome():
    _, text = shown_for()
    assert "No costs were given; the plan with fewest assays" in text
    _, text = shown_for({"plant": 50.0, "assay": 0.1})
    assert "it would cost no less" in text
    _, text = shown_for({"assay": 1.0}, false_haploid_rate=0.0)
    assert "'none': genotype nowhere" in text
    assert "would be expected beside" not in text
    _, text = shown_for({"kernel": 1.0})
    assert "no single rate would change the choice" in text
    assert sure(0.9995) == "over 99.9 %"


def test_a_flip_below_the_present_rate_is_said_too():
    outcome, text = shown_for({"kernel": 0.01, "seedling": 0.2, "plant": 0.5, "assay": 2.0}, false_haploid_rate=0.6)
    assert outcome.best == "D0"
    assert "The choice flips to 'D1' where the rate of hybrid kernels sorted as haploid is below" in text
    assert span_shown(outcome) == 1.0
    (flip,) = [row for row in outcome.flips if row.rate == "false_haploid_rate"]
    assert isinstance(flip, FlipRow)


def test_costs_for_people():
    outcome, _ = shown_for({"assay": 1.0, "unit": "hours"})
    assert cost_text(1234.5, outcome) == "1,234 hours"
    assert cost_text(0.0425, outcome) == "0.0425 hours"
