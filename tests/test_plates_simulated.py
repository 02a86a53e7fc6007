"""Plates of invented programmes: turned and shifted ones are found, and no clean one is called turned."""

from __future__ import annotations

import numpy as np
import plate_lots
import pytest

from dhverify.intervals import clopper_pearson
from dhverify.plate_blanks import judge_blanks
from dhverify.plate_layout import IN_PLACE, SHIFTS, TURNED, plate_layouts
from dhverify.plate_moves import is_telling, plate_stories
from dhverify.samples import Role

KINDS = {
    "arrays": {"n_markers": 300},
    "reads": {"n_markers": 300, "platform": "reads", "depth": 3.0},
    "few markers": {"n_markers": 60},
    "nothing typed": {"n_markers": 300, "typed": ()},
    "parents in common": {"n_markers": 300, "parent_sharing": "chain", "hybrid_share": 0.3},
    "three-way donors": {"n_markers": 300, "donor_type": "three-way"},
    "one donor": {"n_markers": 300, "n_donors": 1, "lines_per_donor": 60},
    "many faults": {
        "n_markers": 300,
        "hybrid_share": 0.25,
        "selfed_donor_share": 0.05,
        "other_donor_share": 0.1,
        "failed_share": 0.1,
        "leaks": 4,
        "dirty_blanks": 2,
        "wrong_controls": 1,
    },
    "384 wells": {"n_markers": 200, "plate_wells": 384, "n_donors": 6},
    "no controls": {"n_markers": 300, "blanks_per_plate": 0, "controls_per_plate": 0},
}
MOVES = {
    "turned": {"turned_plates": 1},
    "column": {"shifted_plates": 1, "shift": "column"},
    "row": {"shifted_plates": 1, "shift": "row"},
}


def told(kind, seed, **moves):
    """For each plate what was done to it, and the story about it."""
    lot = plate_lots.plate_lot(seed=seed, **{"lines_per_donor": 40, **KINDS[kind], **moves})
    stories = plate_stories(lot.lot(), lot.sheet, plate_layouts(lot.sheet))
    return [(lot.plates[story.plate], story) for story in stories]


@pytest.mark.parametrize("kind", KINDS)
def test_no_clean_plate_is_called_turned_or_shifted(kind):
    for _, story in told(kind, 2):
        assert story.best is IN_PLACE
        assert story.excludes_turned


@pytest.mark.parametrize("kind", ["arrays", "reads", "nothing typed", "one donor", "many faults", "no controls"])
@pytest.mark.parametrize("move", MOVES)
def test_a_moved_plate_is_found_and_the_others_are_left(kind, move):
    for truth, story in told(kind, 1, **MOVES[move]):
        expected = {"turned": truth == "turned", "column": False, "row": False}[move]
        assert (story.best is TURNED) == expected
        assert (story.best.columns == 1) == (move == "column" and truth == "shifted")
        assert (story.best.rows == 1) == (move == "row" and truth == "shifted")


@pytest.mark.parametrize("kind", ["at random", "by row", "corners"])
@pytest.mark.parametrize("settings", [{"n_markers": 200}, {"n_markers": 200, "donor_type": "BC1", "typed": ()}])
def test_moves_are_told_however_plates_are_filled(kind, settings):
    filled = plate_lots.laid_out(plate_lots.plate_lot(seed=3, lines_per_donor=40, **settings), kind)
    plate = plate_layouts(filled.sheet)[0].plate
    for move in (IN_PLACE, TURNED, *SHIFTS):
        lot = filled.moved(plate, move)
        told = {story.plate: story.best for story in plate_stories(lot.lot(), lot.sheet, plate_layouts(lot.sheet))}
        assert told.pop(plate) is move
        assert set(told.values()) <= {IN_PLACE}


def test_a_shift_is_told_where_a_turned_plate_would_not_show():
    """Blanks in opposite corners of a plate that is filled to a third: turned, nothing known changes places."""
    lot = plate_lots.plate_lot(seed=0, n_donors=3, lines_per_donor=40, n_markers=300, plate_wells=384)
    lot = plate_lots.laid_out(lot, "by row")
    (layout,) = plate_layouts(lot.sheet)
    assert not is_telling(layout)
    (story,) = plate_stories(lot.moved(layout.plate, SHIFTS[0]).lot(), lot.sheet, [layout])
    assert story.best is SHIFTS[0]


@pytest.mark.accuracy
def test_recall_and_precision_of_moved_plates(record_property):
    found = {"turned": [], "shifted": [], "": []}
    for seed in range(6):
        for kind in KINDS:
            for moves in ({}, *MOVES.values()):
                for truth, story in told(kind, 100 + seed, **moves):
                    right = {"turned": story.best is TURNED, "": not story.is_moved}
                    found[truth].append(right.get(truth, story.is_moved and story.best is not TURNED))
    for truth, right in found.items():
        low, high = clopper_pearson(sum(right), len(right))
        record_property(truth or "clean", f"{sum(right)} of {len(right)}, 95 % interval {low:.3f} to {high:.3f}")
        print(truth or "clean", f"{sum(right)} of {len(right)}, 95 % interval {low:.3f} to {high:.3f}")  # noqa: T201
    assert all(found[""])
    assert np.mean(found["turned"]) >= 0.95
    assert np.mean(found["shifted"]) >= 0.95


@pytest.mark.parametrize("platform", ["array", "reads"])
def test_dirty_blanks_are_found_and_their_owner_named(platform):
    n_dirty = n_named = n_false = 0
    for seed in range(3):
        lot = plate_lots.plate_lot(
            seed=seed, n_donors=3, lines_per_donor=50, n_markers=300, dirty_blanks=2, platform=platform
        )
        assembled, analysis, _ = lot.analysed()
        blanks = judge_blanks(assembled, analysis.learnt.assay, lot.sheet.with_role(Role.BLANK), 0.1)
        for blank in blanks:
            owner = lot.blanks[blank.sample.name]["contaminant"]
            n_dirty += bool(owner)
            n_named += bool(owner) and blank.is_dirty and owner in blank.owners
            n_false += not owner and blank.is_dirty
    assert n_dirty >= 5
    assert n_named == n_dirty
    assert n_false == 0


@pytest.mark.parametrize("n_lines", [8, 12, 16, 20])
@pytest.mark.parametrize("blanks", [0, 1])
def test_a_plate_of_one_small_family_is_not_called_turned(n_lines, blanks):
    """Few lines of one donor fit the alleles of a lot that they are in themselves as well as their own donor."""
    for seed in range(1, 6):
        settings = {"n_donors": 1, "lines_per_donor": n_lines, "n_markers": 300, "blanks_per_plate": blanks}
        lot = plate_lots.plate_lot(seed=seed, hybrid_share=0.0, **settings)
        for story in plate_stories(lot.lot(), lot.sheet, plate_layouts(lot.sheet)):
            assert story.best is IN_PLACE, (seed, story)
