"""Stories about exchanged labels, told from pairs alone."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, product

import pytest

from dhverify.declared_identity import declared_groups
from dhverify.exchanges import Findings, tell_stories
from dhverify.samples import Role, Sample, SampleSheet, Stage

ROWS = "ABCDEFGH"


def sheet_of(wells, *, donors=None, replicates=False):
    """Haploids without a well and their D1 lines in the given wells; ``wells`` by line number."""
    samples = []
    for number, well in wells.items():
        donor = (donors or {}).get(number, "D")
        plate = "P" if well else ""
        if replicates:
            first = Sample(name=f"H{number}", role=Role.LINE, stage=Stage.D1, donor=donor, line=f"L{number}")
            second = Sample(
                name=f"L{number}",
                role=Role.LINE,
                stage=Stage.D1,
                donor=donor,
                line=f"L{number}",
                plate=plate,
                well=well,
            )
        else:
            first = Sample(name=f"H{number}", role=Role.LINE, stage=Stage.HAPLOID, donor=donor)
            second = Sample(
                name=f"L{number}",
                role=Role.LINE,
                stage=Stage.D1,
                donor=donor,
                source=f"H{number}",
                plate=plate,
                well=well,
            )
        samples += [first, second]
    return SampleSheet(samples=tuple(samples))


def findings_of(sheet, holds, *, fits_own_donor=()):
    """What comparing would give when label L<n> holds the DNA of line ``holds[n]`` (0: of nobody here)."""
    numbers = [int(sample.name[1:]) for sample in sheet if sample.name.startswith("L")]
    held = {number: holds.get(number, number) for number in numbers}
    broken = tuple((f"L{n}", f"H{n}") for n in numbers if held[n] != n)
    return Findings(
        undeclared=tuple((f"L{n}", f"H{held[n]}") for n in numbers if held[n] not in (n, 0)),
        kept=tuple((f"L{n}", f"H{n}") for n in numbers if held[n] == n),
        broken=broken,
        descendants=frozenset(one for one, _ in broken),
        groups=declared_groups(sheet),
        fits_own_donor=frozenset(fits_own_donor),
    )


def plate(n=40):
    """Lines 1.. down the columns of a plate."""
    return {k + 1: f"{ROWS[k % 8]}{k // 8 + 1:02d}" for k in range(n)}


def moved(wells, move):
    """For each line the line whose DNA its well holds after a move (row, column) -> (row, column)."""
    number = {well: line for line, well in wells.items()}
    holds = {}
    for line, well in wells.items():
        row, column = move(ROWS.index(well[0]), int(well[1:]) - 1)
        holds[line] = number.get(f"{ROWS[row]}{column + 1:02d}", 0)
    return holds


def test_nothing_wrong_is_no_story():
    sheet = sheet_of(plate())
    assert tell_stories(sheet, findings_of(sheet, {})) == ()


@pytest.mark.parametrize("replicates", [False, True])
def test_two_labels_exchanged(replicates):
    sheet = sheet_of(plate(), replicates=replicates)
    stories = tell_stories(sheet, findings_of(sheet, {3: 17, 17: 3}))
    assert len(stories) == 1
    assert stories[0].text.startswith("L3 (plate P, well C01) and L17 (plate P, well A03) were exchanged: ")
    assert "L3 is one genotype with H17" in stories[0].text
    assert dict(stories[0].meant) == {"L3": "L17", "L17": "L3"}
    assert set(stories[0].explained) == {("L3", "H17"), ("L17", "H3")}
    assert stories[0].move == ""


def test_labels_without_wells_are_exchanged_too():
    sheet = sheet_of(dict.fromkeys(range(1, 5), ""))
    (story,) = tell_stories(sheet, findings_of(sheet, {1: 2, 2: 1}))
    assert story.text.startswith("L1 and L2 were exchanged: ")


def test_a_ring_of_three():
    sheet = sheet_of(plate())
    (story,) = tell_stories(sheet, findings_of(sheet, {3: 17, 17: 30, 30: 3}))
    assert "were exchanged in a ring" in story.text
    assert dict(story.meant) == {"L3": "L17", "L17": "L30", "L30": "L3"}


def test_two_exchanges_are_two_stories():
    sheet = sheet_of(plate())
    stories = tell_stories(sheet, findings_of(sheet, {3: 17, 17: 3, 8: 9, 9: 8}))
    assert [sorted(story.meant) for story in stories] == [["L17", "L3"], ["L8", "L9"]]


def test_a_copy_of_another_line_is_no_exchange():
    """L3 holds line 17, and L17 holds it too."""
    sheet = sheet_of(plate())
    assert tell_stories(sheet, findings_of(sheet, {3: 17})) == ()


def test_a_chain_that_does_not_close_is_no_exchange():
    sheet = sheet_of(plate())
    assert tell_stories(sheet, findings_of(sheet, {3: 17, 17: 30, 30: 17})) != ()
    assert tell_stories(sheet, findings_of(sheet, {3: 17, 17: 30, 30: 0})) == ()


def test_sources_exchanged_are_told_by_their_donors():
    """Either side of two broken pairs could be exchanged; the younger fit their donors: it is the older."""
    sheet = sheet_of(plate(), donors={3: "E"})
    findings = findings_of(sheet, {3: 17, 17: 3}, fits_own_donor={"L3", "L17"})
    (story,) = tell_stories(sheet, findings)
    assert set(story.meant) == {"H3", "H17"}
    (story,) = tell_stories(sheet, findings_of(sheet, {3: 17, 17: 3}, fits_own_donor={"H3", "H17"}))
    assert set(story.meant) == {"L3", "L17"}


MOVES = {
    "was turned by 180 degrees": lambda r, c: (7 - r, 11 - c),
    "was shifted one column to the right": lambda r, c: (r, (c - 1) % 12),
    "was shifted one column to the left": lambda r, c: (r, (c + 1) % 12),
    "was shifted one row down": lambda r, c: ((r - 1) % 8, c),
    "was shifted one row up": lambda r, c: ((r + 1) % 8, c),
}


@pytest.mark.parametrize("told", MOVES)
@pytest.mark.parametrize("n", [50, 96])
def test_a_plate_that_was_moved(told, n):
    wells = plate(n)
    sheet = sheet_of(wells)
    holds = moved(wells, MOVES[told])
    stories = tell_stories(sheet, findings_of(sheet, holds))
    assert stories[0].text.startswith(f"Plate P {told}: this explains ")
    assert len(stories) == 1
    assert stories[0].move == f"Plate P {told}"
    assert len(stories[0].explained) == sum(held > 0 and held != line for line, held in holds.items())
    assert stories[0].meant["L1"] == (f"L{holds[1]}" if holds[1] else "an empty well for L1")


@pytest.mark.parametrize(
    ("told", "move"),
    [
        ("row C was shifted by one to the right", lambda r, c: (r, (c - 1) % 12 if r == 2 else c)),
        ("row C was shifted by one to the left", lambda r, c: (r, (c + 1) % 12 if r == 2 else c)),
        ("column 2 was shifted down by one", lambda r, c: ((r - 1) % 8 if c == 1 else r, c)),
        ("column 2 was shifted up by one", lambda r, c: ((r + 1) % 8 if c == 1 else r, c)),
    ],
)
def test_a_row_or_a_column_that_was_shifted(told, move):
    wells = plate(96)
    sheet = sheet_of(wells)
    (story,) = tell_stories(sheet, findings_of(sheet, moved(wells, move)))
    assert story.text.startswith(f"Plate P: {told}: ")
    assert story.move == f"Plate P: {told}"
    assert len(story.meant) in (8, 12)


def test_a_turned_plate_with_some_lines_that_fit_all_the_same():
    """A few observations against the story do not undo it; many do."""
    wells = plate(96)
    sheet = sheet_of(wells)
    holds = moved(wells, MOVES["was turned by 180 degrees"])
    few = holds | {1: 1, 2: 2}
    assert "2 against it" in tell_stories(sheet, findings_of(sheet, few))[0].text
    many = holds | {line: line for line in range(1, 60)}
    assert not any(story.move for story in tell_stories(sheet, findings_of(sheet, many)))


def test_a_plate_without_a_name_and_a_large_plate():
    """384 wells turn about another centre; the plate's name may be empty."""
    wells = {1: "A01", 2: "P24", 3: "B02", 4: "O23", 5: "A24", 6: "P01"}
    samples = [
        Sample(**({f: getattr(s, f) for f in s.__dataclass_fields__} | {"plate": ""})) for s in sheet_of(wells).samples
    ]
    sheet = SampleSheet(samples=tuple(samples))
    (story,) = tell_stories(sheet, findings_of(sheet, {1: 2, 2: 1, 3: 4, 4: 3, 5: 6, 6: 5}))
    assert story.text.startswith("The plate was turned by 180 degrees: this explains 6 pairs ")
    assert "L1 (A01) is what should stand under L2 (P24)" in story.text


