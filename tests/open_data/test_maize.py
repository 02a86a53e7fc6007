"""Maize DH lines of five crosses with F353 (Giraud et al. 2014, Genetics 198:1717-1734; Bauer et al. 2013, Genome
Biol 14:R103): what an independent plain reader of the same data measured."""

from __future__ import annotations

from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

spec = spec_from_file_location("open_data_conftest", Path(__file__).with_name("conftest.py"))
data = module_from_spec(spec)
spec.loader.exec_module(data)

COPIES = {
    ("CFD03-311", "CFD03-326"),
    ("CFD05-307", "CFD05-313"),
    ("CFD06-302", "CFD06-331"),
    ("CFD06-320", "CFD06-337"),
}
FAULTY = {"PZE.101232381", "PZE.103123072"}
POLYMORPHIC = {"B73": 800, "D06": 731, "EC169": 762, "F252": 742, "Mo17": 792}


@pytest.fixture(scope="module")
def result(maize, maize_map, tmp_path_factory):
    table, sheet = data.maize_lot(maize)
    return data.checked(tmp_path_factory.mktemp("maize"), table, sheet, maize_map, coding="alleles")


def test_all_lines_are_doubled_haploids_of_their_own_cross(result):
    lines = result.lines
    assert len(lines) == 378
    assert set(lines.finding) == {"doubled haploid"}
    assert lines.heterozygosity.max() == 0
    assert lines.call_rate.min() > 0.96
    assert (lines.best_donor == lines.donor).all()
    assert not (lines.verdict == "fail").any()


def test_exactly_the_four_known_pairs_are_copies(result):
    held = result.lines[result.lines.verdict != "pass"]
    assert set(held["sample"]) == {name for pair in COPIES for name in pair}
    assert held["flags"].str.contains("duplicate").all()
    pairs = result.identity[result.identity.same_genotype == "yes"]
    assert {tuple(sorted(p)) for p in zip(pairs["sample"], pairs.other_sample, strict=True)} == COPIES


def test_the_two_faulty_markers_of_one_cross_are_set_aside_and_its_lines_unharmed(result):
    aside = result.markers[result.markers.usable == "no"]
    assert set(aside.marker) == FAULTY
    assert aside.reason.str.contains("F252").all()


def test_parents_agree_with_their_lines_and_segregating_markers_are_those_of_the_data(result):
    assert (result.references.agrees == "yes").all()
    for cross, n in POLYMORPHIC.items():
        row = result.donors[result.donors.donor == f"F353x{cross}"].iloc[0]
        assert abs(row.segregating_markers - n) <= 0.02 * n


def test_no_share_of_a_parent_from_019_to_076_fails_a_line(result):
    shares = result.lines.parent_shares.map(lambda text: float(str(text).split("=")[1].split(";")[0]))
    assert shares.min() < 0.25
    assert shares.max() > 0.7


def test_without_any_parent_typed_nothing_is_lost(maize, maize_map, tmp_path):
    table, sheet = data.maize_lot(maize, ("D06", "F252"), parents=False)
    lines = data.checked(tmp_path, table, sheet, maize_map, coding="alleles").lines
    assert not (lines.verdict == "fail").any()
    assert (lines.verdict == "pass").sum() >= len(lines) - 8


def united(table: pd.DataFrame, first: str, second: str) -> pd.Series:
    a, b = table.loc[first], table.loc[second]
    return pd.Series(
        [np.nan if pd.isna(x) or pd.isna(y) else x if x == y else "1/2" for x, y in zip(a, b, strict=True)],
        index=table.columns,
    )


def test_hybrids_with_another_inbred_as_inducer_are_all_found_and_no_line_fails(maize, maize_map, tmp_path):
    table, sheet = data.maize_lot(maize, ("B73", "D06", "EC169", "F252"))
    table = pd.concat([table, maize["Mo17"].iloc[1:2]])
    sheet.append({"sample": "Mo17", "role": "inducer"})
    hybrids = {}
    for cross in ("B73", "D06", "EC169", "F252"):
        for number, line in enumerate(maize[cross].index[5:15]):
            name = f"H-{cross}-{number}"
            hybrids[name] = united(table, line, "Mo17")
            sheet += data.lines([name], f"F353x{cross}", stage="haploid")
    table = pd.concat([table, pd.DataFrame(hybrids).T])
    lines = data.checked(tmp_path, table, sheet, maize_map, coding="alleles").lines.set_index("sample")
    found = lines.loc[list(hybrids)]
    assert (found.finding == "hybrid").all()
    assert (found.verdict == "fail").all()
    assert not (lines.drop(list(hybrids)).verdict == "fail").any()


def test_two_sister_gametes_united_are_a_selfed_donor(maize, maize_map, tmp_path):
    table, sheet = data.maize_lot(maize, ("D06", "F252"))
    made = {}
    for cross in ("D06", "F252"):
        names = list(maize[cross].index)
        for k in range(5):
            first, second = names[10 + 2 * k], names[11 + 2 * k]
            made[f"S-{cross}-{k}"] = united(table, first, second)
            table = table.drop([first, second])
            sheet = [row for row in sheet if row["sample"] not in {first, second}]
            sheet += data.lines([f"S-{cross}-{k}"], f"F353x{cross}", stage="haploid")
    table = pd.concat([table, pd.DataFrame(made).T])
    lines = data.checked(tmp_path, table, sheet, maize_map, coding="alleles").lines.set_index("sample")
    assert (lines.loc[list(made)].finding == "selfed donor").all()
    assert (lines.loc[list(made)].verdict == "fail").all()
