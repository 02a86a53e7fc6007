"""Planted copies, exchanges, wrong replicates and moved plates of invented programmes."""

from __future__ import annotations

import identity_lots as lots
import pytest

from dhverify.intervals import wilson
from dhverify.outcome import Answer, Flag


def copies_of(invented):
    """True pairs, those found, and those called."""
    true, labels = invented.copies(), invented.found.duplicate_group
    found = {pair for pair in true if len({labels.get(name, name) for name in pair}) == 1}
    return true, found, lots.pairs_of(invented.found)


def named_exchanges(invented):
    """True exchanges that a story names and, where a source says so, the suggestion of both."""
    holds = invented.found.holds
    named = set()
    for pair in invented.exchanged():
        one, two = sorted(pair)
        is_told = any(one in story and two in story for story in invented.found.stories)
        if is_told and holds.get(one) == two and holds.get(two) == one:
            named.add(pair)
    return named


def test_copies_of_lines_and_of_known_lines_are_found():
    invented = lots.Invented(
        seed=4,
        stage="D1",
        n_donors=3,
        lines_per_donor=30,
        n_markers=600,
        duplicate_share=0.1,
        known_lines=3,
        known_copies=3,
    )
    true, found, called = copies_of(invented)
    assert len(true) >= 9
    assert found == true
    assert called == true


@pytest.mark.parametrize(
    ("donor_type", "rows", "least"),
    [("F2", "cross", 0.95), ("F2", "plant", 0.95), ("BC1", "cross", 0.95), ("BC1", "plant", 0.85)],
)
def test_copies_are_told_from_sisters_where_the_plants_of_a_donor_differ(donor_type, rows, least):
    """Half of what the parents differ in tells nothing where all lines come of one plant of a backcross."""
    n_true = n_called = 0
    for seed in (1, 2, 3):
        invented = lots.Invented(
            seed=seed,
            stage="D1",
            donor_type=donor_type,
            donor_rows=rows,
            n_donors=2,
            lines_per_donor=40,
            n_markers=600,
            duplicate_share=0.08,
            hybrid_share=0.05,
        )
        true, _, called = copies_of(invented)
        assert called <= true
        n_true, n_called = n_true + len(true), n_called + len(called)
    assert n_true >= 15
    assert n_called >= least * n_true


def test_exchanges_are_named_and_are_no_copies():
    invented = lots.Invented(seed=2, stage="both", n_donors=3, lines_per_donor=24, n_markers=500, exchanged_sisters=3)
    true = invented.exchanged()
    assert len(true) == 3
    assert named_exchanges(invented) == true
    assert invented.found.duplicate_group == {}
    flagged = {name for name, flags in invented.found.flags.items() if Flag.SOURCE_MISMATCH in flags}
    assert flagged == {name for pair in true for name in pair}
    for row in invented.found.rows:
        if row.same_genotype is Answer.NO:
            assert frozenset({row.sample, row.suggestion}) in true


def test_an_exchange_between_donors_is_told_without_descent():
    """One exchange between two donors; then several, where it cannot be told which with which."""
    settings = {"stage": "D1", "n_donors": 2, "lines_per_donor": 24, "n_markers": 500}
    one = lots.Invented(seed=2, exchanged_pairs=1, **settings)
    assert named_exchanges(one) == one.exchanged()
    assert len(one.exchanged()) == 1
    assert "may have been exchanged" in one.found.stories[0]
    several = lots.Invented(seed=2, exchanged_pairs=3, **settings)
    names = {name for pair in several.exchanged() for name in pair}
    assert len(names) == 6
    assert all(name in several.found.stories[0] for name in names)
    assert "which with which cannot be told" in several.found.stories[0]
    assert several.found.holds == {}


@pytest.mark.parametrize("size", [2, 3])
def test_wrong_replicates_are_named(size):
    """The odd one of three; both of two."""
    invented = lots.Invented(
        seed=3,
        stage="D1",
        n_donors=2,
        lines_per_donor=24,
        n_markers=500,
        replicate_share=0.2,
        samples_per_replicate=size,
        wrong_replicates=4,
    )
    wrong = {name for name, row in invented.truth.items() if row["case"] == "replicate of another line"}
    lines = {invented.sheet[name].line for name in wrong}
    sets = {s.name for s in invented.sheet if s.line in lines}
    flagged = {name for name, flags in invented.found.flags.items() if Flag.LINE_MISMATCH in flags}
    assert len(wrong) == 4
    assert flagged == (wrong if size == 3 else sets)
    joined = {name for names in invented.found.agreeing_replicates for name in names}
    assert joined.isdisjoint(flagged)
    assert len(joined) >= 8


@pytest.mark.parametrize(
    ("settings", "told"),
    [
        ({"turned_plates": 1}, "turned by 180 degrees"),
        ({"shifted_plates": 1}, "shifted one column to the right"),
        ({"shifted_plates": 1, "shift": "row"}, "shifted one row down"),
    ],
)
def test_a_moved_plate_is_told_from_descent(settings, told):
    invented = lots.Invented(
        seed=1, stage="both", n_donors=2, lines_per_donor=44, n_markers=500, descent_share=0.9, **settings
    )
    assert any(told in story for story in invented.found.stories)
    flagged = [flags for flags in invented.found.flags.values() if Flag.TURNED_PLATE in flags]
    assert len(flagged) > 60


def test_reads_tell_copies_from_sisters():
    invented = lots.Invented(
        seed=6,
        stage="D1",
        n_donors=2,
        lines_per_donor=24,
        n_markers=800,
        platform="reads",
        depth=2.0,
        duplicate_share=0.15,
    )
    true, found, called = copies_of(invented)
    assert len(true) >= 6
    assert called == found == true


