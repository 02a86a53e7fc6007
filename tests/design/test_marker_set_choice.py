"""Chosen sets: as small as many starts find, above the proved bound, robust, honest where goals are out of reach."""

from __future__ import annotations

import itertools
from dataclasses import replace

import marker_set_material as material
import numpy as np
import pytest

import dhverify
from dhverify.design.marker_set import choose_marker_set
from dhverify.design.marker_set_bound import _corners, least_differing, least_segregating, lower_bound, row_condition
from dhverify.design.marker_set_crosses import design_crosses
from dhverify.design.marker_set_errors import ErrorModel, excess
from dhverify.design.marker_set_failures import after_failures
from dhverify.design.marker_set_request import MarkerSetRequest
from dhverify.design.marker_set_rows import candidates_of, design_rows
from dhverify.design.marker_set_search import Search
from dhverify.errors import InputError, SheetError
from dhverify.genetic_map import place_markers
from dhverify.report.page.marker_set import answer
from dhverify.samples import Role, Sample, SampleSheet


def laid_out(genotypes, sheet, request):
    crosses = design_crosses(genotypes, sheet)
    candidates = candidates_of(place_markers(genotypes.markers), np.zeros(genotypes.n_markers, dtype=bool))
    return crosses, candidates, design_rows(crosses, request)


def numbers(outcome, genotypes):
    place = {str(name): index for index, name in enumerate(genotypes.markers.name)}
    return [place[row.marker] for row in outcome.chosen]


@pytest.mark.parametrize(
    ("goal", "pedigrees"), [("haploid", ("P0/P1", "P2/P3")), ("D1", ("P0/P1",)), ("both", ("P0/P1", "P2/P1"))]
)
def test_as_few_as_many_starts_find(goal, pedigrees):
    request = MarkerSetRequest(goal=goal, miss=0.01, false_fail=0.01, error_rate=0.02, dropout=0.05)
    genotypes, sheet = material.material(n_markers=80, pedigrees=pedigrees, seed=4)
    outcome = choose_marker_set(genotypes, sheet, request)
    _, candidates, rows = laid_out(genotypes, sheet, request)
    search = Search(rows, candidates, request)
    rng = np.random.default_rng(2)
    best = len(outcome.chosen)
    for _ in range(8):
        start = search.state(tuple(rng.choice(80, best - 1, replace=False).tolist()))
        found, _ = search.exchanged(start, 40)
        if found.lack == 0:
            best = min(best, len(search.pruned(found).chosen))
    assert len(outcome.chosen) <= 1.1 * best
    assert outcome.lower_bound <= best
    assert outcome.n_met == len(pedigrees)


def test_bound_against_every_set():
    """No set smaller than the bound meets the limits; close markers in opposite phase are among them."""
    request = MarkerSetRequest(goal="haploid", miss=0.02, false_fail=0.02, error_rate=0.01, dropout=0.05)
    names, n = ["P0", "P1", "I0"], 10
    calls = np.array([[0, 2] * 5, [2, 0] * 5, [0] * 10])
    calls[:2, 8:] = 0
    calls[2, 8:] = 2
    genotypes = material.genotypes(names, calls, np.repeat(np.arange(1, 6), 2), [50.0, 50.1] * 5)
    sheet = SampleSheet(
        samples=(Sample(name="I0", role=Role.INDUCER), Sample(name="D", role=Role.DONOR, pedigree="P0/P1"))
    )
    crosses, candidates, rows = laid_out(genotypes, sheet, request)
    bound = lower_bound([row_condition(rows[0], crosses[0], 0.01, 0.05)], candidates, (), 0)
    model = ErrorModel(rows, candidates, is_final=True)
    smallest = next(
        size
        for size in range(n + 1)
        if any(
            excess(model.row_errors(0, np.array(chosen, dtype=int)), rows[0]) <= 0
            for chosen in itertools.combinations(range(n), size)
        )
    )
    assert 2 <= bound.markers <= smallest
    segregating = list(range(8))
    pairs = model.row_errors(0, np.array(segregating))
    diagnostic = model.row_errors(0, np.array([8, 9]))
    assert max(pairs.miss, pairs.false_fail) < max(diagnostic.miss, diagnostic.false_fail)
    assert len(choose_marker_set(genotypes, sheet, request).chosen) == smallest


