"""Plates of simulated lots: clean, turned, shifted, dirty, with wrong controls, with leaks."""

from __future__ import annotations

import pytest

from dhverify.checking import run_check
from dhverify.outcome import Answer, Flag, Verdict

BASE = {"stage": "haploid", "n_donors": 4, "lines_per_donor": 40, "n_markers": 600, "hybrid_share": 0.06}


@pytest.fixture(scope="module")
def plates_of(simulated):
    def make(**settings):
        programme, genotypes, sheet = simulated(**{**BASE, "seed": 7, **settings})
        return programme, run_check(genotypes, sheet)

    return make


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_no_clean_plate_is_called_turned_or_dirty(plates_of, seed):
    _, outcome = plates_of(seed=seed)
    assert all(p.turned is not Answer.YES for p in outcome.plates)
    assert sum(p.dirty_blanks + p.wrong_controls + p.leaking_wells for p in outcome.plates) == 0
    assert not outcome.stories
    assert len(outcome.wells) == sum(p.wells for p in outcome.plates)


def test_a_turned_plate_is_named_and_its_lines_are_held_back(plates_of):
    programme, outcome = plates_of(turned_plates=1)
    turned = {row["name"] for row in programme.others if row["kind"] == "plate" and row["case"]}
    assert {p.plate for p in outcome.plates if p.turned is Answer.YES} == turned
    on_plate = [line for line in outcome.lines if line.plate in turned]
    assert all(Flag.TURNED_PLATE in line.flags for line in on_plate)
    assert not any(line.verdict is Verdict.PASS for line in on_plate)


@pytest.mark.parametrize("shift", ["column", "row"])
def test_a_shifted_plate_is_told(plates_of, shift):
    programme, outcome = plates_of(shifted_plates=1, shift=shift)
    moved = {row["name"] for row in programme.others if row["kind"] == "plate" and row["case"]}
    told = {p.plate for p in outcome.plates if "shifted" in p.advice}
    assert told == moved


def test_a_dirty_blank_names_its_owner_and_its_neighbours(plates_of):
    programme, outcome = plates_of(dirty_blanks=2)
    dirty = {r["name"]: r["contaminant"] for r in programme.others if r["case"] == "dirty blank"}
    wells = {w.sample: w for w in outcome.wells}
    assert dirty
    for blank, owner in dirty.items():
        assert wells[blank].contaminant == owner
    near = [line for line in outcome.lines if Flag.NEAR_A_DIRTY_BLANK in line.flags]
    assert near
    assert all(line.verdict is not Verdict.PASS for line in near)


def test_a_wrong_control_puts_its_plate_in_doubt(plates_of):
    _, outcome = plates_of(wrong_controls=1)
    wrong = {p.plate for p in outcome.plates if p.wrong_controls}
    assert len(wrong) == 1
    assert all(Flag.WRONG_CONTROL in line.flags for line in outcome.lines if line.plate in wrong)


@pytest.mark.parametrize("platform", ["array", "reads"])
def test_leaks_of_a_fifth_and_more_are_named_with_their_share(plates_of, platform):
    programme, outcome = plates_of(leaks=6, leak_low=0.2, leak_high=0.45, platform=platform, depth=8.0)
    truth = {row["sample"]: row for row in programme.truth if row["contaminant"]}
    lines = {line.sample: line for line in outcome.lines}
    named = 0
    plain = {s: row for s, row in truth.items() if row["contaminant"] not in truth}
    for sample, row in plain.items():
        line = lines[sample]
        assert line.verdict is not Verdict.PASS
        named += line.contaminant == row["contaminant"]
        if line.contaminant_share is not None and line.contaminant == row["contaminant"]:
            assert abs(line.contaminant_share - float(row["contaminant_share"])) <= 0.1
    assert len(plain) >= 4
    assert named >= len(plain) - 1
