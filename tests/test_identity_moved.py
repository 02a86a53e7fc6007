"""Plates and rows that came out of place, checked from end to end: one story, and nothing that rests on them."""

from __future__ import annotations

from functools import lru_cache

import pytest
from simulated_lots import as_input, displaced, programme_of

from dhverify.checking import run_check
from dhverify.outcome import Answer, Finding, Flag, Verdict

CLEAN = {"hybrid_share": 0.0, "n_donors": 2, "n_markers": 500, "stage": "both"}


@lru_cache(maxsize=3)
def programme(*, lines, descent, seed=1):
    return as_input(programme_of(seed=seed, lines_per_donor=lines, descent_share=descent, **CLEAN))


def plate_of(sheet, name):
    return next(sample.plate for sample in sheet if sample.name == name)


def rows_of_lines(sheet):
    """(Number of lines with a source, number of wells, plate, row), of every row of a plate that holds lines only."""
    rows = {}
    for sample in sheet:
        rows.setdefault((sample.plate, sample.well[:1]), []).append(sample)
    return sorted(
        (sum(bool(s.source) for s in samples), len(samples), plate, row)
        for (plate, row), samples in rows.items()
        if plate
    )


def next_to(sample, sheet, around):
    """Name of the sample in the next well of its row, the first one after the last."""
    column = int(sample.well[1:]) % around + 1
    place = (sample.plate, f"{sample.well[0]}{column:02d}")
    return next((s.name for s in sheet if (s.plate, s.well) == place), "")


TURNED = {
    "turned by 180 degrees": lambda r, c: (7 - r, 11 - c),
    "shifted one column to the right": lambda r, c: (r, (c - 1) % 12),
}


@pytest.mark.parametrize("told", TURNED)
@pytest.mark.parametrize("descent", [0.9, 0.0])
def test_a_moved_plate_is_one_story_and_nothing_rests_on_it(told, descent):
    genotypes, sheet = programme(lines=44, descent=descent)
    plate = plate_of(sheet, next(s.name for s in sheet if s.role == "parent"))
    outcome = run_check(displaced(genotypes, sheet, plate, TURNED[told]), sheet)
    (story,) = outcome.stories
    assert plate in story
    assert "180 degrees" in story or "column to the right" in story
    assert all(row.dirty_blanks == row.leaking_wells == row.wrong_controls == 0 for row in outcome.plates)
    (moved,) = (row for row in outcome.plates if row.plate == plate)
    assert (moved.turned is Answer.YES) == told.startswith("turned")
    assert "settle the layout before using any of its results" in moved.advice
    assert all("cannot be told until the layout is settled" in row.advice for row in outcome.plates)
    assert not any("fresh tissue" in row.advice for row in outcome.plates)
    assert not any("fresh tissue" in row.reasons for row in outcome.lines if Flag.TURNED_PLATE in row.flags)
    assert not any(words in row.advice for row in outcome.donors for words in ("Genotype all", "Do not"))
    assert {row.finding for row in outcome.lines if row.plate == plate} == {Finding.UNRESOLVED}
    assert {row.verdict for row in outcome.lines if row.plate == plate} == {Verdict.RETEST}
    assert not any(row.verdict is Verdict.FAIL for row in outcome.lines)
    assert not any(row.agrees is Answer.NO for row in outcome.references)
    assert not any(row.contaminant for row in (*outcome.lines, *outcome.wells))


@pytest.mark.parametrize("is_closed", [False, True])
@pytest.mark.parametrize("descent", [0.9, 0.3])
def test_a_shifted_row_is_one_story(descent, is_closed):
    """Rows of a plate that is filled in part, with many and with few lines that name a source."""
    genotypes, sheet = programme(lines=40, descent=descent)
    told = []
    for n_sources, n_wells, plate, letter in rows_of_lines(sheet):
        if n_sources < 3 or n_wells == 12:
            continue
        number, around = ord(letter) - ord("A"), n_wells if is_closed else 12
        outcome = run_check(
            displaced(genotypes, sheet, plate, lambda r, c, n=number, a=around: (r, (c - 1) % a if r == n else c)),
            sheet,
        )
        told.append([story.split(": this explains")[0] for story in outcome.stories])
        assert told[-1] == [f"Plate {plate}: row {letter} was shifted by one to the right"], (n_sources, n_wells)
        out_of_place = {Flag.TURNED_PLATE, Flag.NOT_GENOTYPED}
        flagged = {row.sample for row in outcome.lines if out_of_place & set(row.flags)}
        assert flagged == {s.name for s in sheet.lines if s.plate == plate and s.well[0] == letter}
        after = {sample.name: next_to(sample, sheet, around) for sample in sheet if sample.name in flagged}
        suggested = {row.sample: row.suggestion for row in outcome.identity if row.suggestion}
        assert len(suggested) >= 2
        assert all(suggestion == after[name] for name, suggestion in suggested.items())
        if len(told) == 3:
            break
    assert told
