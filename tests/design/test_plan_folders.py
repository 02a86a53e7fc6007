"""Folders of the two plans: their summaries fit the shipped schemas, and no file of the user is ever deleted."""

from __future__ import annotations

import json

import jsonschema
import marker_set_material as material
import pytest

import dhverify
from dhverify.cli.main import main
from dhverify.errors import OutputError
from dhverify.report.budget_folder import BUDGET, budget_schema
from dhverify.report.marker_set_folder import MARKER_SET, marker_set_schema

RATES = {
    "induction_rate": 0.1,
    "false_haploid_rate": 0.02,
    "missed_haploid_rate": 0.05,
    "survival": 0.8,
    "doubling": 0.2,
}


def budget(**more):
    return dhverify.plan_budget(20, **{**RATES, **more})


def markers(**more):
    genotypes, sheet = material.material(n_markers=60, seed=3)
    return dhverify.choose_markers(genotypes, sheet, goal="haploid", **more)


KINDS = [
    pytest.param(budget, BUDGET, budget_schema, id="budget"),
    pytest.param(markers, MARKER_SET, marker_set_schema, id="markers"),
]


@pytest.mark.parametrize(("make", "kind", "schema"), KINDS)
def test_summaries_fit_their_schemas(make, kind, schema, tmp_path):
    jsonschema.Draft202012Validator.check_schema(schema())
    written = json.loads((make().write(tmp_path / "plan") / "summary.json").read_text(encoding="utf-8"))
    assert written["kind"] == kind.kind
    assert set(schema()["required"]) == set(written)
    jsonschema.validate(written, schema())
    for name in schema()["required"]:
        lacking = {key: value for key, value in written.items() if key != name}
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(lacking, schema())


def test_summaries_of_every_setting_fit_too():
    jsonschema.validate(
        budget(hybrid_survival=0.1, rogued=1.0, costs={"assay": 2, "unit": "hours"}).summary, budget_schema()
    )
    hard = markers(
        size=2, spare=1, identity=True, segment_cm=40, segment_power=0.9, require=("M0001",), avoid=("M0002",)
    )
    assert hard.summary["gap"] is None
    jsonschema.validate(hard.summary, marker_set_schema())
    wrong = {**hard.summary, "gap": -1}
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(wrong, marker_set_schema())


@pytest.mark.parametrize(("make", "kind", "schema"), KINDS)
def test_a_file_of_the_user_is_never_deleted(make, kind, schema, tmp_path):
    del schema
    plan = make()
    folder = plan.write(tmp_path / "plan")
    assert {file.name for file in folder.iterdir()} <= kind.files
    with pytest.raises(OutputError, match="--force"):
        plan.write(folder)
    plan.write(folder, force=True)
    (folder / "my notes.txt").write_text("mine")
    with pytest.raises(OutputError, match="never replaced"):
        plan.write(folder, force=True)
    assert (folder / "my notes.txt").read_text() == "mine"


def test_a_plan_does_not_replace_a_plan_of_another_kind(tmp_path):
    folder = budget().write(tmp_path / "plan")
    with pytest.raises(OutputError, match="never replaced"):
        markers().write(folder, force=True)
    assert BUDGET.is_of_kind(folder)


@pytest.fixture
def files(tmp_path):
    """Parents and an inducer as files, and a sheet; the sheet names a parent that was not typed if asked."""
    calls = tmp_path / "parents.csv"
    calls.write_text("marker,Amo,Bel,Indo\nm1,AA,CC,CC\nm2,AA,AA,CC\nm3,AA,CC,AA\n")

    def make(pedigree="Amo/Bel", inducer="Indo"):
        sheet = tmp_path / "samples.csv"
        sheet.write_text(f"sample,role,pedigree\nF1,donor,{pedigree}\n{inducer},inducer,\n")
        return ["markers", str(calls), "--samples", str(sheet), "--out", str(tmp_path / "panel")]

    return make


def refused(arguments, capsys):
    """Run a command that must be refused with one message."""
    assert main(arguments) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.startswith("dhverify: ")
    return shown.err


def test_no_parent_typed(files, capsys, tmp_path):
    assert "Xan, Yod" in refused(files("Xan/Yod"), capsys)
    assert not (tmp_path / "panel").exists()


def test_all_unknown_names_at_once(files, capsys, tmp_path):
    require, avoid = tmp_path / "require.txt", tmp_path / "avoid.txt"
    require.write_text("m1\nnobody\n")
    avoid.write_text("no one\n")
    told = refused([*files(), "--require", str(require), "--avoid", str(avoid)], capsys)
    assert "--require, marker nobody" in told
    assert "--avoid, marker no one" in told
    assert "m1" not in told


def test_all_wrong_settings_at_once(files, capsys):
    told = refused([*files(), "--miss", "2", "--false-fail", "0", "--dropout", "1", "--segment-power", "0.5"], capsys)
    assert all(option in told for option in ("--miss", "--false-fail", "--dropout", "--segment-cm"))


def test_few_markers_are_named_as_not_enough(files, capsys, tmp_path):
    """Three markers cannot verify anything: said on the screen and in the summary, and still exit 0."""
    assert main(files()) == 0
    shown = capsys.readouterr()
    assert "No cross reaches what was asked" in shown.out
    assert "F1 x Indo: Telling a hybrid from a clean line" in shown.out
    assert "no limit can be reached" in shown.out
    assert "all candidates together come to" in shown.out
    summary = json.loads((tmp_path / "panel" / "summary.json").read_text())
    assert any("F1 x Indo" in warning for warning in summary["warnings"])
