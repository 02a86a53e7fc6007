"""The command, its folder, segments, and settling the retests of an earlier check."""

from __future__ import annotations

import json
from dataclasses import replace

import marker_set_material as material
import numpy as np
import pandas as pd
import pytest

import dhverify
from dhverify.cli.main import main
from dhverify.design.marker_set import choose_marker_set
from dhverify.design.marker_set_crosses import design_crosses
from dhverify.design.marker_set_request import MarkerSetRequest
from dhverify.design.marker_set_rows import candidates_of
from dhverify.design.marker_set_segments import SegmentModel
from dhverify.errors import FormatError
from dhverify.genetic_map import place_markers
from dhverify.report.marker_results import read_marker_results
from dhverify.report.page.marker_set import marker_set_page


@pytest.fixture(scope="module")
def programme(tmp_path_factory):
    folder = tmp_path_factory.mktemp("programme")
    dhverify.simulate(folder / "sim", n_donors=2, lines_per_donor=12, n_markers=120, seed=4)
    return folder / "sim"


def run(programme, out, *more):
    files = [str(programme / "genotypes.vcf.gz"), "--samples", str(programme / "samples.csv")]
    return main(["markers", *files, "--out", str(out), *more])


def test_folder(programme, tmp_path, capsys):
    out = tmp_path / "panel"
    assert run(programme, out, "--goal", "haploid", "--spare", "1") == 0
    said = capsys.readouterr().out
    chosen, crosses = (pd.read_csv(out / f"{name}.csv") for name in ("chosen", "crosses"))
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert sorted(path.name for path in out.iterdir()) == ["chosen.csv", "crosses.csv", "report.html", "summary.json"]
    assert list(chosen)[:5] == ["marker", "chrom", "pos", "order", "crosses"]
    assert list(crosses)[:8] == [
        *("donor", "inducer", "diagnostic", "segregating", "miss", "false_fail", "segment_power", "met"),
    ]
    assert chosen["order"].tolist() == list(range(1, len(chosen) + 1))
    assert summary["chosen"] == len(chosen)
    assert summary["lower_bound"] <= summary["chosen"]
    assert summary["settings"]["spare"] == 1
    assert str(summary["lower_bound"]) in said
    page = (out / "report.html").read_text(encoding="utf-8")
    assert 'role="img"' in page
    assert all(marker in page for marker in chosen["marker"])
    assert (crosses["miss_spare"] <= 0.001).all()
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    assert run(programme, out, "--goal", "haploid", "--spare", "1") == 2
    assert "--force" in capsys.readouterr().err
    assert run(programme, out, "--goal", "haploid", "--spare", "1", "--force", "--quiet") == 0
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    assert capsys.readouterr().out == ""


def test_names_files(programme, tmp_path, capsys):
    names = tmp_path / "names.txt"
    names.write_text("nobody\n\nno one\n", encoding="utf-8")
    assert run(programme, tmp_path / "a", "--avoid", str(names)) == 2
    error = capsys.readouterr().err
    assert "--avoid" in error
    assert "nobody" in error
    assert "no one" in error
    assert not (tmp_path / "a").exists()
    names.write_text("m001\n", encoding="utf-8")
    assert run(programme, tmp_path / "b", "--require", str(names), "--goal", "haploid", "--quiet") == 0
    assert pd.read_csv(tmp_path / "b" / "chosen.csv")["marker"].iloc[0] == "m001"


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--miss", "1.5"], "--miss"),
        (["--segment-cm", "20"], "--segment-power"),
        (["--size", "0"], "--size"),
        (["--spare", "99"], "--spare"),
        (["--error-rate", "0.9"], "--error-rate"),
    ],
)
def test_bad_options(programme, tmp_path, capsys, options, message):
    assert run(programme, tmp_path / "x", *options) == 2
    error = capsys.readouterr().err.strip()
    assert message in error
    assert error.count("\n") <= 1
    assert not (tmp_path / "x").exists()