def test_copies_alone_never_turn_a_plate():
    """Undeclared pairs without any broken declaration: copies, whatever their wells."""
    wells = plate(96)
    sheet = sheet_of(wells)
    findings = findings_of(sheet, moved(wells, MOVES["was turned by 180 degrees"]))
    findings = Findings(
        undeclared=findings.undeclared, kept=(), broken=(), descendants=frozenset(), groups=findings.groups
    )
    assert tell_stories(sheet, findings) == ()


def part_filled(holds):
    """A row of nine wells of which three name a source, holding lines by number, and its story."""
    wells = {k: f"C{k:02d}" for k in range(1, 10)} | {k: f"D{k:02d}" for k in range(10, 13)}
    sheet = sheet_of(wells)
    sourced = {"L2", "L3", "L7", "L10", "L11", "L12"}
    rows = [
        Sample(**({f: getattr(s, f) for f in s.__dataclass_fields__} | {"source": s.source * (s.name in sourced)}))
        for s in sheet
    ]
    sheet = SampleSheet(samples=tuple(s for s in rows if s.role is Role.LINE))
    found = findings_of(sheet, holds)
    kept, broken = (tuple(pair for pair in pairs if pair[0] in sourced) for pairs in (found.kept, found.broken))
    descendants = frozenset(one for one, _ in broken)
    undeclared = tuple(pair for pair in found.undeclared if f"L{pair[1][1:]}" in sourced)
    return sheet, Findings(
        undeclared=undeclared,
        kept=kept,
        broken=broken,
        descendants=descendants,
        groups=declared_groups(sheet),
    )


