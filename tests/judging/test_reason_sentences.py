"""What the reasons say: what was measured, against which limit, what next; and that they never contradict."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import combinations

import pytest

from dhverify.evidence import LineEvidence, LineMeasures, Share
from dhverify.limits import Limits
from dhverify.outcome import Finding, Flag, SegmentRow, Verdict
from dhverify.reasons import explain
from dhverify.samples import Role, Sample, Stage, Tissue
from dhverify.verdicts import judge

SHIPPED = Limits()
OVER = Share(value=0.31, low=0.2, high=0.4)
MEASURES = LineMeasures(
    call_rate=0.93,
    called_markers=183,
    heterozygosity=Share(value=0.41, low=0.34, high=0.48),
    segregating_markers=67,
    heterozygosity_segregating=0.52,
    diagnostic_markers=33,
    inducer=Share(value=0.49, low=0.3, high=0.6),
    donor_share=0.4,
    foreign=Share(value=0.17, low=0.1, high=0.3),
    parent_shares=(("Alba", 0.2), ("Brek", 0.8)),
)
CLEAN = replace(
    MEASURES,
    heterozygosity=Share(value=0.0, low=0.0, high=0.02),
    heterozygosity_segregating=0.0,
    inducer=Share(value=0.0, low=0.0, high=0.1),
    foreign=Share(value=0.0, low=0.0, high=0.1),
)
SAMPLE = Sample(
    name="L1", role=Role.LINE, stage=Stage.D1, donor="Do7", inducer="In3", source="S9", line="N4", plate="P1"
)


def evidence(finding, probability=0.998, **changes):
    expected = Finding.DOUBLED_HAPLOID
    posterior = {finding: probability}
    other = expected if finding is not expected else Finding.SELFED_DONOR
    posterior[other] = 1 - probability
    base = LineEvidence(
        sample=SAMPLE,
        is_genotyped=True,
        posterior=posterior,
        expected=expected,
        finding=finding,
        confidence=probability,
        measures=CLEAN if finding is expected else MEASURES,
        best_donor="Do8" if finding is Finding.OTHER_DONOR else "Do7",
        contaminant="L77" if finding is Finding.MIXTURE else "",
        contaminant_share=0.23 if finding is Finding.MIXTURE else None,
    )
    return replace(base, **changes)


def told(found, limits=SHIPPED):
    judged = judge(found, limits)
    return judged, explain(found, judged, limits)


def sentences(text):
    return [s.strip() for s in re.split(r"(?<=[.?!])\s+", text) if s.strip()]


BAD = [
    Finding.HYBRID,
    Finding.SELFED_HYBRID,
    Finding.DONOR,
    Finding.SELFED_DONOR,
    Finding.PARENT,
    Finding.OUTCROSS,
    Finding.INDUCER,
    Finding.OTHER_DONOR,
]
SHOWN = {
    Finding.HYBRID: ("hybrid", "Do7", "In3", "49 %", "33 diagnostic"),
    Finding.SELFED_HYBRID: ("selfed hybrid", "Do7", "49 %", "33 diagnostic", "in runs"),
    Finding.DONOR: ("donor plant Do7", "52 % of the 67"),
    Finding.SELFED_DONOR: ("Selfed progeny of Do7", "52 % of the 67"),
    Finding.PARENT: ("inbred parent Brek", "no crossover"),
    Finding.OUTCROSS: ("outcross", "Do7", "17 %"),
    Finding.INDUCER: ("inducer In3", "not a line of Do7", "49 %"),
    Finding.OTHER_DONOR: ("donor Do8", "not of Do7"),
}


@pytest.mark.parametrize("finding", BAD)
def test_a_failed_line_is_told_what_it_is_what_was_measured_and_what_next(finding):
    judged, text = told(evidence(finding))
    assert judged.verdict is Verdict.FAIL
    for part in (*SHOWN[finding], "41 % of 183 called markers"):
        assert part in text
    assert ("Discard it" in text) != (finding is Finding.OTHER_DONOR)
    if finding is Finding.OTHER_DONOR:
        assert "labels" in text


@pytest.mark.parametrize("finding", BAD)
def test_a_failed_line_is_told_the_limit_it_failed_by(finding):
    """It fails because what its stage expects is at most 1 - min_confidence probable; that limit is named."""
    limits = Limits(min_confidence=0.93)
    _, text = told(evidence(finding), limits)
    assert "limit" in text
    assert any(number in text for number in ("0.93", "93 %", "0.07", "7 %", "7.0 %"))


def test_a_mixture_names_partner_share_measure_and_asks_for_fresh_tissue():
    judged, text = told(evidence(Finding.MIXTURE))
    assert judged.verdict is Verdict.RETEST
    for part in ("two samples", "L77", "23 %", "41 % of 183", "fresh tissue"):
        assert part in text
    untold = told(evidence(Finding.MIXTURE, contaminant_share=None))[1]
    assert "L77" in untold
    assert "of the DNA" not in untold


def test_unresolved_says_which_of_the_two_reasons_it_has():
    few = told(evidence(Finding.UNRESOLVED, measures=replace(MEASURES, called_markers=7)))[1]
    assert "7 usable markers" in few
    assert f"at least {SHIPPED.min_called_markers}" in few
    assert "Fits neither" not in few
    strange = told(evidence(Finding.UNRESOLVED))[1]
    assert "Fits neither its donor Do7" in strange
    assert "41 % of 183" in strange
    assert "too few" not in strange
    for text in (few, strange):
        assert "fresh tissue" in text


def test_a_clean_line_is_told_its_measures_and_limits():
    judged, text = told(evidence(Finding.DOUBLED_HAPLOID), Limits(max_heterozygosity=0.07))
    assert judged.verdict is Verdict.PASS
    for part in ("clean gamete of Do7", "0 % of 183", "limit 7.0 %", "33 diagnostic markers"):
        assert part in text
    for part in ("Discard", "fresh tissue", "could not be looked for"):
        assert part not in text


def test_a_clean_line_without_diagnostic_markers_is_told_what_was_not_looked_for():
    found = evidence(Finding.DOUBLED_HAPLOID, measures=replace(CLEAN, diagnostic_markers=3))
    judged, text = told(found)
    assert judged.verdict is Verdict.PASS
    assert f"3 diagnostic markers called (limit {SHIPPED.min_diagnostic_markers})" in text
    assert "inducer segments could not be looked for" in text
    assert "no inducer segment" not in text


def segment(length, copies=1):
    return SegmentRow(
        sample="L1",
        chrom="6",
        start_bp=10,
        end_bp=20,
        start_cm=31.0,
        end_cm=31.0 + length,
        origin="inducer",
        copies=copies,
        markers=8,
        confidence=0.99,
    )


def test_a_segment_is_told_with_its_place_size_and_limit():
    limits = Limits(max_inducer_segment_cm=6.0)
    judged, text = told(evidence(Finding.DOUBLED_HAPLOID, segments=(segment(18.0), segment(9.0, 2))), limits)
    assert judged.verdict is Verdict.FAIL
    for part in ("chromosome 6", "31 to 49 cM", "one copy", "31 to 40 cM", "both copies", "8 markers", "18 cM", "6 cM"):
        assert part in text
    assert "Discard" in text


def test_an_accepted_segment_is_not_denied():
    """A segment shorter than the limit stands in the segment table: the reason cannot say that there is none."""
    limits = Limits(max_inducer_segment_cm=25.0)
    judged, text = told(evidence(Finding.DOUBLED_HAPLOID, segments=(segment(18.0),)), limits)
    assert judged.verdict is Verdict.PASS
    assert "no inducer segment" not in text


def test_the_wrong_tissue_is_named_with_what_to_take():
    for tissue, word in ((Tissue.PERICARP, "mother"), (Tissue.SEED, "inducer")):
        found = evidence(Finding.HYBRID)
        found = replace(found, sample=replace(SAMPLE, stage=Stage.HAPLOID, tissue=tissue))
        judged, text = told(found)
        assert judged.verdict is Verdict.RETEST
        for part in (tissue.value, word, "embryo", "leaf"):
            assert part in text
        assert "Discard" not in text


def test_an_undecided_line_is_told_both_probabilities_the_limit_and_what_decides():
    for rival, word in (
        (Finding.HYBRID, "diagnostic"),
        (Finding.SELFED_HYBRID, "diagnostic"),
        (Finding.SELFED_DONOR, "segregate"),
        (Finding.OTHER_DONOR, "segregate"),
        (Finding.OUTCROSS, "genotype it again"),
    ):
        found = replace(
            evidence(Finding.DOUBLED_HAPLOID),
            posterior={Finding.DOUBLED_HAPLOID: 0.71, rival: 0.25, Finding.DONOR: 0.04},
        )
        judged, text = told(found)
        assert judged.verdict is Verdict.RETEST
        for part in ("0.71", "limit 0.95", f"{rival} with 0.25", word, "0 % of 183"):
            assert part in text


def test_too_little_is_told_with_both_limits():
    found = evidence(Finding.DOUBLED_HAPLOID, measures=replace(CLEAN, call_rate=0.11, diagnostic_markers=4))
    judged, text = told(found)
    assert judged.verdict is Verdict.RETEST
    for part in ("11 % of usable markers", "limit 20 %", "4 diagnostic", "limit 5", "fresh tissue"):
        assert part in text


@pytest.mark.parametrize(
    ("name", "flag", "limit", "shown"),
    [
        ("heterozygosity", Flag.HETEROZYGOSITY, "max_heterozygosity", "7.0 %"),
        ("inducer", Flag.INDUCER_ALLELES, "max_inducer_share", "7.0 %"),
        ("foreign", Flag.FOREIGN_ALLELES, "max_foreign_share", "7.0 %"),
    ],
)
def test_a_share_over_its_limit_is_told_with_the_limit(name, flag, limit, shown):
    found = evidence(Finding.DOUBLED_HAPLOID, measures=replace(CLEAN, **{name: OVER}))
    judged, text = told(found, Limits(**{limit: 0.07}))
    assert judged.flags == (flag,)
    assert "31 %" in text
    assert "fresh tissue" in text
    assert shown in text


@pytest.mark.parametrize(
    ("flag", "words"),
    [
        (Flag.DUPLICATE, ("group 3", "same genotype")),
        (Flag.SOURCE_MISMATCH, ("S9", "labels back")),
        (Flag.LINE_MISMATCH, ("N4", "again")),
        (Flag.NEAR_A_DIRTY_BLANK, ("blank", "another plate")),
        (Flag.TURNED_PLATE, ("plate", "layout")),
        (Flag.WRONG_CONTROL, ("control", "layout")),
        (Flag.REFERENCE_IN_DOUBT, ("reference", "Genotype")),
    ],
)
def test_a_flag_raised_by_others_has_its_sentence_and_its_step(flag, words):
    found = evidence(Finding.DOUBLED_HAPLOID, flags=frozenset({flag}), duplicate_group="group 3", notes=("Noted so.",))
    judged, text = told(found)
    assert judged.verdict is Verdict.RETEST
    for word in words:
        assert word in text
    assert "Noted so." in text


def test_a_line_that_no_file_holds():
    judged, text = told(evidence(Finding.UNRESOLVED, is_genotyped=False, measures=None))
    assert judged.verdict is Verdict.RETEST
    assert "No genotype file holds" in text


ASKS_FOR_THE_SAMPLE_AGAIN = ("fresh tissue", "genotype it", "sample again")
ALL_RAISED = (Flag.DUPLICATE, Flag.SOURCE_MISMATCH, Flag.LINE_MISMATCH, Flag.NEAR_A_DIRTY_BLANK, Flag.TURNED_PLATE)


@pytest.mark.parametrize("flag", ALL_RAISED)
@pytest.mark.parametrize("finding", [Finding.HYBRID, Finding.SELFED_DONOR])
def test_a_fail_does_not_ask_for_the_sample_again(finding, flag):
    """Discard it and genotype it again cannot both be the next step."""
    judged, text = told(evidence(finding, flags=frozenset({flag}), duplicate_group="group 3"))
    assert judged.verdict is Verdict.FAIL
    assert "Discard it" in text
    assert not [words for words in ASKS_FOR_THE_SAMPLE_AGAIN if words in text]


OVER_LIMITS = {"heterozygosity": OVER, "inducer": OVER, "foreign": OVER}


@pytest.mark.parametrize("names", [*combinations(OVER_LIMITS, 2), tuple(OVER_LIMITS)])
def test_no_sentence_is_said_twice_when_several_shares_are_over(names):
    found = evidence(Finding.DOUBLED_HAPLOID, measures=replace(CLEAN, **dict.fromkeys(names, OVER)))
    parts = sentences(told(found)[1])
    assert len(parts) == len(set(parts))


@pytest.mark.parametrize("change", [{"call_rate": 0.1}, {}])
def test_no_sentence_is_said_twice_beside_another_rule(change):
    found = evidence(Finding.DOUBLED_HAPLOID, measures=replace(CLEAN, heterozygosity=OVER, **change))
    if not change:
        found = replace(found, posterior={Finding.DOUBLED_HAPLOID: 0.8, Finding.MIXTURE: 0.2})
    parts = sentences(told(found)[1])
    assert len(parts) == len(set(parts))


@pytest.mark.parametrize("finding", [*BAD, Finding.MIXTURE, Finding.UNRESOLVED, Finding.DOUBLED_HAPLOID])
@pytest.mark.parametrize("flags", [(), ALL_RAISED])
def test_reasons_are_whole_sentences_without_holes(finding, flags):
    bare = LineMeasures(
        call_rate=0.0,
        called_markers=0,
        heterozygosity=Share(),
        segregating_markers=None,
        heterozygosity_segregating=None,
        diagnostic_markers=None,
        inducer=Share(),
        donor_share=None,
        foreign=Share(),
    )
    for measures in (MEASURES, bare, None):
        _, text = told(evidence(finding, flags=frozenset(flags), duplicate_group="group 3", measures=measures))
        assert text.endswith(".")
        assert "  " not in text
        for hole in ("None", "nan", "()", " ,", " ."):
            assert hole not in text
        for sentence in sentences(text):
            assert sentence[0].isupper() or sentence[0].isdigit()


ACTIONS = (
    "Send it on.",
    "Discard it",
    "exchanged labels before",
    "Settle the layout of its plate first",
    "Genotype the references",
    "Correct its name on the sheet",
    "Sample the embryo",
    "genotype it again",
    "Genotype it again",
    "genotype them again",
    "genotype fresh tissue",
    "Follow the labels back",
    "Look in the seed store",
)
EVERY_FLAG = (*ALL_RAISED, Flag.WRONG_CONTROL, Flag.REFERENCE_IN_DOUBT)
UNSURE = {Finding.DOUBLED_HAPLOID: 0.8, Finding.HYBRID: 0.2}


@pytest.mark.parametrize("finding", [*BAD, Finding.MIXTURE, Finding.UNRESOLVED, Finding.DOUBLED_HAPLOID])
@pytest.mark.parametrize("n_flags", [0, 1, 2, 7])
def test_every_reason_ends_with_exactly_one_thing_to_do(finding, n_flags):
    for flags in combinations(EVERY_FLAG, n_flags):
        for change in ({}, {"posterior": UNSURE}, {"measures": replace(CLEAN, foreign=OVER, call_rate=0.1)}):
            found = evidence(finding, flags=frozenset(flags), **change)
            _, text = told(found)
            done = [sentence for sentence in sentences(text) if any(action in sentence for action in ACTIONS)]
            assert len(done) == 1, text
            assert text.endswith(done[0])


@pytest.mark.parametrize(
    ("flags", "step"),
    [
        ({Flag.DUPLICATE}, "Look in the seed store which is the original: markers cannot tell."),
        ({Flag.DUPLICATE, Flag.SOURCE_MISMATCH}, "Follow the labels back to S9."),
        (
            {Flag.SOURCE_MISMATCH, Flag.LINE_MISMATCH},
            "Take fresh tissue of every sample of N4 and genotype them again.",
        ),
        ({Flag.LINE_MISMATCH, Flag.NEAR_A_DIRTY_BLANK}, "Genotype it again on another plate."),
        ({Flag.NEAR_A_DIRTY_BLANK, Flag.REFERENCE_IN_DOUBT}, "Genotype the references of its family again, then check"),
        ({Flag.REFERENCE_IN_DOUBT, Flag.TURNED_PLATE}, "Settle the layout of its plate first, then check again."),
        ({Flag.WRONG_CONTROL, Flag.DUPLICATE}, "Settle the layout of its plate first, then check again."),
    ],
)
def test_of_several_steps_the_one_that_comes_first_is_told(flags, step):
    assert step in told(evidence(Finding.DOUBLED_HAPLOID, flags=frozenset(flags)))[1]


def test_a_copy_that_may_be_the_own_seedling_is_told_which_cell_of_the_sheet_to_fill():
    copied = evidence(Finding.DOUBLED_HAPLOID, flags=frozenset({Flag.DUPLICATE}), undeclared_source=("L1", "S12"))
    _, text = told(copied)
    assert text.endswith(
        "If L1 was grown from S12, write S12 in its column source; if not, look in the seed store which is the"
        " original."
    )


def test_steps_for_a_sample_beside_a_dirty_blank():
    near = frozenset({Flag.NEAR_A_DIRTY_BLANK})
    for found in (
        evidence(Finding.MIXTURE, flags=near),
        evidence(Finding.DOUBLED_HAPLOID, flags=near, measures=replace(CLEAN, heterozygosity=OVER)),
    ):
        assert told(found)[1].endswith("Take fresh tissue and genotype it again on another plate.")


def test_on_a_turned_plate_nothing_is_discarded_before_the_layout_is_settled():
    turned = frozenset({Flag.TURNED_PLATE})
    assert told(evidence(Finding.HYBRID, flags=turned))[1].endswith(
        "Discard it once the layout of its plate is settled."
    )
    assert told(evidence(Finding.OTHER_DONOR, flags=turned))[1].endswith(
        "Settle the layout of its plate first, then check again."
    )


def test_a_duplicate_names_the_others():
    found = evidence(
        Finding.DOUBLED_HAPLOID, flags=frozenset({Flag.DUPLICATE}), duplicate_group="copy 2", duplicates=("L8", "L9")
    )
    assert told(found)[1].startswith("The same genotype as L8 and L9 (copy 2). Otherwise a clean gamete of Do7")


def test_how_sure_it_is_told_without_false_digits():
    assert (
        "(probability over 0.999; doubled haploid below 0.001, limit 0.05)"
        in told(evidence(Finding.HYBRID, probability=1 - 1e-9))[1]
    )
    assert (
        "(doubled haploid with probability over 0.999, limit 0.95)"
        in told(evidence(Finding.DOUBLED_HAPLOID, probability=1 - 1e-9))[1]
    )


def test_a_share_above_its_limit_by_chance_says_so():
    by_chance = replace(CLEAN, heterozygosity=Share(value=0.06, low=0.02, high=0.15))
    judged, text = told(evidence(Finding.DOUBLED_HAPLOID, measures=by_chance))
    assert judged.verdict is Verdict.PASS
    assert "heterozygous at 6.0 % of 183 called markers (limit 5.0 %, not beyond chance;" in text


def test_an_accepted_segment_is_told():
    text = told(evidence(Finding.DOUBLED_HAPLOID, segments=(segment(18.0),)), Limits(max_inducer_segment_cm=18.0))[1]
    assert "keeps inducer chromosome as accepted (at most 18 cM): chromosome 6, 31 to 49 cM (18 cM, one copy" in text


def test_a_segment_in_a_family_with_a_doubtful_reference_is_told_and_not_discarded():
    found = evidence(
        Finding.DOUBLED_HAPLOID,
        segments=(segment(18.0),),
        flags=frozenset({Flag.REFERENCE_IN_DOUBT}),
        notes=("In3: 9 %.",),
    )
    judged, text = told(found)
    assert (judged.verdict, judged.rule) == (Verdict.RETEST, "reference in doubt")
    for part in (
        "keeps inducer chromosome",
        "A reference of its family is in doubt. In3: 9 %.",
        "Genotype the references",
    ):
        assert part in text
    assert "Discard" not in text


def test_a_line_of_another_cross_is_told_what_its_donor_cannot_give():
    text = told(evidence(Finding.OTHER_DONOR))[1]
    assert "alleles that Do7 cannot give over 60 % of the genome" in text
    text = told(evidence(Finding.PARENT, detail="of another cross", named="Corva"))[1]
    assert "alleles that Do7 cannot give over 60 % of the genome" in text


def test_nothing_known_beside_the_expected_finding_is_said_so():
    found = replace(
        evidence(Finding.DOUBLED_HAPLOID), posterior={Finding.DOUBLED_HAPLOID: 0.7, Finding.UNRESOLVED: 0.3}
    )
    assert "none of the known findings with 0.30" in told(found)[1]


def test_more_markers_are_asked_for_by_number_only_while_some_are_lacking():
    for n, words in ((4, "at about 6 more diagnostic markers"), (33, "at other diagnostic markers")):
        found = evidence(Finding.DOUBLED_HAPLOID, posterior=UNSURE, measures=replace(CLEAN, diagnostic_markers=n))
        assert words in told(found)[1]


def test_a_segment_that_cannot_be_placed_is_told_with_its_probability():
    judged, text = told(evidence(Finding.DOUBLED_HAPLOID, segment_probability=0.83))
    assert (judged.verdict, judged.rule) == (Verdict.RETEST, "segment not placed")
    assert text.startswith("Probably a clean gamete of Do7")
    assert "an inducer segment with probability 0.83 at 33 diagnostic markers, too few to show where" in text
    assert "no inducer segment" not in text
    assert text.endswith("Genotype it again at more diagnostic markers, which would show the segment.")