def test_other_folders_are_never_replaced(programme, tmp_path, capsys):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "summary.json").write_text("[]", encoding="utf-8")
    assert run(programme, tmp_path / "mine", "--force") == 2
    (tmp_path / "mine" / "summary.json").write_text("no json", encoding="utf-8")
    assert run(programme, tmp_path / "mine", "--force") == 2
    assert "other files" in capsys.readouterr().err


def test_segment_power_against_every_start():
    genotypes, sheet = material.material(n_markers=90, seed=7)
    crosses = design_crosses(genotypes, sheet)
    candidates = candidates_of(place_markers(genotypes.markers), np.zeros(90, dtype=bool))
    model = SegmentModel(crosses, candidates, 0.6)
    chosen = list(range(0, 90, 1))
    seen = total = 0
    for chain in range(10):
        here = candidates.chain == chain
        end = candidates.morgan[here].max()
        starts = np.linspace(0, end - 0.6, 20001) if end > 0.6 else []
        spots = np.sort(candidates.morgan[here & crosses[0].is_diagnostic])
        for start in starts:
            inside = np.searchsorted(spots, start + 0.6, side="right") - np.searchsorted(spots, start)
            seen += (inside >= 3) * (end - 0.6)
            total += end - 0.6
    assert model.power(0, chosen) == pytest.approx(seen / total, abs=0.001)
    assert model.filled(model.counts(chosen))[0] <= 1
    assert model.power_after_failures(0, chosen, 1) < model.power(0, chosen)
    assert SegmentModel(crosses, candidates, 9.0).power(0, chosen) == 0.0
    assert SegmentModel(crosses, candidates, 9.0).reach().sum() == 0.0


def test_segments_are_asked_for_and_said_when_out_of_reach():
    genotypes, sheet = material.material(n_markers=200, seed=7)
    request = MarkerSetRequest(goal="haploid", segment_cm=70, segment_power=0.4)
    outcome = choose_marker_set(genotypes, sheet, request)
    assert outcome.crosses[0].met
    assert outcome.crosses[0].segment_power >= 0.4
    assert 3 < outcome.lower_bound <= len(outcome.chosen)
    spared = choose_marker_set(genotypes, sheet, replace(request, spare=1, segment_power=0.3))
    assert spared.crosses[0].met
    sparse = choose_marker_set(genotypes, sheet, replace(request, segment_cm=5, segment_power=0.99))
    row = sparse.crosses[0]
    assert not row.met
    assert row.segment_power <= row.best_segment_power < 0.99
    assert "Segments of 5 cM" in row.reason
    short = choose_marker_set(genotypes, sheet, replace(request, segment_cm=900, segment_power=0.99))
    assert not short.crosses[0].met


@pytest.fixture(scope="module")
def checked(programme, tmp_path_factory):
    folder = tmp_path_factory.mktemp("checked") / "results"
    sheet = dhverify.read_samples(programme / "samples.csv")
    genotypes = dhverify.read_genotypes([programme / "genotypes.vcf.gz"], sheet=sheet)
    dhverify.check(genotypes, sheet).write(folder)
    return folder