def test_a_row_that_is_filled_in_part_and_names_few_sources():
    """What was pushed out of the row at one end may stand nowhere, or at its other end."""
    right = {k: k - 1 for k in range(2, 10)}
    (story,) = tell_stories(*part_filled({**right, 1: 0}))
    assert story.move == "Plate P: row C was shifted by one to the right"
    assert story.meant["L1"] == "an empty well for L1"
    left = {k: k + 1 for k in range(1, 9)}
    sheet, found = part_filled({**left, 9: 0})
    (story,) = tell_stories(sheet, found)
    assert story.move == "Plate P: row C was shifted by one to the left"
    last = Findings(**{f: getattr(found, f) for f in found.__dataclass_fields__} | {"broken": found.broken[:2]})
    assert [s.move for s in tell_stories(sheet, last)] == [story.move]


def test_a_row_of_which_the_last_stands_first():
    wells = {k: f"C{k:02d}" for k in range(1, 10)} | {10: "D01"}
    sheet = sheet_of(wells)
    (story,) = tell_stories(sheet, findings_of(sheet, {k: k - 1 or 9 for k in range(1, 10)}))
    assert story.move == "Plate P: row C was shifted by one to the right"
    assert story.meant["L1"] == "L9"
    assert len(story.explained) == 9


def test_neighbours_that_were_exchanged_are_no_shifted_row():
    sheet = sheet_of({k: f"C{k:02d}" for k in range(1, 10)} | {10: "D01"})
    stories = tell_stories(sheet, findings_of(sheet, {2: 3, 3: 2, 6: 7, 7: 6}))
    assert [sorted(story.meant) for story in stories] == [["L2", "L3"], ["L6", "L7"]]


def test_exchanges_are_told_in_the_order_of_the_sheet():
    """Whichever side the search begins with."""
    sheet = sheet_of(plate())
    found = findings_of(sheet, {3: 17, 17: 3})
    turned = Findings(
        **{f: getattr(found, f) for f in found.__dataclass_fields__}
        | {"undeclared": found.undeclared[::-1], "broken": found.broken[::-1]}
    )
    for story in (*tell_stories(sheet, found), *tell_stories(sheet, turned)):
        assert story.text.startswith(
            "L3 (plate P, well C01) and L17 (plate P, well A03) were exchanged: L3 is one genotype with H17; L17 is one"
        )


