"""The tables of a check in one workbook, a sheet per table."""

from __future__ import annotations

import io
import re
import zipfile
from typing import TYPE_CHECKING, Any, Final

from dhverify.report.summary import doubling_caution
from dhverify.report.tables import Cell, ColumnKind, Table, number_text, tables

if TYPE_CHECKING:
    from openpyxl.cell import Cell as SheetCell

    from dhverify.outcome import CheckOutcome

LONGEST_CELL: Final = 32767
"""Characters that one cell of a workbook can hold."""

_FIXED_DATE: Final = (1980, 1, 1, 0, 0, 0)
_UNWRITABLE: Final = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")
_WIDE_COLUMNS: Final = {
    "reasons": 60,
    "reason": 60,
    "advice": 60,
    "flags": 28,
    "parent_shares": 28,
    "basis": 40,
    "caution": 120,
}
_FORMULA_MARKS: Final = ("=", "+", "-", "@")


def workbook_bytes(outcome: CheckOutcome) -> bytes:
    """One workbook with every table as a sheet, and the caution where a table holds a measure of treated plants.

    The header row is frozen and filtered, numbers are numbers, and text is text: a name such as ``=1+1`` is
    shown, never worked out. The same outcome gives the same bytes.

    Parameters
    ----------
    outcome
        What a check found.

    Returns
    -------
    bytes
        The file, Office Open XML.

    """
    import openpyxl

    book = openpyxl.Workbook(write_only=True)
    for content in tables(outcome):
        _add_sheet(book.create_sheet(content.name), content)
    if caution := doubling_caution(outcome):
        _add_sheet(book.create_sheet("caution"), _caution_table(caution))
    out = io.BytesIO()
    book.save(out)
    return _without_dates(out.getvalue())


def _caution_table(text: str) -> Table:
    return Table(name="caution", columns=("caution",), kinds=(ColumnKind.TEXT,), rows=((text,),))


def _add_sheet(sheet: Any, content: Table) -> None:
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    last = get_column_letter(len(content.columns))
    sheet.freeze_panes = "B2"
    sheet.auto_filter.ref = f"A1:{last}{len(content.rows) + 1}"
    for place, (name, kind) in enumerate(zip(content.columns, content.kinds, strict=True), start=1):
        width = _WIDE_COLUMNS.get(name, 18 if kind is ColumnKind.TEXT else max(11, len(name) + 3))
        sheet.column_dimensions[get_column_letter(place)].width = width
    header = [_text_cell(WriteOnlyCell(sheet), name) for name in content.columns]
    for cell in header:
        cell.font = Font(bold=True)
    sheet.append(header)
    for row in content.rows:
        sheet.append([_sheet_cell(sheet, value) for value in row])


def _sheet_cell(sheet: Any, value: Cell) -> SheetCell | float | None:
    from openpyxl.cell import WriteOnlyCell

    if isinstance(value, str):
        return _text_cell(WriteOnlyCell(sheet), value) if value else None
    return float(number_text(value)) if isinstance(value, float) else value


def _text_cell(cell: SheetCell, text: str) -> SheetCell:
    cell.value = _UNWRITABLE.sub("\ufffd", text)[:LONGEST_CELL]
    cell.data_type = "s"
    if text.startswith(_FORMULA_MARKS):
        cell.quotePrefix = True
    return cell


def _without_dates(data: bytes) -> bytes:
    """Take the time of writing out of a workbook, so that it depends on its content only."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as source, zipfile.ZipFile(out, "w") as target:
        for name in source.namelist():
            content = source.read(name)
            if name == "docProps/core.xml":
                content = re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", b"1980-01-01T00:00:00Z", content)
            target.writestr(zipfile.ZipInfo(name, _FIXED_DATE), content, zipfile.ZIP_DEFLATED)
    return out.getvalue()
