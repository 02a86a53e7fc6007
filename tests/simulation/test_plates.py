"""Plates: wells, blanks, controls, leaks, turned and shifted plates."""

from collections import Counter

import numpy as np
import pytest

from dhverify.simulation import SimulationSettings, simulate_programme
from dhverify.simulation.plates import well_name, well_place


def programme_of(seed=1, **changes):
    settings = SimulationSettings(
        **{"hybrid_share": 0.0, "n_markers": 300, "n_donors": 3, "lines_per_donor": 50, **changes}
    )
    return simulate_programme(settings, np.random.default_rng(seed))


def dna_of(programme):
    return dict(zip(programme.samples.tolist(), programme.fraction, strict=True))


def wells_of(programme):
    return {(row["plate"], row["well"]): row["sample"] for row in programme.sheet if row["well"]}


@pytest.mark.parametrize(("n_wells", "last"), [(96, "H12"), (384, "P24")])
def test_every_typed_sample_has_a_well_of_its_own(n_wells, last):
    programme = programme_of(plate_wells=n_wells, controls_per_plate=2)
    placed = [row for row in programme.sheet if row["well"]]
    assert len(wells_of(programme)) == len(placed) == len(programme.samples)
    per_plate = Counter(row["plate"] for row in placed)
    assert max(per_plate.values()) <= n_wells
    assert len(per_plate) == (2 if n_wells == 96 else 1)
    sheet = {row["sample"]: row for row in programme.sheet}
    for plate in per_plate:
        assert sheet[wells_of(programme)[plate, last]]["role"] == "blank"
    roles = Counter(row["role"] for row in placed)
    assert roles["blank"] == roles["control"] == 2 * len(per_plate)


def test_without_plates_there_are_no_wells():
    programme = programme_of(has_plates=False)
    assert wells_of(programme) == {}
    assert {row["role"] for row in programme.sheet} == {"parent", "inducer", "donor", "line"}


def test_without_blanks_and_controls():
    programme = programme_of(blanks_per_plate=0, controls_per_plate=0)
    assert {row["role"] for row in programme.sheet} == {"parent", "inducer", "donor", "line"}
    assert len(wells_of(programme)) == len(programme.samples)


def test_well_names():
    assert well_name(15, 23) == "P24"
    assert well_place("A01") == (0, 0)


def test_clean_blanks_and_controls():
    programme = programme_of()
    others = {row["name"]: row for row in programme.others}
    sheet = {row["sample"]: row for row in programme.sheet}
    calls = dict(zip(programme.samples.tolist(), programme.calls, strict=True))
    blanks = [name for name, row in sheet.items() if row["role"] == "blank"]
    assert all((calls[name] >= 0).mean() < 0.06 for name in blanks)
    assert all(others[name]["finding"] == "" for name in blanks)
    for name, row in sheet.items():
        if row["role"] == "control":
            assert (row["expected"], others[name]["finding"]) == ("hybrid", "hybrid")
            assert (calls[name] == 1).mean() > 0.3


def test_wrong_controls():
    programme = programme_of(wrong_controls=1)
    controls = [row for row in programme.others if row["kind"] == "control"]
    assert [row["finding"] for row in controls] == ["haploid", "hybrid"]
    assert controls[0]["case"] == "wrong control: a clean line"


def test_dirty_blanks_hold_a_neighbours_genotype():
    programme = programme_of(dirty_blanks=2)
    dirty = [row for row in programme.others if row["case"] == "dirty blank"]
    assert len(dirty) == 2
    sheet = {row["sample"]: row for row in programme.sheet}
    dna = dna_of(programme)
    calls = dict(zip(programme.samples.tolist(), programme.calls, strict=True))
    for row in dirty:
        assert (dna[row["name"]] == dna[row["contaminant"]]).all()
        assert_neighbours(sheet[row["name"]], sheet[row["contaminant"]])
        assert 0.25 < (calls[row["name"]] >= 0).mean() < 0.85


def test_more_dirty_blanks_than_blanks():
    programme = programme_of(dirty_blanks=50, blanks_per_plate=1)
    n_dirty = sum(row["case"] == "dirty blank" for row in programme.others)
    assert n_dirty == 1  # the corner of the second plate, half empty, has no neighbour


def assert_neighbours(one, two):
    assert one["plate"] == two["plate"]
    a, b = well_place(one["well"]), well_place(two["well"])
    assert abs(a[0] - b[0]) + abs(a[1] - b[1]) == 1


def test_leaks_come_from_neighbours():
    programme = programme_of(leaks=6, leak_low=0.05, leak_high=0.4)
    leaks = [row for row in programme.truth if row["case"] == "leak"]
    assert len(leaks) == 6
    sheet = {row["sample"]: row for row in programme.sheet}
    for row in leaks:
        assert_neighbours(sheet[row["sample"]], sheet[row["contaminant"]])
        share = float(row["contaminant_share"])
        assert row["finding"] == ("mixture" if share >= 0.1 else "haploid")


def test_a_turned_plate():
    plain, turned = programme_of(seed=5), programme_of(seed=5, turned_plates=1)
    plate = next(row["name"] for row in turned.others if row["case"] == "turned")
    before, after = dna_of(plain), dna_of(turned)
    wells = wells_of(turned)
    assert wells == wells_of(plain)
    truth = {row["sample"]: row for row in turned.truth}
    seen = Counter()
    for (name, well), sample in wells.items():
        row, column = well_place(well)
        source = wells.get((plate, well_name(7 - row, 11 - column))) if name == plate else sample
        if source:
            assert (after[sample] == before[source]).all()
        if sample in truth and name == plate:
            seen[truth[sample]["finding"]] += 1
            assert truth[sample]["case"].startswith("turned plate")
    assert seen["haploid"] > 0
    assert seen["other donor"] > 0
    assert seen["unresolved"] > 0  # the blanks' and empty wells, and the references of other donors


@pytest.mark.parametrize(("shift", "step"), [("row", (-1, 0)), ("column", (0, -1))])
def test_a_shifted_plate(shift, step):
    plain, shifted = programme_of(seed=6), programme_of(seed=6, shifted_plates=1, shift=shift)
    plate = next(row["name"] for row in shifted.others if row["case"] == "shifted")
    before, after = dna_of(plain), dna_of(shifted)
    wells = wells_of(shifted)
    for (name, well), sample in wells.items():
        if name == plate:
            row, column = well_place(well)
            source = wells.get((plate, well_name((row + step[0]) % 8, (column + step[1]) % 12)))
            if source:
                assert (after[sample] == before[source]).all()


def test_what_stands_under_another_label():
    """Hybrids of another donor fit nothing; inducers stay inducers; own parents stay parents."""
    programme = programme_of(
        turned_plates=1,
        hybrid_share=0.4,
        inducer_share=0.1,
        parent_share=0.1,
        n_donors=2,
        lines_per_donor=43,
        seed=8,
    )
    sheet = {row["sample"]: row for row in programme.sheet}
    moved = [row for row in programme.truth if row["case"].startswith("turned plate: DNA of")]
    seen = Counter()
    for row in moved:
        own = row["donor"] == sheet[row["sample"]]["donor"]
        source_role = sheet[row["case"].removeprefix("turned plate: DNA of ")]["role"]
        seen[source_role, row["finding"], own] += 1
    assert seen["line", "hybrid", True] > 0
    assert seen["line", "unresolved", False] > 0
    assert seen["line", "hybrid", False] == 0
    assert seen["line", "inducer", False] > 0
    assert seen["parent", "parent", True] == 0
    assert sum(n for key, n in seen.items() if key[:2] == ("parent", "parent")) > 0
