"""Plates that came out of place teach nothing: no line of another plate, reference or rate rests on them."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from plate_lots import plate_lot

from dhverify.analysis import analyse
from dhverify.checking import run_check
from dhverify.counted_lines import counted_lines
from dhverify.diagnosis import diagnose
from dhverify.evidence import LineEvidence, LineMeasures, Share
from dhverify.limits import Limits
from dhverify.outcome import Answer, Finding, Flag, Verdict
from dhverify.plate_layout import SHIFTS, TURNED
from dhverify.reasons import explain
from dhverify.samples import Role, Sample, SampleSheet, Stage
from dhverify.verdicts import judge

BASE = {"n_donors": 6, "lines_per_donor": 25, "n_markers": 300, "other_donor_share": 0.02}
EXPECTED = {"haploid": Finding.HAPLOID, "D1": Finding.DOUBLED_HAPLOID}


def mixed_up(lot, seed):
    """The same lot with its lines in any well of any plate, so that families are split over plates."""
    lines = lot.sheet.lines
    order = np.random.default_rng(seed).permutation(len(lines))
    at = {lines[k].name: lines[place] for place, k in enumerate(order)}
    rows = [replace(s, plate=at[s.name].plate, well=at[s.name].well) if s.name in at else s for s in lot.sheet]
    return replace(lot, sheet=SampleSheet(samples=tuple(rows)))


def checked(lot):
    return run_check(lot.genotypes, lot.sheet)


CASES = {
    "references on the turned plate": ({}, False, "P1", TURNED),
    "references on the shifted plate, families split": ({}, True, "P1", SHIFTS[0]),
    "references elsewhere": ({}, True, "P2", TURNED),
    "nothing typed, families whole": ({"typed": ()}, False, "P1", TURNED),
    "nothing typed, families split": ({"typed": ()}, True, "P2", SHIFTS[0]),
    "lines of stage D1": ({"typed": ("donors",), "stage": "D1"}, True, "P2", TURNED),
}


@pytest.fixture(scope="module")
def moved_lots():
    """Each case with its lot, the plate that came out of place, and what was found."""
    found = {}
    for case, (settings, is_split, plate, move) in CASES.items():
        lot = plate_lot(seed=4, **BASE, **settings)
        lot = (mixed_up(lot, 4) if is_split else lot).moved(plate, move)
        found[case] = (lot, plate, checked(lot))
    return found


def test_the_plate_is_told_and_its_lines_are_neither_passed_nor_failed(moved_lots):
    for lot, plate, outcome in moved_lots.values():
        assert [row.plate for row in outcome.plates if "settle the layout before" in row.advice] == [plate]
        on_plate = [line for line in outcome.lines if line.plate == plate]
        assert len(on_plate) == sum(s.plate == plate for s in lot.sheet.lines)
        for line in on_plate:
            assert (line.verdict, line.finding) == (Verdict.RETEST, Finding.UNRESOLVED)
            assert Flag.TURNED_PLATE in line.flags
            assert line.confidence is None
            assert not line.best_donor
            assert "Settle the layout of its plate first" in line.reasons
        assert not {line.sample for line in on_plate} & {segment.sample for segment in outcome.segments}


def test_no_good_line_of_another_plate_fails_and_no_bad_one_passes(moved_lots):
    n_good = n_passed = 0
    for lot, plate, outcome in moved_lots.values():
        for line in outcome.lines:
            truth = lot.truth[line.sample]
            if line.plate == plate:
                continue
            if truth["finding"] == EXPECTED[line.stage]:
                assert line.verdict is not Verdict.FAIL, line
                n_good += 1
                n_passed += line.verdict is Verdict.PASS
            else:
                assert line.verdict is not Verdict.PASS, line
    assert n_good > 300
    assert n_passed > 0.95 * n_good


def test_references_on_the_plate_are_not_judged_and_the_others_agree(moved_lots):
    told = Counter()
    for lot, plate, outcome in moved_lots.values():
        for row in outcome.references:
            is_out = lot.sheet[row.sample].plate == plate
            told[is_out, row.agrees] += 1
            if is_out:
                where = f"Plate {plate}, or a part of it,"
                assert row.reason == f"{where} does not stand as the sheet says; settle its layout first."
    assert told[True, Answer.CANNOT_SAY] > 30
    assert told[True, Answer.YES] == told[True, Answer.NO] == told[False, Answer.NO] == 0
    assert told[False, Answer.YES] > 10


def test_rates_rest_on_the_lines_of_the_other_plates(moved_lots):
    for lot, plate, outcome in moved_lots.values():
        elsewhere = [line for line in outcome.lines if line.plate != plate]
        truth = [lot.truth[line.sample]["finding"] == EXPECTED[line.stage] for line in elsewhere]
        rows = {row.measure: row for row in outcome.account if row.by == "all"}
        assert rows["unresolved_lines"].of == len(elsewhere)
        assert rows["wrong_lines"].of <= len(elsewhere)
        assert abs(rows["wrong_lines"].rate - (1 - np.mean(truth))) < 0.03
        assert rows["duplicate_lines"].of <= len(elsewhere)
        for row in outcome.donors:
            own = [line for line in outcome.lines if (line.donor, line.stage) == (row.donor, row.stage)]
            assert (row.lines, row.retest) == (len(own), sum(line.verdict is Verdict.RETEST for line in own))
            if all(line.plate == plate for line in own):
                assert row.wrong_share is row.hybrid_share is None
                assert row.advice.startswith("Nothing can be said of this donor until the layout of its plates")


@pytest.mark.parametrize("settings", [{}, {"typed": ()}, {"unplaced_share": 1.0}])
def test_a_lot_that_is_out_of_place_as_a_whole_tells_nothing(settings):
    outcome = checked(plate_lot(seed=2, n_donors=2, lines_per_donor=30, n_markers=300, **settings).moved("P1", TURNED))
    assert [row.turned for row in outcome.plates] == [Answer.YES]
    assert {(line.verdict, line.finding) for line in outcome.lines} == {(Verdict.RETEST, Finding.UNRESOLVED)}
    assert not outcome.account
    assert {row.agrees for row in outcome.references} <= {Answer.CANNOT_SAY}
    assert all(row.advice.startswith("Nothing can be said of this donor") for row in outcome.donors)


@pytest.mark.parametrize("typed", [("parents", "inducers"), ()])
def test_nothing_is_learnt_from_silent_samples(typed):
    """Whatever silent lines, controls and references hold, all that is learnt of the others is the same."""
    lot = mixed_up(plate_lot(seed=5, n_donors=3, lines_per_donor=40, n_markers=200, typed=typed), 5)
    here = {s.name for s in lot.sheet if s.plate == "P1"}
    inbred = (Role.LINE, Role.PARENT)
    held = [name for name in map(str, lot.genotypes.samples) if name in here and lot.sheet[name].role in inbred]
    row = lot.genotypes.sample_index()
    calls = lot.genotypes.calls.copy()
    calls[[row[name] for name in held]] = calls[[row[name] for name in np.roll(held, 17)]]
    other = replace(lot, genotypes=replace(lot.genotypes, calls=calls))
    one, two = (analyse(each.lot(), lot.sheet, silent=frozenset(here)) for each in (lot, other))
    shares = [diagnose(analysis.lot, analysis, lot.limits).priors for analysis in (one, two)]
    np.testing.assert_array_equal(one.learnt.strand_second, two.learnt.strand_second)
    np.testing.assert_array_equal(one.learnt.assay.calls.marker_hom_to_het, two.learnt.assay.calls.marker_hom_to_het)
    for stage, prior in one.priors.items():
        np.testing.assert_array_equal(prior, two.priors[stage])
        np.testing.assert_allclose(shares[0][stage], shares[1][stage])
    heard = ~one.is_silent()
    assert 0 < heard.sum() < len(heard)
    np.testing.assert_allclose(one.pooled[heard], two.pooled[heard])
    assert not np.allclose(one.pooled[~heard], two.pooled[~heard])
    loud = [analyse(each.lot(), lot.sheet) for each in (lot, other)]
    assert not np.array_equal(loud[0].learnt.strand_second, loud[1].learnt.strand_second)


def test_a_silent_reference_is_taken_as_not_typed():
    lot = plate_lot(seed=5, n_donors=3, lines_per_donor=40, n_markers=200)
    names = {s.name for s in lot.sheet if s.role in (Role.PARENT, Role.DONOR, Role.INDUCER)}
    silent, untyped = (
        analyse(lot.lot(), lot.sheet, silent=frozenset(names)),
        analyse(lot.without(*names).lot(), lot.sheet),
    )
    assert not any(info.sample for info in silent.registry.infos)
    assert [model.shape for model in silent.models] == [model.shape for model in untyped.models]
    assert all("not genotyped or out of place, inferred" in model.basis for model in silent.models)
    assert all("out of place" not in model.basis for model in untyped.models)


def on(plate, *flags, finding=Finding.HYBRID, **fields):
    sample = Sample(
        name=f"L1 on {plate}", role=Role.LINE, stage=Stage.HAPLOID, donor="D1", line="L1", plate=plate, well="A01"
    )
    return LineEvidence(
        sample=sample,
        is_genotyped=True,
        posterior={finding: 1.0},
        expected=Finding.HAPLOID,
        finding=finding,
        confidence=1.0,
        flags=frozenset(flags),
        **fields,
    )


def test_a_replicate_that_stands_where_it_should_speaks_for_its_line():
    out, settled = on("P1", Flag.TURNED_PLATE), on("P2", finding=Finding.HAPLOID)
    sheet = SampleSheet(samples=(out.sample, settled.sample))
    (line,) = counted_lines(sheet, {e.sample.name: e for e in (out, settled)})
    assert (line.is_settled, line.is_decided, line.finding, line.hybrid) == (True, True, Finding.HAPLOID, 0.0)
    (line,) = counted_lines(SampleSheet(samples=(out.sample,)), {out.sample.name: out})
    assert (line.is_settled, line.is_decided, line.wrong, line.hybrid, line.is_haploid) == (False, False, 0, 0, False)


def test_what_is_left_of_a_line_out_of_place_is_what_was_measured_of_it_alone():
    measures = LineMeasures(
        call_rate=0.97,
        called_markers=291,
        heterozygosity=Share(value=0.4, low=0.3, high=0.5),
        segregating_markers=90,
        heterozygosity_segregating=0.5,
        diagnostic_markers=50,
        inducer=Share(value=0.5, low=0.4, high=0.6),
        donor_share=0.5,
        foreign=Share(value=0.0, low=0.0, high=0.01),
        parent_shares=(("A", 0.5), ("B", 0.5)),
    )
    found = on("P1", Flag.TURNED_PLATE, measures=measures, best_donor="D1", best_donor_fit=0.9).out_of_place()
    assert found.measures is not None
    assert (found.measures.call_rate, found.measures.called_markers) == (0.97, 291)
    assert found.measures.heterozygosity == measures.heterozygosity
    assert (found.measures.inducer, found.measures.donor_share, found.measures.parent_shares) == (Share(), None, ())
    judgement = judge(found, Limits())
    assert (judgement.verdict, judgement.rule) == (Verdict.RETEST, "unresolved")
    assert explain(found, judgement, Limits()) == (
        "Nothing can be said of this line while it is not known whose DNA its well holds."
        " Its plate, or a part of it, seems to stand elsewhere than the sheet says."
        " Settle the layout of its plate first, then check again."
    )
