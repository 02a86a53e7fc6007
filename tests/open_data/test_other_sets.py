"""Populations that must pass, and populations that must fail, as DH lines; sources beside each."""

from __future__ import annotations

from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import pandas as pd
import pytest

spec = spec_from_file_location("open_data_conftest", Path(__file__).with_name("conftest.py"))
data = module_from_spec(spec)
spec.loader.exec_module(data)

HERE = Path(__file__).parents[1] / "data"


def with_parents(folder, table, stage="D1", cm=None):
    """Lines in letters of two parents: A the first parent, B the second."""
    sheet = [
        {"sample": "First", "role": "parent"},
        {"sample": "Second", "role": "parent"},
        {"sample": "Cross", "role": "donor", "pedigree": "First/Second"},
        *data.lines(table.index, "Cross", stage),
    ]
    return data.checked(folder, table, sheet, cm, coding="parents")


def test_steptoe_x_morex_dh_lines(tmp_path):
    """Hayes et al. 1993, Theor Appl Genet 87:392-401: het 0, missing 4 %, one near-copy SM160/SM161."""
    table = pd.read_csv(HERE / "barley_steptoe_morex_rflp_dh.csv.gz", index_col=0, dtype=str)
    cm = pd.read_csv(HERE / "barley_steptoe_morex_rflp_map.csv").rename(columns={"group": "chrom", "cM": "cm"})
    lines = with_parents(tmp_path, table, cm=cm).lines.set_index("sample")
    assert set(lines.finding) == {"doubled haploid"}
    assert set(lines.index[lines.verdict != "pass"]) == {"SM160", "SM161"}


def test_wheat_dh_lines(tmp_path):
    """Taylor & Butler 2017, J Stat Softw 79(6):1-29: five groups of copies, every line homozygous."""
    table = pd.read_csv(data.open_data() / "wheat_mapDH_dh.csv.gz", index_col=0, dtype=str)
    cm = pd.read_csv(data.open_data() / "wheat_mapDH_map.csv").rename(columns={"group": "chrom", "cM": "cm"})
    lines = with_parents(tmp_path, table, cm=cm).lines.set_index("sample")
    copies = ["DH24", "DH40", "DH53", "DH59", "DH60", "DH65", "DH139", "DH143", "DH169", "DH186"]
    assert set(lines.finding) == {"doubled haploid"}
    assert set(lines.index[lines.verdict != "pass"]) == set(copies)


def test_barley_backcross_plants_are_no_lines(tmp_path):
    """Taylor & Butler 2017: het mean .469; BC280 is 99.7 % missing."""
    table = pd.read_csv(data.open_data() / "barley_mapBCu_backcross.csv.gz", index_col=0, dtype=str)
    lines = with_parents(tmp_path, table).lines.set_index("sample")
    assert not (lines.verdict == "pass").any()
    assert lines.loc["BC280", "verdict"] == "retest"
    assert (lines.verdict == "fail").mean() > 0.85
    assert lines[lines.verdict == "fail"].heterozygosity.min() > 0.1


def test_mouse_f2_is_selfed(tmp_path):
    """Boyartchuk et al. 2001, Nat Genet 27:259-260: het .495."""
    table = pd.read_csv(data.open_data() / "mouse_listeria_f2.csv.gz", index_col=0, dtype=str)
    table.index = [f"mouse{name}" for name in table.index]
    lines = with_parents(tmp_path, table, stage="haploid").lines
    assert not (lines.verdict == "pass").any()
    assert (lines.finding == "selfed donor").mean() > 0.95
    assert lines.heterozygosity.mean() == pytest.approx(0.495, abs=0.01)


def test_simulated_f2_is_selfed(tmp_path):
    """Broman 2010, tech. report 214, Univ. Wisconsin-Madison: het .481."""
    table = pd.read_csv(data.open_data() / "simulated_mapthis_f2.csv.gz", index_col=0, dtype=str)
    lines = with_parents(tmp_path, table, stage="haploid").lines
    assert not (lines.verdict == "pass").any()
    assert (lines.finding == "selfed donor").mean() > 0.95
    assert lines.heterozygosity.mean() == pytest.approx(0.481, abs=0.01)


def test_maize_recombinant_inbreds_keep_heterozygosity(tmp_path):
    """McMullen et al. 2009, Science 325:737-740: residual heterozygosity, 121 of 500 lines over 5 %, no foreign
    alleles, and two chromosomes are too few to call copies."""
    table = pd.read_csv(data.open_data() / "maize_usnam_ril.csv.gz", index_col=0, dtype=str)
    cm = pd.read_csv(data.open_data() / "maize_usnam_map.csv")
    cm = cm.rename(columns={"mk.names": "marker", "chr": "chrom", "pos.cM": "cm"})
    crosses = {"Z002": "CML103", "Z006": "CML322", "Z008": "CML52", "Z010": "Hp301", "Z016": "M37W"}
    sheet = [{"sample": name, "role": "parent"} for name in table.index[:6]]
    for family, parent in crosses.items():
        sheet.append({"sample": f"B73x{parent}", "role": "donor", "pedigree": f"B73/{parent}"})
        sheet += data.lines([n for n in table.index[6:] if n.startswith(family)], f"B73x{parent}")
    result = data.checked(tmp_path, table, sheet, cm, coding="bases")
    lines = result.lines.set_index("sample")
    open_lines = lines[lines.heterozygosity_segregating > 0.05]
    assert len(open_lines) == pytest.approx(121, abs=6)
    assert not (open_lines.verdict == "pass").any()
    assert (open_lines.finding == "selfed donor").mean() > 0.9
    assert not (result.identity.same_genotype == "yes").any()
    assert lines.foreign_share.dropna().max() < 0.1


def test_dh_lines_at_100_snps(tmp_path):
    """Lehermeier et al. 2014, Genetics 198:3-16: 79 het calls in all; three SNPs carry 41 of them; CFF03-074 has
    five."""
    table = pd.read_csv(data.open_data() / "maize_eunam_flint_100snp_dosage.csv.gz", index_col=0, dtype=str)
    cross = table.pop("cross")
    sheet = [{"sample": f"UH007 {name}", "role": "donor"} for name in cross.unique()]
    for name in cross.unique():
        sheet += data.lines(cross.index[cross == name], f"UH007 {name}")
    parents = pd.read_csv(data.open_data() / "maize_eunam_flint_100snp_parents.csv")
    cm = parents.rename(columns={"mk.names": "marker", "chr": "chrom", "pos.cM": "cm"})[["marker", "chrom", "cm"]]
    result = data.checked(tmp_path, table, sheet, cm, coding="copies")
    assert (result.markers.usable == "no").sum() == 3
    lines = result.lines.set_index("sample")
    assert set(lines.index[lines.verdict == "fail"]) <= {"CFF03-074"}
    assert lines.loc["CFF03-074", "verdict"] != "pass"
    assert (lines.verdict == "pass").sum() >= 470
