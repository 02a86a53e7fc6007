"""Declared identity: which pairs the sheet declares, who breaks it, and what is judged together."""

from __future__ import annotations

import identity_lots as lots
import numpy as np
import pytest

from dhverify.declared_identity import (
    ancestors,
    declared_groups,
    declared_pairs,
    mismatch_flags,
)
from dhverify.limits import Limits
from dhverify.outcome import Answer, Flag
from dhverify.samples import Role, Sample, SampleSheet, Stage


def sheet_of(*rows):
    """Rows as (name, line, source) of lines, or samples."""
    samples = [
        row if isinstance(row, Sample) else lots.line(row[0], "D", line=row[1], source=row[2], stage=Stage.D1)
        for row in rows
    ]
    return SampleSheet(samples=tuple(samples))


def told(sheet, genotyped=None):
    names = {s.name for s in sheet} if genotyped is None else genotyped
    return [(p.sample, p.other_sample, p.declared) for p in declared_pairs(sheet, names)]


def known(name, line=""):
    return Sample(name=name, role=Role.KNOWN, line=line)


def test_replicates_descent_and_known_lines_are_declared():
    sheet = sheet_of(
        ("h", "", ""), ("d", "", "h"), ("a", "X", ""), ("b", "X", ""), known("k", "X"), known("k2", "X"), ("c", "", "d")
    )
    assert told(sheet) == [
        ("d", "h", "source"),
        ("a", "b", "line"),
        ("a", "k", "known"),
        ("a", "k2", "known"),
        ("b", "k", "known"),
        ("b", "k2", "known"),
        ("c", "d", "source"),
    ]


def test_a_line_named_like_a_sample_is_a_replicate_of_it():
    assert told(sheet_of(("a", "", ""), ("b", "a", ""), known("c"), ("d", "c", ""))) == [
        ("a", "b", "line"),
        ("d", "c", "known"),
    ]


def test_descent_goes_to_the_nearest_ancestor_that_was_genotyped():
    sheet = sheet_of(("h", "", ""), ("d", "", "h"), ("c", "", "d"))
    assert told(sheet, {"h", "c"}) == [("d", "h", "source"), ("c", "h", "source"), ("c", "d", "source")]
    assert list(ancestors(sheet, "c")) == ["d", "h"]


def test_sisters_of_an_untyped_source_are_compared():
    sheet = sheet_of(("h", "", ""), ("a", "", "h"), ("b", "", "h"), ("c", "", "h"))
    assert ("b", "a", "source") in told(sheet, {"a", "b", "c"})
    assert ("c", "a", "source") in told(sheet, {"a", "b", "c"})
    assert told(sheet, set()) == []


def test_a_pair_is_declared_once_and_a_cycle_ends():
    sheet = sheet_of(("h", "X", ""), ("a", "X", "h"))
    assert told(sheet) == [("a", "h", "source")]
    assert list(ancestors(sheet_of(("a", "", "b"), ("b", "", "a")), "a")) == ["b"]


def test_chains_and_lines_of_one_source_are_one_group():
    groups = declared_groups(sheet_of(("h", "", ""), ("a", "", "h"), ("b", "", "h"), ("c", "L", "a"), ("e", "L", "")))
    assert len({groups.root(name) for name in "habce"}) == 1
    assert groups.root("new") == "new"


def flags_of(sheet, *, yes=(), no=()):
    answers = {frozenset(pair): Answer.YES for pair in yes} | {frozenset(pair): Answer.NO for pair in no}
    pairs = declared_pairs(sheet, {s.name for s in sheet})
    return mismatch_flags(sheet, pairs, lambda a, b: answers.get(frozenset({a, b})))


LINE, SOURCE = frozenset({Flag.LINE_MISMATCH}), frozenset({Flag.SOURCE_MISMATCH})


