"""Profiles after a change are those learnt anew from all samples."""

from __future__ import annotations

import numpy as np
import pytest
from simulated_lots import as_input, programme_of

from dhverify.genetic_map import place_markers
from dhverify.lot import assemble
from dhverify.plate_layout import IN_PLACE, SHIFTS, TURNED, moved, plate_layouts
from dhverify.plate_moves import _held
from dhverify.plate_profiles import NOTHING, learn_profiles
from dhverify.plate_wells import SeenWells, contents, donors_on
from dhverify.samples import Role


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


def test_rows_looked_at_together_are_those_looked_at_alone(plates):
    """A row is left out of what it is compared with where it tells of the donor, whatever stands beside it."""
    sheet, layouts, seen = plates
    rows = np.array([seen.row[s.name] for s in layouts[0].at.values() if s.name in seen.row])
    kinds = {learnt_anew(plates, in_place(layouts)).kind(s): s for s in sheet}
    n_apart = 0
    for sample in kinds.values():
        together = learnt_anew(plates, in_place(layouts)).of_rows(sample, rows)
        alone = learnt_anew(plates, in_place(layouts))
        told = [alone.of(sample, int(row)) for row in rows]
        if together is None:
            assert told == [None] * len(rows)
            continue
        with_all = alone._log_mix(alone._parts(sample, NOTHING), rows)
        donors = alone._donors_of(sample)
        is_own = np.array([bool(donors & alone._donors_of(alone.holds.get(int(row)))) for row in rows])
        np.testing.assert_allclose(together, np.where(is_own, np.array(told, dtype=float), with_all), rtol=1e-9)
        n_apart += int((~np.isclose(with_all, together)).sum())
    assert n_apart > 50


def test_a_row_left_out_tells_nothing_of_its_donor(plates):
    """A clean line against its sisters alone is what the donor shows where nothing is known of the line."""
    _, layouts, seen = plates
    base = learnt_anew(plates, in_place(layouts))
    lines = [s for s in seen.samples if s.role is Role.LINE and base.is_gamete[seen.row[s.name]]]
    for line in lines[::15]:
        row = seen.row[line.name]
        without = base.changed({row: None})
        np.testing.assert_allclose(
            base._gametes(line.donor, np.array([row]))[0], without._gametes(line.donor, NOTHING)[0]
        )
        donor = next(s for s in plates[0] if s.name == line.donor)
        assert base.of(donor, row) == pytest.approx(without.of(donor, row))
