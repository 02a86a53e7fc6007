from __future__ import annotations

import io
import zipfile
from dataclasses import replace

import openpyxl
import pytest

from dhverify.cautions import DOUBLING_CAUTION
from dhverify.report.tables import TABLE_RECORDS, table
from dhverify.report.workbook import LONGEST_CELL, workbook_bytes


@pytest.fixture(scope="module")
def book(outcome):
    return openpyxl.load_workbook(io.BytesIO(workbook_bytes(outcome)))


def test_a_sheet_for_every_table(book, outcome):
    assert book.sheetnames == [*TABLE_RECORDS, "caution"]
    for name in TABLE_RECORDS:
        content = table(outcome, name)
        sheet = book[name]
        assert [cell.value for cell in sheet[1]] == list(content.columns)
        assert sheet.max_row == len(content.rows) + 1
        assert sheet.freeze_panes == "B2"
        assert sheet.auto_filter.ref.startswith("A1:")


def test_the_caution_is_a_sheet_where_treated_plants_were_counted(book, outcome):
    assert [row[0].value for row in book["caution"]] == ["caution", DOUBLING_CAUTION]
    without = workbook_bytes(replace(outcome, account=outcome.account[:1]))
    assert openpyxl.load_workbook(io.BytesIO(without)).sheetnames == list(TABLE_RECORDS)


def test_names_are_text_and_never_formulas(book, synthetic):
    cells = {cell.value: cell for cell in book["lines"]["A"]}
    assert set(synthetic.HOSTILE) <= set(cells)
    for name in (synthetic.FORMULA, synthetic.COMMAND):
        assert cells[name].data_type == "s"
        assert cells[name].quotePrefix
    assert not any(cell.data_type == "f" for sheet in book for row in sheet for cell in row)


def test_numbers_are_numbers_and_unknown_is_empty(book):
    header = [cell.value for cell in book["lines"][1]]
    confidence = header.index("confidence")
    values = [row[confidence].value for row in book["lines"].iter_rows(min_row=2)]
    assert values[0] == pytest.approx(0.9999)
    assert values.count(None) == 2


def test_marks_that_no_workbook_holds_are_replaced(outcome):
    line = replace(outcome.lines[0], sample="bell\x07", reasons="x" * (LONGEST_CELL + 5))
    data = workbook_bytes(replace(outcome, lines=(line,)))
    sheet = openpyxl.load_workbook(io.BytesIO(data))["lines"]
    assert sheet["A2"].value == "bell\ufffd"
    assert len(sheet["J2"].value) == LONGEST_CELL


def test_no_time_stands_in_the_file(outcome):
    with zipfile.ZipFile(io.BytesIO(workbook_bytes(outcome))) as book:
        assert {info.date_time for info in book.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert b"1980-01-01T00:00:00Z" in book.read("docProps/core.xml")