@pytest.mark.parametrize(
    ("names", "yes", "no", "odd"),
    [
        ("ab", [], ["ab"], "ab"),
        ("ab", ["ab"], [], ""),
        ("ab", [], [], ""),
        ("abc", ["ab"], ["ac", "bc"], "c"),
        ("abc", ["ab"], ["ac"], "c"),
        ("abc", [], ["ab", "ac", "bc"], "abc"),
        ("abcd", ["ab", "cd"], ["ac", "ad", "bc", "bd"], "abcd"),
        ("abcd", ["ab"], ["ac", "bc"], "c"),
        ("abcde", ["ab", "bc", "de"], ["ad", "ae", "bd"], "de"),
    ],
)
def test_the_odd_replicate_is_named(names, yes, no, odd):
    sheet = sheet_of(*((name, "X", "") for name in names))
    assert flags_of(sheet, yes=yes, no=no) == dict.fromkeys(odd, LINE)


def test_a_known_line_is_right():
    sheet = sheet_of(("a", "X", ""), ("b", "X", ""), known("k", "X"))
    assert flags_of(sheet, yes=["ab"], no=["ak", "bk"]) == dict.fromkeys("ab", LINE)
    assert flags_of(sheet, yes=["ak"], no=["ab", "bk"]) == {"b": LINE}


def test_the_descendant_is_flagged_and_the_middle_one_where_the_ends_agree():
    sheet = sheet_of(("h", "", ""), ("d", "", "h"), ("c", "", "d"))
    assert flags_of(sheet, no=["cd"], yes=["dh"]) == {"c": SOURCE}
    assert flags_of(sheet, no=["dh", "cd"], yes=["ch"]) == {"d": SOURCE}
    sisters = sheet_of(("a", "", "h"), ("b", "", "h"), Sample(name="h", role=Role.OTHER))
    pairs = declared_pairs(sisters, {"a", "b"})
    flags = mismatch_flags(sisters, pairs, lambda a, b: Answer.NO if {a, b} == {"a", "b"} else None)
    assert flags == dict.fromkeys("ab", SOURCE)


# with genotypes


def copied(trial, name, of, **columns):
    return trial.with_sample(lots.line(name, "D", **columns), trial.row(of))


def test_rows_flags_and_consensus_of_a_lot():
    trial = lots.steptoe_morex().changed(
        SM1={"stage": Stage.HAPLOID}, SM2={"stage": Stage.HAPLOID}, SM4={"stage": Stage.HAPLOID}, SM6={"line": "R"}
    )
    trial = copied(trial, "d1", "SM1", source="SM1")
    trial = copied(trial, "d2", "SM3", source="SM2")
    trial = copied(trial, "r2", "SM6", line="R")
    trial = copied(trial, "r3", "SM7", line="R")
    trial = trial.with_sample(Sample(name="K", role=Role.KNOWN, line="d1"), trial.row("SM1"))
    trial.samples.append(lots.line("gone", "D", source="SM4"))
    found = trial.found()
    answers = {(r.sample, r.other_sample): (r.declared, str(r.same_genotype)) for r in found.rows}
    assert answers["d1", "SM1"] == ("source", "yes")
    assert answers["d2", "SM2"] == ("source", "no")
    assert answers["d1", "K"] == ("known", "yes")
    assert answers["SM6", "r2"] == ("line", "yes")
    assert answers["SM6", "r3"] == answers["r2", "r3"] == ("line", "no")
    assert answers["gone", "SM4"] == ("source", "cannot say")
    gone = lots.row_of(found, "gone", "SM4")
    assert (gone.agreement, gone.compared_markers, gone.log_odds) == (None, 0, None)
    assert found.flags["d2"] == {Flag.SOURCE_MISMATCH, Flag.DUPLICATE}
    assert found.flags["r3"] == {Flag.LINE_MISMATCH, Flag.DUPLICATE}
    assert "r2" not in found.flags
    assert "d1" not in found.flags
    assert ("SM6", "r2") in found.agreeing_replicates
    assert lots.groups_of(found) == {frozenset({"d2", "SM3"}), frozenset({"r3", "SM7"}), frozenset({"SM160", "SM161"})}
    declared = [r.declared for r in found.rows]
    assert declared.index("none") == len([d for d in declared if d != "none"])


