"""Maize DH lines of F353 x B73, D06, EC169, F252 and Mo17: 378 lines, 1,937 SNPs.

Sources of the lines: Giraud et al. 2014, Genetics 198:1717-1734; Bauer et al. 2013, Genome Biol 14:R103. The counts
below were measured on the same files by a plain reader that shares no code with this package.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

N_LINES = {"B73": 64, "D06": 99, "EC169": 66, "F252": 96, "Mo17": 53}
POLYMORPHIC = {"B73": 800, "D06": 731, "EC169": 762, "F252": 742, "Mo17": 792}
COPIES = {
    frozenset(pair)
    for pair in (
        ("CFD03-311", "CFD03-326"),
        ("CFD05-307", "CFD05-313"),
        ("CFD06-302", "CFD06-331"),
        ("CFD06-320", "CFD06-337"),
    )
}
COPIED = frozenset().union(*COPIES)
FAULTY = {"PZE.101232381": 13, "PZE.103123072": 26}
"""SNPs where that many lines of F353 x F252 show an allele that neither parent has."""


@pytest.fixture(params=["parents typed", "no parent typed"])
def lines(request):
    fixture = "maize_check" if request.param == "parents typed" else "maize_check_without_parents"
    return request.getfixturevalue(fixture).lines.set_index("sample")


@pytest.fixture(params=["parents typed", "no parent typed"])
def result(request):
    fixture = "maize_check" if request.param == "parents typed" else "maize_check_without_parents"
    return request.getfixturevalue(fixture)


def test_every_line_is_a_doubled_haploid(lines):
    found = lines.finding.value_counts().to_dict()
    assert found == {"doubled haploid": sum(N_LINES.values())}, f"378 expected, found {found}"
    assert lines.heterozygosity.max() == 0
    assert lines.call_rate.min() > 0.96, f"lowest call rate {lines.call_rate.min()}"


def test_every_line_passes_but_the_copies(lines):
    held = lines[lines.verdict != "pass"]
    told = held[["verdict", "finding", "flags"]].to_string()
    assert set(held.index) == COPIED, f"held back: {told}"
    assert set(held.verdict) == {"retest"}
    assert held["flags"].str.contains("duplicate").all(), told
    assert not lines.drop(index=list(COPIED))["flags"].str.contains("duplicate").any()


def test_exactly_the_four_pairs_are_one_genotype(result):
    rows = result.identity[result.identity.same_genotype == "yes"]
    pairs = {frozenset(pair) for pair in zip(rows["sample"], rows.other_sample, strict=True)}
    assert pairs == COPIES, f"{len(pairs)} pairs, 4 expected: {sorted(map(sorted, pairs))}"
    assert (rows.agreement == 1).all(), "all calls of the four pairs are equal"
    groups = result.lines[result.lines.duplicate_group.fillna("") != ""].groupby("duplicate_group")["sample"]
    assert {frozenset(group) for _, group in groups} == COPIES


def test_every_line_belongs_to_its_own_cross(lines):
    """Own cross: at most 0.75 % of calls fit neither parent; any other cross: at least 2.5 %."""
    elsewhere = lines[lines.best_donor != lines.donor]
    assert elsewhere.empty, f"{len(elsewhere)} of 378 in another cross: {elsewhere.best_donor.to_dict()}"
    assert lines.donor.value_counts().to_dict() == {f"F353/{male}": n for male, n in N_LINES.items()}


def test_the_two_faulty_snps_are_set_aside_with_a_reason(maize_check):
    aside = maize_check.markers[maize_check.markers.usable == "no"].set_index("marker")
    assert set(aside.index) == set(FAULTY), f"set aside: {aside.reason.to_dict()}"
    assert aside.reason.str.contains("F252").all(), aside.reason.to_dict()


def test_the_lines_at_the_faulty_snps_are_unharmed(maize, maize_check):
    """13 and 26 lines, one SNP a line; parents carry the allele that they do not show."""
    own, common, male = maize.lines("F252"), maize.common.iloc[0], maize.male("F252").iloc[0]
    harmed = {}
    for snp, n in FAULTY.items():
        assert common[snp] == male[snp]
        carriers = own.index[own[snp].notna() & (own[snp] != common[snp])]
        assert len(carriers) == n
        harmed.update(dict.fromkeys(carriers, snp))
    assert len(harmed) == sum(FAULTY.values())
    lines = maize_check.lines.set_index("sample").loc[sorted(set(harmed) - COPIED)]
    assert set(lines.verdict) == {"pass"}, lines.verdict.value_counts().to_dict()
    assert (lines.foreign_share.dropna() == 0).all()


def test_parents_agree_with_their_lines(maize_check):
    references = maize_check.references.set_index("sample")
    assert set(references.index) == {"F353", *N_LINES}
    assert set(references.agrees) == {"yes"}, references.reason.to_dict()
    assert references.heterozygosity.max() == 0


@pytest.mark.parametrize("male", POLYMORPHIC)
def test_segregating_markers_are_the_polymorphic_snps(maize, maize_check, male):
    """Every SNP where two typed parents differ segregates, but those set aside."""
    common, other = maize.common.iloc[0], maize.male(male).iloc[0]
    polymorphic = set(common.index[common != other])
    assert len(polymorphic) == POLYMORPHIC[male]
    usable = polymorphic - set(maize_check.markers.marker[maize_check.markers.usable == "no"])
    found = maize_check.donors.set_index("donor").segregating_markers[f"F353/{male}"]
    assert found == len(usable), f"{male}: {found} segregating, {len(usable)} usable SNPs differ between the parents"


def test_no_parent_share_from_019_to_076_fails_a_line(maize, maize_check):
    """Measured range of the share of one parent, .19 to .76, over all polymorphic SNPs."""
    rows = maize_check.lines.set_index("sample")
    shares = rows.parent_shares.map(lambda text: dict(part.rsplit("=", 1) for part in text.split(";")))
    of_common = shares.map(lambda share: float(share["F353"]))
    plain = pd.concat([_plain_share(maize, male) for male in POLYMORPHIC])
    assert plain.min() == pytest.approx(0.19, abs=0.05)
    assert plain.max() == pytest.approx(0.76, abs=0.05)
    assert np.abs(of_common - plain.loc[of_common.index]).max() < 0.2, "weighted by cM, not by SNPs"
    assert np.corrcoef(of_common, plain.loc[of_common.index])[0, 1] > 0.9
    extreme = of_common[(of_common < 0.3) | (of_common > 0.7)].index
    assert len(extreme) > 10
    assert set(rows.loc[extreme].verdict) <= {"pass", "retest"}
    assert set(rows.loc[extreme].finding) == {"doubled haploid"}


def _plain_share(maize, male):
    """Share of calls of the common parent over polymorphic SNPs."""
    common, other = maize.common.iloc[0], maize.male(male).iloc[0]
    calls = maize.lines(male).loc[:, common != other]
    return (calls == common[calls.columns]).sum(axis=1) / calls.notna().sum(axis=1)


def test_the_map_is_the_one_given(maize, maize_check):
    """A map of about 13.4 Morgan by crossovers a line; the file's own map places every SNP."""
    given = pd.read_csv(maize.genetic_map, index_col="marker")
    markers = maize_check.markers.set_index("marker")
    assert "maize_eunam_dent_map.csv" in maize_check.outcome.map_description
    assert np.allclose(markers.cm, given.cM.loc[markers.index])
    assert (markers.chrom == given.chr.loc[markers.index].astype(str)).all()


def test_a_lot_without_inducer_says_that_segments_could_not_be_looked_for(lines):
    passed = lines[lines.verdict == "pass"]
    assert passed.reasons.str.contains("inducer segments could not be looked for").all()


def test_hardly_a_wrong_pass_is_expected(result):
    assert result.outcome.expected_wrong_passes < 1
    assert result.outcome.expected_wrong_fails == 0
