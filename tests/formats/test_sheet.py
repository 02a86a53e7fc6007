from __future__ import annotations

import datetime as dt
import gzip

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dhverify.errors import SheetError
from dhverify.formats import read_samples
from dhverify.formats.record_table import _cell_text
from dhverify.formats.sheet_values import parse_well
from dhverify.samples import Family, Role, Stage, Tissue

DAY = dt.datetime(2021, 5, 4)  # noqa: DTZ001 - a workbook knows no time zones

ROWS = [
    ["Sample", "role", "stage", "donor", "inducer", "plants", "plate", "well", "expected", "Ear", "sown"],
    ["I1", "inducer", None, None, None, None, None, None, None, None, None],
    ["F1", "donor", None, None, None, None, None, None, None, None, None],
    ["L1", "line", "haploid", "F1", None, 1, 7, "a1", None, 12, DAY],
    [2, "Line", "d1", "F1", "I1", 5.0, 7, "H12", None, 12.5, None],
    ["C1", "control", None, "F1", None, None, None, None, "Doubled Haploid", None, None],
]


def as_text(value):
    if value is None:
        return ""
    return str(value.date()) if isinstance(value, dt.datetime) else str(value).removesuffix(".0")


def workbook(path):
    book = openpyxl.Workbook()
    for row in ROWS:
        book.worksheets[0].append(row)
    book.create_sheet("remarks").append(["not", "read"])
    book.save(path)
    return path


def text(mark):
    return "".join(mark.join(as_text(value) for value in row) + "\n" for row in ROWS)


@pytest.fixture(params=["csv", "tsv", "semicolon", "xlsx", "gzip", "bom"])
def sheet_file(request, tmp_path):
    path = tmp_path / f"samples.{request.param}"
    contents = {
        "csv": text(",").encode(),
        "tsv": text("\t").encode(),
        "semicolon": text(";").encode(),
        "gzip": gzip.compress(text(",").encode()),
        "bom": b"\xef\xbb\xbf" + text(",").replace("\n", "\r\n").encode(),
    }
    if request.param == "xlsx":
        return workbook(path)
    path.write_bytes(contents[request.param])
    return path


def test_every_format_holds_the_same(sheet_file):
    sheet = read_samples(sheet_file)
    assert [sample.name for sample in sheet] == ["I1", "F1", "L1", "2", "C1"]
    line, other, control = sheet["L1"], sheet["2"], sheet["C1"]
    assert (line.role, line.stage, line.tissue, line.plants) == (Role.LINE, Stage.HAPLOID, Tissue.LEAF, 1)
    assert (line.plate, line.well, line.row) == ("7", "A01", 4)
    assert (other.stage, other.plants, other.well) == (Stage.D1, 5, "H12")
    assert line.inducer == other.inducer == control.inducer == "I1"
    assert control.expected == "doubled haploid"
    assert sheet.extra_columns == ("Ear", "sown")
    assert line.extra == (("Ear", "12"), ("sown", "2021-05-04"))
    assert other.extra == (("Ear", "12.5"), ("sown", ""))
    assert sheet.families == (Family(donor="F1", inducer="I1"),)
    assert sheet.source == sheet_file.name
    assert len(sheet.checksum) == 64
    assert sheet.warnings == ()


def test_inducer_is_filled_in_for_lines_and_controls_only(write):
    sheet = read_samples(
        write("s.csv", "sample,role,stage,donor\nI1,inducer,,\nF1,donor,,\nK,known,,F1\nL1,line,D1,F1\n")
    )
    assert [sample.inducer for sample in sheet] == ["", "", "", "I1"]


def test_stage_of_other_roles_is_not_kept(write):
    sheet = read_samples(write("s.csv", "sample,role,stage\nP1,parent,D1\n"))
    assert sheet["P1"].stage is None


