"""Replicates of two lines whose labels were exchanged, checked from end to end."""

from __future__ import annotations

import plate_lots
import pytest

from dhverify.checking import run_check
from dhverify.outcome import Flag


def exchanged(n_samples, number, *, is_of_two_donors, n_markers):
    """A lot where sample ``number`` of each of two lines was exchanged, and the names of the samples of the two."""
    lot = plate_lots.plate_lot(
        seed=7,
        n_donors=2,
        lines_per_donor=30,
        n_markers=n_markers,
        replicate_share=0.4,
        samples_per_replicate=n_samples,
    )
    sets = {}
    for sample in lot.sheet.lines:
        if sample.line:
            sets.setdefault(sample.line, []).append(sample)
    first, *others = sets.values()
    second = next(o for o in others if (o[0].donor != first[0].donor) == is_of_two_donors)
    one, two = first[number].name, second[number].name
    names = [[sample.name for sample in samples] for samples in (first, second)]
    return lot.holding({one: two, two: one}), names


@pytest.mark.parametrize("is_of_two_donors", [False, True])
@pytest.mark.parametrize(("n_samples", "number"), [(2, 0), (2, 1), (3, 0), (3, 1), (3, 2)])
@pytest.mark.parametrize("n_markers", [96, 300])
def test_a_story_names_the_replicates_that_were_exchanged(n_samples, number, is_of_two_donors, n_markers):
    lot, (first, second) = exchanged(n_samples, number, is_of_two_donors=is_of_two_donors, n_markers=n_markers)
    outcome = run_check(lot.genotypes, lot.sheet)
    (story,) = (text for text in outcome.stories if "exchanged" in text)
    told, _, alternative = story.partition(" Or it was ")
    pairs = [{name for name in first + second if f"{name} (" in part} for part in (told.split(":")[0], alternative)]
    assert {first[number], second[number]} in pairs
    assert bool(alternative) == (n_samples == 2 and not is_of_two_donors)
    flagged = {row.sample for row in outcome.lines if Flag.LINE_MISMATCH in row.flags}
    wrong = {first[number], second[number]}
    assert flagged == (wrong if n_samples == 3 else {*first, *second})


def test_replicates_that_agree_tell_no_story():
    lot, _ = exchanged(3, 0, is_of_two_donors=False, n_markers=96)
    clean = plate_lots.plate_lot(
        seed=7, n_donors=2, lines_per_donor=30, n_markers=96, replicate_share=0.4, samples_per_replicate=3
    )
    assert clean.sheet == lot.sheet
    assert not any("exchanged" in text for text in run_check(clean.genotypes, clean.sheet).stories)
