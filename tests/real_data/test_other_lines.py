"""Other published DH lines: barley, wheat, and maize at 100 SNPs."""

from __future__ import annotations

import pytest


class TestSteptoeMorex:
    """150 barley DH lines, 223 RFLP markers.

    Hayes et al. 1993, Theor Appl Genet 87:392-401. Heterozygosity 0, missing 4.0 %; SM160 and SM161 agree at .990 (2 of
    200 differ), the next pair at .829.
    """

    def test_every_line_is_a_doubled_haploid(self, steptoe_morex_check):
        lines = steptoe_morex_check.lines
        assert lines.finding.value_counts().to_dict() == {"doubled haploid": 150}
        assert lines.heterozygosity.max() == 0
        assert 1 - lines.call_rate.mean() == pytest.approx(0.040, abs=0.001)

    def test_the_near_copy_is_held_back_and_all_others_pass(self, steptoe_morex_check):
        lines = steptoe_morex_check.lines.set_index("sample")
        held = lines[lines.verdict != "pass"]
        assert set(held.index) == {"SM160", "SM161"}, held["flags"].to_dict()
        assert set(held.verdict) == {"retest"}
        row = steptoe_morex_check.identity.iloc[0]
        assert len(steptoe_morex_check.identity) == 1
        assert {row["sample"], row.other_sample} == {"SM160", "SM161"}
        assert row.agreement == pytest.approx(0.990, abs=0.0005)
        assert row.compared_markers == 200

    def test_shares_of_both_parents_add_to_one(self, steptoe_morex_check):
        shares = steptoe_morex_check.lines.parent_shares.str.extract(r"First=(.+);Second=(.+)").astype(float)
        assert (shares.sum(axis=1) - 1).abs().max() < 0.005
        assert shares[0].mean() == pytest.approx(0.5, abs=0.05)


class TestWheat:
    """218 wheat DH lines, 599 markers.

    Taylor & Butler 2017, J Stat Softw 79(6):1-29, which names the five groups of copies. Heterozygosity 0, missing
    .23 %; the next pair agrees at .766.
    """

    COPIES = frozenset(
        frozenset(pair.split("=")) for pair in ("DH24=DH40", "DH53=DH59", "DH60=DH65", "DH139=DH143", "DH169=DH186")
    )

    def test_every_line_is_a_doubled_haploid(self, wheat_check):
        lines = wheat_check.lines
        assert lines.finding.value_counts().to_dict() == {"doubled haploid": 218}
        assert lines.heterozygosity.max() == 0
        assert 1 - lines.call_rate.mean() == pytest.approx(0.0023, abs=0.0001)

    def test_the_published_copies_are_held_back_and_all_others_pass(self, wheat_check):
        lines = wheat_check.lines.set_index("sample")
        held = lines[lines.verdict != "pass"]
        assert set(held.index) == frozenset().union(*self.COPIES), held["flags"].to_dict()
        assert held["flags"].str.contains("duplicate").all()
        pairs = zip(wheat_check.identity["sample"], wheat_check.identity.other_sample, strict=True)
        assert {frozenset(pair) for pair in pairs} == self.COPIES
        assert (wheat_check.identity.agreement == 1).all()


class TestFlint:
    """483 maize DH lines of five crosses with UH007 at 100 SNPs of two chromosomes.

    Bauer et al. 2013, Genome Biol 14:R103; Lehermeier et al. 2014, Genetics 198:3-16; Giraud et al. 2014, Genetics
    198:1717-1734. 79 het calls in all (.16 %): 417 lines with none, 56 with one, 9 with two, CFF03-074 with five,
    side by side on chromosome 5. Two SNPs carry 15 of them each, one 11.
    """

    FAULTY = frozenset({"PZE.105024579", "PZE.105047218", "PZE.106033543"})

    def test_the_three_bad_snps_are_set_aside(self, flint_check):
        aside = flint_check.markers[flint_check.markers.usable == "no"].set_index("marker")
        assert set(aside.index) == self.FAULTY, aside.reason.to_dict()
        assert aside.reason.str.contains("heterozygous").all()

    def test_only_one_line_is_flagged(self, flint_check):
        """Its five het calls are one stretch: 5 of 97 called, over the limit of 5 %."""
        lines = flint_check.lines.set_index("sample")
        flagged = lines[lines["flags"].fillna("").str.replace("few diagnostic markers", "") != ""]
        assert set(flagged.index) == {"CFF03-074"}, f"{len(flagged)} of 483: {flagged['flags'].to_dict()}"

    def test_only_that_line_is_held_back(self, flint_check):
        lines = flint_check.lines.set_index("sample")
        held = lines[lines.verdict != "pass"]
        told = lines.loc["CFF03-074", ["verdict", "finding", "confidence", "heterozygosity", "flags"]].to_dict()
        assert set(held.index) == {"CFF03-074"}, f"{len(held)} of 483 held back; CFF03-074: {told}"

    def test_every_other_line_is_a_doubled_haploid(self, flint_check):
        others = flint_check.lines.set_index("sample").drop(index="CFF03-074")
        assert others.finding.value_counts().to_dict() == {"doubled haploid": 482}
        assert set(others.verdict) == {"pass"}

    def test_two_chromosomes_are_too_few_to_call_copies(self, flint_check):
        assert not (flint_check.identity.same_genotype == "yes").any()
