"""Published populations that are no DH lines: each must fail, and for the right reason."""

from __future__ import annotations

from types import MappingProxyType

import pandas as pd
import pytest


def named(lines: pd.DataFrame) -> dict:
    return lines.groupby(["verdict", "finding"]).size().to_dict()


OVER = {"Z002": 28, "Z006": 12, "Z008": 29, "Z010": 24, "Z016": 28}
"""Recombinant inbreds, of 100 a cross, heterozygous at more than 5 % of the SNPs where their parents differ."""
MALES = {"Z002": "CML103", "Z006": "CML322", "Z008": "CML52", "Z010": "Hp301", "Z016": "M37W"}


@pytest.fixture(scope="module")
def plain(open_data) -> pd.Series:
    """Het of each recombinant inbred at SNPs where its parents are fixed and differ, by counting letters."""
    table = pd.read_csv(open_data / "maize_usnam_ril.csv.gz", index_col=0, dtype=str)
    shares = []
    for cross, male in MALES.items():
        both = table.loc[["B73", male]]
        is_fixed = both.apply(lambda call: call.str[0] == call.str[1]).all()
        differs = is_fixed & (both.iloc[0] != both.iloc[1])
        calls = table.loc[table.index.str.startswith(cross), differs]
        is_het = calls.apply(lambda column: column.str[0] != column.str[1]).astype(float).where(calls.notna())
        shares.append(is_het.mean(axis=1))
    return pd.concat(shares)


def exceptions(lines: pd.DataFrame, verdict: str, finding: str) -> dict[tuple[str, str], set[str]]:
    """Names of the samples that have another verdict or finding, by both."""
    other = lines[(lines.verdict != verdict) | (lines.finding != finding)]
    return {key: set(names) for key, names in other.groupby(["verdict", "finding"])["sample"]}


class TestBackcross:
    """326 barley BC1 plants, 3,023 markers, A or H.

    Taylor & Butler 2017, J Stat Softw 79(6):1-29. Heterozygosity .469 on average, .156 to .789. BC280 is 99.7 %
    missing. A BC1 plant is a gamete of the donor with pollen of an inbred that is not the inducer.
    """

    COPIES = frozenset(
        frozenset(f"BC{name}" for name in group.split("+"))
        for group in (
            *("039+052+168", "060+067", "086+135", "093+099", "117+120", "126+129", "138+204", "141+147"),
            *("144+193", "161+162", "190+205", "285+286", "314+325"),
        )
    )

    def test_heterozygosity_is_as_measured(self, backcross_check):
        lines = backcross_check.lines
        assert len(lines) == 326
        assert lines.heterozygosity.mean() == pytest.approx(0.469, abs=0.001)
        assert lines.heterozygosity.min() == pytest.approx(0.156, abs=0.001)
        assert lines.heterozygosity.max() == pytest.approx(0.789, abs=0.001)
        assert (1 - lines.call_rate > 0.2).sum() == 15

    def test_no_plant_passes(self, backcross_check):
        assert not (backcross_check.lines.verdict == "pass").any(), named(backcross_check.lines)

    def test_an_empty_sample_is_to_be_tested_again(self, backcross_check):
        lines = backcross_check.lines.set_index("sample")
        assert lines.loc["BC280", "verdict"] == "retest"
        assert lines.loc["BC280", "finding"] == "unresolved"
        assert "low call rate" in lines.loc["BC280", "flags"]

    OTHERWISE = MappingProxyType(
        {
            ("retest", "hybrid"): {"BC281"},
            ("retest", "mixture"): {"BC025", "BC238", "BC303"},
            ("retest", "unresolved"): {"BC280"},
        }
    )
    """Plants that are no failed outcross: BC280 and BC281 are empty, the others unsurely told apart."""

    def test_every_other_plant_fails_as_an_outcross(self, backcross_check):
        assert exceptions(backcross_check.lines, "fail", "outcross") == self.OTHERWISE

    def test_all_that_are_something_else_are_unsure_of_it(self, backcross_check):
        lines = backcross_check.lines
        others = lines[~lines.finding.isin(["outcross", "unresolved"])].set_index("sample")
        assert others.confidence.max() < 0.7, others.confidence.nlargest(3).to_dict()

    def test_the_reason_is_pollen_of_another_plant(self, backcross_check):
        lines = backcross_check.lines
        failed = lines[lines.verdict == "fail"]
        assert failed["flags"].str.contains("heterozygosity").all()

    def test_the_published_copies_are_found(self, backcross_check):
        rows = backcross_check.lines[backcross_check.lines.duplicate_group.fillna("") != ""]
        groups = {frozenset(group) for _, group in rows.groupby("duplicate_group")["sample"]}
        assert groups == self.COPIES, f"{len(groups)} groups, {len(self.COPIES)} published"


