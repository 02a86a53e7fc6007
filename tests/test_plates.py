"""Plates one thing at a time: wells, blanks, controls, and what is written of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import plate_lots
import pytest

from dhverify.leaks import Leak
from dhverify.limits import Limits
from dhverify.outcome import Answer, Finding, Flag, Verdict
from dhverify.plate_blanks import judge_blanks
from dhverify.plate_controls import expected_findings
from dhverify.plate_layout import IN_PLACE, SHIFTS, TURNED, layout_warnings, place_of, plate_layouts, well_of
from dhverify.plate_moves import is_telling, plate_stories
from dhverify.plates import judge_plates, plate_rows, well_rows
from dhverify.samples import Role, Sample, SampleSheet, Stage

SMALL = {"n_donors": 2, "lines_per_donor": 30, "n_markers": 300}


@pytest.fixture(scope="module")
def clean():
    return plate_lots.plate_lot(seed=3, **SMALL)


@pytest.fixture(scope="module")
def clean_parts(clean):
    return clean.analysed()


def name_at(lot, well, plate="P1"):
    return next(s.name for s in lot.sheet if (s.plate, s.well) == (plate, well))


# wells


def sample(name, well="", *, role=Role.LINE, plate="P1", donor="D1", **columns):
    stage = Stage.HAPLOID if role is Role.LINE else None
    return Sample(name=name, role=role, stage=stage, plate=plate, well=well, donor=donor, **columns)


def layout_of(*samples):
    (layout,) = plate_layouts(SampleSheet(samples=samples))
    return layout


@pytest.mark.parametrize("well", ["A01", "H12", "P24", "C07"])
def test_wells_and_places_go_back_and_forth(well):
    assert well_of(place_of(well)) == well


def test_a_plate_is_large_where_a_well_needs_it():
    assert layout_of(sample("a", "H12")).shape == (8, 12)
    assert layout_of(sample("a", "A13")).shape == (16, 24)
    assert layout_of(sample("a", "I01")).shape == (16, 24)


def test_a_well_that_is_probably_a_slip_is_told():
    small = [sample(f"s{k}", f"A{k:02d}") for k in range(1, 10)]
    assert layout_warnings(SampleSheet(samples=tuple(small))) == ()
    (text,) = layout_warnings(SampleSheet(samples=(*small, sample("x", "J04"))))
    assert text.startswith("only x (J04) of plate P1 lies beyond H12")
    large = [sample(f"x{k}", f"J{k:02d}") for k in range(1, 4)]
    assert layout_warnings(SampleSheet(samples=(*small, *large))) == ()
    (text,) = layout_warnings(SampleSheet(samples=(*small, sample("y", "B01", plate=""))))
    assert text.startswith("y (B01) on the sheet has a well but no plate")
    alone = [sample(f"s{k}", f"A{k:02d}", plate="") for k in range(1, 10)]
    assert layout_warnings(SampleSheet(samples=tuple(alone))) == ()


def test_plates_come_in_the_order_of_the_sheet_without_rows_that_have_no_well():
    sheet = SampleSheet(samples=(sample("a", "A01", plate="Q"), sample("b"), sample("c", "A01", plate="P")))
    assert [(p.plate, len(p.at)) for p in plate_layouts(sheet)] == [("Q", 1), ("P", 1)]


def test_beside_is_above_below_left_and_right():
    layout = layout_of(*(sample(w, w) for w in ("A01", "A02", "B01", "B02", "C02", "B03")))
    assert {s.name for s in layout.beside("B02")} == {"A02", "B01", "C02", "B03"}
    assert {s.name for s in layout.beside("A01")} == {"A02", "B01"}


@pytest.mark.parametrize(("shape", "first", "last"), [((8, 12), "A01", "H12"), ((16, 24), "A01", "P24")])
def test_a_turned_plate_swaps_its_corners(shape, first, last):
    assert TURNED.origin(place_of(first), shape) == (place_of(last), False)
    assert TURNED.origin(place_of(last), shape) == (place_of(first), False)


def test_every_move_is_a_rearrangement_of_all_wells():
    wells = {(r, c) for r in range(8) for c in range(12)}
    for move in (IN_PLACE, TURNED, *SHIFTS):
        assert {move.origin(place, (8, 12))[0] for place in wells} == wells


def test_what_a_turned_plate_can_be_told_by():
    pair = (sample("a", "A01"), sample("b", "H12"))
    assert not is_telling(layout_of(*pair))
    assert is_telling(layout_of(pair[0], replace(pair[1], donor="D2")))
    assert is_telling(layout_of(pair[0], sample("b", "H12", role=Role.BLANK, donor="")))
    assert not is_telling(layout_of(sample("a", "A01", role=Role.BLANK), sample("b", "H12", role=Role.BLANK)))
    assert is_telling(layout_of(sample("a", "A01"), sample("b", "B02", role=Role.BLANK)))
    assert not is_telling(layout_of(sample("a", "A01", role=Role.KNOWN), sample("b", "H12", role=Role.KNOWN)))
    assert is_telling(layout_of(sample("a", "A01", role=Role.PARENT), sample("b", "H12", role=Role.PARENT)))


# blanks


def judged_blank(lot, name, most=0.1):
    assembled = lot.lot()
    assay = lot.analysed()[1].learnt.assay
    (found,) = judge_blanks(assembled, assay, [lot.sheet[name]], most)
    return found


def test_a_clean_blank_is_clean(clean):
    found = judged_blank(clean, "P1-blank1")
    assert not found.is_dirty
    assert found.owners == ()
    assert found.call_rate < 0.1


@pytest.mark.parametrize("share", [1.0, 0.5, 0.08])
def test_a_blank_that_carries_a_sample_is_dirty_and_its_owner_named(clean, share):
    owner = clean.sheet.lines[7].name
    calls = clean.calls_of(owner)
    calls[np.random.default_rng(2).random(len(calls)) > share] = -1
    found = judged_blank(clean.with_calls("P1-blank2", calls), "P1-blank2", most=0.6)
    assert found.is_dirty
    assert found.owners[0] == owner
    assert found.log_odds > np.log(1000)


def test_copies_of_a_sample_are_named_with_it(clean):
    first, second = clean.sheet.lines[3].name, clean.sheet.lines[4].name
    lot = clean.with_calls(second, clean.calls_of(first)).with_calls("P1-blank1", clean.calls_of(first))
    assert set(judged_blank(lot, "P1-blank1").owners) == {first, second}


def test_noise_is_nobody(clean):
    rng = np.random.default_rng(5)
    calls = np.where(rng.random(300) < 0.4, rng.integers(0, 3, 300), -1).astype(np.int8)
    found = judged_blank(clean.with_calls("P1-blank1", calls), "P1-blank1")
    assert found.is_dirty  # called at 40 % of the markers
    assert found.owners == ()


def test_a_blank_without_a_call_or_without_genotypes(clean):
    empty = clean.with_calls("P1-blank1", np.full(300, -1, dtype=np.int8))
    assert not judged_blank(empty, "P1-blank1").is_dirty
    absent = judged_blank(clean.without("P1-blank1"), "P1-blank1")
    assert absent.call_rate is None
    assert not absent.is_dirty


def test_without_markers_no_blank_can_be_judged(clean):
    lot, analysis, _ = clean.analysed()
    bare = replace(lot, seen=replace(lot.seen, calls=lot.seen.calls[:, :0], depths=None))
    (found,) = judge_blanks(bare, analysis.learnt.assay, [clean.sheet["P1-blank1"]], 0.1)
    assert (found.call_rate, found.is_dirty) == (None, False)


# controls


def controls_of(lot):
    return lot.found()[0].controls


def test_a_right_control_is_right(clean, clean_parts):
    found = judge_plates(*clean_parts, clean.sheet, clean.limits)
    control = found.controls["P1-control1"]
    assert (control.finding, control.is_right) == (Finding.HYBRID, Answer.YES)
    assert not any(Flag.WRONG_CONTROL in flags for flags in found.flags.values())


def test_a_wrong_control_puts_its_plate_in_doubt():
    lot = plate_lots.plate_lot(seed=4, wrong_controls=1, **SMALL)
    found, _, _ = lot.found()
    assert found.controls["P1-control1"].is_right is Answer.NO
    assert {name for name, flags in found.flags.items() if Flag.WRONG_CONTROL in flags} == {
        s.name for s in lot.sheet.lines
    }
    (row,) = plate_rows(found)
    assert (row.controls, row.wrong_controls) == (1, 1)
    assert "control P1-control1. Find out why" in row.advice
    assert any("should be hybrid and is haploid. The whole plate is in doubt." in text for text in found.stories)


@pytest.mark.parametrize(
    ("holds", "expected", "answer"),
    [
        ("P1-control1", "hybrid", Answer.YES),
        ("P1-control1", "Doubled Haploid", Answer.NO),
        ("line", "doubled haploid", Answer.YES),
        ("line", "haploid", Answer.YES),
        ("inducer", "inducer", Answer.YES),
        ("inducer", "hybrid", Answer.NO),
        ("parent", "parent", Answer.YES),
    ],
)
def test_a_control_without_a_donor_is_held_against_every_family(clean, holds, expected, answer):
    source = holds
    if holds == "line":
        source = next(s.name for s in clean.sheet.lines if clean.truth[s.name]["finding"] == "haploid")
    elif holds != "P1-control1":
        source = next(s.name for s in clean.sheet if s.role is Role(holds))
    lot = clean.with_calls("P1-control1", clean.calls_of(source))
    lot = lot.with_samples(P1_control1={"donor": "", "inducer": "", "expected": expected})
    control = controls_of(lot)["P1-control1"]
    assert control.is_right is answer
    assert control.family in {s.donor for s in clean.sheet.lines}


def test_what_a_control_may_be():
    control = sample("c", role=Role.CONTROL, expected="Haploid ")
    assert expected_findings(control) == {Finding.HAPLOID, Finding.DOUBLED_HAPLOID}
    assert expected_findings(replace(control, expected="our best hybrid")) == frozenset()
    assert expected_findings(replace(control, expected="")) == frozenset()


def test_controls_that_cannot_be_judged_are_told_and_not_called_wrong(clean):
    unnamed = clean.with_samples(P1_control1={"expected": "a check"}).found()[0]
    assert unnamed.controls["P1-control1"].is_right is Answer.CANNOT_SAY
    assert any("names no finding for it" in text for text in unnamed.stories)
    absent = clean.without("P1-control1").found()[0]
    assert absent.controls["P1-control1"].finding is Finding.UNRESOLVED
    assert any("it cannot be told" in text for text in absent.stories)
    few = np.full(300, -1, dtype=np.int8)
    few[:6] = clean.calls_of("P1-control1")[:6]
    lot = clean.with_calls("P1-control1", few).with_samples(P1_control1={"donor": "", "inducer": ""})
    assert lot.found()[0].controls["P1-control1"].finding is Finding.UNRESOLVED


def test_a_control_between_the_limits_is_left_open(clean, clean_parts):
    lot, analysis, evidence = clean_parts
    shares = {Finding.HYBRID: 0.7, Finding.SELFED_HYBRID: 0.3}
    open_one = {**evidence, "P1-control1": replace(evidence["P1-control1"], posterior=shares)}
    found = judge_plates(lot, analysis, open_one, clean.sheet, clean.limits)
    assert found.controls["P1-control1"].is_right is Answer.CANNOT_SAY
    assert any("its genotype does not decide" in text for text in found.stories)


# the tables


def test_a_clean_plate(clean, clean_parts):
    lot, analysis, evidence = clean_parts
    found = judge_plates(lot, analysis, evidence, clean.sheet, clean.limits)
    (row,) = plate_rows(found)
    assert (row.blanks, row.dirty_blanks, row.leaking_wells, row.turned, row.advice) == (
        2,
        0,
        0,
        Answer.NO,
        "Nothing to change.",
    )
    assert row.wells == sum(bool(s.well) for s in clean.sheet)
    assert found.flags == {}
    assert found.stories == ()
    verdicts = {s.name: Verdict.PASS for s in clean.sheet.lines}
    wells = well_rows(found, evidence, verdicts, lot)
    assert len(wells) == row.wells
    assert [w.well for w in wells] == sorted((w.well for w in wells), key=place_of)
    roles = {w.role: w for w in wells}
    assert (roles["line"].verdict, roles["blank"].verdict, roles["blank"].contaminant) == ("pass", "", "")
    assert roles["control"].finding == "hybrid"
    assert roles["parent"].finding == ""


def test_a_dirty_blank_puts_its_four_neighbours_in_doubt(clean):
    blank = next(s for s in clean.sheet if s.name == "P1-blank2")
    owner = next(
        s.name for s in clean.sheet.lines if s.well == well_of((place_of(blank.well)[0], place_of(blank.well)[1] + 1))
    )
    lot = clean.with_calls("P1-blank2", clean.calls_of(owner))
    found, evidence, assembled = lot.found()
    near = {name for name, flags in found.flags.items() if Flag.NEAR_A_DIRTY_BLANK in flags}
    (layout,) = plate_layouts(lot.sheet)
    assert near == {s.name for s in layout.beside(blank.well) if s.role is Role.LINE}
    (row,) = plate_rows(found)
    assert row.dirty_blanks == 1
    assert f"DNA in the blank in {blank.well}" in row.advice
    assert any(f"carries the genotype of {owner}" in text and "Distrust the wells" in text for text in found.stories)
    well = next(w for w in well_rows(found, evidence, {}, assembled) if w.role == "blank" and w.contaminant)
    assert (well.contaminant, well.contaminant_share) == (owner, 1.0)


def test_a_dirty_blank_of_nobody_and_without_lines_beside_it(clean):
    rng = np.random.default_rng(5)
    noise = np.where(rng.random(300) < 0.4, rng.integers(0, 3, 300), -1).astype(np.int8)
    found = clean.with_calls("P1-blank1", noise).found()[0]
    (text,) = found.stories
    assert "with DNA of several samples or of none here. No line stands beside it." in text


def test_a_turned_plate_is_told_and_nothing_is_turned_back():
    lot = plate_lots.plate_lot(seed=3, turned_plates=1, **SMALL)
    found, _, _ = lot.found()
    (row,) = plate_rows(found)
    assert row.turned is Answer.YES
    assert row.advice.startswith("Seems turned by 180 degrees: settle the layout")
    assert set(found.flags) == {s.name for s in lot.sheet.lines}
    assert all(Flag.TURNED_PLATE in flags for flags in found.flags.values())
    assert not any(Flag.NEAR_A_DIRTY_BLANK in flags for flags in found.flags.values())  # the turn explains the blanks
    assert "Nothing was turned back" in found.stories[0]


def test_a_shifted_plate_is_flagged_and_not_called_turned():
    lot = plate_lots.plate_lot(seed=3, shifted_plates=1, **SMALL)
    found, _, _ = lot.found()
    (row,) = plate_rows(found)
    assert row.turned is Answer.NO
    assert row.advice.startswith("Seems shifted by one column to the right")
    assert all(Flag.TURNED_PLATE in flags for flags in found.flags.values())


def test_mixtures_are_told_as_leaks_with_well_and_plate(clean, clean_parts):
    lot, analysis, evidence = clean_parts
    names = [s.name for s in clean.sheet.lines if clean.truth[s.name]["finding"] == "haploid"]
    near = next(
        (a, b)
        for a in names[1:]
        for b in names[1:]
        if np.abs(np.subtract(place_of(clean.sheet[a].well), place_of(clean.sheet[b].well))).sum() == 1
    )
    mixed = {
        near[0]: replace(evidence[near[0]], finding=Finding.MIXTURE, contaminant=near[1], contaminant_share=0.22),
        names[-1]: replace(evidence[names[-1]], finding=Finding.MIXTURE, contaminant=names[0]),
    }
    sheet = clean.with_samples(**{names[0].replace("-", "_"): {"plate": "P2"}}).sheet
    found = judge_plates(lot, analysis, {**evidence, **mixed}, sheet, clean.limits)
    words = " ".join(found.stories)
    assert f"about 22 % of its DNA from {near[1]} (well {sheet[near[1]].well}, a well that touches it)" in words
    assert f"holds a share of its DNA from {names[0]} (plate P2, well {sheet[names[0]].well})" in words


def test_leaks_are_told_with_their_direction(clean, clean_parts):
    lot, analysis, evidence = clean_parts
    found = judge_plates(lot, analysis, evidence, clean.sheet, clean.limits)
    one, other, third = (s.name for s in clean.sheet.lines[:3])
    leaks = {
        one: Leak(sample=one, source=other, share=0.234, is_near=True),
        third: Leak(sample=third, source="elsewhere", share=None, is_near=False),
    }
    (row,) = plate_rows(replace(found, leaks=leaks))
    assert row.leaking_wells == 2
    assert "DNA of two samples in " in row.advice
    again = replace(found, leaks=leaks)
    assert "take fresh tissue" in row.advice
    wells = {w.sample: w for w in well_rows(again, evidence, {}, lot)}
    assert (wells[one].contaminant, wells[one].contaminant_share) == (other, 0.234)
    assert (wells[third].contaminant, wells[third].contaminant_share) == ("elsewhere", None)


def test_a_sheet_without_plates_has_none(clean):
    lot = clean.with_samples(**{s.name.replace("-", "_"): {"plate": "", "well": ""} for s in clean.sheet})
    found, evidence, assembled = lot.found()
    assert plate_rows(found) == ()
    assert well_rows(found, evidence, {}, assembled) == ()
    assert found.leaks == {}


def test_a_plate_may_have_no_name(clean):
    lot = clean.with_samples(**{s.name.replace("-", "_"): {"plate": ""} for s in clean.sheet})
    lot = lot.with_samples(P1_control1={"expected": "", "plate": ""})
    found = lot.found()[0]
    assert [row.plate for row in plate_rows(found)] == [""]
    assert "on the plate cannot be judged" in found.stories[0]


# stories about plates


def stories_of(lot):
    return plate_stories(lot.lot(), lot.sheet, plate_layouts(lot.sheet))


def test_a_plate_of_one_family_and_nothing_else_cannot_be_told():
    lot = plate_lots.plate_lot(
        seed=2,
        n_donors=1,
        lines_per_donor=96,
        n_markers=100,
        blanks_per_plate=0,
        controls_per_plate=0,
        typed=(),
        hybrid_share=0.0,
    )
    (story,) = stories_of(lot)
    assert not story.is_moved
    assert not story.excludes_turned
    (row,) = plate_rows(lot.found()[0])
    assert row.turned is Answer.CANNOT_SAY
    assert row.advice.startswith("Whether it was turned cannot be said")


def test_one_blank_alone_does_not_turn_a_plate_but_speaks_against_it():
    lot = plate_lots.plate_lot(
        seed=2, n_donors=1, lines_per_donor=95, n_markers=100, blanks_per_plate=1, controls_per_plate=0, typed=()
    )
    (story,) = stories_of(lot)
    assert story.excludes_turned
    swapped = lot.with_calls(name_at(lot, "A01"), lot.calls_of("P1-blank1"))
    swapped = swapped.with_calls("P1-blank1", lot.calls_of(name_at(lot, "A01")))
    (story,) = stories_of(swapped)
    assert not story.is_moved
    assert not story.excludes_turned


def test_a_failed_plate_is_not_a_turned_plate(clean):
    lot = clean
    for row in clean.sheet:
        if row.well:
            lot = lot.with_calls(row.name, np.full(300, -1, dtype=np.int8))
    (story,) = stories_of(lot)
    assert not story.is_moved


def test_limits_reach_the_blanks(clean):
    calls = np.full(300, -1, dtype=np.int8)
    calls[:90] = np.random.default_rng(1).integers(0, 3, 90)
    lot = replace(clean.with_calls("P1-blank1", calls), limits=Limits.from_mapping({"max_blank_call_rate": 0.5}))
    assert not lot.found()[0].blanks["P1-blank1"].is_dirty