def exchanged(axis, one, two):
    other = {one: two, two: one}
    return lambda r, c: (other.get(r, r), c) if axis == "row" else (r, other.get(c, c))


@pytest.mark.parametrize(
    ("told", "move"),
    [
        ("columns 2 and 5 were exchanged", exchanged("column", 1, 4)),
        ("columns 2 and 3 were exchanged", exchanged("column", 1, 2)),
        ("rows C and H were exchanged", exchanged("row", 2, 7)),
        (
            "row C was shifted by one to the right from C05 on",
            lambda r, c: (r, c - 1) if r == 2 and c >= 4 else (r, c),
        ),
        (
            "row C was shifted by one to the left from C05 on",
            lambda r, c: (r, c + 1) if r == 2 and 4 <= c < 11 else (r, c),
        ),
        (
            "row C was shifted by one to the left up to C05",
            lambda r, c: (r, c + 1) if r == 2 and c <= 4 else (r, c),
        ),
        (
            "column 2 was shifted down by one from D02 on",
            lambda r, c: (r - 1, c) if c == 1 and r >= 3 else (r, c),
        ),
        (
            "column 2 was shifted up by one up to E02",
            lambda r, c: (r + 1, c) if c == 1 and r <= 4 else (r, c),
        ),
    ],
)
def test_rows_and_columns_exchanged_or_shifted_midway(told, move):
    wells = plate(96)
    sheet = sheet_of(wells)
    (story,) = tell_stories(sheet, findings_of(sheet, moved(wells, move)))
    assert story.text.startswith(f"Plate P: {told}: this explains ")
    assert story.move == f"Plate P: {told}"
    displaced = {f"L{line}": f"L{held}" for line, held in moved(wells, move).items() if held != line}
    assert displaced.items() <= story.meant.items()
    assert len(story.meant) - len(displaced) <= 1


def test_a_skipped_well_shifts_what_comes_after_it():
    """Well C05 was left empty, so that C06 to C12 hold what was meant for the one before."""
    wells = plate(96)
    sheet = sheet_of(wells)
    holds = moved(wells, lambda r, c: (r, c - 1) if r == 2 and c >= 4 else (r, c))
    skipped = next(line for line, well in wells.items() if well == "C05")
    (story,) = tell_stories(sheet, findings_of(sheet, holds | {skipped: 0}))
    assert story.move.startswith("Plate P: row C was shifted by one to the right from C0")
    assert len(story.explained) == 7


def test_two_plates_exchanged_well_by_well():
    wells = plate(40)
    samples = []
    for name in ("P1", "P2"):
        for sample in sheet_of(wells):
            renamed = {f: f"{value}-{name}" for f, value in (("name", sample.name), ("source", sample.source)) if value}
            samples.append(replace(sample, plate=name if sample.well else "", **renamed))
    sheet = SampleSheet(samples=tuple(samples))
    ends = (("P1", "P2"), ("P2", "P1"))
    broken = tuple((f"L{n}-{own}", f"H{n}-{own}") for own, _ in ends for n in wells)
    found = Findings(
        undeclared=tuple((f"L{n}-{own}", f"H{n}-{other}") for own, other in ends for n in wells),
        kept=(),
        broken=broken,
        descendants=frozenset(one for one, _ in broken),
        groups=declared_groups(sheet),
    )
    (story,) = tell_stories(sheet, found)
    assert story.text.startswith("Plates P1 and P2 were exchanged: this explains 80 pairs")
    assert "L1-P1 (A01) is what should stand under L1-P2 (plate P2, A01)" in story.text
    assert story.meant["L40-P2"] == "L40-P1"
    few = replace(found, undeclared=found.undeclared[:1] + found.undeclared[40:41])
    assert [s.move for s in tell_stories(sheet, few)] == [""]


def sparse(wells, sourced, holds):
    """A plate of which only some lines name a source, holding lines by number."""
    full = sheet_of(wells)
    rows = [replace(s, source=s.source if s.name in sourced else "") for s in full]
    sheet = SampleSheet(samples=tuple(rows))
    found = findings_of(sheet, holds)
    kept, broken = (tuple(pair for pair in pairs if pair[0] in sourced) for pairs in (found.kept, found.broken))
    undeclared = tuple(pair for pair in found.undeclared if f"L{pair[1][1:]}" in sourced)
    groups = declared_groups(sheet)
    return sheet, replace(found, kept=kept, broken=broken, undeclared=undeclared, groups=groups)