class TestMouse:
    """120 F2 mice, 131 markers: Boyartchuk et al. 2001, Nat Genet 27:259-260. Het .495 (.30 to .70)."""

    def test_heterozygosity_is_as_measured(self, mouse_check):
        lines = mouse_check.lines
        assert len(lines) == 120
        assert lines.heterozygosity.mean() == pytest.approx(0.495, abs=0.003)
        assert lines.heterozygosity.min() == pytest.approx(0.30, abs=0.01)
        assert lines.heterozygosity.max() == pytest.approx(0.70, abs=0.01)

    def test_every_animal_is_selfed_progeny(self, mouse_check):
        assert named(mouse_check.lines) == {("fail", "selfed donor"): 120}


class TestSimulatedF2:
    """300 simulated F2 plants, 100 markers: Broman 2010, tech. report 214, Univ. Wisconsin-Madison. Het .481."""

    COPIES = frozenset(map(frozenset, (("id219", "id221"), ("id244", "id294"), ("id147", "id298"))))

    def test_heterozygosity_is_as_measured(self, mapthis_check):
        lines = mapthis_check.lines
        assert len(lines) == 300
        assert lines.heterozygosity.mean() == pytest.approx(0.481, abs=0.003)
        assert (1 - lines.call_rate > 0.2).sum() == 6

    OTHERWISE = MappingProxyType(
        {("fail", "hybrid"): {"id43", "id46", "id85", "id240"}},
    )
    """Without a map and with an inducer that nobody typed, these look like a hybrid by chance."""

    def test_every_plant_fails_and_all_but_four_as_selfed_progeny(self, mapthis_check):
        assert exceptions(mapthis_check.lines, "fail", "selfed donor") == self.OTHERWISE

    def test_the_four_are_unsure(self, mapthis_check):
        others = mapthis_check.lines[mapthis_check.lines.finding != "selfed donor"].set_index("sample")
        assert others.confidence.max() < 0.9, others.confidence.to_dict()

    def test_the_published_pairs_are_found(self, mapthis_check):
        rows = mapthis_check.identity[mapthis_check.identity.same_genotype == "yes"]
        pairs = {frozenset(pair) for pair in zip(rows["sample"], rows.other_sample, strict=True)}
        assert pairs == self.COPIES, sorted(map(sorted, pairs))
        agreement = {
            frozenset(pair): value for *pair, value in rows[["sample", "other_sample", "agreement"]].to_numpy()
        }
        measured = {"id219": 0.979, "id244": 0.979, "id147": 0.967}
        for pair, value in agreement.items():
            assert value == pytest.approx(measured[min(pair)], abs=0.003)


