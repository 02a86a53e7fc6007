from __future__ import annotations

import csv

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dhverify.errors import FormatError, OutputError
from dhverify.formats import read_samples, sheet_from_genotypes
from dhverify.formats.sheet_template import GUESS_COLUMN, write_template
from dhverify.formats.sheet_values import SHEET_COLUMNS
from dhverify.formats.template_guesses import guess_rows


def guessed(names, column):
    return {row.sample: row.values.get(column, "") for row in guess_rows(names)}


@pytest.mark.parametrize("name", ["blank", "BLANK_2", "P1-NTC-A01", "empty", "water 3", "no template", "blank3"])
def test_blanks(name):
    assert guessed([name], "role")[name] == "blank"


@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("L1", "line"),
        ("blanket", "line"),
        ("Control_1", "control"),
        ("inducer", "inducer"),
        ("Inducer-2", "inducer"),
        ("P1", "parent"),
        ("parent 2", "parent"),
        ("F1", "donor"),
        ("donor", "donor"),
        ("F1-001", "line"),
        ("checkered", "line"),
    ],
)
def test_roles(name, role):
    assert guessed([name], "role")[name] == role


@pytest.mark.parametrize("cross", ["AB12/CD34", "AB12xCD34", "AB12 x CD34"])
def test_a_name_of_two_names_is_a_donor_and_they_its_parents(cross):
    names = ["CD34", "AB12", cross, cross + "-001"]
    assert guessed(names, "role") == {
        "CD34": "parent",
        "AB12": "parent",
        cross: "donor",
        cross + "-001": "line",
    }
    assert guessed(names, "pedigree")[cross] == "AB12/CD34"
    assert guessed(names, "donor")[cross + "-001"] == cross


def test_a_name_that_no_pedigree_can_hold_is_no_parent():
    assert guessed(["A*", "B", "A*/B"], "pedigree")["A*/B"] == ""


def test_one_donor_is_the_donor_of_all_lines_and_of_several_the_longest_that_begins_the_name():
    assert guessed(["F1", "L1", "L2"], "donor")["L2"] == "F1"
    names = ["A", "B", "C", "AxB", "AxB-2", "AxC", "AxC-2", "L7"]
    donors = guessed(names, "donor")
    assert donors["AxB-2"] == "AxB"
    assert donors["L7"] == ""


def test_stages():
    names = ["x-D0-1", "x_D1", "hap12", "haploid 3", "x", "D0-D1"]
    assert list(guessed(names, "stage").values()) == ["D0", "D1", "haploid", "haploid", "", ""]


def test_replicates():
    names = ["L7-rep1", "L7-rep2", "L8_1", "L8_2", "L9", "L9_2", "L10_1", "K-dup2", "K"]
    assert guessed(names, "line") == {
        "L7-rep1": "L7",
        "L7-rep2": "L7",
        "L8_1": "L8",
        "L8_2": "L8",
        "L9": "L9",
        "L9_2": "L9",
        "L10_1": "",
        "K-dup2": "K",
        "K": "K",
    }


def test_numbered_lines_are_no_replicates():
    names = [f"C12_{i}" for i in range(1, 30)]
    assert set(guessed(names, "line").values()) == {""}


def test_wells():
    names = ["plate1_A01_L1", "plate1_A02_L2", "plate2_A01_L3", "odd"]
    assert guessed(names, "well") == dict(zip(names, ["A01", "A02", "A01", ""], strict=True))
    assert guessed(names, "plate") == dict(zip(names, ["plate1", "plate1", "plate2", ""], strict=True))
    assert guessed(["L1-B03", "L2-B04"], "well") == {"L1-B03": "B03", "L2-B04": "B04"}
    assert set(guessed(["L1-B03", "L2-B03"], "well").values()) == {""}
    assert set(guessed(["L1-B03", "L2", "L3"], "well").values()) == {""}
    assert guessed(["P01_P02_x", "P01_C07_y"], "well") == {"P01_P02_x": "P02", "P01_C07_y": "C07"}
    assert set(guessed(["A01_B02_x", "A02_B03_y"], "well").values()) == {""}


