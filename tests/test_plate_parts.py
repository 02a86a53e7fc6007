"""Rows, columns and plates exchanged, and runs that slipped, told by what wells hold: invented programmes."""

from __future__ import annotations

import numpy as np
import plate_lots
import pytest

from dhverify.checking import run_check
from dhverify.displaced_parts import Axis, PartKind, exchanged_lines, exchanged_plates, slipped_runs
from dhverify.intervals import clopper_pearson
from dhverify.outcome import Answer, Flag, Verdict
from dhverify.plate_layout import IN_PLACE, plate_layouts
from dhverify.plate_moves import plate_stories
from dhverify.samples import Role

KINDS = {
    "arrays": {"n_markers": 300, "n_donors": 4},
    "few SNPs": {"n_markers": 96, "n_donors": 4},
    "plants that differ": {"n_markers": 300, "n_donors": 4, "donor_type": "F2"},
    "no parents typed": {"n_markers": 300, "n_donors": 4, "typed": ("inducers",)},
    "lines of D1": {"n_markers": 300, "n_donors": 4, "stage": "D1"},
}
FAULTS = {
    "hybrid_share": 0.2,
    "selfed_donor_share": 0.05,
    "other_donor_share": 0.05,
    "failed_share": 0.05,
    "exchanged_pairs": 2,
}


def lot_of(kind, seed=1, **settings):
    """Two plates filled at random."""
    lot = plate_lots.plate_lot(seed=seed, **{"lines_per_donor": 36, **KINDS[kind], **settings})
    return plate_lots.laid_out(lot, "at random", seed)


def parts_of(sheet):
    """Something of each kind that can come out of place, by what is told of it."""
    first, second = plate_layouts(sheet)[:2]
    parts = [
        exchanged_lines(first, axis=Axis.COLUMN, one=1, two=4),
        exchanged_lines(first, axis=Axis.ROW, one=2, two=3),
        exchanged_plates(first, second),
    ]
    for axis, step in ((Axis.ROW, 1), (Axis.ROW, -1), (Axis.COLUMN, 1), (Axis.COLUMN, -1)):
        parts.append(next(run for run in slipped_runs(first, axis=axis, line=3, step=step) if len(run.meant) >= 7))
    return parts


def told(lot):
    stories = plate_stories(lot.lot(), lot.sheet, plate_layouts(lot.sheet))
    assert all(story.best is IN_PLACE for story in stories)
    return list(dict.fromkeys(found.part for story in stories for found in story.parts))


def is_told(part, found):
    """Whether it is what was found; where a run of it begins can only be told by a well of another kind."""
    name = part.told.split(" from ")[0].split(" up to ")[0]
    return [one.told.split(" from ")[0].split(" up to ")[0] for one in found] == [name]


@pytest.mark.parametrize("kind", KINDS)
def test_clean_plates_and_single_exchanges_tell_of_no_part(kind):
    lot = lot_of(kind)
    assert told(lot) == []
    lines = [s.name for s in lot.sheet.lines]
    for one, two in (lines[::50], lines[1::60]), (lines[3::40], lines[7::40]):
        swap = dict(zip(one, two, strict=False)) | dict(zip(two, one, strict=False))
        assert told(lot.holding(swap)) == []


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_lot_with_ordinary_faults_tells_of_no_part(seed):
    assert told(lot_of("arrays", seed, **FAULTS)) == []
    lot = plate_lots.plate_lot(seed=seed, lines_per_donor=36, **KINDS["arrays"], **FAULTS)
    assert told(lot) == []


@pytest.mark.parametrize("kind", KINDS)
def test_a_part_out_of_place_is_told_and_nothing_else(kind):
    lot = lot_of(kind)
    for part in parts_of(lot.sheet):
        assert is_told(part, told(lot.holding(part.meant))), part.told


def test_a_part_is_told_among_ordinary_faults():
    lot = lot_of("arrays", 2, **FAULTS)
    for part in parts_of(lot.sheet)[:3]:
        assert is_told(part, told(lot.holding(part.meant))), part.told


