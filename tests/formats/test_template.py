from __future__ import annotations

import csv
from pathlib import Path
from tempfile import TemporaryDirectory

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dhverify.cli.main import main
from dhverify.errors import FormatError, OutputError
from dhverify.formats import read_samples, sheet_from_genotypes
from dhverify.formats.sheet_template import GUESS_COLUMN, write_template
from dhverify.formats.sheet_values import SHEET_COLUMNS
from dhverify.formats.template_guesses import guess_rows


def guessed(names, column):
    """Return what was guessed for a column, by sample; rows of donors that are no sample are left out."""
    return {row.sample: row.values.get(column, "") for row in guess_rows(names) if row.sample in names}


def added(names):
    return [row.sample for row in guess_rows(names) if row.sample not in names]


@pytest.mark.parametrize("name", ["blank", "BLANK_2", "P1-NTC-A01", "empty", "water 3", "no template", "blank3"])
def test_blanks(name):
    assert guessed([name], "role")[name] == "blank"


@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("L1", "line"),
        ("blanket", "line"),
        ("Control_1", "other"),
        ("control-hybrid-2", "control"),
        ("inducer", "inducer"),
        ("Inducer-2", "inducer"),
        ("P1", "parent"),
        ("parent 2", "parent"),
        ("F1", "donor"),
        ("donor", "donor"),
        ("Donor 2", "donor"),
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
    assert donors["L7"] == "Donor1"
    assert added(names) == ["Donor1"]


def test_stages():
    names = ["x-D0-1", "x_D1", "hap12", "haploid 3", "x", "D0-D1"]
    assert list(guessed(names, "stage").values()) == ["D0", "D1", "haploid", "haploid", "D1", "D1"]


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
    assert table[3] | {"role": "line", "donor": "P1xP2", "line": "L7", "guess": "role, stage, donor, line"} == table[3]
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


def families_of(prefix, n=5):
    return [f"{prefix}{k:03d}" for k in range(1, n + 1)]


def test_lines_named_after_a_sample_make_it_their_donor_and_the_few_others_parents():
    names = ["Bolen", "Damok", "D01", "D02", "Inducer1", *families_of("D01-H"), *families_of("D02-L", 9)]
    roles = guessed(names, "role")
    assert [roles[name] for name in names[:5]] == ["parent", "parent", "donor", "donor", "inducer"]
    assert guessed(names, "donor")["D01-H003"] == "D01"
    assert (guessed(names, "stage")["D01-H003"], guessed(names, "stage")["D02-L003"]) == ("haploid", "D1")
    assert added(names) == []
    assert set(guessed(names, "pedigree").values()) == {""}


def test_a_family_named_after_nothing_gets_a_donor_row():
    names = ["F353", "B73", *families_of("CFD02-", 12)]
    rows = {row.sample: row for row in guess_rows(names)}
    assert added(names) == ["CFD02"]
    assert rows["CFD02"].values == {"role": "donor", "pedigree": "F353/B73"}
    assert rows["CFD02"].guessed == ["sample", "role", "pedigree"]
    assert rows["CFD02"].note.startswith("added")
    assert rows["CFD02-007"].values["donor"] == "CFD02"


def test_names_that_tell_no_family_are_lines_of_one_donor():
    for names in (families_of("DH"), families_of("plant "), ["Alba", "Brek", "Corva"], ["Donor1", "L1", "L2", "L3"]):
        assert set(guessed(names, "role").values()) <= {"line", "donor"}
        assert set(guessed(names, "donor").values()) <= {"Donor1", ""}


def test_a_cross_in_the_names_of_lines_is_their_donor():
    names = ["AB12", "CD34", *families_of("AB12xCD34-")]
    assert added(names) == ["AB12xCD34"]
    assert guessed(names, "role")["AB12"] == "parent"
    assert {row.sample: row.values.get("pedigree") for row in guess_rows(names)}["AB12xCD34"] == "AB12/CD34"


def test_wells_in_names_make_no_families():
    names = [f"P1_{row}{column:02d}" for row in "ABCD" for column in range(1, 6)]
    assert set(guessed(names, "donor").values()) == {"Donor1"}
    names = [f"plate2-A{k:02d}-X7-{k}" for k in range(1, 7)]
    assert set(guessed(names, "donor").values()) == {"X7"}


def test_a_parent_that_lines_are_named_after_is_not_their_donor():
    names = ["A9", "B9", "A9xB9", *families_of("A9xB9-"), *families_of("A9-")]
    donors = guessed(names, "donor")
    assert donors["A9xB9-001"] == "A9xB9"
    assert donors["A9-001"] == "A9_donor"
    assert added(names) == ["A9_donor"]


@pytest.mark.parametrize(("name", "finding"), [("ctrl hybrid", "hybrid"), ("check-haploid", "haploid")])
def test_a_control_whose_name_says_what_it_is(name, finding):
    assert guessed([name], "expected")[name] == finding


def test_two_unnamed_families_get_two_donors():
    names = [*families_of("L"), *families_of("S")]
    assert added(names) == ["Donor1", "Donor2"]


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
    assert [row.sample for row in rows][: len(names)] == names
    assert all(row.values["role"] == "donor" for row in rows[len(names) :])
    assert len({row.sample for row in rows}) == len(rows)
    assert all(row.values["role"] for row in rows)
    assert all(set(row.values) == set(row.guessed) - {"sample"} for row in rows)


@given(st.lists(st.text(alphabet="AB12xH_-/ ", min_size=1, max_size=8).filter(str.strip), max_size=14))
def test_any_guessed_sheet_can_be_read(names):
    """Each donor named has a row, replicates have one donor, no pedigree is wrong; two inducers are the user's."""
    names = list(dict.fromkeys(name.strip() for name in names))
    if not names:
        return
    with TemporaryDirectory() as folder:
        path = Path(folder) / "sheet.csv"
        write_template(guess_rows(names), path)
        read_samples(path)


def test_from_a_genotype_file_alone_to_results_without_an_edit(tmp_path, capsys):
    demo, sheet, out = tmp_path / "demo", tmp_path / "sheet.csv", tmp_path / "out"
    assert main(["simulate", str(demo), "--donors", "2", "--lines", "9", "--markers", "150", "--stage", "both"]) == 0
    genotypes = str(demo / "genotypes.vcf.gz")
    assert main(["sheet", genotypes, str(sheet)]) == 0
    assert main(["check", genotypes, "--samples", str(sheet), "--out", str(out), "--quiet"]) == 0
    assert capsys.readouterr().err == ""
    with (demo / "samples.csv").open() as true, sheet.open() as guessed:
        rows = {row["sample"]: row for row in csv.DictReader(guessed)}
        lines = [row for row in csv.DictReader(true) if row["role"] == "line"]
    columns = ("role", "stage", "donor")
    assert [[rows[line["sample"]][c] for c in columns] for line in lines] == [
        [line[c] for c in columns] for line in lines
    ]
    assert len(list(csv.DictReader((out / "lines.csv").read_text().splitlines()))) == len(lines)