@pytest.mark.parametrize("finding", ["hybrid", "selfed hybrid", "selfed donor", "sisters"])
def test_bound_is_monotone_and_below_what_unlinked_markers_need(finding):
    loose = least_differing(finding, 0.01, 0.03, 0.01, 0.01)
    strict = least_differing(finding, 0.01, 0.03, 0.001, 0.001)
    assert 0 < loose < strict
    assert least_differing(finding, 0.2, 0.3, 0.001, 0.001) > strict
    if finding in {"selfed donor", "sisters"}:
        n = least_segregating(finding, 0.01, 0.03, 0.001, 0.001)
        assert n >= 10  # no heterozygote at n of them has chance 0.5 ** n, which must be below 0.001
        genotypes, sheet = material.material(n_markers=400, seed=2)
        request = MarkerSetRequest(goal="D1", identity=True)
        _, candidates, rows = laid_out(genotypes, sheet, request)
        row = next(i for i, r in enumerate(rows) if r.finding == finding)
        loose_candidates = replace(candidates, chain=np.full(400, -1), morgan=np.zeros(400))
        model = ErrorModel(rows, loose_candidates)
        useful = np.flatnonzero(rows[row].code > 0)[: n - 1]
        assert excess(model.row_errors(row, useful), rows[row]) > 0


def test_the_envelope_is_convex_and_below_the_points():
    rng = np.random.default_rng(5)
    x = np.sort(rng.random(60))
    y = (1 - x) ** 2 + 0.1 * rng.random(60)
    corners = _corners(x, y)
    assert {0, 59} <= set(corners)
    assert (np.interp(x, x[corners], y[corners]) <= y + 1e-12).all()
    assert (np.diff(np.diff(y[corners]) / np.diff(x[corners])) >= 0).all()


def test_spare_assays_may_fail():
    request = MarkerSetRequest(goal="haploid", spare=1)
    genotypes, sheet = material.material(n_markers=80, pedigrees=("P0/P1", "P2/P3"), seed=6)
    outcome = choose_marker_set(genotypes, sheet, request)
    assert outcome.n_met == 2
    chosen = numbers(outcome, genotypes)
    _, candidates, rows = laid_out(genotypes, sheet, request)
    model = ErrorModel(rows, candidates, is_final=True)
    for gone in chosen:
        left = np.array(sorted(set(chosen) - {gone}))
        assert all(excess(errors, row) <= 0.02 for errors, row in zip(model.errors(left), rows, strict=True))
    plain = choose_marker_set(genotypes, sheet, replace(request, spare=0))
    assert len(plain.chosen) < len(chosen)
    assert outcome.lower_bound > plain.lower_bound
    exact = after_failures(model, chosen, 2)
    many = after_failures(model, chosen * 1, 3)
    assert many[0].miss >= exact[0].miss


def test_worst_failures_in_turn_where_there_are_too_many(monkeypatch):
    monkeypatch.setattr("dhverify.design.marker_set_failures.MOST_TRIED", 3)
    request = MarkerSetRequest(goal="haploid")
    genotypes, sheet = material.material(n_markers=12, seed=6)
    _, candidates, rows = laid_out(genotypes, sheet, request)
    model = ErrorModel(rows, candidates, is_final=True)
    in_turn = after_failures(model, range(12), 2)[0]
    monkeypatch.setattr("dhverify.design.marker_set_failures.MOST_TRIED", 9999)
    every = after_failures(model, range(12), 2)[0]
    assert excess(in_turn, rows[0]) <= excess(every, rows[0]) + 1e-12
    assert excess(in_turn, rows[0]) > excess(model.errors(range(12))[0], rows[0])


def test_required_avoided_and_size():
    genotypes, sheet = material.material(n_markers=100, seed=3)
    plain = choose_marker_set(genotypes, sheet, MarkerSetRequest(goal="haploid"))
    first = plain.chosen[0].marker
    other = next(n for n in map(str, genotypes.markers.name) if n not in {row.marker for row in plain.chosen})
    request = MarkerSetRequest(goal="haploid", require=(other,), avoid=(first,))
    outcome = choose_marker_set(genotypes, sheet, request)
    chosen = [row.marker for row in outcome.chosen]
    assert chosen[0] == other
    assert first not in chosen
    assert outcome.n_met == 1
    few = choose_marker_set(genotypes, sheet, MarkerSetRequest(size=8))
    assert len(few.chosen) == 8
    assert few.n_met == 0
    assert few.crosses[0].miss > 0.001
    assert "selfed" in few.warnings[0]
    with pytest.raises(InputError, match="--size 1"):
        choose_marker_set(genotypes, sheet, MarkerSetRequest(size=1, require=(first, other)))
    with pytest.raises(InputError, match="nobody"):
        choose_marker_set(genotypes, sheet, MarkerSetRequest(avoid=("nobody",)))