def test_sisters_exchanged_by_columns_cannot_be_told():
    """A plate of one family looks the same however its wells are exchanged; blanks and references stand elsewhere."""
    lot = plate_lots.plate_lot(seed=1, n_donors=1, lines_per_donor=60, n_markers=300)
    (layout,) = plate_layouts(lot.sheet)
    columns = [c for c in range(12) if all(s.role is Role.LINE for (_, column), s in layout.at.items() if column == c)]
    part = exchanged_lines(layout, axis=Axis.COLUMN, one=columns[0], two=columns[1])
    assert told(lot.holding(part.meant)) == []


def test_two_parts_of_one_plate_are_two_stories():
    lot = lot_of("arrays")
    first = plate_layouts(lot.sheet)[0]
    parts = [exchanged_lines(first, axis=Axis.COLUMN, one=one, two=two) for one, two in ((0, 6), (3, 9))]
    found = told(lot.holding({label: meant for part in parts for label, meant in part.meant.items()}))
    assert sorted(part.told for part in found) == sorted(part.told for part in parts)


@pytest.mark.parametrize("has_sources", [False, True])
def test_what_is_told_reaches_stories_flags_verdicts_and_advice(has_sources):
    stage = {"stage": "both", "descent_share": 0.8, "lines_per_donor": 18} if has_sources else {"lines_per_donor": 36}
    lot = plate_lots.laid_out(plate_lots.plate_lot(seed=5, **KINDS["arrays"], **stage, hybrid_share=0.0), "at random")
    for part in parts_of(lot.sheet)[:3]:
        moved = lot.holding(part.meant)
        outcome = run_check(moved.genotypes, moved.sheet)
        (story,) = (text for text in outcome.stories if "exchanged" in text)
        assert story.startswith((f"{part.told}: this explains ", f"{part.guessed}: that explains "))
        if has_sources:
            assert story.startswith(part.told) or len(part.plates) > 1
        flagged = {row.sample for row in outcome.lines if Flag.TURNED_PLATE in row.flags}
        assert flagged == {s.name for s in moved.sheet.lines if s.name in part.meant}
        assert {row.verdict for row in outcome.lines if row.sample in flagged} == {Verdict.RETEST}
        for row in outcome.plates:
            is_told_of = row.plate in part.plates
            assert ("settle the layout before using any of its results" in row.advice) == is_told_of
            assert row.turned is not Answer.YES
        assert not outcome.exchanges


def test_suggestions_name_what_a_part_out_of_place_holds():
    lot = plate_lots.laid_out(
        plate_lots.plate_lot(seed=5, **KINDS["arrays"], stage="both", descent_share=0.8, lines_per_donor=18),
        "at random",
    )
    later = max(plate_layouts(lot.sheet), key=lambda layout: sum(bool(s.source) for s in layout.at.values()))
    part = exchanged_lines(later, axis=Axis.ROW, one=1, two=4)
    moved = lot.holding(part.meant)
    outcome = run_check(moved.genotypes, moved.sheet)
    holder = {meant: label for label, meant in part.meant.items()}
    rows = [row for row in outcome.identity if row.suggestion and row.sample in part.meant]
    assert len(rows) >= 3
    assert all(row.suggestion == holder[row.sample] for row in rows)


@pytest.mark.accuracy
def test_recall_and_precision_of_parts_out_of_place(record_property):
    """Plates filled at random; clean ones with the double of ordinary faults besides.

    A run of seven wells may hold only two or three that differ from those before them: such a one is not told.
    """
    right, n_clean = {True: [], False: []}, 0
    for seed in range(10, 13):
        for kind in KINDS:
            lot = lot_of(kind, seed, lines_per_donor=44)
            for part in parts_of(lot.sheet):
                found = told(lot.holding(part.meant))
                right[part.kind is PartKind.RUN].append(is_told(part, found))
                assert not found or right[part.kind is PartKind.RUN][-1], part.told
            faulty = lot_of(kind, seed, **{**FAULTS, "other_donor_share": 0.1, "failed_share": 0.1})
            n_clean += len(plate_layouts(faulty.sheet)) + len(plate_layouts(lot.sheet))
            assert told(lot) == told(faulty) == []
    for is_run, answers in right.items():
        low, high = clopper_pearson(sum(answers), len(answers))
        what = "runs" if is_run else "exchanged"
        record_property(what, f"{sum(answers)} of {len(answers)}, 95 % interval {low:.3f} to {high:.3f}")
    record_property("clean plates", f"{n_clean}, none told of")
    assert np.mean(right[False]) >= 0.95
    assert np.mean(right[True]) >= 0.6