DIFFICULT = {
    "a panel of 96 markers": {"n_markers": 96},
    "three calls in ten missing": {"n_markers": 600, "missing": 0.3, "error_rate": 0.02},
    "two in five lines wrong": {
        "n_markers": 600,
        "hybrid_share": 0.2,
        "selfed_donor_share": 0.08,
        "outcross_share": 0.06,
        "other_donor_share": 0.06,
    },
    "families of six": {"n_markers": 400, "n_donors": 8, "lines_per_donor": 6},
    "nobody typed": {"n_markers": 400, "typed": ()},
    "markers without a place": {"n_markers": 600, "unplaced_share": 1.0},
}


@pytest.mark.parametrize("kind", DIFFICULT)
def test_copies_of_difficult_lots_under_names_that_say_nothing(kind):
    settings = {"stage": "D1", "n_donors": 3, "lines_per_donor": 24, "duplicate_share": 0.12, **DIFFICULT[kind]}
    invented = lots.Invented(seed=5, is_disguised=True, **settings)
    true, called = invented.undeclared_copies(), lots.pairs_of(invented.found)
    assert len(true) >= 5
    assert called <= true
    assert len(called) >= 0.9 * len(true)


@pytest.mark.parametrize(
    ("settings", "exchanges"),
    [
        ({"n_markers": 96}, "exchanged_sisters"),
        ({"n_markers": 96}, "exchanged_pairs"),
        ({"n_markers": 900, "donor_type": "BC1"}, "exchanged_sisters"),
        ({"n_markers": 600, "parent_sharing": "common"}, "exchanged_pairs"),
    ],
)
def test_exchanges_of_difficult_lots_are_named_with_the_sample_that_fits(settings, exchanges):
    """Two labels that break the sheet and mend each other need less evidence than a copy out of the blue."""
    invented = lots.Invented(
        seed=1,
        is_disguised=True,
        stage="both",
        n_donors=3,
        lines_per_donor=30,
        descent_share=0.8,
        hybrid_share=0.05,
        **settings,
        **{exchanges: 4},
    )
    sourced = {pair for pair in invented.exchanged() if all(invented.sheet[name].source for name in pair)}
    assert len(sourced) >= 2
    assert named_exchanges(invented) >= sourced
    fits = {r.sample: r.suggestion for r in invented.found.rows if r.declared == "source"}
    assert all(fits[one] == two for pair in sourced for one, two in (sorted(pair), sorted(pair)[::-1]))
    assert lots.pairs_of(invented.found) <= invented.undeclared_copies()


def test_sisters_of_a_donor_under_labels_of_others_are_no_copies():
    """Held against the families of their labels, two lines of a third donor would look like one genotype."""
    invented = lots.Invented(
        seed=2,
        stage="both",
        n_donors=3,
        lines_per_donor=40,
        n_markers=600,
        donor_type="F2",
        typed=(),
        descent_share=0.8,
        hybrid_share=0.05,
        exchanged_pairs=6,
    )
    assert len(lots.pairs_of(invented.found)) >= 4
    assert lots.pairs_of(invented.found) <= invented.undeclared_copies()


@pytest.mark.accuracy
def test_recall_and_precision_of_copies(record_property):
    """F1 donors on arrays of 1,000 markers, half of them of parents in common: at least .98 and .98."""
    n_true = n_found = n_called = n_right = 0
    for seed in range(10):
        invented = lots.Invented(
            seed=100 + seed,
            stage="D1",
            n_donors=4,
            lines_per_donor=60,
            parent_sharing=("none", "chain")[seed % 2],
            duplicate_share=0.1,
            known_lines=4,
            known_copies=4,
            hybrid_share=0.05,
        )
        true, found, called = copies_of(invented)
        n_true, n_found = n_true + len(true), n_found + len(found)
        n_called, n_right = n_called + len(called), n_right + len(called & true)
    record_property("recall", (n_found, n_true, wilson(n_found, n_true)))
    record_property("precision", (n_right, n_called, wilson(n_right, n_called)))
    print(f"recall {n_found}/{n_true} {wilson(n_found, n_true)}")  # noqa: T201
    print(f"precision {n_right}/{n_called} {wilson(n_right, n_called)}")  # noqa: T201
    assert n_true >= 250
    assert n_found >= 0.98 * n_true
    assert n_right >= 0.98 * n_called


@pytest.mark.accuracy
def test_exchanges_are_named(record_property):
    """Exchanged D1 lines with sources, of one donor and of two: at least .95 named, nothing else told."""
    n_true = n_named = n_told = 0
    for seed in range(10):
        invented = lots.Invented(
            seed=200 + seed,
            stage="both",
            n_donors=3,
            lines_per_donor=40,
            n_markers=600,
            descent_share=0.8,
            **{("exchanged_sisters", "exchanged_pairs")[seed % 2]: 12},
        )
        sourced = {pair for pair in invented.exchanged() if all(invented.sheet[name].source for name in pair)}
        n_true, n_named = n_true + len(sourced), n_named + len(named_exchanges(invented) & sourced)
        true = invented.exchanged()
        n_told += sum(not any(all(name in story for name in pair) for pair in true) for story in invented.found.stories)
    record_property("named", (n_named, n_true, wilson(n_named, n_true)))
    print(f"exchanges named {n_named}/{n_true} {wilson(n_named, n_true)}, other stories {n_told}")  # noqa: T201
    assert n_true >= 60
    assert n_named >= 0.95 * n_true
    assert n_told == 0
