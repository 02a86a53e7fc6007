"""The check as a whole on simulated programmes: right findings, references, bulks, reads, and invariances."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from dhverify.checking import run_check
from dhverify.errors import SheetError
from dhverify.genotypes import Genotypes, Markers
from dhverify.limits import Limits
from dhverify.outcome import Answer, Flag, Verdict
from dhverify.samples import Role, Sample, SampleSheet, Stage
from dhverify.simulation import SEVEN_CHROMOSOMES, Distortion

FAULTS = {
    "hybrid_share": 0.1,
    "selfed_donor_share": 0.05,
    "outcross_share": 0.05,
    "other_donor_share": 0.05,
    "segment_share": 0.05,
}
SETTINGS = {
    "haploids on an array": {"stage": "haploid"},
    "D1 on an array": {"stage": "D1"},
    "backcross donors": {"stage": "D1", "donor_type": "BC1"},
    "four-way donors": {"stage": "haploid", "donor_type": "four-way", "n_markers": 300, "lines_per_donor": 20},
    "five-way donors": {"stage": "haploid", "donor_type": "five-way", "n_markers": 200, "lines_per_donor": 12},
    "crossed inducer": {"stage": "haploid", "inducer_type": "hybrid"},
    "reads at 2x": {"stage": "D1", "platform": "reads", "depth": 2.0, "n_markers": 800},
    "no parents typed": {"stage": "haploid", "typed": ("inducers",)},
    "only donors typed": {"stage": "haploid", "typed": ("donors",)},
    "no inducer typed": {"stage": "haploid", "typed": ("parents",)},
    "nothing typed, no pedigree": {"stage": "D1", "typed": (), "is_pedigree_known": False},
    "noisy": {"stage": "haploid", "error_rate": 0.03, "dropout": 0.1, "missing": 0.25, "n_markers": 800},
    "seven chromosomes": {"stage": "D1", "chromosomes": SEVEN_CHROMOSOMES},
    "bulks of eight plants": {"stage": "D1", "plants_per_sample": 8},
}


def accuracy(programme, outcome):
    """Good lines failed for their finding, bad lines passed, right findings among bad ones, bad ones."""
    truth = {row["sample"]: row for row in programme.truth}
    good_failed = bad_passed = right = bad = 0
    for line in outcome.lines:
        finding = truth[line.sample]["finding"]
        if finding in {"haploid", "doubled haploid"}:
            good_failed += line.verdict is Verdict.FAIL and Flag.INDUCER_SEGMENT not in line.flags
        else:
            bad += 1
            bad_passed += line.verdict is Verdict.PASS
            right += line.finding.value == finding
    return good_failed, bad_passed, right, bad


@pytest.mark.parametrize("name", SETTINGS)
def test_right_cause_for_bad_lines_and_no_good_line_failed(name, simulated):
    settings = {"n_donors": 3, "lines_per_donor": 24, "n_markers": 500, **FAULTS, **SETTINGS[name]}
    programme, genotypes, sheet = simulated(seed=21, **settings)
    outcome = run_check(genotypes, sheet)
    good_failed, bad_passed, right, bad = accuracy(programme, outcome)
    assert good_failed == 0
    assert bad_passed == 0
    assert right >= 0.9 * bad - 1
    assert 0 <= outcome.expected_wrong_passes < 1


def test_segments_are_found_where_they_were_planted(simulated):
    programme, genotypes, sheet = simulated(
        stage="haploid", n_donors=2, lines_per_donor=30, n_markers=2000, segment_share=0.2, hybrid_share=0.0, seed=3
    )
    outcome = run_check(genotypes, sheet)
    planted = {}
    for row in programme.truth:
        for text in filter(None, row["segments"].split(";")):
            chrom, place, copies = text.split(":")
            start, end = (float(x) for x in place.split("-"))
            planted[row["sample"]] = (chrom, start, end, int(copies))
    found = {s.sample: s for s in outcome.segments}
    assert set(found) <= set(planted)
    assert len(found) >= 0.7 * len(planted)
    for sample, segment in found.items():
        chrom, start, end, copies = planted[sample]
        assert segment.chrom == chrom
        assert segment.copies == copies
        assert segment.start_bp < end
        assert segment.end_bp > start
        line = next(x for x in outcome.lines if x.sample == sample)
        assert line.verdict is Verdict.FAIL
        assert Flag.INDUCER_SEGMENT in line.flags
        assert line.inducer_segment_mb > 0


def test_a_mislabelled_parent_fails_no_line_of_its_family(simulated):
    programme, genotypes, sheet = simulated(
        stage="haploid", n_donors=3, lines_per_donor=24, n_markers=500, mislabelled_parents=1, seed=5
    )
    outcome = run_check(genotypes, sheet)
    wrong = [r for r in outcome.references if r.agrees is Answer.NO]
    assert len(wrong) == 1
    donors = {s.name for s in sheet.with_role(Role.DONOR) if wrong[0].sample in s.pedigree}
    touched = [line for line in outcome.lines if line.donor in donors]
    assert touched
    assert all(line.verdict is Verdict.RETEST for line in touched)
    assert all(Flag.REFERENCE_IN_DOUBT in line.flags for line in touched)
    assert any(line.verdict is Verdict.PASS for line in outcome.lines)
    assert "differ" in wrong[0].reason
    assert accuracy(programme, outcome)[0] == 0


def changed_calls(genotypes, name, calls):
    table = genotypes.calls.copy()
    table[genotypes.sample_index()[name]] = calls
    return replace(genotypes, calls=table)


def test_a_wrong_inducer_fails_no_good_line(simulated):
    programme, genotypes, sheet = simulated(
        stage="haploid", n_donors=2, lines_per_donor=30, n_markers=500, hybrid_share=0.2, seed=6
    )
    name = sheet.with_role(Role.INDUCER)[0].name
    rng = np.random.default_rng(1)
    share = (genotypes.calls == 2).mean(axis=0)
    wrong = (2 * (rng.random(genotypes.n_markers) < share)).astype(np.int8)
    outcome = run_check(changed_calls(genotypes, name, wrong), sheet)
    row = next(r for r in outcome.references if r.sample == name)
    assert row.agrees is Answer.NO
    hybrids = [x for x in outcome.lines if x.finding.value == "hybrid"]
    assert hybrids
    assert all(x.verdict is Verdict.RETEST for x in hybrids)
    assert accuracy(programme, outcome)[0] == 0


def test_a_heterozygous_parent_and_a_copied_reference_are_in_doubt(simulated):
    _, genotypes, sheet = simulated(stage="haploid", n_donors=2, lines_per_donor=12, n_markers=400, seed=7)
    parents = [s.name for s in sheet.with_role(Role.PARENT)]
    inducer = sheet.with_role(Role.INDUCER)[0].name
    index = genotypes.sample_index()
    mixed = genotypes.calls[index[parents[0]]].copy()
    mixed[::6] = 1
    doubtful = changed_calls(genotypes, parents[0], mixed)
    rows = {r.sample: r for r in run_check(doubtful, sheet).references}
    assert "not an inbred" in rows[parents[0]].reason
    copied = changed_calls(genotypes, inducer, genotypes.calls[index[parents[1]]])
    outcome = run_check(copied, sheet)
    rows = {r.sample: r for r in outcome.references}
    assert parents[1] in rows[inducer].reason
    assert not any(x.verdict is Verdict.PASS for x in outcome.lines)


def test_distortion_and_misplaced_markers_blame_no_line(simulated):
    programme, genotypes, sheet = simulated(
        stage="haploid",
        n_donors=2,
        lines_per_donor=60,
        n_markers=500,
        hybrid_share=0.05,
        misplaced_markers=0.03,
        all_het_markers=0.02,
        unplaced_share=0.1,
        distortions=(Distortion(chrom="3", cm=60.0, share=0.9),),
        seed=8,
    )
    outcome = run_check(genotypes, sheet)
    assert accuracy(programme, outcome)[:2] == (0, 0)
    aside = {m.marker for m in outcome.markers if not m.usable}
    kinds = dict(zip(programme.markers.name, programme.markers.kind, strict=True))
    bad = {name for name, kind in kinds.items() if "het" in kind}
    assert bad
    assert bad <= aside
    reasons = Counter(m.reason.split(" ")[0] for m in outcome.markers if m.usable and m.reason)
    assert reasons["segregates"] >= 1


def shown(outcome):
    return [(x.sample, x.verdict, x.finding, x.flags) for x in sorted(outcome.lines, key=lambda x: x.sample)]


def rearranged(genotypes, samples=None, markers=None):
    samples = np.arange(genotypes.n_samples) if samples is None else samples
    markers = np.arange(genotypes.n_markers) if markers is None else markers
    m = genotypes.markers
    return Genotypes(
        samples=genotypes.samples[samples],
        markers=Markers(
            name=m.name[markers],
            chrom=m.chrom[markers],
            pos_bp=m.pos_bp[markers],
            cm=m.cm[markers],
            first_allele=m.first_allele[markers],
            second_allele=m.second_allele[markers],
        ),
        calls=genotypes.calls[np.ix_(samples, markers)],
        half_calls=genotypes.half_calls[samples],
    )


def test_order_and_allele_names_change_no_verdict(faulty_lot):
    _, genotypes, sheet = faulty_lot
    plain = shown(run_check(genotypes, sheet))
    rng = np.random.default_rng(2)
    mixed = rearranged(genotypes, rng.permutation(genotypes.n_samples), rng.permutation(genotypes.n_markers))
    assert shown(run_check(mixed, sheet)) == plain
    turned = genotypes.calls.copy()
    flip = rng.random(genotypes.n_markers) < 0.5
    turned[:, flip] = np.where(turned[:, flip] < 0, -1, 2 - turned[:, flip])
    assert shown(run_check(replace(genotypes, calls=turned), sheet)) == plain


def test_the_same_input_gives_the_same_outcome_whatever_the_jobs(faulty_lot):
    _, genotypes, sheet = faulty_lot
    steps = []
    one = run_check(genotypes, sheet, progress=lambda *step: steps.append(step))
    two = run_check(genotypes, sheet, jobs=2)
    assert one.lines == two.lines
    assert one.identity == two.identity
    assert steps


def test_a_line_without_calls_never_passes(faulty_lot):
    _, genotypes, sheet = faulty_lot
    outcome = run_check(genotypes, sheet)
    name = next(x.sample for x in outcome.lines if x.verdict is Verdict.PASS)
    nothing = changed_calls(genotypes, name, np.full(genotypes.n_markers, -1, dtype=np.int8))
    line = next(x for x in run_check(nothing, sheet).lines if x.sample == name)
    assert (line.verdict, line.finding.value) == (Verdict.RETEST, "unresolved")
    assert (line.called_markers, line.diagnostic_markers) == (0, 0)
    assert {line.donor_share, line.inducer_share, line.foreign_share, line.heterozygosity} == {None}
    assert line.parent_shares == ()
    assert line.inducer_segments is None


def test_more_inducer_alleles_never_turn_fail_into_pass(faulty_lot):
    _, genotypes, sheet = faulty_lot
    outcome = run_check(genotypes, sheet)
    name = next(x.sample for x in outcome.lines if x.finding.value == "hybrid")
    inducer = genotypes.calls[genotypes.sample_index()[sheet.with_role(Role.INDUCER)[0].name]]
    calls = genotypes.calls[genotypes.sample_index()[name]].copy()
    rng = np.random.default_rng(3)
    for share in (0.1, 0.5, 1.0):
        more = np.where((rng.random(len(calls)) < share) & (inducer >= 0), inducer, calls).astype(np.int8)
        line = next(x for x in run_check(changed_calls(genotypes, name, more), sheet).lines if x.sample == name)
        assert line.verdict is not Verdict.PASS


def test_missing_lines_unnamed_samples_and_a_sheet_of_strangers(faulty_lot):
    _, genotypes, sheet = faulty_lot
    lines = sheet.lines
    some = SampleSheet(samples=tuple(s for s in sheet if s is not lines[0]))
    outcome = run_check(genotypes, some)
    assert any("not on the sheet" in text for text in outcome.warnings)
    lost = replace(lines[1], name="lost")
    outcome = run_check(genotypes, SampleSheet(samples=(*some.samples, lost)))
    row = next(x for x in outcome.lines if x.sample == "lost")
    assert (row.verdict, row.finding.value, row.flags) == (Verdict.RETEST, "unresolved", (Flag.NOT_GENOTYPED,))
    strangers = SampleSheet(samples=(replace(lines[0], name=lines[0].name + "x"),))
    with pytest.raises(SheetError, match="did you mean"):
        run_check(genotypes, strangers)
    nobody = SampleSheet(samples=(Sample(name="A", role=Role.PARENT),))
    with pytest.raises(SheetError, match="at least one line"):
        run_check(genotypes, nobody)


def test_a_map_of_something_else_is_said_and_fails_no_good_line(simulated):
    programme, genotypes, sheet = simulated(
        stage="haploid", n_donors=2, lines_per_donor=40, n_markers=500, hybrid_share=0.1, seed=9
    )
    rng = np.random.default_rng(4)
    m = genotypes.markers
    order = rng.permutation(len(m))
    wrong = replace(m, chrom=m.chrom[order], pos_bp=m.pos_bp[order])
    outcome = run_check(replace(genotypes, markers=wrong), sheet)
    assert any("map does not fit" in text for text in outcome.warnings)
    assert accuracy(programme, outcome)[:2] == (0, 0)


def test_replicates_are_judged_together_and_copies_held_back(simulated):
    _, genotypes, sheet = simulated(
        stage="D1",
        n_donors=2,
        lines_per_donor=30,
        n_markers=500,
        duplicate_share=0.1,
        replicate_share=0.2,
        wrong_replicates=1,
        hybrid_share=0.0,
        seed=10,
    )
    outcome = run_check(genotypes, sheet)
    flags = Counter(flag for line in outcome.lines for flag in line.flags)
    assert flags[Flag.DUPLICATE] >= 4
    assert flags[Flag.LINE_MISMATCH] >= 1
    for line in outcome.lines:
        if Flag.DUPLICATE in line.flags:
            assert line.duplicate_group
            assert line.verdict is Verdict.RETEST


def test_raising_a_limit_lets_a_segment_pass(simulated):
    _, genotypes, sheet = simulated(
        stage="haploid", n_donors=2, lines_per_donor=30, n_markers=1500, segment_share=0.2, hybrid_share=0.0, seed=3
    )
    strict = run_check(genotypes, sheet)
    mild = run_check(genotypes, sheet, limits=Limits(max_inducer_segment_cm=500.0))
    failed = {x.sample for x in strict.lines if Flag.INDUCER_SEGMENT in x.flags}
    assert failed
    assert all(x.verdict is not Verdict.FAIL for x in mild.lines if x.sample in failed)


def test_stages_need_not_be_named_for_controls(simulated):
    _, genotypes, sheet = simulated(
        stage="haploid", n_donors=2, lines_per_donor=20, n_markers=300, controls_per_plate=2, wrong_controls=1, seed=12
    )
    outcome = run_check(genotypes, sheet)
    assert sum(p.wrong_controls for p in outcome.plates) == 1
    bare = SampleSheet(samples=tuple(replace(s, donor="", inducer="") if s.role is Role.CONTROL else s for s in sheet))
    again = run_check(genotypes, bare)
    assert sum(p.wrong_controls for p in again.plates) == 1
    assert Stage.HAPLOID.value in dict(outcome.priors)
