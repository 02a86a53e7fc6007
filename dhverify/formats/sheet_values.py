"""One row of the sample sheet: each value on its own."""

from __future__ import annotations

import re
from enum import StrEnum
from typing import TYPE_CHECKING, Final, TypeVar

from dhverify.errors import Defect
from dhverify.formats.defects import did_you_mean, whole_number
from dhverify.outcome import Finding
from dhverify.samples import Role, Sample, Stage, Tissue

if TYPE_CHECKING:
    from dhverify.formats.record_table import Record

SHEET_COLUMNS: Final = (
    "sample",
    "role",
    "stage",
    "donor",
    "inducer",
    "pedigree",
    "line",
    "source",
    "tissue",
    "plants",
    "plate",
    "well",
    "expected",
)
"""Columns that dhverify knows."""

CONTROL_FINDINGS: Final = tuple(finding for finding in Finding if finding is not Finding.UNRESOLVED)

_WELL: Final = re.compile(r"([A-P])0*([1-9][0-9]?)", re.IGNORECASE)

Choice = TypeVar("Choice", bound=StrEnum)


def parse_well(text: str) -> str | None:
    """Return a well as ``A01``...``P24``, or None where there is no such well.

    Examples
    --------
    >>> parse_well("a1"), parse_well("P24"), parse_well("Q1"), parse_well("A25")
    ('A01', 'P24', None, None)

    """
    match = _WELL.fullmatch(text.strip())
    if match is None or int(match[2]) > 24:
        return None
    return f"{match[1].upper()}{int(match[2]):02d}"


class RowParser:
    """Turns rows into samples and collects what is wrong.

    Parameters
    ----------
    extra_columns
        Names of the columns that dhverify does not know.

    """

    def __init__(self, extra_columns: tuple[str, ...]) -> None:
        self.extra_columns = extra_columns
        self.defects: list[Defect] = []
        self.unread: set[str] = set()

    def parse(self, record: Record) -> Sample | None:
        """Return the sample of a row, or None where it has no name or no role."""
        name = record["sample"]
        self._need(record, "sample", "a sample name")
        self._need(record, "role", "one of " + ", ".join(Role))
        role = self._choice(record, "role", Role)
        stage = self._choice(record, "stage", Stage)
        if role is Role.LINE:
            self._need(record, "stage", "one of " + ", ".join(Stage))
            self._need(record, "donor", "the name of the line's donor")
        tissue = self._choice(record, "tissue", Tissue) or Tissue.LEAF
        plants = self._plants(record)
        well = self._well(record)
        expected = self._expected(record, role)
        if role is None or not name:
            self.unread.add(name)
            return None
        return Sample(
            name=name,
            role=role,
            stage=stage if role is Role.LINE else None,
            donor=record["donor"],
            inducer=record["inducer"],
            pedigree=record["pedigree"],
            line=record["line"],
            source=record["source"],
            tissue=tissue,
            plants=plants,
            plate=record["plate"],
            well=well,
            expected=expected,
            extra=tuple((column, record[column.lower()]) for column in self.extra_columns),
            row=record.row,
        )

    def _need(self, record: Record, column: str, expected: str) -> None:
        if not record[column]:
            self._note(record, column, "nothing", expected)

    def _note(self, record: Record, column: str, found: str, expected: str) -> None:
        where = f"row {record.row}, column {column}"
        self.defects.append(Defect(where=where, found=found, expected=expected))

    def _choice(self, record: Record, column: str, choices: type[Choice]) -> Choice | None:
        text = record[column]
        if not text:
            return None
        by_lower = {choice.lower(): choice for choice in choices}
        if text.lower() not in by_lower:
            self._note(record, column, text, did_you_mean(text, choices))
        return by_lower.get(text.lower())

    def _plants(self, record: Record) -> int:
        text = record["plants"]
        if not text:
            return 1
        number = whole_number(text)
        if not number:
            self._note(record, "plants", text, "a whole number of at least 1")
        return number or 1

    def _well(self, record: Record) -> str:
        text = record["well"]
        if not text:
            return ""
        well = parse_well(text)
        if well is None:
            self._note(record, "well", text, "a well from A01 to H12 (96 wells) or P24 (384 wells)")
        return well or ""

    def _expected(self, record: Record, role: Role | None) -> str:
        text = record["expected"]
        if role is not Role.CONTROL:
            return text
        by_lower = {finding.lower(): finding.value for finding in CONTROL_FINDINGS}
        if not text:
            self._note(record, "expected", "nothing", "the true finding of a control: " + ", ".join(CONTROL_FINDINGS))
        elif text.lower() not in by_lower:
            self._note(record, "expected", text, did_you_mean(text, CONTROL_FINDINGS))
        return by_lower.get(text.lower(), text)
