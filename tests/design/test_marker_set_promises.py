"""What a set promises is what a check keeps, and what it does not promise is said."""

from __future__ import annotations

import json
from dataclasses import replace

import marker_set_material as material
import numpy as np
import pandas as pd
import pytest
from test_marker_set_retests import part_of

import dhverify
from dhverify.cli.main import main
from dhverify.design.marker_set import choose_marker_set
from dhverify.design.marker_set_crosses import design_crosses
from dhverify.design.marker_set_request import MarkerSetRequest
from dhverify.errors import InputError
from dhverify.limits import Limits

LEAST = Limits().min_diagnostic_markers
GOOD = {"haploid", "doubled haploid"}


@pytest.fixture(scope="module")
def programme(tmp_path_factory):
    """Genotypes, sheet and truth of three donors."""
    folder = tmp_path_factory.mktemp("promises")
    dhverify.simulate(folder, n_donors=3, lines_per_donor=45, n_markers=300, seed=3)
    sheet = dhverify.read_samples(folder / "samples.csv")
    genotypes = dhverify.read_genotypes([folder / "genotypes.vcf.gz"], sheet=sheet)
    return genotypes, sheet, pd.read_csv(folder / "truth.csv").set_index("sample")


def checked(genotypes, sheet, result):
    """Lines as a check on the chosen markers alone judges them."""
    is_chosen = np.isin(genotypes.markers.name.astype(str), result.chosen["marker"].tolist())
    return dhverify.check(part_of(genotypes, np.flatnonzero(is_chosen)), sheet).lines.set_index("sample")


def test_a_check_on_the_chosen_set_keeps_what_was_promised(programme):
    genotypes, sheet, truth = programme
    result = dhverify.choose_markers(genotypes, sheet, spare=1)
    assert (result.crosses["diagnostic"] >= LEAST + 1).all()
    assert result.summary["settings"]["min_diagnostic_markers"] == LEAST
    lines = checked(genotypes, sheet, result)
    made = truth.loc[lines.index]
    good = lines[made["finding"].isin(GOOD) & made["segments"].isna() & made["contaminant"].isna()]
    assert len(good) > 100
    assert (good["verdict"] == "pass").mean() > 0.95
    assert not (lines.loc[made["finding"] == "hybrid", "verdict"] == "pass").any()
    held_back = good[good["verdict"] == "retest"]
    assert not held_back["reasons"].str.contains("segments could not be looked for").any()
    (said,) = (warning for warning in result.summary["warnings"] if warning.startswith("Not covered"))
    assert all(word in said for word in ("another donor", "outcrosses", "inducer segments", "retest"))


def test_few_diagnostic_markers_are_said_of_each_cross(programme):
    genotypes, sheet, _ = programme
    plain = dhverify.choose_markers(genotypes, sheet, min_diagnostic_markers=0)
    few = plain.crosses[plain.crosses["diagnostic"] < LEAST]
    told = [warning for warning in plain.summary["warnings"] if "min_diagnostic_markers" in warning]
    assert len(told) == len(few) > 0
    assert f"{few['diagnostic'].iloc[0]} of the chosen markers are diagnostic" in told[0]
    assert "candidates have enough" in told[0]
    asked = dhverify.choose_markers(genotypes, sheet)
    assert not any("min_diagnostic_markers" in warning for warning in asked.summary["warnings"])
    assert asked.outcome.lower_bound >= plain.outcome.lower_bound


def test_a_cross_without_enough_diagnostic_candidates_gets_those_there_are():
    n = 60
    genotypes, sheet = material.material(n_markers=n, seed=3)
    calls = genotypes.calls.copy()
    first = np.flatnonzero(design_crosses(genotypes, sheet)[0].is_diagnostic)
    calls[:5, first[3:]] = 0
    genotypes = replace(genotypes, calls=calls)
    outcome = choose_marker_set(genotypes, sheet, MarkerSetRequest(goal="haploid", min_diagnostic_markers=LEAST))
    (row,) = outcome.crosses
    assert row.diagnostic == row.candidate_diagnostic == 3
    assert any("the candidates have 3." in warning for warning in outcome.warnings)
    with pytest.raises(InputError, match="min_diagnostic_markers"):
        MarkerSetRequest(min_diagnostic_markers=-1)


def test_segments_out_of_reach_do_not_cost_miss_and_false_fail():
    """What the size leaves over goes to segments only after the errors are met."""
    pedigrees = ("P0/P1", "P2/P3")
    genotypes, sheet = material.material(n_markers=120, pedigrees=pedigrees, seed=4)
    plain = choose_marker_set(genotypes, sheet, MarkerSetRequest(miss=0.01, false_fail=0.01))
    size = len(plain.chosen) + 6
    request = MarkerSetRequest(miss=0.01, false_fail=0.01, size=size, segment_cm=30, segment_power=0.9)
    outcome = choose_marker_set(genotypes, sheet, request)
    assert len(outcome.chosen) == size
    for row in outcome.crosses:
        assert max(row.miss, row.false_fail) <= 0.01
        assert not row.met
        assert "Segments of 30 cM" in row.reason
        assert "Telling" not in row.reason


def test_what_is_said_on_the_screen_and_in_the_folder(tmp_path, capsys):
    """What is not covered, and the error rates; and retests.csv is there when nothing can be settled."""
    dhverify.simulate(tmp_path / "season", n_donors=1, lines_per_donor=8, n_markers=80, seed=2)
    files = [str(tmp_path / "season" / "genotypes.vcf.gz"), "--samples", str(tmp_path / "season" / "samples.csv")]
    assert main(["check", *files, "--out", str(tmp_path / "results"), "--quiet"]) == 0
    capsys.readouterr()
    more = ["--goal", "haploid", "--from", str(tmp_path / "results"), "--error-rate", "0.02"]
    assert main(["markers", *files, "--out", str(tmp_path / "panel"), *more]) == 0
    shown = capsys.readouterr()
    assert "Not covered by this goal: selfed hybrids" in shown.out
    assert "Not covered" not in shown.err
    assert "2 % of calls wrong" in shown.out
    assert "no line is left for a retest" not in shown.out
    assert (tmp_path / "panel" / "retests.csv").read_text(encoding="utf-8").startswith("size,marker,settled")
    assert json.loads((tmp_path / "panel" / "summary.json").read_text(encoding="utf-8"))["warnings"]


def test_notebooks_show_the_answer():
    genotypes, sheet = material.material(n_markers=60, seed=3)
    panel = dhverify.choose_markers(genotypes, sheet, goal="haploid")._repr_html_()
    assert f"<strong>{len(dhverify.choose_markers(genotypes, sheet, goal='haploid').chosen)} markers" in panel
    assert "D0 x I0" in panel
    rates = {"induction_rate": 0.1, "false_haploid_rate": 0.02, "missed_haploid_rate": 0.0, "survival": 0.8}
    season = dhverify.plan_budget(20, **rates, doubling=0.2)
    text = season._repr_html_()
    assert f"{season.kernels:,} kernels" in text
    assert "highly toxic" in text
    assert text.count("<tr>") == 6
