"""Properties of the whole check on small simulated lots, and references that are wrong on purpose."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from dhverify.checking import run_check
from dhverify.diagnosis import expected_finding
from dhverify.genotypes import MISSING, Genotypes
from dhverify.outcome import Answer, Finding, Flag, Verdict
from dhverify.samples import Role, SampleSheet, Stage

SETTINGS = {
    "stage": "haploid",
    "n_donors": 2,
    "lines_per_donor": 22,
    "n_markers": 160,
    "hybrid_share": 0.14,
    "selfed_donor_share": 0.09,
    "outcross_share": 0.05,
    "other_donor_share": 0.05,
}


@pytest.fixture(scope="module")
def small(simulated):
    programme, genotypes, sheet = simulated(seed=31, **SETTINGS)
    return programme, genotypes, sheet, run_check(genotypes, sheet)


def verdicts(outcome):
    return {x.sample: (x.verdict, x.finding, x.flags) for x in outcome.lines}


def put(genotypes, name, calls):
    table = genotypes.calls.copy()
    table[genotypes.sample_index()[name]] = calls
    return replace(genotypes, calls=table)


def picked(genotypes: Genotypes, samples, markers) -> Genotypes:
    m = genotypes.markers
    fields = ("name", "chrom", "pos_bp", "cm", "first_allele", "second_allele")
    return replace(
        genotypes,
        samples=genotypes.samples[samples],
        markers=replace(m, **{f: getattr(m, f)[markers] for f in fields}),
        calls=genotypes.calls[np.ix_(samples, markers)],
        half_calls=genotypes.half_calls[samples],
    )


def test_the_small_lot_is_judged_right(small):
    programme, _, _, outcome = small
    truth = {row["sample"]: row["finding"] for row in programme.truth}
    kinds = Counter(truth[x.sample] for x in outcome.lines)
    assert {"haploid", "hybrid", "selfed donor"} <= set(kinds)
    for line in outcome.lines:
        if truth[line.sample] == "haploid":
            assert line.verdict is not Verdict.FAIL
        else:
            assert line.verdict is not Verdict.PASS
    decided = [x for x in outcome.lines if x.verdict is not Verdict.RETEST]
    assert len(decided) >= 0.85 * len(outcome.lines)
    assert all(x.finding == truth[x.sample] for x in decided)


def test_rows_are_consistent(small):
    _, genotypes, sheet, outcome = small
    assert [x.sample for x in outcome.lines] == [s.name for s in sheet.lines]
    assert sum(d.lines for d in outcome.donors) == len(outcome.lines)
    for row in outcome.donors:
        assert row.lines == row.passed + row.failed + row.retest
    for line in outcome.lines:
        shares = (line.inducer_share, line.donor_share, line.foreign_share)
        if None not in shares:
            assert sum(shares) == pytest.approx(1.0, abs=1e-6)
        for low, value, high in (
            (line.heterozygosity_low, line.heterozygosity, line.heterozygosity_high),
            (line.inducer_share_low, line.inducer_share, line.inducer_share_high),
        ):
            if value is not None:
                assert 0 <= low <= value + 1e-9
                assert value <= high + 1e-9 <= 1 + 2e-9
        assert (line.confidence is None) == (line.finding is Finding.UNRESOLVED)
        assert line.reasons.endswith(".")
        if line.parent_shares:
            assert sum(share for _, share in line.parent_shares) == pytest.approx(1.0)
    assert len(outcome.markers) == genotypes.n_markers
    assert outcome.expected_wrong_passes >= 0
    assert outcome.expected_wrong_fails >= 0
    for _, shares in outcome.priors:
        assert sum(value for _, value in shares) == pytest.approx(1.0)


def test_order_of_samples_markers_and_sheet_changes_no_verdict(small):
    _, genotypes, sheet, outcome = small
    rng = np.random.default_rng(1)
    mixed = picked(genotypes, rng.permutation(genotypes.n_samples), rng.permutation(genotypes.n_markers))
    rows = SampleSheet(samples=tuple(sheet.samples[k] for k in rng.permutation(len(sheet))))
    assert verdicts(run_check(mixed, rows)) == verdicts(outcome)


@pytest.mark.parametrize("seed", [2, 3])
def test_swapped_allele_names_change_nothing(small, seed):
    _, genotypes, sheet, outcome = small
    turn = np.random.default_rng(seed).random(genotypes.n_markers) < 0.5
    calls = genotypes.calls.copy()
    calls[:, turn] = np.where(calls[:, turn] == MISSING, MISSING, 2 - calls[:, turn])
    m = genotypes.markers
    markers = replace(
        m,
        first_allele=np.where(turn, m.second_allele, m.first_allele),
        second_allele=np.where(turn, m.first_allele, m.second_allele),
    )
    again = run_check(replace(genotypes, calls=calls, markers=markers), sheet)
    assert verdicts(again) == verdicts(outcome)
    for one, two in zip(outcome.lines, again.lines, strict=True):
        assert two.inducer_share == pytest.approx(one.inducer_share, abs=1e-6)
        assert two.confidence == pytest.approx(one.confidence, abs=1e-6)


@pytest.fixture(scope="module")
def untyped(simulated):
    """A lot whose parents are known by name only, as read and with other allele names at random markers."""
    _, genotypes, sheet = simulated(seed=33, **{**SETTINGS, "typed": ("inducers",)})
    turn = np.random.default_rng(4).random(genotypes.n_markers) < 0.5
    calls = genotypes.calls.copy()
    calls[:, turn] = np.where(calls[:, turn] == MISSING, MISSING, 2 - calls[:, turn])
    return run_check(genotypes, sheet), run_check(replace(genotypes, calls=calls), sheet)


def test_swapped_allele_names_change_no_verdict_where_parents_are_untyped(untyped):
    one, two = untyped
    assert [x.verdict for x in one.lines] == [x.verdict for x in two.lines]


def test_swapped_allele_names_change_no_finding_where_parents_are_untyped(untyped):
    one, two = untyped
    assert {x.sample: x.finding for x in one.lines} == {x.sample: x.finding for x in two.lines}


def test_shares_of_parents_that_nobody_typed_are_left_open_or_the_same_under_other_allele_names(untyped):
    """Which of two untyped parents a chromosome came from cannot be known: a share by name would be made up."""
    one, two = untyped
    for first, second in zip(one.lines, two.lines, strict=True):
        assert dict(second.parent_shares) == pytest.approx(dict(first.parent_shares), abs=0.01)


def test_the_same_input_gives_the_same_outcome_with_any_number_of_jobs(small):
    _, genotypes, sheet, outcome = small
    again = run_check(genotypes, sheet, jobs=2)
    for table in ("lines", "donors", "references", "account", "markers", "segments", "identity", "plates", "wells"):
        assert getattr(again, table) == getattr(outcome, table)
    assert again.rates == outcome.rates
    assert again.priors == outcome.priors


def test_masked_lines_never_pass(small):
    """Two lines without any call, two with ten calls, one of them under the least number called."""
    _, genotypes, sheet, outcome = small
    names = [x.sample for x in outcome.lines if x.verdict is Verdict.PASS][:4]
    index = genotypes.sample_index()
    calls = genotypes.calls.copy()
    for name, kept in zip(names, (0, 0, 10, 11), strict=True):
        called = np.flatnonzero(calls[index[name]] != MISSING)
        calls[index[name], called[kept:]] = MISSING
    again = verdicts(run_check(replace(genotypes, calls=calls), sheet))
    for name in names:
        assert again[name][:2] == (Verdict.RETEST, Finding.UNRESOLVED)


def test_masking_more_and_more_of_a_line_never_turns_its_fail_into_a_pass(small):
    _, genotypes, sheet, outcome = small
    failed = [x.sample for x in outcome.lines if x.verdict is Verdict.FAIL][:4]
    rng = np.random.default_rng(5)
    index = genotypes.sample_index()
    for share in (0.5, 0.85):
        calls = genotypes.calls.copy()
        for name in failed:
            calls[index[name], rng.random(genotypes.n_markers) < share] = MISSING
        again = verdicts(run_check(replace(genotypes, calls=calls), sheet))
        assert all(again[name][0] is not Verdict.PASS for name in failed)


def diagnostic(genotypes, sheet, donor):
    """Markers where both parents of a donor are typed with one allele and the inducer with the other."""
    index = genotypes.sample_index()
    first, second = (genotypes.calls[index[name]] for name in sheet[donor].pedigree.split("/"))
    inducer = genotypes.calls[index[sheet.with_role(Role.INDUCER)[0].name]]
    told = (first == second) & (first != 1) & (first >= 0) & (inducer == 2 - first)
    return np.flatnonzero(told), inducer


def test_an_inducer_call_for_a_donor_call_never_turns_fail_into_pass(small):
    """Every failed line at once, each at a diagnostic marker of its own where it shows the donor."""
    _, genotypes, sheet, outcome = small
    index = genotypes.sample_index()
    rng = np.random.default_rng(6)
    failed = [x.sample for x in outcome.lines if x.verdict is Verdict.FAIL]
    assert len(failed) >= 5
    for n_changed in (1, 4):
        calls = genotypes.calls.copy()
        for name in failed:
            told, inducer = diagnostic(genotypes, sheet, sheet[name].donor)
            donor_calls = told[calls[index[name], told] == 2 - inducer[told]]
            chosen = rng.choice(donor_calls, min(n_changed, len(donor_calls)), replace=False)
            calls[index[name], chosen] = inducer[chosen]
        again = verdicts(run_check(replace(genotypes, calls=calls), sheet))
        assert all(again[name][0] is not Verdict.PASS for name in failed)


def test_a_line_of_nothing_but_inducer_calls_at_diagnostic_markers_does_not_pass(small):
    _, genotypes, sheet, outcome = small
    name = next(x.sample for x in outcome.lines if x.verdict is Verdict.PASS)
    told, inducer = diagnostic(genotypes, sheet, sheet[name].donor)
    calls = genotypes.calls[genotypes.sample_index()[name]].copy()
    calls[told] = inducer[told]
    assert verdicts(run_check(put(genotypes, name, calls), sheet))[name][0] is not Verdict.PASS


def test_steps_are_told_and_expected_findings_follow_the_stage(small):
    _, genotypes, sheet, _ = small
    told = []
    run_check(genotypes, sheet, progress=lambda step, done, of: told.append((step, done, of)))
    assert told
    assert all(0 <= done <= of for _, done, of in told)
    line = sheet.lines[0]
    assert expected_finding(line) is Finding.HAPLOID
    assert expected_finding(replace(line, stage=Stage.D0)) is Finding.HAPLOID
    assert expected_finding(replace(line, stage=Stage.D1)) is Finding.DOUBLED_HAPLOID


@pytest.fixture(scope="module")
def three_families(simulated):
    return simulated(
        seed=41,
        stage="haploid",
        n_donors=3,
        lines_per_donor=18,
        n_markers=180,
        hybrid_share=0.17,
        typed=("parents", "inducers"),
    )


def stranger(genotypes, seed):
    """An inbred with alleles at random, as frequent as in the lot."""
    share = (genotypes.calls == 2).mean(axis=0)
    return (2 * (np.random.default_rng(seed).random(genotypes.n_markers) < share)).astype(np.int8)


def in_doubt(outcome, sheet, reference):
    """Lines of the families of one reference, and the others."""
    donors = {s.name for s in sheet.with_role(Role.DONOR) if reference in s.pedigree.split("/")}
    touched = [x for x in outcome.lines if x.donor in donors]
    return touched, [x for x in outcome.lines if x.donor not in donors]


def assert_held_back(lines):
    assert lines
    assert all(x.verdict is Verdict.RETEST for x in lines)
    assert all(Flag.REFERENCE_IN_DOUBT in x.flags for x in lines)
    assert all("eference" in x.reasons for x in lines)


def assert_judged(lines, programme):
    truth = {row["sample"]: row["finding"] for row in programme.truth}
    assert lines
    for line in lines:
        assert Flag.REFERENCE_IN_DOUBT not in line.flags
        assert line.verdict is not (Verdict.FAIL if truth[line.sample] == "haploid" else Verdict.PASS)
    assert sum(x.verdict is Verdict.PASS for x in lines) > len(lines) / 2


def test_references_of_a_sound_lot_agree(three_families):
    _, genotypes, sheet = three_families
    outcome = run_check(genotypes, sheet)
    assert [r.sample for r in outcome.references] == [
        s.name for s in sheet if s.role in {Role.PARENT, Role.INDUCER} and s.name in genotypes.sample_index()
    ]
    assert all(r.agrees is Answer.YES for r in outcome.references)
    assert not any(Flag.REFERENCE_IN_DOUBT in x.flags for x in outcome.lines)


@pytest.mark.parametrize("which", [0, 3])
def test_a_mislabelled_parent_is_named_and_only_its_family_held_back(three_families, which):
    programme, genotypes, sheet = three_families
    parent = sheet.with_role(Role.PARENT)[which].name
    outcome = run_check(put(genotypes, parent, stranger(genotypes, which)), sheet)
    assert [r.sample for r in outcome.references if r.agrees is Answer.NO] == [parent]
    touched, others = in_doubt(outcome, sheet, parent)
    assert_held_back(touched)
    assert_judged(others, programme)


def test_a_wrong_inducer_is_named_and_no_line_fails_for_it(three_families):
    _, genotypes, sheet = three_families
    inducer = sheet.with_role(Role.INDUCER)[0].name
    outcome = run_check(put(genotypes, inducer, stranger(genotypes, 8)), sheet)
    assert [r.sample for r in outcome.references if r.agrees is Answer.NO] == [inducer]
    assert_held_back(outcome.lines)


def test_a_heterozygous_parent_is_named_and_only_its_family_held_back(three_families):
    programme, genotypes, sheet = three_families
    parent = sheet.with_role(Role.PARENT)[2].name
    calls = genotypes.calls[genotypes.sample_index()[parent]].copy()
    calls[np.random.default_rng(9).random(len(calls)) < 0.2] = 1
    outcome = run_check(put(genotypes, parent, calls), sheet)
    row = next(r for r in outcome.references if r.sample == parent)
    assert "not an inbred" in row.reason
    assert row.heterozygosity > 0.1
    touched, others = in_doubt(outcome, sheet, parent)
    assert_held_back(touched)
    assert_judged(others, programme)


def test_two_parents_of_one_genotype_are_named_and_only_the_wrong_one_doubted(three_families):
    programme, genotypes, sheet = three_families
    wrong, copied = (sheet.with_role(Role.PARENT)[k].name for k in (0, 2))
    outcome = run_check(put(genotypes, wrong, genotypes.calls[genotypes.sample_index()[copied]]), sheet)
    rows = {r.sample: r for r in outcome.references}
    assert rows[wrong].agrees is Answer.NO
    assert rows[copied].agrees is Answer.YES
    assert copied in rows[wrong].reason
    assert wrong in rows[copied].reason
    touched, others = in_doubt(outcome, sheet, wrong)
    assert_held_back(touched)
    assert_judged(others, programme)


def test_an_inducer_that_is_a_copy_of_a_parent_is_doubted(three_families):
    _, genotypes, sheet = three_families
    inducer, parent = sheet.with_role(Role.INDUCER)[0].name, sheet.with_role(Role.PARENT)[1].name
    outcome = run_check(put(genotypes, inducer, genotypes.calls[genotypes.sample_index()[parent]]), sheet)
    rows = {r.sample: r for r in outcome.references}
    assert rows[inducer].agrees is Answer.NO
    assert parent in rows[inducer].reason
    assert_held_back(outcome.lines)


def test_a_wrong_donor_plant_is_named(simulated):
    _, genotypes, sheet = simulated(seed=42, **{**SETTINGS, "typed": ("parents", "donors", "inducers")})
    one, two = (s.name for s in sheet.with_role(Role.DONOR))
    outcome = run_check(put(genotypes, one, genotypes.calls[genotypes.sample_index()[two]]), sheet)
    rows = {r.sample: r for r in outcome.references}
    assert rows[one].agrees is Answer.NO
    assert rows[two].agrees is Answer.YES
    assert_held_back([x for x in outcome.lines if x.donor == one])
    assert not any(Flag.REFERENCE_IN_DOUBT in x.flags for x in outcome.lines if x.donor == two)


def test_a_donor_plant_without_typed_parents_is_compared_with_its_lines(simulated):
    settings = {**SETTINGS, "typed": ("donors", "inducers"), "lines_per_donor": 16}
    _, genotypes, sheet = simulated(seed=43, **settings)
    one, two = (s.name for s in sheet.with_role(Role.DONOR))
    sound = {r.sample: r.agrees for r in run_check(genotypes, sheet).references}
    assert sound[one] is not Answer.NO
    assert sound[two] is not Answer.NO
    wrong = run_check(put(genotypes, one, stranger(genotypes, 10)), sheet)
    rows = {r.sample: r for r in wrong.references}
    assert rows[one].agrees is not Answer.YES
    assert all(x.verdict is not Verdict.FAIL for x in wrong.lines if x.donor == one and x.finding is Finding.OUTCROSS)


@pytest.mark.parametrize(("n_donors", "lines_per_donor"), [(2, 20), (3, 24)])
def test_no_clean_line_fails_as_a_parent_where_no_parent_was_typed(simulated, n_donors, lines_per_donor):
    """150 markers, nothing typed but the lines: that a line is a parent needs every chromosome without a crossover."""
    settings = {**SETTINGS, "typed": (), "n_markers": 150, "n_donors": n_donors, "lines_per_donor": lines_per_donor}
    programme, genotypes, sheet = simulated(seed=56, **{**settings, "inducer_share": 0.03})
    truth = {row["sample"]: row["finding"] for row in programme.truth}
    outcome = run_check(genotypes, sheet)
    wrong = [
        (x.sample, x.finding.value, x.parent_shares)
        for x in outcome.lines
        if x.verdict is Verdict.FAIL and truth[x.sample] == "haploid"
    ]
    assert not wrong