def test_sets_are_mended_after_the_full_reckoning(monkeypatch):
    """A search that is too easily content, or that left rows out, is put right."""
    genotypes, sheet = material.material(n_markers=80, seed=3)
    request = MarkerSetRequest(goal="D1", miss=0.01, false_fail=0.01)
    monkeypatch.setattr("dhverify.design.marker_set_search.SAFETY", -1.0)
    assert choose_marker_set(genotypes, sheet, request).n_met == 1
    monkeypatch.undo()
    monkeypatch.setattr("dhverify.design.marker_set._hardest", lambda _task, told: list(told[:1]))
    assert choose_marker_set(genotypes, sheet, request).n_met == 1


def test_known_bad_markers_are_avoided():
    genotypes, sheet = material.material(n_markers=60, seed=3)
    request = MarkerSetRequest(goal="haploid")
    first = choose_marker_set(genotypes, sheet, request).chosen[0].marker
    again = choose_marker_set(genotypes, sheet, request, known_bad=(first, "not a candidate"))
    assert first not in {row.marker for row in again.chosen}


def test_crosses_alike_are_named_and_the_others_served():
    genotypes, sheet = material.material(n_markers=60, pedigrees=("P0/P1", "P2/P3"), seed=3)
    calls = genotypes.calls.copy()
    calls[2] = calls[3] = calls[4]
    outcome = choose_marker_set(replace(genotypes, calls=calls), sheet, MarkerSetRequest(goal="haploid"))
    served, alike = outcome.crosses
    assert served.met
    assert (alike.met, alike.miss, alike.false_fail) == (False, None, None)
    assert any("D1 x I0" in warning and "alike" in warning for warning in outcome.warnings)
    assert answer(outcome).endswith("chosen; 1 of 2 crosses reaches what was asked.")
    everything = material.material(n_markers=30, alike=True)
    nothing = choose_marker_set(*everything, MarkerSetRequest(identity=True))
    assert (len(nothing.chosen), nothing.n_met) == (0, 0)
    assert nothing.crosses[0].sisters_miss is None


def test_backcross_donor_out_of_reach_says_how_near():
    genotypes, sheet = material.material(n_markers=150, pedigrees=("P0*3/P1",), seed=3)
    outcome = choose_marker_set(genotypes, sheet, MarkerSetRequest(goal="D1"))
    row = outcome.crosses[0]
    assert not row.met
    assert row.finding == "selfed donor"
    assert 0.001 < row.best_miss <= row.miss < 3 * row.best_miss
    assert "all candidates together come to" in row.reason


def test_inbred_donor_unphased_donor_and_hybrid_inducer():
    genotypes, _ = material.material(n_markers=80, n_inducers=2, seed=3)
    calls = genotypes.calls.copy()
    calls[0, ::2] = 1
    sheet = SampleSheet(
        samples=(
            Sample(name="I", role=Role.INDUCER, pedigree="I0/I1"),
            Sample(name="inbred", role=Role.DONOR, pedigree="P1"),
            Sample(name="P0", role=Role.DONOR),
            Sample(name="F1", role=Role.DONOR, pedigree="P2/P3"),
        )
    )
    outcome = choose_marker_set(replace(genotypes, calls=calls), sheet, MarkerSetRequest(miss=0.01, false_fail=0.01))
    inbred, plant, cross = outcome.crosses
    assert inbred.met
    assert cross.met
    assert not plant.met
    assert any("no pedigree" in warning for warning in outcome.warnings)


