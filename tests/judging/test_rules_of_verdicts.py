"""The rules of the verdict one by one, and that an earlier rule goes before every later one."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import pytest

from dhverify.criteria import CRITERIA, State, heterozygosity_excludes_inducer, long_segments
from dhverify.evidence import LineEvidence, LineMeasures, Share
from dhverify.limits import Limits
from dhverify.outcome import Finding, Flag, SegmentRow, Verdict
from dhverify.samples import Role, Sample, Stage, Tissue
from dhverify.verdicts import judge

SHIPPED = Limits()
OVER = Share(value=0.3, low=0.2, high=0.4)


def measures(**changes):
    base = LineMeasures(
        call_rate=0.9,
        called_markers=180,
        heterozygosity=Share(value=0.0, low=0.0, high=0.02),
        segregating_markers=60,
        heterozygosity_segregating=0.0,
        diagnostic_markers=30,
        inducer=Share(value=0.0, low=0.0, high=0.05),
        donor_share=1.0,
        foreign=Share(value=0.0, low=0.0, high=0.05),
    )
    return replace(base, **changes)


def evidence(probability=0.99, rival=Finding.SELFED_DONOR, *, finding=None, **changes):
    """A D1 line, a doubled haploid with some probability and else the rival."""
    sample = Sample(name="L1", role=Role.LINE, stage=Stage.D1, donor="D1", inducer="Ind")
    if finding is None:
        finding = Finding.DOUBLED_HAPLOID if probability >= 0.5 else rival
    base = LineEvidence(
        sample=sample,
        is_genotyped=True,
        posterior={Finding.DOUBLED_HAPLOID: probability, rival: 1 - probability},
        expected=Finding.DOUBLED_HAPLOID,
        finding=finding,
        confidence=max(probability, 1 - probability),
        measures=measures(),
    )
    return replace(base, **changes)


def with_tissue(found, tissue):
    return replace(found, sample=replace(found.sample, tissue=tissue))


def segment(length, origin="inducer"):
    return SegmentRow(
        sample="L1",
        chrom="4",
        start_bp=10,
        end_bp=20,
        start_cm=5.0,
        end_cm=5.0 + length,
        origin=origin,
        copies=2,
        markers=4,
        confidence=0.99,
    )


def raised(flag):
    return lambda found: replace(found, flags=found.flags | {flag})


def with_measures(**changes):
    return lambda found: replace(found, measures=replace(found.measures, **changes))


STEPS = {
    "1 not genotyped": (lambda e: replace(e, is_genotyped=False), Verdict.RETEST, "not genotyped"),
    "1 unresolved": (lambda e: replace(e, finding=Finding.UNRESOLVED), Verdict.RETEST, "unresolved"),
    "2 wrong tissue": (lambda e: with_tissue(e, Tissue.PERICARP), Verdict.RETEST, "wrong tissue"),
    "3 mixture": (lambda e: replace(e, finding=Finding.MIXTURE), Verdict.RETEST, "mixture"),
    "4 excluded": (
        lambda e: replace(
            e,
            posterior={Finding.DOUBLED_HAPLOID: 0.01, Finding.HYBRID: 0.99},
            finding=e.finding if e.finding in {Finding.UNRESOLVED, Finding.MIXTURE} else Finding.HYBRID,
        ),
        Verdict.FAIL,
        "finding",
    ),
    "5 segment": (lambda e: replace(e, segments=(segment(12.0),)), Verdict.FAIL, "inducer segment"),
    "6 flag": (raised(Flag.DUPLICATE), Verdict.RETEST, "flags"),
    "7 pass": (lambda e: e, Verdict.PASS, "pass"),
}


@pytest.mark.parametrize("name", STEPS)
def test_each_rule_alone(name):
    change, verdict, rule = STEPS[name]
    found = judge(change(evidence()), SHIPPED)
    assert (found.verdict, found.rule) == (verdict, rule)


@pytest.mark.parametrize(("first", "second"), list(combinations(STEPS, 2)))
def test_the_earlier_rule_decides_whichever_came_first(first, second):
    (change, verdict, rule), (other, _, _) = STEPS[first], STEPS[second]
    for found in (change(other(evidence())), other(change(evidence()))):
        if first.startswith("1 unresolved") and found.finding is not Finding.UNRESOLVED:
            continue
        judged = judge(found, SHIPPED)
        assert (judged.verdict, judged.rule) == (verdict, rule)


@pytest.mark.parametrize(
    ("probability", "limit", "expected"),
    [
        (0.95, 0.95, Verdict.PASS),
        (0.9499, 0.95, Verdict.RETEST),
        (0.0501, 0.95, Verdict.RETEST),
        (0.04999, 0.95, Verdict.FAIL),
        (0.97, 0.99, Verdict.RETEST),
        (0.02, 0.99, Verdict.RETEST),
        (0.75, 0.75, Verdict.PASS),
        (0.25, 0.75, Verdict.FAIL),
    ],
)
def test_both_sides_of_the_confidence(probability, limit, expected):
    assert judge(evidence(probability), Limits(min_confidence=limit)).verdict is expected


NEVER_FAIL = {Finding.UNRESOLVED, Finding.MIXTURE, Finding.HAPLOID, Finding.DOUBLED_HAPLOID}


@pytest.mark.parametrize("finding", [f for f in Finding if f not in NEVER_FAIL])
def test_a_fail_stands_whatever_else_is_flagged(finding):
    """Every flag but the two that say the comparison itself cannot be trusted."""
    flags = frozenset(Flag) - {Flag.REFERENCE_IN_DOUBT, Flag.NOT_GENOTYPED, Flag.WRONG_TISSUE, Flag.MIXTURE}
    found = evidence(0.01, finding, flags=flags, measures=measures(call_rate=0.05, heterozygosity=OVER))
    judged = judge(found, SHIPPED)
    assert judged.verdict is Verdict.FAIL
    assert (Flag.OTHER_DONOR in judged.flags) == (finding is Finding.OTHER_DONOR)


@pytest.mark.parametrize(
    ("stage", "tissue", "is_wrong"),
    [
        (Stage.HAPLOID, Tissue.LEAF, False),
        (Stage.HAPLOID, Tissue.EMBRYO, False),
        (Stage.HAPLOID, Tissue.ENDOSPERM, True),
        (Stage.HAPLOID, Tissue.SEED, True),
        (Stage.HAPLOID, Tissue.PERICARP, True),
        (Stage.D0, Tissue.PERICARP, True),
        (Stage.D0, Tissue.LEAF, False),
        (Stage.D1, Tissue.ENDOSPERM, False),
        (Stage.D1, Tissue.SEED, False),
        (Stage.D1, Tissue.PERICARP, True),
    ],
)
def test_tissue_by_stage(stage, tissue, is_wrong):
    """Endosperm of an induction cross is triploid and carries the inducer (Chaikam et al. 2026,
    doi:10.20900/cbgg20260016, for triploidy); at D1 the seed is the line itself."""
    found = evidence()
    found = replace(found, sample=replace(found.sample, stage=stage, tissue=tissue))
    judged = judge(found, SHIPPED)
    assert (Flag.WRONG_TISSUE in judged.flags) == is_wrong
    assert (judged.verdict is Verdict.RETEST) == is_wrong


@pytest.mark.parametrize(
    ("length", "accepted", "expected"),
    [
        (0.0, 0.0, Verdict.FAIL),
        (12.0, 0.0, Verdict.FAIL),
        (12.0, 20.0, Verdict.PASS),
        (20.5, 20.0, Verdict.FAIL),
    ],
)
def test_a_segment_longer_than_accepted_fails(length, accepted, expected):
    found = evidence(segments=(segment(length),))
    limits = Limits(max_inducer_segment_cm=accepted)
    judged = judge(found, limits)
    assert judged.verdict is expected
    assert (Flag.INDUCER_SEGMENT in judged.flags) == (expected is Verdict.FAIL)


def test_a_segment_as_long_as_accepted_is_accepted():
    """The limit is the longest segment that a line may carry."""
    limits = Limits(max_inducer_segment_cm=20.0)
    assert judge(evidence(segments=(segment(20.0),)), limits).verdict is Verdict.PASS


def test_the_longest_inducer_segment_counts_and_foreign_ones_do_not():
    found = evidence(segments=(segment(3.0), segment(30.0), segment(90.0, "foreign")))
    assert long_segments(found, Limits(max_inducer_segment_cm=10.0)) == [30.0]
    foreign = judge(evidence(segments=(segment(90.0, "foreign"),)), SHIPPED)
    assert (foreign.verdict, foreign.flags) == (Verdict.RETEST, (Flag.FOREIGN_ALLELES,))
    unplaced = replace(segment(5.0), start_cm=None, end_cm=None)
    assert judge(evidence(segments=(unplaced,)), SHIPPED).verdict is Verdict.FAIL


FEW = {"diagnostic_markers": 2}


@pytest.mark.parametrize("rival", [Finding.HYBRID, Finding.SELFED_HYBRID, Finding.INDUCER])
def test_few_diagnostic_markers_hold_back_where_the_inducer_is_not_excluded(rival):
    few = evidence(0.96, rival, measures=measures(**FEW))
    judged = judge(few, SHIPPED)
    assert (judged.verdict, judged.rule) == (Verdict.RETEST, "few markers")
    assert Flag.FEW_DIAGNOSTIC_MARKERS in judged.flags
    assert not heterozygosity_excludes_inducer(few, SHIPPED)
    enough = evidence(0.96, rival)
    assert judge(enough, SHIPPED).verdict is Verdict.PASS


@pytest.mark.parametrize("n", [0, 2])
def test_few_diagnostic_markers_are_worth_knowing_where_heterozygosity_excludes_the_inducer(n):
    """A clean line of a family without a typed inducer has no diagnostic marker, and passes."""
    judged = judge(evidence(0.96, Finding.SELFED_DONOR, measures=measures(diagnostic_markers=n)), SHIPPED)
    assert (judged.verdict, judged.flags) == (Verdict.PASS, (Flag.FEW_DIAGNOSTIC_MARKERS,))


def test_the_number_of_diagnostic_markers_is_a_limit():
    found = evidence(0.96, Finding.HYBRID, measures=measures(diagnostic_markers=7))
    assert judge(found, Limits(min_diagnostic_markers=7)).verdict is Verdict.PASS
    assert judge(found, Limits(min_diagnostic_markers=8)).verdict is Verdict.RETEST


def test_a_low_call_rate_holds_back_even_a_sure_line():
    for rate, expected in ((0.2, Verdict.PASS), (0.1999, Verdict.RETEST)):
        judged = judge(evidence(0.9999, measures=measures(call_rate=rate)), SHIPPED)
        assert judged.verdict is expected
        assert (Flag.LOW_CALL_RATE in judged.flags) == (expected is Verdict.RETEST)


@pytest.mark.parametrize(
    ("name", "limit", "flag"),
    [
        ("heterozygosity", "max_heterozygosity", Flag.HETEROZYGOSITY),
        ("inducer", "max_inducer_share", Flag.INDUCER_ALLELES),
        ("foreign", "max_foreign_share", Flag.FOREIGN_ALLELES),
    ],
)
def test_shares_over_their_limits_beyond_chance_hold_back(name, limit, flag):
    judged = judge(evidence(measures=measures(**{name: OVER})), SHIPPED)
    assert (judged.verdict, judged.flags) == (Verdict.RETEST, (flag,))
    mild = Limits(**{limit: 0.31})
    assert judge(evidence(measures=measures(**{name: OVER})), mild).verdict is Verdict.PASS
    wide = Share(value=0.3, low=0.01, high=0.6)
    assert judge(evidence(measures=measures(**{name: wide})), SHIPPED).verdict is Verdict.PASS
    unknown = judge(evidence(measures=measures(**{name: Share()})), SHIPPED)
    assert unknown.verdict is Verdict.PASS


RAISED = (
    Flag.DUPLICATE,
    Flag.SOURCE_MISMATCH,
    Flag.LINE_MISMATCH,
    Flag.NEAR_A_DIRTY_BLANK,
    Flag.TURNED_PLATE,
    Flag.WRONG_CONTROL,
    Flag.REFERENCE_IN_DOUBT,
)


@pytest.mark.parametrize("flag", RAISED)
def test_what_other_samples_say_of_a_line_holds_it_back(flag):
    judged = judge(evidence(0.99999, flags=frozenset({flag})), SHIPPED)
    assert (judged.verdict, judged.rule, judged.flags) == (Verdict.RETEST, "flags", (flag,))


def test_a_doubtful_reference_holds_a_fail_back_too():
    """One mislabelled parent must not fail a family."""
    found = evidence(0.001, Finding.OUTCROSS, flags=frozenset({Flag.REFERENCE_IN_DOUBT}))
    judged = judge(found, SHIPPED)
    assert (judged.verdict, judged.rule) == (Verdict.RETEST, "reference in doubt")


def test_every_criterion_says_that_it_cannot_say_without_measures():
    bare = replace(evidence(), measures=None)
    open_flags = {
        Flag.LOW_CALL_RATE,
        Flag.FEW_DIAGNOSTIC_MARKERS,
        Flag.HETEROZYGOSITY,
        Flag.INDUCER_ALLELES,
        Flag.FOREIGN_ALLELES,
    }
    for criterion in CRITERIA:
        state = criterion.ask(bare, SHIPPED)
        assert state is (State.CANNOT_SAY if criterion.flag in open_flags else State.MET)
        assert criterion.ask(evidence(), SHIPPED) is State.MET


def test_flags_come_in_the_order_of_the_criteria_each_once():
    found = evidence(
        0.9, Finding.HYBRID, measures=measures(call_rate=0.01, heterozygosity=OVER, **FEW), flags=frozenset(RAISED)
    )
    judged = judge(found, SHIPPED)
    order = [c.flag for c in CRITERIA]
    assert list(judged.flags) == sorted(judged.flags, key=order.index)
    assert len(set(judged.flags)) == len(judged.flags) == 10


def test_no_more_is_ever_better():
    """Taking a flag away, or raising the expected probability, never makes the verdict worse."""
    rank = {Verdict.FAIL: 0, Verdict.RETEST: 1, Verdict.PASS: 2}
    for flags in ((), (Flag.DUPLICATE,), (Flag.DUPLICATE, Flag.TURNED_PLATE)):
        ranks = [
            rank[judge(evidence(p, flags=frozenset(flags)), SHIPPED).verdict] for p in (0.0, 0.04, 0.3, 0.94, 0.96, 1.0)
        ]
        assert ranks == sorted(ranks)


def test_a_doubtful_reference_holds_back_a_fail_by_a_segment():
    """What is called a segment rests on the references too."""
    found = evidence(segments=(segment(12.0),), flags=frozenset({Flag.REFERENCE_IN_DOUBT}))
    judged = judge(found, SHIPPED)
    assert (judged.verdict, judged.rule) == (Verdict.RETEST, "reference in doubt")


@pytest.mark.parametrize(("start", "end"), [(31.1, 51.1), (0.1, 20.1), (1e3 / 3, 1e3 / 3 + 20)])
def test_positions_that_are_no_exact_numbers_do_not_lengthen_a_segment(start, end):
    found = evidence(segments=(replace(segment(20.0), start_cm=start, end_cm=end),))
    assert judge(found, Limits(max_inducer_segment_cm=20.0)).verdict is Verdict.PASS
    assert judge(found, Limits(max_inducer_segment_cm=19.99)).verdict is Verdict.FAIL
