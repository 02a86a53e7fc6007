"""Profiles after a change are those learnt anew from all samples."""

from __future__ import annotations

import numpy as np
import pytest
from simulated_lots import as_input, programme_of

from dhverify.genetic_map import place_markers
from dhverify.lot import assemble
from dhverify.plate_layout import IN_PLACE, SHIFTS, TURNED, moved, plate_layouts
from dhverify.plate_moves import _held
from dhverify.plate_profiles import learn_profiles
from dhverify.plate_wells import SeenWells, contents, donors_on


@pytest.fixture(scope="module")
def plates():
    programme = programme_of(
        seed=12, n_donors=3, lines_per_donor=60, n_markers=120, stage="haploid", hybrid_share=0.25, failed_share=0.05
    )
    genotypes, sheet = as_input(programme)
    return sheet, plate_layouts(sheet), SeenWells.of(assemble(genotypes, sheet, place_markers(genotypes.markers)))


def learnt_anew(plates, moves):
    sheet, layouts, seen = plates
    return learn_profiles(seen.calls, seen.samples, seen.is_full, contents(layouts, moves, sheet), sheet)


def in_place(layouts):
    return dict.fromkeys((layout.plate for layout in layouts), IN_PLACE)


def assert_alike(found, expected):
    assert found.holds == expected.holds
    told = {donor: sums for donor, sums in found.lines.items() if sums.n_lines}
    assert told.keys() == expected.lines.keys()
    for donor, sums in expected.lines.items():
        assert told[donor].n_lines == sums.n_lines
        np.testing.assert_array_equal(told[donor].second, sums.second)
        np.testing.assert_array_equal(told[donor].n, sums.n)
    assert {name: list(rows) for name, rows in found.rows_of.items() if rows} == expected.rows_of
    assert found.inducers.keys() == expected.inducers.keys()
    for name, sums in expected.inducers.items():
        np.testing.assert_allclose(found.inducers[name], sums, atol=1e-9)


@pytest.mark.parametrize("move", [TURNED, *SHIFTS], ids=lambda move: move.words)
def test_a_moved_plate_is_learnt_as_if_all_were_learnt_anew(plates, move):
    _, layouts, seen = plates
    base = learnt_anew(plates, in_place(layouts))
    for layout in layouts:
        moves = in_place(layouts) | {layout.plate: move}
        found, expected = base.changed(_held(layout, move, seen)), learnt_anew(plates, moves)
        assert_alike(found, expected)
        near = donors_on(layout, base.shares)
        for sample, origin, _ in list(moved(layout, move))[:20]:
            if origin is None or sample.name not in seen.row:
                continue
            row = seen.row[sample.name]
            told = [profiles.of_donors(near).of(origin, row) for profiles in (found, expected)]
            assert told[0] == pytest.approx(told[1])
        assert_alike(found.changed(_held(layout, IN_PLACE, seen)), base)


def test_what_is_not_changed_is_left_as_it_is(plates):
    _, layouts, seen = plates
    base = learnt_anew(plates, in_place(layouts))
    assert base.changed({}) is base
    assert base.changed(_held(layouts[0], IN_PLACE, seen)) is base


def test_a_fit_that_was_asked_for_is_not_that_of_another_story(plates):
    """What a row fits is kept, and must not outlive the story that it was worked out under."""
    _, layouts, seen = plates
    base = learnt_anew(plates, in_place(layouts))
    line = next(sample for sample in seen.samples if sample.donor and seen.is_full[seen.row[sample.name]])
    row = seen.row[line.name]
    before = base.of(line, row)
    gone = {seen.row[s.name]: None for s in seen.samples if s.donor == line.donor and s is not line}
    assert base.changed(gone).of(line, row) != before
    assert base.of(line, row) == before