class TestRecombinantInbreds:
    """500 maize recombinant inbreds of five crosses with B73, 102 SNPs on two chromosomes.

    McMullen et al. 2009, Science 325:737-740. Het at polymorphic SNPs .024 to .039 a cross, highest line .288
    (Z002E0166); 28, 12, 29, 24 and 28 of 100 lines over 5 %. Two calls fit neither parent: residual heterozygosity, not
    contamination.
    """

    def test_heterozygosity_is_as_measured(self, ril_check, plain):
        over = plain[plain > 0.05]
        assert over.groupby(over.index.str[:4]).size().to_dict() == OVER
        found = ril_check.lines.set_index("sample").heterozygosity_segregating.astype(float)
        assert found.idxmax() == "Z002E0166"
        assert found.max() == pytest.approx(0.288, abs=0.01)
        assert (found - plain).abs().max() < 0.06, "a few SNPs are set aside"

    def test_every_line_with_residual_heterozygosity_fails_as_selfed_donor_but_one(self, ril_check, plain):
        """Z008E0077 is over 5 % at all SNPs where its parents differ, under it at those not set aside."""
        over = plain.index[plain > 0.05]
        assert len(over) == 121
        lines = ril_check.lines[ril_check.lines["sample"].isin(over)]
        assert exceptions(lines, "fail", "selfed donor") == {("retest", "selfed donor"): {"Z008E0077"}}

    def test_the_others_are_in_doubt_but_five(self, ril_check, plain):
        """The panel is small and shows no inducer: hardly a line without a het call is surely clean."""
        lines = ril_check.lines[ril_check.lines["sample"].isin(plain.index[plain <= 0.05])]
        passed = {"Z002E0002", "Z002E0103", "Z002E0170", "Z010E0029", "Z016E0200"}
        assert set(lines["sample"][lines.verdict == "pass"]) == passed
        assert named(lines) == {
            ("fail", "selfed donor"): 140,
            ("pass", "doubled haploid"): 5,
            ("retest", "doubled haploid"): 133,
            ("retest", "selfed donor"): 101,
        }

    def test_it_is_no_contamination(self, ril_check):
        lines = ril_check.lines
        assert set(lines.finding) <= {"selfed donor", "doubled haploid"}, named(lines)
        assert (lines.foreign_share.fillna(0) < 0.01).all(), lines.foreign_share.max()
        assert not lines["flags"].fillna("").str.contains("foreign alleles|inducer alleles|mixture").any()

    def test_no_line_without_a_het_call_fails(self, ril_check):
        lines = ril_check.lines[ril_check.lines.heterozygosity == 0]
        assert len(lines) > 100
        assert not (lines.verdict == "fail").any(), named(lines)

    def test_two_chromosomes_are_too_few_to_call_copies(self, ril_check):
        """Identities up to .958 on 71 SNPs are ordinary."""
        assert not (ril_check.identity.same_genotype == "yes").any()
        assert not ril_check.lines["flags"].fillna("").str.contains("duplicate").any()


class TestVcfPopulations:
    """Simulated F2, backcross and inbred progeny as VCF, with reads (onemap 3.2.2, inst/extdata).

    Het of the called: .4705, .4919, .4911 in the F2, backcross and F2 with typed F1; 0 of 2,213 in the inbreds.
    """

    @pytest.mark.parametrize(
        ("name", "progeny", "n_lines"),
        [
            ("onemap_vcf_example_f2.vcf.gz", "IND", 192),
            ("onemap_vcf_example_bc.vcf.gz", "ID", 142),
            ("onemap_simu_cod_f2.vcf.gz", "F2_", 200),
        ],
    )
    def test_no_plant_of_a_crossed_population_passes(self, vcf_population, name, progeny, n_lines):
        lines = vcf_population(name, progeny).lines
        assert len(lines) == n_lines
        passed = lines[lines.verdict == "pass"]
        assert passed.empty, passed[["sample", "finding", "heterozygosity"]].to_string()

    def test_no_inbred_fails(self, vcf_population):
        lines = vcf_population("onemap_vcf_example_riself.vcf.gz", "ID").lines.set_index("sample")
        assert len(lines) == 92
        assert lines.heterozygosity.max() == 0
        failed = lines[lines.verdict == "fail"]
        assert failed.empty, failed[["finding", "confidence", "called_markers", "reasons"]].to_dict("index")
        assert set(lines.finding) == {"doubled haploid", "unresolved"}, named(lines)
        odd = {"ID12", "ID47", "ID62"}
        assert {"ID12", "ID47"} <= set(lines.index[lines.finding == "unresolved"]) <= odd, "25 markers are called"
        assert (lines.loc[sorted(odd), "verdict"] == "retest").all()
