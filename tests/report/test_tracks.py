from __future__ import annotations

import numpy as np
import pytest

from dhverify.outcome import MarkerRow, Track
from dhverify.report.tracks import MOST_CHROMOSOMES, picture, stage


def markers(places):
    return tuple(
        MarkerRow(
            marker=f"m{k}",
            chrom=chrom,
            pos=None,
            cm=cm,
            call_rate=1.0,
            heterozygosity=0.0,
            usable=True,
            reason="",
            error_rate=None,
        )
        for k, (chrom, cm) in enumerate(places)
    )


def track(n, **given):
    arrays = {
        "marker_index": np.arange(n, dtype=np.int64),
        "strand": np.zeros(n, dtype=np.int16),
        "copies_of_inducer": np.zeros(n, dtype=np.int8),
        "call": np.zeros(n, dtype=np.int8),
        "is_foreign": np.zeros(n, dtype=bool),
        "is_informative": np.ones(n, dtype=bool),
    }
    arrays.update({name: np.array(values, dtype=arrays[name].dtype) for name, values in given.items()})
    return Track(sample="s", strands=("A", "B"), **arrays)


def drawn(places, **given):
    return picture(track(len(places), **given), stage(markers(places)))


def spans(stretches):
    return [(s.row, s.start_cm, s.end_cm, s.level) for s in stretches]


def test_a_crossover_lies_halfway_between_its_markers():
    found = drawn([("1", 0), ("1", 10), ("1", 20), ("1", 30)], strand=[0, 0, 1, 1])
    assert spans(found.steps) == [(0, 0, 15, 0), (0, 15, 30, 1)]
    assert [step.joins_previous for step in found.steps] == [False, True]


def test_a_blind_stretch_is_a_gap_that_markers_reach_ten_centimorgan_into():
    found = drawn([("1", 0), ("1", 50), ("1", 100)])
    assert spans(found.steps) == [(0, 0, 10, 0), (0, 40, 60, 0), (0, 90, 100, 0)]


def test_markers_that_are_missing_or_cannot_tell_say_nothing():
    found = drawn([("1", 0), ("1", 15), ("1", 30)], call=[0, -1, 0], is_informative=[True, True, True])
    assert spans(found.steps) == [(0, 0, 10, 0), (0, 20, 30, 0)]
    assert drawn([("1", 0)], is_informative=[False]).steps == ()


def test_chromosomes_never_join():
    found = drawn([("1", 0), ("1", 5), ("2", 5), ("2", 8)], strand=[1, 1, 1, 1])
    assert spans(found.steps) == [(0, 0, 5, 1), (1, 0, 8, 1)]


def test_a_line_that_was_not_traced_has_level_minus_one():
    assert spans(drawn([("1", 0), ("1", 5)], strand=[-3, -3]).steps) == [(0, 0, 5, -1)]


def test_heterozygous_calls_are_boxes_up_to_the_next_homozygous_one():
    found = drawn([("1", 0), ("1", 5), ("1", 10), ("1", 15), ("1", 60)], call=[1, 1, 0, 1, 1])
    assert spans(found.heterozygous) == [(0, 0, 5, 1), (0, 15, 15, 1), (0, 60, 60, 1)]


def test_inducer_and_foreign_stretches():
    found = drawn(
        [("1", 0), ("1", 4), ("1", 8), ("1", 12), ("1", 40)],
        copies_of_inducer=[0, 2, 2, 1, -1],
        is_foreign=[True, False, True, True, True],
    )
    assert spans(found.inducer) == [(0, 4, 8, 2), (0, 12, 12, 1)]
    assert spans(found.foreign) == [(0, 0, 0, 1), (0, 8, 12, 1), (0, 40, 40, 1)]


def test_the_order_of_markers_does_not_matter():
    places = [("1", 0), ("1", 10), ("2", 3), ("1", 20), ("1", 30)]
    strand = [0, 0, 1, 1, 1]
    order = [4, 2, 0, 3, 1]
    one = drawn(places, strand=strand)
    other = drawn([places[k] for k in order], strand=[strand[k] for k in order])
    assert spans(one.steps) == spans(other.steps)


def test_markers_without_a_place_are_left_out():
    found = drawn([("1", 0), ("", 5), ("1", None)])
    assert spans(found.steps) == [(0, 0, 0, 0)]


def test_many_scaffolds_show_the_longest_ones():
    on = stage(markers([(f"s{k}", float(k)) for k in range(MOST_CHROMOSOMES + 7)]))
    assert len(on.chromosomes) == MOST_CHROMOSOMES
    assert on.n_left_out == 7
    assert on.chromosomes[0].name == "s7"
    assert on.marker_row[0] == -1


def test_a_map_may_begin_below_zero():
    assert stage(markers([("1", -2.0), ("1", 8.0)])).chromosomes[0].start_cm == pytest.approx(-2)