def test_a_row_with_a_wrong_role_is_not_reported_as_absent(write):
    path = write("s.csv", "sample,role,stage,donor,source\nF1,dnor,,,\nL1,line,D1,F1,F1\n")
    with pytest.raises(SheetError) as caught:
        read_samples(path)
    assert [defect.where for defect in caught.value.defects] == ["row 2, column role"]


def test_pedigree_of_a_row_with_a_wrong_role(write):
    path = write("s.csv", "sample,role,pedigree\nP1,prent,\nF1,donor,P1/P2\n")
    with pytest.raises(SheetError) as caught:
        read_samples(path)
    assert len(caught.value.defects) == 1


def test_of_many_defects_twenty_are_listed(write):
    rows = "".join(f"L{i},line,,\n" for i in range(30))
    with pytest.raises(SheetError) as caught:
        read_samples(write("s.csv", "sample,role,stage,donor\n" + rows))
    assert len(caught.value.defects) == 21
    assert "found 40 more defects" in str(caught.value)


def test_blank_rows_are_no_rows(write):
    sheet = read_samples(write("s.csv", "\nsample,role\n\nP1,parent\n,\n  ,  \nP2,parent\n"))
    assert [(sample.name, sample.row) for sample in sheet] == [("P1", 4), ("P2", 7)]


def test_trailing_empty_columns_of_a_spreadsheet(write):
    sheet = read_samples(write("s.csv", "sample,role,,\nP1,parent,,\n"))
    assert sheet["P1"].role is Role.PARENT


def test_two_plates_may_share_a_well(write):
    sheet = read_samples(write("s.csv", "sample,role,plate,well\nP1,parent,1,A1\nP2,parent,2,A1\n"))
    assert sheet["P2"].well == "A01"


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (b"", "nothing in it"),
        (b"PK\x03\x04broken", "a workbook that cannot be read"),
        (b"\x80", "no UTF-8 text"),
    ],
)
def test_what_is_no_sheet(tmp_path, content, found):
    path = tmp_path / "s.xlsx"
    path.write_bytes(content)
    with pytest.raises(SheetError, match=found):
        read_samples(path)


def test_a_zip_that_is_no_workbook(tmp_path):
    import zipfile

    path = tmp_path / "s.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("x.txt", "x")
    with pytest.raises(SheetError, match="a workbook that cannot be read"):
        read_samples(path)


def test_an_empty_workbook(tmp_path):
    path = tmp_path / "s.xlsx"
    openpyxl.Workbook().save(path)
    with pytest.raises(SheetError, match="nothing in it"):
        read_samples(path)


def test_no_file(tmp_path):
    with pytest.raises(SheetError, match="no such file"):
        read_samples(tmp_path / "absent.csv")


def test_a_container_that_is_no_workbook(tmp_path):
    path = tmp_path / "s.csv"
    path.write_bytes(gzip.compress(b"PK\x03\x04rest"))
    with pytest.raises(SheetError, match="found a ZIP or XLSX file; expected a table: CSV or TSV text, or an XLSX"):
        read_samples(path)


@given(st.sampled_from("ABCDEFGHIJKLMNOP"), st.integers(1, 24), st.booleans(), st.booleans())
def test_every_well_of_a_384_plate(row, column, lower, padded):
    text = f"{row.lower() if lower else row}{column:02d}" if padded else f"{row}{column}"
    assert parse_well(text) == f"{row}{column:02d}"


@given(st.text(max_size=4))
def test_any_text_as_a_well(text):
    well = parse_well(text)
    assert well is None or (well[0] in "ABCDEFGHIJKLMNOP" and 1 <= int(well[1:]) <= 24)


@pytest.mark.parametrize(
    ("value", "text"),
    [(5.0, "5"), (5.5, "5.5"), (None, ""), (" x ", "x"), (DAY, "2021-05-04"), (True, "True")],
)
def test_cells_of_a_workbook_as_text(value, text):
    assert _cell_text(value) == text
