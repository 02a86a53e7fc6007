"""The rules of the verdict, in their order, and the sentences that go with them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dhverify.criteria import CRITERIA
from dhverify.evidence import LineEvidence, LineMeasures, Share
from dhverify.finding_words import percent
from dhverify.limits import Limits
from dhverify.outcome import Finding, Flag, SegmentRow, Verdict
from dhverify.reasons import explain
from dhverify.samples import Role, Sample, Stage, Tissue
from dhverify.verdicts import judge

LIMITS = Limits()


def measures(**changes):
    base = LineMeasures(
        call_rate=0.97,
        called_markers=970,
        heterozygosity=Share(value=0.002, low=0.0, high=0.006),
        segregating_markers=350,
        heterozygosity_segregating=0.003,
        diagnostic_markers=180,
        inducer=Share(value=0.0, low=0.0, high=0.04),
        donor_share=1.0,
        foreign=Share(value=0.0, low=0.0, high=0.04),
        parent_shares=(("Alba", 0.45), ("Brek", 0.55)),
    )
    return replace(base, **changes)


def line(finding=Finding.DOUBLED_HAPLOID, probability=0.999, *, stage=Stage.D1, tissue=Tissue.LEAF, **changes):
    expected = Finding.DOUBLED_HAPLOID if stage is Stage.D1 else Finding.HAPLOID
    posterior = {expected: probability if finding is expected else 1 - probability}
    if finding is not expected:
        posterior[finding] = probability
    else:
        posterior[Finding.SELFED_DONOR] = 1 - probability
    sample = Sample(
        name="L1", role=Role.LINE, stage=stage, donor="D1", inducer="Ind", tissue=tissue, source="S1", line="N1"
    )
    base = LineEvidence(
        sample=sample,
        is_genotyped=True,
        posterior=posterior,
        expected=expected,
        finding=finding,
        confidence=None if finding is Finding.UNRESOLVED else probability,
        measures=measures(),
        best_donor="D1",
    )
    return replace(base, **changes)


def segment(length=20.0, origin="inducer"):
    return SegmentRow(
        sample="L1",
        chrom="3",
        start_bp=1_000_000,
        end_bp=21_000_000,
        start_cm=10.0,
        end_cm=10.0 + length,
        origin=origin,
        copies=1,
        markers=6,
        confidence=0.99,
    )


def verdict(evidence, limits=LIMITS):
    return judge(evidence, limits).verdict


def test_a_clean_line_passes():
    judged = judge(line(), LIMITS)
    assert (judged.verdict, judged.flags) == (Verdict.PASS, ())


def test_not_genotyped_comes_first():
    judged = judge(line(is_genotyped=False, flags=frozenset({Flag.DUPLICATE})), LIMITS)
    assert (judged.verdict, judged.flags) == (Verdict.RETEST, (Flag.NOT_GENOTYPED,))


def test_unresolved_is_a_retest_even_where_the_expected_finding_is_excluded():
    assert verdict(line(Finding.UNRESOLVED, 0.999)) is Verdict.RETEST


@pytest.mark.parametrize(
    ("stage", "tissue", "expected"),
    [
        (Stage.HAPLOID, Tissue.ENDOSPERM, Verdict.RETEST),
        (Stage.HAPLOID, Tissue.SEED, Verdict.RETEST),
        (Stage.HAPLOID, Tissue.EMBRYO, Verdict.PASS),
        (Stage.D1, Tissue.SEED, Verdict.PASS),
        (Stage.D1, Tissue.ENDOSPERM, Verdict.PASS),
        (Stage.D1, Tissue.PERICARP, Verdict.RETEST),
        (Stage.D0, Tissue.PERICARP, Verdict.RETEST),
    ],
)
def test_the_wrong_tissue_is_a_retest(stage, tissue, expected):
    finding = Finding.DOUBLED_HAPLOID if stage is Stage.D1 else Finding.HAPLOID
    assert verdict(line(finding, stage=stage, tissue=tissue)) is expected


def test_wrong_tissue_stands_before_a_hybrid():
    hybrid = line(Finding.HYBRID, stage=Stage.HAPLOID, tissue=Tissue.ENDOSPERM)
    assert verdict(hybrid) is Verdict.RETEST
    assert Flag.WRONG_TISSUE in judge(hybrid, LIMITS).flags


def test_a_mixture_is_a_retest_though_the_expected_finding_is_excluded():
    assert verdict(line(Finding.MIXTURE, 0.999)) is Verdict.RETEST


@pytest.mark.parametrize("finding", [f for f in Finding if f.value not in {"mixture", "unresolved"}])
def test_an_excluded_expected_finding_fails_whatever_else_is_flagged(finding):
    if finding in {Finding.HAPLOID, Finding.DOUBLED_HAPLOID}:
        return
    flagged = line(finding, 0.999, flags=frozenset({Flag.DUPLICATE, Flag.NEAR_A_DIRTY_BLANK}))
    assert verdict(flagged) is Verdict.FAIL


def test_a_doubtful_reference_holds_back_a_fail():
    assert verdict(line(Finding.HYBRID, flags=frozenset({Flag.REFERENCE_IN_DOUBT}))) is Verdict.RETEST


def test_an_inducer_segment_fails_and_the_finding_stays():
    evidence = line(segments=(segment(),))
    assert verdict(evidence) is Verdict.FAIL
    assert verdict(evidence, Limits(max_inducer_segment_cm=25.0)) is Verdict.PASS
    assert verdict(line(segments=(segment(origin="foreign"),))) is Verdict.RETEST


def test_between_the_limits_nothing_is_decided():
    assert verdict(line(probability=0.9)) is Verdict.RETEST
    assert verdict(line(Finding.SELFED_DONOR, 0.9)) is Verdict.RETEST
    assert verdict(line(Finding.SELFED_DONOR, 0.96)) is Verdict.FAIL


def test_few_diagnostic_markers_matter_where_the_inducer_is_not_excluded():
    few = measures(diagnostic_markers=2)
    open_case = line(measures=few)
    open_case = replace(open_case, posterior={Finding.DOUBLED_HAPLOID: 0.96, Finding.SELFED_HYBRID: 0.04})
    assert verdict(open_case) is Verdict.RETEST
    closed = judge(line(measures=few), LIMITS)
    assert closed.verdict is Verdict.PASS
    assert Flag.FEW_DIAGNOSTIC_MARKERS in closed.flags
    assert "could not be looked for" in explain(line(measures=few), closed, LIMITS)


def test_a_low_call_rate_is_a_retest():
    judged = judge(line(measures=measures(call_rate=0.1, called_markers=100)), LIMITS)
    assert judged.verdict is Verdict.RETEST
    assert judged.flags == (Flag.LOW_CALL_RATE,)


@pytest.mark.parametrize(
    ("change", "flag"),
    [
        ({"heterozygosity": Share(value=0.12, low=0.1, high=0.14)}, Flag.HETEROZYGOSITY),
        ({"inducer": Share(value=0.2, low=0.1, high=0.3)}, Flag.INDUCER_ALLELES),
        ({"foreign": Share(value=0.2, low=0.1, high=0.3)}, Flag.FOREIGN_ALLELES),
    ],
)
def test_a_share_over_its_limit_beyond_its_interval_is_a_retest(change, flag):
    judged = judge(line(measures=measures(**change)), LIMITS)
    assert (judged.verdict, judged.flags) == (Verdict.RETEST, (flag,))
    name, share = next(iter(change.items()))
    unsure = measures(**{name: replace(share, low=0.01)})
    assert verdict(line(measures=unsure)) is Verdict.PASS


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
def test_what_identity_and_plates_raise_is_a_retest_with_its_sentence(flag):
    evidence = line(flags=frozenset({flag}), duplicate_group="copy 1")
    judged = judge(evidence, LIMITS)
    assert (judged.verdict, judged.flags) == (Verdict.RETEST, (flag,))
    assert len(explain(evidence, judged, LIMITS)) > 20


def test_every_flag_has_a_criterion_but_not_genotyped():
    assert {c.flag for c in CRITERIA} == set(Flag) - {Flag.NOT_GENOTYPED}
    assert all(c.why for c in CRITERIA)


def sentences(text):
    return [s.strip() for s in text.replace("?", ".").split(". ") if s.strip()]


@pytest.mark.parametrize("finding", [f for f in Finding if f is not Finding.HAPLOID])
def test_reasons_measure_name_and_never_contradict_themselves(finding):
    evidence = line(finding, 0.999, contaminant="L9", contaminant_share=0.2, best_donor="D2", named="")
    judged = judge(evidence, LIMITS)
    text = explain(evidence, judged, LIMITS)
    parts = sentences(text)
    assert len(parts) == len(set(parts)), text
    assert "None" not in text
    assert "nan" not in text
    if judged.verdict is Verdict.FAIL:
        assert "fresh tissue" not in text
    assert "markers" in text


@pytest.mark.parametrize(
    ("finding", "detail", "named", "word"),
    [
        (Finding.OUTCROSS, "inbred", "Corva", "pollen of Corva"),
        (Finding.OUTCROSS, "line", "D2", "D2"),
        (Finding.OUTCROSS, "false hybrid", "D2", "false hybrid"),
        (Finding.OUTCROSS, "the same pollen", "L7", "as L7"),
        (Finding.OUTCROSS, "parent 1", "", "Brek"),
        (Finding.INDUCER, "selfed inducer", "", "selfed plant"),
        (Finding.PARENT, "of another cross", "Corva", "no parent of D1"),
        (Finding.PARENT, "", "", "Brek"),
        (Finding.HYBRID, "of another donor", "D2", "D2"),
        (Finding.OTHER_DONOR, "", "D2", "donor D2"),
        (Finding.SELFED_DONOR, "selfed twice", "", "selfed twice"),
    ],
)
def test_reasons_name_what_is_known(finding, detail, named, word):
    evidence = line(finding, 0.999, detail=detail, named=named)
    assert word in explain(evidence, judge(evidence, LIMITS), LIMITS)


@pytest.mark.parametrize(
    ("rival", "word"),
    [(Finding.HYBRID, "diagnostic"), (Finding.SELFED_DONOR, "segregate"), (Finding.MIXTURE, "fresh tissue")],
)
def test_an_undecided_line_is_told_what_would_decide_it(rival, word):
    evidence = replace(line(probability=0.8), posterior={Finding.DOUBLED_HAPLOID: 0.8, rival: 0.2})
    for n in (3, 180):
        told = replace(evidence, measures=measures(diagnostic_markers=n))
        assert word in explain(told, judge(told, LIMITS), LIMITS)


def test_too_few_calls_and_wrong_tissue_and_segments_are_said():
    blind = line(Finding.UNRESOLVED, measures=measures(called_markers=4))
    assert "4 usable markers" in explain(blind, judge(blind, LIMITS), LIMITS)
    strange = line(Finding.UNRESOLVED)
    assert "Fits neither" in explain(strange, judge(strange, LIMITS), LIMITS)
    mother = line(tissue=Tissue.PERICARP)
    assert "mother plant" in explain(mother, judge(mother, LIMITS), LIMITS)
    kernel = line(Finding.HAPLOID, stage=Stage.HAPLOID, tissue=Tissue.SEED)
    assert "seed of an induction cross" in explain(kernel, judge(kernel, LIMITS), LIMITS)
    kept = line(segments=(segment(), replace(segment(), start_cm=None, end_cm=None)))
    text = explain(kept, judge(kept, LIMITS), LIMITS)
    assert "chromosome 3" in text
    assert "20 cM" in text
    missing = line(is_genotyped=False)
    assert "No genotype file" in explain(missing, judge(missing, LIMITS), LIMITS)


def test_shares_for_people():
    assert [percent(x) for x in (None, 0.0, 0.004, 0.5)] == ["an unknown share", "0 %", "0.4 %", "50 %"]