def test_untyped_parents_and_depth():
    genotypes, sheet = material.material(n_markers=20, pedigrees=("P0/P1", "P0/nobody", "P0*9/P1"))
    outcome = choose_marker_set(genotypes, sheet, MarkerSetRequest(goal="haploid", miss=0.05, false_fail=0.05))
    assert [row.met for row in outcome.crosses] == [True, False, False]
    text = " ".join(outcome.warnings)
    assert "nobody not typed" in text
    assert "too deep" in text
    only = SampleSheet(samples=(sheet["I0"], Sample(name="D", role=Role.DONOR, pedigree="X/Y")))
    with pytest.raises(SheetError, match="X, Y"):
        choose_marker_set(genotypes, only, MarkerSetRequest())
    with pytest.raises(SheetError, match="role donor"):
        choose_marker_set(genotypes, SampleSheet(samples=(sheet["I0"],)), MarkerSetRequest())
    named = SampleSheet(samples=(*sheet.samples[:5], Sample(name="D", role=Role.DONOR, pedigree="P0/P1", inducer="I0")))
    assert len(design_crosses(genotypes, named)) == 1
    missing = replace(genotypes, calls=np.full_like(genotypes.calls, -1))
    with pytest.raises(SheetError, match="crosses"):
        choose_marker_set(missing, sheet, MarkerSetRequest(goal="haploid"))


def test_sister_lines_and_markers_without_a_place():
    genotypes, sheet = material.material(n_markers=120, seed=2)
    markers = replace(genotypes.markers, chrom=np.array([""] * 120), cm=np.full(120, np.nan))
    request = MarkerSetRequest(goal="haploid", identity=True, miss=0.01, false_fail=0.01)
    outcome = choose_marker_set(replace(genotypes, markers=markers), sheet, request)
    row = outcome.crosses[0]
    assert row.met
    assert 0 < row.sisters_miss <= 0.01
    assert outcome.chosen[0].cm is None
    assert outcome.picture == ()


def test_the_same_input_gives_the_same_set():
    genotypes, sheet = material.material(n_markers=60, pedigrees=("P0/P1",), seed=8)
    seen = []
    request = MarkerSetRequest(miss=0.01, false_fail=0.01)
    first = choose_marker_set(genotypes, sheet, request, progress=lambda *told: seen.append(told))
    assert choose_marker_set(genotypes, sheet, request).chosen == first.chosen
    assert {told[0] for told in seen} == {"choosing markers", "exchanging markers"}


def test_even_use_is_preferred():
    """Of two markers that serve one cross alike, the one that a second cross can use too is taken."""
    names = ["P0", "P1", "P2", "I0"]
    calls = np.array([[0] * 12, [0] * 12, [2] * 6 + [0] * 6, [2] * 12])
    genotypes = material.genotypes(names, calls, np.tile(np.arange(1, 7), 2), np.repeat([20.0, 60.0], 6))
    sheet = SampleSheet(
        samples=(
            Sample(name="I0", role=Role.INDUCER),
            Sample(name="A", role=Role.DONOR, pedigree="P0/P1"),
            Sample(name="B", role=Role.DONOR, pedigree="P2"),
        )
    )
    outcome = choose_marker_set(genotypes, sheet, MarkerSetRequest(goal="haploid"))
    assert {row.crosses for row in outcome.chosen} == {2}


@pytest.mark.parametrize(
    "wrong",
    [
        {"goal": "D2"},
        {"miss": 0.0},
        {"false_fail": 1.2},
        {"error_rate": -0.1},
        {"dropout": 1.0},
        {"segment_cm": 10.0},
        {"segment_power": 0.5},
        {"segment_cm": -1.0, "segment_power": 0.5},
        {"segment_cm": 10.0, "segment_power": 1.5},
        {"size": 0},
        {"spare": -1},
        {"require": ("a",), "avoid": ("a",)},
    ],
)
def test_wrong_settings(wrong):
    with pytest.raises(InputError, match="markers"):
        MarkerSetRequest(**wrong)


def test_public_call():
    genotypes, sheet = material.material(n_markers=60, seed=3)
    result = dhverify.choose_markers(genotypes, sheet, goal="haploid", error_rate=None)
    assert list(result.chosen.columns[:5]) == ["marker", "chrom", "pos", "order", "crosses"]
    assert result.crosses["met"].tolist() == ["yes"]
    assert result.summary["chosen"] == len(result.chosen)
    assert result.retests.empty
    assert "1 of 1 crosses met" in repr(result)
    with pytest.raises(TypeError, match=r"choose_markers.*nonsense"):
        dhverify.choose_markers(genotypes, sheet, nonsense=1)
    with pytest.raises(TypeError, match=r"plan_budget.*nonsense"):
        dhverify.plan_budget(5, nonsense=1)