def test_a_suggestion_names_the_sample_that_fits_the_source():
    """d1 and d2 exchanged: each source is fitted by the other; the exchange is told, and they are no copies."""
    trial = lots.steptoe_morex().changed(SM1={"stage": Stage.HAPLOID}, SM2={"stage": Stage.HAPLOID})
    trial = copied(trial, "d1", "SM2", source="SM1")
    trial = copied(trial, "d2", "SM1", source="SM2")
    found = trial.found()
    assert lots.row_of(found, "d1", "SM1").suggestion == "d2"
    assert lots.row_of(found, "d2", "SM2").suggestion == "d1"
    assert len(found.stories) == 1
    assert found.stories[0].startswith(("d1 and d2 were exchanged", "d2 and d1 were exchanged"))
    assert found.holds == {"d1": "d2", "d2": "d1"}
    assert found.flags["d1"] == found.flags["d2"] == {Flag.SOURCE_MISMATCH}
    assert "d1" not in found.duplicate_group


def test_a_source_that_is_no_clean_gamete_segregates():
    """Offspring of an F1 seedling differ from it without anybody having mixed labels up."""
    trial = lots.steptoe_morex()
    trial = trial.with_sample(lots.line("f1", "D", stage=Stage.HAPLOID), np.ones(223, dtype=np.int8))
    rng = np.random.default_rng(2)
    first, second = (np.where(trial.row(name) < 0, 1, trial.row(name)) for name in ("SM5", "SM9"))
    trial = trial.with_sample(lots.line("selfed", "D", source="f1"), (first + second) // 2)
    trial = trial.with_sample(lots.line("clean", "D", source="f1"), rng.permutation(trial.row("SM10")))
    found = trial.found()
    assert lots.row_of(found, "selfed", "f1").same_genotype is Answer.CANNOT_SAY
    assert lots.row_of(found, "selfed", "f1").log_odds < -20
    assert "selfed" not in found.flags


def test_too_few_compared_markers_cannot_say():
    trial = lots.steptoe_morex()
    trial = copied(trial, "again", "SM1", line="SM1")
    trial.limits = Limits(min_identity_markers=224)
    found = trial.found()
    assert {r.same_genotype for r in found.rows} == {Answer.CANNOT_SAY}
    assert found.duplicate_group == {}


def test_a_poor_sample_is_no_copy_unless_it_is_declared():
    """Two thirds of the calls gone in a lot with few missing ones; with half of them left the odds decide."""
    trial = lots.steptoe_morex()
    half, third = (np.where(np.arange(223) % step == 0, trial.row("SM1"), -1) for step in (2, 3))
    assert "poor" in trial.with_sample(lots.line("poor", "D"), half).found().duplicate_group
    undeclared = trial.with_sample(lots.line("poor", "D"), third).found()
    assert "poor" not in undeclared.duplicate_group
    declared = trial.with_sample(lots.line("poor", "D", line="SM1"), third).found()
    assert lots.row_of(declared, "poor", "SM1").same_genotype is Answer.YES


def test_groups_that_certainly_differ_are_not_joined_by_a_sample_that_fits_both():
    """A sample called only where two lines agree is one genotype with either of them, and they are not."""
    trial = lots.steptoe_morex()
    one, two = trial.row("SM10"), trial.row("SM20")
    shared = np.where(one == two, one, -1)
    trial = copied(trial, "one again", "SM10", line="SM10")
    trial = copied(trial, "two again", "SM20", line="SM20")
    trial = trial.with_sample(lots.line("both", "D", line="SM10"), shared)
    lot, analysis, sheet = trial.analysed()
    from dhverify.identity import _Judge

    judge = _Judge(lot, analysis, sheet, Limits(), {})
    judge.compare_declared()
    judge._compare([judge._ordered("both", "SM20"), judge._ordered("SM10", "SM20")])
    assert judge.answer("both", "SM10") is Answer.YES
    assert judge.answer("SM10", "SM20") is Answer.NO
    labels = judge.copy_groups(set())
    assert labels.get("SM10") != labels.get("SM20") or "SM10" not in labels


def test_a_lot_without_lines_of_use_says_nothing():
    trial = lots.steptoe_morex()
    empty = np.full(223, -1, dtype=np.int8)
    trial = trial.with_sample(lots.line("empty", "D", line="SM1"), empty)
    found = trial.found()
    row = lots.row_of(found, "empty", "SM1")
    assert (row.same_genotype, row.agreement, row.log_odds) == (Answer.CANNOT_SAY, None, None)
