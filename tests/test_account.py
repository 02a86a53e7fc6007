"""The account: what is counted, of what, in which groups; and what is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from dhverify.account import MEASURES, build_account, weighted_lines
from dhverify.counted_lines import counted_lines, group_value
from dhverify.counts import Counts, CountsRow
from dhverify.donor_advice import advise
from dhverify.donor_table import FamilyPanel, donor_rows
from dhverify.errors import FormatError, InputError
from dhverify.evidence import NO_MEASURES, LineEvidence
from dhverify.group_tests import Stratum, excess_probability, holm, rate_ratio
from dhverify.intervals import rate_interval
from dhverify.outcome import AccountRow, Finding, Flag, SegmentRow, Verdict
from dhverify.samples import Family, Role, Sample, SampleSheet, Stage
from dhverify.small_groups import with_shrinkage

SEGMENT = SegmentRow(
    sample="x",
    chrom="1",
    start_bp=1,
    end_bp=2,
    start_cm=0.0,
    end_cm=1.0,
    origin="inducer",
    copies=1,
    markers=4,
    confidence=0.99,
)

MEASURES_OF_A_LINE = replace(NO_MEASURES, called_markers=300, diagnostic_markers=60)


def line(name, *, donor="D1", inducer="I", stage=Stage.HAPLOID, **columns):
    return Sample(name=name, role=Role.LINE, donor=donor, inducer=inducer, stage=stage, **columns)


def found(sample, finding, *, p=1.0, **extra):
    expected = Finding.DOUBLED_HAPLOID if sample.stage is Stage.D1 else Finding.HAPLOID
    posterior = {finding: p}
    if p < 1:
        other = Finding.HYBRID if finding is expected else expected
        posterior[other] = 1 - p
    return LineEvidence(
        sample=sample,
        is_genotyped=True,
        posterior=posterior,
        expected=expected,
        finding=finding,
        confidence=None if finding is Finding.UNRESOLVED else p,
        **{"measures": MEASURES_OF_A_LINE, **extra},
    )


def sheet_of(*samples, extra_columns=()):
    donors = dict.fromkeys(s.donor for s in samples)
    inducers = dict.fromkeys(s.inducer for s in samples if s.inducer)
    references = [Sample(name=d, role=Role.DONOR) for d in donors]
    references += [Sample(name=i, role=Role.INDUCER) for i in inducers]
    return SampleSheet(samples=(*references, *samples), extra_columns=extra_columns)


def programme(*findings, **columns):
    """Seedlings of one donor with these findings: sheet, evidence."""
    samples = [line(f"L{k}", **columns) for k in range(len(findings))]
    return sheet_of(*samples), {s.name: found(s, f) for s, f in zip(samples, findings, strict=True)}


def rows_by(rows, by="all", group=""):
    return {row.measure: row for row in rows if row.by == by and row.group == group}


H, HYB, MIX, NONE = Finding.HAPLOID, Finding.HYBRID, Finding.MIXTURE, Finding.UNRESOLVED


def test_wrong_lines_leave_out_mixtures_and_what_is_unresolved():
    sheet, evidence = programme(H, H, H, HYB, Finding.SELFED_DONOR, MIX, NONE)
    rows = rows_by(build_account(evidence, sheet))
    assert (rows["wrong_lines"].count, rows["wrong_lines"].of) == (2, 5)
    assert (rows["hybrids_among_putative_haploids"].count, rows["hybrids_among_putative_haploids"].of) == (1, 5)
    assert (rows["unresolved_lines"].count, rows["unresolved_lines"].of) == (1, 7)
    assert rows["wrong_lines"].rate == pytest.approx(0.4)
    assert rows["wrong_lines"].low < 0.4 < rows["wrong_lines"].high
    assert "induction_rate" not in rows


def test_a_decided_group_has_the_jeffreys_interval():
    sheet, evidence = programme(*[HYB] * 5, *[H] * 45)
    row = rows_by(build_account(evidence, sheet))["wrong_lines"]
    _, low, high = rate_interval([1.0] * 5 + [0.0] * 45)
    assert (row.low, row.high) == (pytest.approx(low), pytest.approx(high))


def test_open_verdicts_widen_the_interval():
    samples = [line(f"L{k}") for k in range(40)]
    sheet = sheet_of(*samples)
    clear = {s.name: found(s, HYB if k < 4 else H) for k, s in enumerate(samples)}
    vague = {s.name: found(s, HYB if k < 4 else H, p=0.8) for k, s in enumerate(samples)}
    one, other = (rows_by(build_account(e, sheet))["wrong_lines"] for e in (clear, vague))
    assert other.count == one.count
    assert other.high - other.low > 1.2 * (one.high - one.low)


def test_replicates_of_a_line_count_once_and_a_failed_one_does_not_hide_it():
    samples = (line("a", line="X"), line("b", line="X"), line("c", line="Y"), line("d"))
    evidence = {"a": found(samples[0], NONE), "b": found(samples[1], HYB), "c": found(samples[2], H)}
    lines = counted_lines(sheet_of(*samples), evidence)
    assert [one.finding for one in lines] == [HYB, H, NONE]
    assert [one.is_decided for one in lines] == [True, True, False]


def test_the_odd_replicate_does_not_speak_for_the_line():
    samples = tuple(line(name, line="X") for name in "abc")
    odd = found(samples[0], HYB, flags=frozenset({Flag.LINE_MISMATCH}))
    evidence = {"a": odd, "b": found(samples[1], H), "c": found(samples[2], H)}
    (only,) = counted_lines(sheet_of(*samples), evidence)
    assert only.finding is H
    assert only.wrong == 0


def test_one_line_at_two_stages_is_two_lines():
    samples = (line("a", line="X"), line("b", line="X", stage=Stage.D1))
    evidence = {"a": found(samples[0], H), "b": found(samples[1], Finding.DOUBLED_HAPLOID)}
    rows = rows_by(build_account(evidence, sheet_of(*samples)))
    assert rows["wrong_lines"].of == 2
    assert rows["hybrids_among_putative_haploids"].of == 1


def test_duplicates_and_segments():
    samples = [line(f"L{k}") for k in range(5)]
    evidence = {s.name: found(s, H) for s in samples[:4]} | {"L4": found(samples[4], NONE)}
    evidence["L0"] = found(samples[0], H, duplicate_group="G1")
    evidence["L1"] = found(samples[1], H, flags=frozenset({Flag.DUPLICATE}))
    evidence["L2"] = found(samples[2], H, segments=(SEGMENT,))
    rows = rows_by(build_account(evidence, sheet_of(*samples)))
    assert (rows["duplicate_lines"].count, rows["duplicate_lines"].of) == (2, 4)
    assert (rows["inducer_segment_lines"].count, rows["inducer_segment_lines"].of) == (1, 4)


def test_groups_by_donor_inducer_and_any_column():
    samples = [
        line("a", donor="D1", inducer="I", extra=(("sorter", "Ama"),)),
        line("b", donor="D1", inducer="J", extra=(("sorter", "Bruno"),)),
        line("c", donor="D2", inducer="J", extra=(("sorter", "Ama"),), plate="P1"),
        line("d", donor="D2", inducer="J", extra=(("sorter", ""),)),
    ]
    sheet = sheet_of(*samples, extra_columns=("sorter",))
    rows = build_account({s.name: found(s, H) for s in samples}, sheet, by=("sorter", "plate"))
    groups = {(row.by, row.group): row.of for row in rows if row.measure == "wrong_lines"}
    assert groups == {
        ("all", ""): 4,
        ("donor", "D1"): 2,
        ("donor", "D2"): 2,
        ("inducer", "I"): 1,
        ("inducer", "J"): 3,
        ("sorter", "Ama"): 2,
        ("sorter", "Bruno"): 1,
        ("plate", "P1"): 1,
    }
    assert [row.by for row in rows] == sorted(
        (row.by for row in rows), key=["all", "donor", "inducer", "sorter", "plate"].index
    )


def test_sample_is_a_column_too():
    assert group_value(line("a"), "sample") == "a"
    assert group_value(line("a"), "stage") == "haploid"


def test_a_column_that_the_sheet_has_not_is_refused():
    sheet, evidence = programme(H)
    with pytest.raises(
        InputError, match="column tray: found no such column in the sheet; expected one of sample, role"
    ):
        build_account(evidence, sheet, by=("tray",))


# counts


def counts_of(*rows, extra_columns=()):
    return Counts(rows=rows, extra_columns=extra_columns, source="counts.csv")


def test_every_measure_of_the_counts():
    sheet, evidence = programme(*[H] * 27, *[HYB] * 3)
    row = CountsRow(
        donor="D1",
        kernels=300,
        uncoloured=6,
        hybrids=264,
        putative_haploids=30,
        treated=30,
        survived=21,
        selfed=18,
        d1_ears=9,
    )
    rows = rows_by(build_account(evidence, sheet, counts=counts_of(row)))
    assert list(rows) == list(MEASURES)
    assert rows["uncoloured_kernels"].rate == pytest.approx(6 / 300)
    assert rows["putative_haploid_rate"].rate == pytest.approx(30 / 300)
    assert rows["induction_rate"].rate == pytest.approx(30 * 27 / 30 / 300)
    assert rows["survival"].rate == pytest.approx(21 / 30)
    assert rows["doubling_success"].rate == pytest.approx(9 / (30 * 27 / 30))
    assert rows["lines_per_kernel"].rate == pytest.approx(9 / 300)
    for row in rows.values():
        assert 0 <= row.low <= row.rate <= row.high <= 1


def test_an_ear_of_300_kernels_at_10_percent_bears_30_haploids():
    """Common practice, no source; computed: 300 x 0.10 = 30."""
    sheet, evidence = programme(*[H] * 30)
    counts = counts_of(CountsRow(donor="D1", kernels=300, putative_haploids=30))
    row = rows_by(build_account(evidence, sheet, counts=counts))["induction_rate"]
    assert (row.count, row.of, row.rate) == (30, 300, pytest.approx(0.10))
    assert 0.065 < row.low < 0.075
    assert 0.13 < row.high < 0.145


@pytest.mark.parametrize(
    ("h", "a", "b", "printed"),
    [(0.10, 0.01, 0.05, 0.087), (0.10, 0.05, 0.05, 0.321), (0.10, 0.10, 0.10, 0.500), (0.08, 0.02, 0.05, 0.195)],
)
def test_false_discovery_rate_of_colour_sorting(h, a, b, printed):
    """FDR = (1-h)a / [(1-h)a + h(1-b)] (computed); 100,000 kernels sorted exactly at these rates."""
    kernels = 100_000
    hybrids, haploids = round(kernels * (1 - h) * a), round(kernels * h * (1 - b))
    scale = 1000 / (hybrids + haploids)
    n_hybrids = round(hybrids * scale)
    sheet, evidence = programme(*[HYB] * n_hybrids, *[H] * (1000 - n_hybrids))
    counts = counts_of(CountsRow(donor="D1", kernels=kernels, putative_haploids=hybrids + haploids))
    rows = rows_by(build_account(evidence, sheet, counts=counts))
    assert rows["hybrids_among_putative_haploids"].rate == pytest.approx(printed, abs=1e-3)
    assert rows["induction_rate"].rate == pytest.approx(h * (1 - b), rel=2e-3)
    assert rows["induction_rate"].low < h * (1 - b) < rows["induction_rate"].high


def test_what_was_not_counted_has_no_row():
    sheet, evidence = programme(H, HYB)
    rows = rows_by(build_account(evidence, sheet, counts=counts_of(CountsRow(donor="D1", kernels=50))))
    assert not set(rows) & set(MEASURES[5:])
    counts = counts_of(CountsRow(donor="D1", kernels=0, putative_haploids=None, treated=5, survived=2, d1_ears=1))
    rows = rows_by(build_account(evidence, sheet, counts=counts))
    assert "lines_per_kernel" not in rows
    assert {"survival", "doubling_success"} <= set(rows)


def test_without_decided_seedlings_nothing_is_corrected():
    sheet, evidence = programme(NONE, MIX)
    counts = counts_of(CountsRow(donor="D1", kernels=50, putative_haploids=5, treated=5, d1_ears=1))
    rows = rows_by(build_account(evidence, sheet, counts=counts))
    assert "putative_haploid_rate" in rows
    assert "induction_rate" not in rows
    assert "doubling_success" not in rows


def test_no_true_haploid_leaves_no_doubling():
    sheet, evidence = programme(HYB, HYB)
    counts = counts_of(CountsRow(donor="D1", kernels=50, putative_haploids=5, treated=5, d1_ears=1))
    rows = rows_by(build_account(evidence, sheet, counts=counts))
    assert rows["induction_rate"].rate == 0
    assert "doubling_success" not in rows


def test_more_ears_than_true_haploids_are_a_rate_of_one():
    sheet, evidence = programme(*[HYB] * 9, H)
    counts = counts_of(CountsRow(donor="D1", putative_haploids=10, treated=10, d1_ears=5))
    row = rows_by(build_account(evidence, sheet, counts=counts))["doubling_success"]
    assert (row.count, row.of, row.rate, row.high) == (5, pytest.approx(1), 1, 1)


def test_counts_go_to_the_groups_that_they_name():
    samples = [
        line("a", donor="D1", inducer="I"),
        line("b", donor="D2", inducer="I"),
        line("c", donor="D2", inducer="J"),
    ]
    sheet = sheet_of(*(s for s in samples), extra_columns=())
    evidence = {s.name: found(s, H) for s in samples}
    counts = counts_of(
        CountsRow(donor="D1", kernels=100, uncoloured=1, extra=(("sorter", "Ama"),)),
        CountsRow(donor="D1", kernels=100, uncoloured=3, extra=(("sorter", "Bruno"),)),
        CountsRow(donor="D2", kernels=50, uncoloured=5, extra=(("sorter", "Ama"),)),
        extra_columns=("sorter",),
    )
    rows = build_account(evidence, sheet, counts=counts)
    assert rows_by(rows)["uncoloured_kernels"].of == 250
    assert rows_by(rows, "donor", "D1")["uncoloured_kernels"].of == 200
    assert rows_by(rows, "inducer", "I")["uncoloured_kernels"].of == 200  # D2 has two inducers: not said which
    assert "uncoloured_kernels" not in rows_by(rows, "inducer", "J")


def test_counts_by_a_column_of_the_sheet():
    samples = [line(f"L{k}", extra=(("sorter", "Ama" if k % 2 else "Bruno"),)) for k in range(10)]
    sheet = sheet_of(*samples, extra_columns=("sorter",))
    evidence = {s.name: found(s, H) for s in samples}
    counts = counts_of(
        CountsRow(donor="D1", kernels=100, putative_haploids=9, extra=(("sorter", "Ama"),)),
        CountsRow(donor="D1", kernels=50, putative_haploids=6, extra=(("sorter", "Bruno"),)),
        extra_columns=("sorter",),
    )
    rows = build_account(evidence, sheet, counts=counts, by=("sorter",))
    assert rows_by(rows, "sorter", "Ama")["induction_rate"].rate == pytest.approx(0.09)
    plain = counts_of(CountsRow(donor="D1", kernels=150, putative_haploids=15))
    rows = build_account(evidence, sheet, counts=plain, by=("sorter",))
    assert "induction_rate" not in rows_by(rows, "sorter", "Ama")
    assert rows_by(rows, "donor", "D1")["induction_rate"].rate == pytest.approx(0.1)


def test_counts_of_strangers_are_refused():
    sheet, evidence = programme(H)
    counts = counts_of(CountsRow(donor="D9", inducer="K", kernels=10, row=2))
    with pytest.raises(FormatError) as error:
        build_account(evidence, sheet, counts=counts)
    assert "row 2, column donor: found D9; expected one of D1" in str(error.value)
    assert "row 2, column inducer: found K; expected one of I" in str(error.value)


def test_fewer_putative_haploids_than_seedlings_on_the_sheet_are_refused():
    sheet, evidence = programme(H, H, H)
    counts = counts_of(
        CountsRow(donor="D1", putative_haploids=1, row=2), CountsRow(donor="D1", putative_haploids=1, row=3)
    )
    with pytest.raises(FormatError, match="row 2 and 3, column putative_haploids: found 2; expected at least 3"):
        build_account(evidence, sheet, counts=counts)
    partly = counts_of(CountsRow(donor="D1", putative_haploids=1), CountsRow(donor="D1", kernels=9))
    assert build_account(evidence, sheet, counts=partly)
    other = counts_of(CountsRow(donor="D1", inducer="I", putative_haploids=3))
    assert build_account(evidence, sheet, counts=other)


# small groups


def account_row(count, of, group):
    return AccountRow(
        by="donor", group=group, measure="wrong_lines", count=count, of=of, rate=count / of, low=0, high=1
    )


def test_small_groups_shrink_toward_the_lot_and_say_so():
    rows = [account_row(2, 4, "a"), account_row(10, 100, "b"), account_row(12, 100, "c"), account_row(0, 5, "d")]
    small, large, _, none = with_shrinkage(rows, "donor")
    assert large.shrunk_rate is None
    assert not large.note
    mean = 24 / 209
    assert mean < small.shrunk_rate < 0.5
    assert 0 < none.shrunk_rate <= mean
    assert "shrunk toward the rate of all groups together (0.115)" in small.note


def test_alike_groups_shrink_all_the_way_and_unlike_ones_hardly():
    alike = with_shrinkage([account_row(1, 10, name) for name in "abcdef"], "donor")
    assert alike[0].shrunk_rate == pytest.approx(0.1)
    rows = [account_row(20, 20, "a"), account_row(0, 20, "b"), account_row(19, 20, "c"), account_row(1, 20, "d")]
    assert with_shrinkage(rows, "donor")[0].shrunk_rate > 0.9


def test_nothing_shrinks_without_groups_to_learn_from():
    few = [account_row(1, 10, "a"), account_row(2, 10, "b")]
    assert with_shrinkage(few, "donor") == few
    assert with_shrinkage(few * 2, "all") == few * 2
    none = with_shrinkage([account_row(0, 10, name) for name in "abc"], "donor")
    assert none[0].shrunk_rate == 0
    assert none[0].note.endswith("from which no group differs beyond chance")


# donors


def test_donor_rows_count_lines_once_by_family_and_stage():
    samples = [
        line("a", line="X"),
        line("b", line="X"),
        line("c"),
        line("d"),
        line("e", stage=Stage.D1),
        line("f", donor="D2"),
    ]
    evidence = {s.name: found(s, H) for s in samples} | {"c": found(samples[2], HYB)}
    evidence["e"] = found(samples[4], Finding.DOUBLED_HAPLOID)
    verdicts = {"a": Verdict.PASS, "b": Verdict.RETEST, "c": Verdict.FAIL, "d": Verdict.PASS, "e": Verdict.PASS}
    panel = FamilyPanel(
        diagnostic_markers=50, segregating_markers=90, smallest_visible_segment_cm=12.5, basis="both typed"
    )
    rows = donor_rows(
        evidence, sheet_of(*samples), verdicts, panels={Family(donor="D1", inducer="I"): panel}, advice={"D1": "Go on."}
    )
    assert [(r.donor, r.stage, r.lines, r.passed, r.failed, r.retest) for r in rows] == [
        ("D1", "haploid", 3, 2, 1, 0),
        ("D1", "D1", 1, 1, 0, 0),
        ("D2", "haploid", 1, 0, 0, 1),
    ]
    assert rows[0].wrong_share == pytest.approx(1 / 3)
    assert rows[0].hybrid_share_low < 1 / 3 < rows[0].hybrid_share_high
    assert (rows[0].diagnostic_markers, rows[0].advice, rows[2].diagnostic_markers) == (50, "Go on.", None)


def test_a_family_without_a_decided_line_has_no_share():
    sheet, evidence = programme(NONE)
    (row,) = donor_rows(evidence, sheet, {}, panels={}, advice={})
    assert (row.retest, row.wrong_share, row.hybrid_share_low) == (1, None, None)


# advice


def many(donor, n, n_hybrids, *, stage=Stage.HAPLOID, sorter="Ama"):
    samples = [
        line(f"{donor}-{sorter}-{stage}-{k}", donor=donor, stage=stage, extra=(("sorter", sorter),)) for k in range(n)
    ]
    clean = Finding.DOUBLED_HAPLOID if stage is Stage.D1 else H
    return samples, {s.name: found(s, HYB if k < n_hybrids else clean) for k, s in enumerate(samples)}


def joined(*parts):
    samples = [s for part in parts for s in part[0]]
    return sheet_of(*samples, extra_columns=("sorter",)), {k: v for part in parts for k, v in part[1].items()}


def test_a_donor_with_hybrids_beyond_chance_is_named():
    sheet, evidence = joined(many("D1", 60, 20), many("D2", 60, 3), many("D3", 60, 4), many("D4", 4, 1))
    words = advise(evidence, sheet).donors
    assert words["D1"].startswith("Genotype all haploids of this donor: 20 of 60 (33.3 %")
    assert "after Holm's correction for 4 donors" in words["D1"]
    assert words["D2"].startswith("No worse than the other donors: 3 of 60")
    assert words["D4"].startswith("Too few lines to tell")


def test_a_donor_alone_is_held_against_what_sorting_is_worth():
    sheet, evidence = joined(many("D1", 80, 40))
    words = advise(evidence, sheet).donors["D1"]
    assert "Genotype all haploids" in words
    assert "Do not rely on the colour marker" in words
    assert "Holm" not in words


def test_a_colour_inhibitor_is_named():
    sheet, evidence = joined(many("D1", 20, 2), many("D2", 20, 2))
    counts = counts_of(
        CountsRow(donor="D1", kernels=300, uncoloured=60),
        CountsRow(donor="D1", kernels=100, uncoloured=25),
        CountsRow(donor="D2", kernels=400, uncoloured=8),
        CountsRow(donor="D2", uncoloured=8),
    )
    words = advise(evidence, sheet, counts=counts).donors
    assert words["D1"].startswith("Do not use the colour marker with this donor: 85 of 400 (21.2 %")
    assert "colour marker" not in words["D2"]


def test_later_stages_are_looked_at_too():
    sheet, evidence = joined(many("D1", 50, 15, stage=Stage.D1), many("D2", 50, 1, stage=Stage.D1))
    words = advise(evidence, sheet).donors
    assert words["D1"].startswith("Genotype all lines of this donor: 15 of 50")
    assert words["D2"] == (
        "No worse than the other donors: 1 of 50 (2.0 %, 95 % interval 0.2 % to 9.0 %) lines are wrong."
        " Of those sent on without genotyping, about 1 in 50 will be wrong."
    )


def test_nothing_decided_nothing_said():
    sheet, evidence = programme(NONE)
    assert advise(evidence, sheet).donors["D1"].startswith("No line of this donor could be decided")


def test_advice_says_what_a_rate_means_where_no_donor_stands_out():
    sheet, evidence = joined(many("D1", 40, 10), many("D2", 40, 9), many("D3", 40, 0))
    words = advise(evidence, sheet).donors
    assert words["D1"].startswith("No worse than the other donors: 10 of 40 (25.0 %")
    assert words["D1"].endswith(
        "Genotype all before they are sent on: about 1 in 4 of those that are not genotyped will be a hybrid."
    )
    assert "Of those sent on without genotyping, at most about 1 in " in words["D3"]
    sheet, evidence = joined(many("D1", 40, 1))
    assert advise(evidence, sheet).donors["D1"].startswith("No other donor to compare with: 1 of 40")


@pytest.mark.parametrize("flag", [Flag.TURNED_PLATE, Flag.REFERENCE_IN_DOUBT])
def test_lines_on_moved_plates_or_with_a_reference_in_doubt_give_no_advice(flag):
    sheet, evidence = joined(many("D1", 60, 20), many("D2", 60, 3))
    doubtful = {n: replace(e, flags=frozenset({flag})) if e.sample.donor == "D1" else e for n, e in evidence.items()}
    words = advise(doubtful, sheet).donors
    assert words["D1"].startswith("Nothing can be said of this donor until the layout of its plates")
    assert words["D2"].startswith("No other donor to compare with: 3 of 60")
    counts = counts_of(
        CountsRow(donor="D1", kernels=300, uncoloured=60), CountsRow(donor="D2", kernels=300, uncoloured=6)
    )
    assert advise(doubtful, sheet, counts=counts).donors["D1"].startswith("Do not use the colour marker")


def test_a_sorter_is_compared_within_donors():
    parts = [
        many("D1", 40, 12, sorter="Ama"),
        many("D1", 80, 6, sorter="Bruno"),
        many("D2", 40, 11, sorter="Ama"),
        many("D2", 80, 8, sorter="Bruno"),
    ]
    sheet, evidence = joined(*parts)
    (text,) = advise(evidence, sheet, by=("sorter",)).groups
    assert text.startswith("sorter Ama lets through 3.3 times the hybrids of the others (95 % interval 1.8 to 6.0)")
    assert "23 of 80" in text


def test_a_sorter_is_not_blamed_for_a_difficult_donor():
    parts = [
        many("D1", 90, 45, sorter="Ama"),
        many("D1", 10, 5, sorter="Bruno"),
        many("D2", 10, 0, sorter="Ama"),
        many("D2", 90, 3, sorter="Bruno"),
    ]
    sheet, evidence = joined(*parts)
    assert not advise(evidence, sheet, by=("sorter", "donor")).groups


def test_a_sorter_where_the_others_let_through_none():
    unsorted = many("D1", 10, 9, sorter="")
    sheet, evidence = joined(many("D1", 40, 12, sorter="Ama"), many("D1", 80, 0, sorter="Bruno"), unsorted)
    (text,) = advise(evidence, sheet, by=("sorter",)).groups
    assert "hybrids where the others let through none" in text


# the tests behind the advice


def test_fishers_tea_tasting():
    """Fisher 1935, The Design of Experiments: 3 of 4 cups right has probability 17/70."""
    assert excess_probability([Stratum(count=3, of=4, others_count=1, others_of=4)]) == pytest.approx(17 / 70)


def test_strata_that_say_nothing_change_nothing():
    empty = Stratum(count=0, of=0, others_count=0, others_of=0)
    alone = Stratum(count=3, of=4, others_count=0, others_of=0)
    table = Stratum(count=3, of=4, others_count=1, others_of=4)
    assert excess_probability([table, empty]) == pytest.approx(17 / 70)
    assert rate_ratio([table, empty, alone]) == rate_ratio([table])
    assert rate_ratio([alone]) is None


def test_holm_never_falls_below_the_plain_probability_and_keeps_the_order():
    plain = [0.001, 0.5, 0.02, 0.02]
    corrected = holm(plain)
    assert corrected == pytest.approx([0.004, 0.5, 0.06, 0.06])
    assert holm([]) == []


def test_segment_lines_are_counted_only_where_a_segment_could_be_seen():
    blind = replace(MEASURES_OF_A_LINE, diagnostic_markers=0)
    samples = [line(f"L{k}") for k in range(6)]
    evidence = {s.name: found(s, Finding.HAPLOID) for s in samples[:4]}
    evidence |= {s.name: found(s, Finding.HAPLOID, measures=blind) for s in samples[4:]}
    evidence["L0"] = found(samples[0], Finding.HAPLOID, segments=(SEGMENT,))
    rows = {row.measure: row for row in build_account(evidence, sheet_of(*samples)) if row.by == "all"}
    assert (rows["inducer_segment_lines"].count, rows["inducer_segment_lines"].of) == (1, 4)
    none = {s.name: found(s, Finding.HAPLOID, measures=blind) for s in samples}
    assert "inducer_segment_lines" not in {row.measure for row in build_account(none, sheet_of(*samples))}


def test_a_haploid_under_a_wrong_label_is_still_induced():
    samples = [line(f"L{k}") for k in range(40)]
    findings = [Finding.HYBRID] * 10 + [Finding.OTHER_DONOR] * 6 + [Finding.HAPLOID] * 24
    evidence = {s.name: found(s, finding) for s, finding in zip(samples, findings, strict=True)}
    counts = counts_of(CountsRow(donor="D1", kernels=1000, putative_haploids=100))
    rows = {r.measure: r for r in build_account(evidence, sheet_of(*samples), counts=counts) if r.by == "all"}
    assert rows["wrong_lines"].rate == pytest.approx(16 / 40)
    assert rows["induction_rate"].rate == pytest.approx(0.1 * 30 / 40)
    assert rows["induction_rate"].low < 0.075 < rows["induction_rate"].high


def test_a_donor_weighs_as_much_as_was_counted_of_it():
    """900 putative haploids of a donor of which all are, 100 of one of which none is: 900 of 10,000 kernels."""
    samples = [line(f"A{k}", donor="A") for k in range(10)] + [line(f"B{k}", donor="B") for k in range(30)]
    evidence = {s.name: found(s, Finding.HAPLOID if s.donor == "A" else Finding.HYBRID) for s in samples}
    counts = counts_of(
        CountsRow(donor="A", kernels=9000, putative_haploids=900, treated=50, d1_ears=9),
        CountsRow(donor="B", kernels=1000, putative_haploids=100, treated=50, d1_ears=1),
    )
    rows = {r.measure: r for r in build_account(evidence, sheet_of(*samples), counts=counts) if r.by == "all"}
    assert rows["induction_rate"].rate == pytest.approx(0.09)
    assert rows["induction_rate"].low < 0.09 < rows["induction_rate"].high
    assert rows["doubling_success"].rate == pytest.approx(10 / (100 * 0.5))


def test_weighted_lines_keep_their_mean_and_are_worth_what_kish_says():
    rng = np.random.default_rng(3)
    for _ in range(20):
        p, weight = rng.beta(0.3, 0.3, 400), rng.gamma(1.0, 1.0, 400)
        spread = weighted_lines(p, weight)
        assert len(spread) == round(weight.sum() ** 2 / (weight**2).sum())
        assert spread.mean() == pytest.approx(weight @ p / weight.sum(), abs=0.01)
        assert set(spread) <= set(p)
    assert weighted_lines(p, np.full(400, 3.0)) is p
