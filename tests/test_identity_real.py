"""Published and measured groups of one genotype in open data, and none of the false ones."""

from __future__ import annotations

import identity_lots as lots
import numpy as np
import pytest

from dhverify.outcome import Answer, Flag
from dhverify.samples import Role, Sample

MAIZE_COPIES = {
    ("CFD03-311", "CFD03-326"),
    ("CFD05-307", "CFD05-313"),
    ("CFD06-302", "CFD06-331"),
    ("CFD06-320", "CFD06-337"),
}
"""Measured; all calls equal at markers polymorphic in the cross."""
WHEAT_COPIES = {("DH24", "DH40"), ("DH53", "DH59"), ("DH60", "DH65"), ("DH139", "DH143"), ("DH169", "DH186")}
"""Published (Taylor & Butler 2017, J Stat Softw 79(6):1-29)."""
BARLEY_COPIES = {
    ("BC039", "BC052", "BC168"),
    *(("BC060", "BC067"), ("BC086", "BC135"), ("BC093", "BC099"), ("BC117", "BC120"), ("BC126", "BC129")),
    *(("BC138", "BC204"), ("BC141", "BC147"), ("BC144", "BC193"), ("BC161", "BC162"), ("BC190", "BC205")),
    *(("BC285", "BC286"), ("BC314", "BC325")),
}
"""Published (Taylor & Butler 2017); BC045 is left out there, it shares about 1,500 of 3,023 markers with the first."""
F2_COPIES = {("id147", "id298"), ("id219", "id221"), ("id244", "id294")}
"""Published (Broman 2010, Genetic map construction with R/qtl); .967 to .979 of calls equal."""


def grouped(names):
    return {frozenset(group) for group in names}


def test_maize_lines_show_the_four_pairs():
    found = lots.maize().found()
    assert lots.groups_of(found) == grouped(MAIZE_COPIES)
    assert lots.pairs_of(found) == grouped(MAIZE_COPIES)
    assert all(row.agreement == 1.0 and row.compared_markers > 700 and row.log_odds > 40 for row in found.rows)
    flagged = {name for name, flags in found.flags.items() if Flag.DUPLICATE in flags}
    assert flagged == {name for pair in MAIZE_COPIES for name in pair}


def test_maize_copies_are_found_across_families_and_against_known_lines():
    """A line under a label of another cross, and a copy of a line verified earlier whose donor is not given."""
    trial = lots.maize()
    trial = trial.with_sample(lots.line("moved", "F353xB73"), trial.row("CFD06-305"))
    trial = trial.with_sample(Sample(name="earlier", role=Role.KNOWN), trial.row("CFD02-305"))
    trial = trial.with_sample(Sample(name="stranger", role=Role.KNOWN), trial.row("Mo17"))
    found = trial.found()
    assert frozenset({"moved", "CFD06-305"}) in lots.groups_of(found)
    assert frozenset({"earlier", "CFD02-305"}) in lots.groups_of(found)
    assert lots.row_of(found, "earlier", "CFD02-305").sample == "CFD02-305"
    assert lots.groups_of(found) - grouped(MAIZE_COPIES) == grouped([("moved", "CFD06-305"), ("earlier", "CFD02-305")])
    assert "earlier" not in found.flags


def test_wheat_lines_show_the_published_groups():
    trial = lots.lettered(lots.data_file("wheat_mapDH_dh.csv.gz"), lots.data_file("wheat_mapDH_map.csv"))
    assert lots.groups_of(trial.found()) == grouped(WHEAT_COPIES)


@pytest.mark.parametrize("parents", [True, False])
def test_backcross_plants_show_the_published_groups(parents):
    """No map, het lines: the spread of the agreement of the plants stands in for it."""
    trial = lots.lettered(lots.data_file("barley_mapBCu_backcross.csv.gz"), parents=parents)
    assert lots.groups_of(trial.found()) == grouped(BARLEY_COPIES)


@pytest.mark.parametrize("parents", [True, False])
def test_f2_plants_show_the_published_pairs(parents):
    trial = lots.lettered(lots.data_file("simulated_mapthis_f2.csv.gz"), parents=parents)
    assert lots.groups_of(trial.found()) == grouped(F2_COPIES)


def test_barley_lines_show_the_near_copy():
    """SM160 and SM161 differ at 2 of 200 markers; the next pair agrees at .829."""
    found = lots.steptoe_morex().found()
    assert lots.groups_of(found) == grouped([("SM160", "SM161")])
    row = lots.row_of(found, "SM160", "SM161")
    assert (round(row.agreement, 3), row.compared_markers) == (0.99, 200)


def test_two_chromosomes_are_too_few_for_copies():
    assert lots.maize_ril().found().duplicate_group == {}


def test_two_chromosomes_are_too_few_even_for_equal_calls():
    """An exact copy, declared or not: cannot say. A declared pair that differs at half of the markers: no."""
    trial = lots.maize_ril()
    one, two, three, four = [name for name in trial.names if name.startswith("Z002")][:4]
    trial = trial.with_sample(lots.line("again", "Z002", line=one), trial.row(one))
    trial = trial.with_sample(lots.line("twin", "Z002"), trial.row(two))
    trial = trial.with_sample(lots.line("other", "Z002", line=four), trial.row(three))
    found = trial.found()
    assert lots.row_of(found, "again", one).same_genotype is Answer.CANNOT_SAY
    assert lots.row_of(found, "again", one).agreement == 1.0
    assert lots.row_of(found, "other", four).same_genotype is Answer.NO
    assert found.duplicate_group == {}


def test_flint_lines_at_100_snps_of_two_chromosomes_show_nothing():
    trial = lots.maize_flint()
    assert len(set(trial.chrom)) == 2
    assert trial.found().duplicate_group == {}


@pytest.mark.parametrize(("n_markers", "answer"), [(20, Answer.CANNOT_SAY), (60, Answer.YES), (223, Answer.YES)])
def test_few_markers_cannot_say(n_markers, answer):
    """An exact copy of a barley line, declared as a replicate, at few evenly chosen markers and at all."""
    trial = lots.steptoe_morex()
    trial = trial.with_sample(lots.line("again", "D", line="SM1"), trial.row("SM1"))
    chosen = np.unique(np.linspace(0, 222, n_markers).astype(int))
    row = lots.row_of(trial.with_markers(chosen).found(), "again", "SM1")
    assert row.same_genotype is answer
    assert row.compared_markers <= n_markers


def test_a_sister_declared_as_replicate_is_told():
    trial = lots.steptoe_morex().changed(SM1={"line": "L"}, SM2={"line": "L"})
    found = trial.found()
    row = lots.row_of(found, "SM1", "SM2")
    assert (row.declared, row.same_genotype) == ("line", Answer.NO)
    assert found.flags["SM1"] == found.flags["SM2"] == {Flag.LINE_MISMATCH}


def test_chance_sisters_do_not_reach_log_odds_of_copies():
    """All pairs of the barley lines: only the near-copy has positive log odds."""
    from dhverify.pair_odds import PairOdds

    lot, analysis, _ = lots.steptoe_morex().analysed()
    rows = analysis.rows[:60].tolist()
    pairs = [(a, b) for a in rows for b in rows if a < b]
    odds = PairOdds(lot, analysis).log_odds([a for a, _ in pairs], [b for _, b in pairs])
    assert len(odds) == 1770
    assert odds.max() < -100
    assert np.isfinite(odds).all()