def test_from_results(programme, checked, tmp_path, capsys):
    assert run(programme, tmp_path / "next", "--goal", "haploid", "--from", str(checked)) == 0
    summary = json.loads((tmp_path / "next" / "summary.json").read_text(encoding="utf-8"))
    rates = json.loads((checked / "summary.json").read_text(encoding="utf-8"))["error_rates"]
    learnt = rates["hom_to_het"] + rates["hom_to_other_hom"]
    assert summary["settings"]["error_rate"] == pytest.approx(max(learnt, 1e-4))
    assert "earlier check" in summary["error_rates_from"]
    capsys.readouterr()
    markers, lines = (pd.read_csv(checked / f"{name}.csv", keep_default_na=False) for name in ("markers", "lines"))
    bad = markers["marker"].iloc[0]
    markers.loc[:, "usable"] = "yes"
    markers.loc[:60, "usable"] = "no"
    lines.loc[:1, ["verdict", "finding", "flags", "confidence"]] = ["retest", "haploid", "", 0.7]
    changed = tmp_path / "changed"
    changed.mkdir()
    (changed / "summary.json").write_bytes((checked / "summary.json").read_bytes())
    markers.to_csv(changed / "markers.csv", index=False)
    lines.to_csv(changed / "lines.csv", index=False)
    found = read_marker_results(changed)
    assert bad in found.bad_markers
    assert len(found.retests.lines) >= 2
    markers.iloc[:20].to_csv(changed / "markers.csv", index=False)
    assert run(programme, tmp_path / "more", "--goal", "haploid", "--from", str(changed), "--error-rate", "0.02") == 0
    assert "further marker" in capsys.readouterr().out
    assert json.loads((tmp_path / "more" / "summary.json").read_text())["settings"]["error_rate"] == 0.02
    assert pd.read_csv(tmp_path / "more" / "retests.csv")["lines"].iloc[0] >= 2
    assert "Further markers" in (tmp_path / "more" / "report.html").read_text(encoding="utf-8")


def test_from_what_is_no_check(programme, checked, tmp_path, capsys):
    assert run(programme, tmp_path / "x", "--from", str(programme)) == 2
    assert "no summary.json" in capsys.readouterr().err
    wrong = tmp_path / "wrong"
    wrong.mkdir()
    for text, message in (("{", "file"), ('{"kind": "other"}', "another kind")):
        (wrong / "summary.json").write_text(text, encoding="utf-8")
        with pytest.raises(FormatError, match=message):
            read_marker_results(wrong)
    summary = json.loads((checked / "summary.json").read_text(encoding="utf-8"))
    summary["error_rates"]["dropout"] = "much"
    (wrong / "summary.json").write_text(json.dumps(summary), encoding="utf-8")
    for name in ("markers.csv", "lines.csv"):
        (wrong / name).write_bytes((checked / name).read_bytes())
    with pytest.raises(FormatError, match="dropout"):
        read_marker_results(wrong)
    summary["error_rates"] = []
    (wrong / "summary.json").write_text(json.dumps(summary), encoding="utf-8")
    with pytest.raises(FormatError, match="hom_to_het"):
        read_marker_results(wrong)
    lines = pd.read_csv(checked / "lines.csv", keep_default_na=False, dtype=str)
    lines.loc[0, ["verdict", "called_markers"]] = ["retest", "many"]
    lines.to_csv(wrong / "lines.csv", index=False)
    summary = json.loads((checked / "summary.json").read_text(encoding="utf-8"))
    (wrong / "summary.json").write_text(json.dumps(summary), encoding="utf-8")
    with pytest.raises(FormatError, match="called_markers: found many; expected a whole number"):
        read_marker_results(wrong)
    (wrong / "markers.csv").write_text("marker\nx\n", encoding="utf-8")
    with pytest.raises(FormatError, match="no column usable"):
        read_marker_results(wrong)


def test_page_of_a_hard_case():
    genotypes, sheet = material.material(n_markers=60, pedigrees=("P0/P1", "P2/P3"), seed=3)
    request = MarkerSetRequest(size=4, identity=True, segment_cm=30, segment_power=0.5)
    page = marker_set_page(choose_marker_set(genotypes, sheet, request))
    assert "fewer were allowed" in page
    assert "30 cM" in page
    assert "At most" in page
    hidden = replace(genotypes.markers, chrom=np.array([""] * 60), cm=np.full(60, np.nan))
    plain = marker_set_page(
        choose_marker_set(replace(genotypes, markers=hidden), sheet, MarkerSetRequest(goal="haploid"))
    )
    assert "Without a place on the map" in plain