@pytest.fixture
def genotypes(write):
    return write("g.csv", "sample,m1\nP1,0\nP2,2\nP1xP2,1\nL7-rep1,0\nL7-rep2,0\nblank,\n=A1,0\n")


def test_sheet_is_written_with_every_guess_marked(genotypes, tmp_path):
    path = tmp_path / "sheet.csv"
    rows = sheet_from_genotypes(genotypes, path)
    with path.open(newline="") as stream:
        table = list(csv.DictReader(stream))
    assert list(table[0]) == [*SHEET_COLUMNS, GUESS_COLUMN]
    assert [row["sample"] for row in table] == [row.sample for row in rows]
    assert table[3] | {"role": "line", "donor": "P1xP2", "line": "L7", "guess": "role, donor, line"} == table[3]
    for row in table:
        filled = {column for column in SHEET_COLUMNS[1:] if row[column]}
        assert filled == set(row[GUESS_COLUMN].split(", "))
    assert b"\r" not in path.read_bytes()


def test_workbook(genotypes, tmp_path):
    path = tmp_path / "sheet.xlsx"
    sheet_from_genotypes([genotypes], path)
    sheet = openpyxl.load_workbook(path).worksheets[0]
    names = [row[0] for row in sheet.iter_rows(values_only=True)]
    assert names == ["sample", "P1", "P2", "P1xP2", "L7-rep1", "L7-rep2", "blank", "=A1"]


@pytest.mark.parametrize("name", ["sheet.csv", "sheet.xlsx"])
def test_filled_in_it_is_a_sample_sheet(genotypes, tmp_path, name):
    path = tmp_path / name
    rows = sheet_from_genotypes(genotypes, path)
    for row in rows:
        if row.values["role"] == "line":
            row.guess("stage", "D1")
    write_template(rows, path, force=True)
    sheet = read_samples(path)
    assert [sample.name for sample in sheet] == [row.sample for row in rows]
    assert sheet.extra_columns == (GUESS_COLUMN,)


def test_a_file_that_is_there_is_not_replaced(genotypes, tmp_path):
    path = tmp_path / "sheet.csv"
    path.write_text("mine")
    with pytest.raises(OutputError, match="--force to replace it"):
        sheet_from_genotypes(genotypes, path)
    assert path.read_text() == "mine"
    sheet_from_genotypes(genotypes, path, force=True)
    assert path.read_text().startswith("sample,")
    empty = tmp_path / "empty.csv"
    empty.touch()
    sheet_from_genotypes(genotypes, empty)
    assert empty.stat().st_size
    assert sorted(file.name for file in tmp_path.iterdir()) == ["empty.csv", "g.csv", "sheet.csv"]


def test_where_no_file_can_be_written(genotypes, tmp_path):
    with pytest.raises(OutputError, match="No such file or directory"):
        sheet_from_genotypes(genotypes, tmp_path / "absent" / "sheet.csv")
    with pytest.raises(OutputError, match="found a file that is not empty"):
        sheet_from_genotypes(genotypes, tmp_path)
    with pytest.raises(OutputError):
        sheet_from_genotypes(genotypes, tmp_path, force=True)


def test_no_genotype_file_has_no_samples(tmp_path):
    with pytest.raises(FormatError, match="samples: found none"):
        sheet_from_genotypes([], tmp_path / "sheet.csv")


@given(st.lists(st.text(min_size=1, max_size=12), unique=True, max_size=12))
def test_any_names_get_a_row_and_a_role(names):
    rows = guess_rows(names)
    assert [row.sample for row in rows] == names
    assert all(row.values["role"] for row in rows)
    assert all(set(row.values) == set(row.guessed) for row in rows)