def test_an_exchange_stays_one_where_nothing_else_in_its_columns_names_a_source():
    wells = plate(40)
    sheet, found = sparse(wells, {"L1", "L9", "L20", "L30"}, {1: 9, 9: 1})
    (story,) = tell_stories(sheet, found)
    assert story.move == ""
    sheet, found = sparse(wells, {"L1", "L9", "L2", "L10", "L30"}, {1: 9, 9: 1, 2: 10, 10: 2})
    assert [s.move for s in tell_stories(sheet, found)] == ["", ""]
    three = {n: n + 8 for n in (1, 2, 5)} | {n + 8: n for n in (1, 2, 5)}
    sheet, found = sparse(wells, {f"L{n}" for n in three}, three)
    assert [s.move for s in tell_stories(sheet, found)] == ["Plate P: columns 1 and 2 were exchanged"]
    sheet, found = sparse(wells, {*(f"L{n}" for n in three), "L3"}, three)
    assert [s.move for s in tell_stories(sheet, found)] == ["", "", ""]


def test_neighbours_exchanged_in_a_ring_are_no_run():
    wells = plate(96)
    sheet = sheet_of(wells)
    last = [line for line, well in wells.items() if well in {"C09", "C10", "C11", "C12"}]
    ring = dict(zip(last, [*last[1:], last[0]], strict=True))
    (story,) = tell_stories(sheet, findings_of(sheet, ring))
    assert story.move == ""
    assert "were exchanged in a ring" in story.text


def replicated(n_samples, exchanged_one):
    """Lines A and B with replicates, sample number ``exchanged_one`` of each exchanged."""
    names = {line: [f"{line}{k}" for k in range(n_samples)] for line in "AB"}
    rows = [
        Sample(name=name, role=Role.LINE, stage=Stage.D1, donor="D", line=line) for line in "AB" for name in names[line]
    ]
    sheet = SampleSheet(samples=tuple(rows))
    held = {name: line for line in "AB" for name in names[line]}
    held |= {f"A{exchanged_one}": "B", f"B{exchanged_one}": "A"}
    within = [pair for line in "AB" for pair in combinations(names[line], 2)]
    broken = tuple(pair for pair in within if held[pair[0]] != held[pair[1]])
    return sheet, Findings(
        undeclared=tuple(p for p in product(names["A"], names["B"]) if held[p[0]] == held[p[1]]),
        kept=tuple(pair for pair in within if held[pair[0]] == held[pair[1]]),
        broken=broken,
        descendants=frozenset(one for one, _ in broken),
        groups=declared_groups(sheet),
        replicates=frozenset(name for pair in broken for name in pair),
    )


@pytest.mark.parametrize("exchanged_one", [0, 1, 2])
def test_replicates_of_two_lines_exchanged(exchanged_one):
    (story,) = tell_stories(*replicated(3, exchanged_one))
    assert story.text.startswith(f"A{exchanged_one} and B{exchanged_one} were exchanged: ")
    assert "Or it was" not in story.text


def test_of_two_replicates_each_it_cannot_be_told_which_were_exchanged():
    (story,) = tell_stories(*replicated(2, 1))
    assert story.text.startswith("A0 and B0 were exchanged: ")
    assert story.text.endswith(" Or it was A1 and B1: these pairs look the same then.")


def test_a_replicate_exchanged_with_a_line_that_names_its_source():
    """L1b and L2: whichever of the replicates comes first on the sheet."""
    sheet, found = replicated(2, 1)
    rows = [s for s in sheet if s.name != "B0"]
    rows = [replace(s, line="", source="H") if s.name == "B1" else s for s in rows]
    sheet = SampleSheet(samples=(*rows, Sample(name="H", role=Role.LINE, stage=Stage.HAPLOID, donor="D")))
    found = replace(
        found,
        undeclared=(("A0", "B1"), ("A1", "H")),
        broken=(("A0", "A1"), ("B1", "H")),
        descendants=frozenset({"A0", "B1"}),
        groups=declared_groups(sheet),
        replicates=frozenset({"A0", "A1"}),
    )
    (story,) = tell_stories(sheet, found)
    assert dict(story.meant) == {"A1": "B1", "B1": "A1"}
