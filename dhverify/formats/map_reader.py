"""A genetic map of the user's own, from CSV, TSV or XLSX."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from dhverify.chromosomes import canonical_chromosome
from dhverify.errors import Defect, FormatError
from dhverify.formats.defects import MOST_DIGITS, capped
from dhverify.formats.record_table import Record, RecordTable, read_records
from dhverify.formats.table_columns import exchanged_places, known_columns
from dhverify.genetic_map import GeneticMap

if TYPE_CHECKING:
    from os import PathLike


def read_map(path: str | PathLike[str]) -> GeneticMap:
    r"""Read a genetic map: columns ``marker``, or ``chrom`` and ``pos``, and ``cm``.

    Raises
    ------
    FormatError
        Naming everything that is wrong: a column that is lacking, a value that is no number, a marker or
        position given twice with different cM, cM that decrease along a chromosome.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     file = Path(folder) / "map.csv"
    ...     _ = file.write_text("marker,chrom,cm\nm1,1,0\nm2,1,12.5\n")
    ...     genetic_map = read_map(file)
    >>> genetic_map.by_marker["m2"]
    ('1', 12.5)

    """
    file = Path(path)
    table = read_records(file)
    known = _columns(table)
    reader = _MapReader(file, known)
    for record in table.records:
        reader.take(record)
    positions = [pos for cm_at in reader.by_position.values() for pos in cm_at]
    columns = (known.get("chrom", ""), known.get("pos", ""))
    exchanged = exchanged_places(list(reader.by_position), positions, columns)
    if exchanged:
        raise FormatError(str(file), [exchanged])
    if reader.defects:
        raise FormatError(str(file), capped(reader.defects))
    return GeneticMap(
        by_marker=reader.by_marker,
        by_position={
            chrom: (np.array(sorted(cm_at), dtype=np.int64), np.array([cm_at[pos] for pos in sorted(cm_at)]))
            for chrom, cm_at in reader.by_position.items()
        },
        description=f"the map {file.name}",
        source=str(file),
    )


def _columns(table: RecordTable) -> dict[str, str]:
    known = {kind: table.keys[index] for kind, index in known_columns(table.columns).items()}
    if "chrom" not in known and "group" in table.keys:
        known["chrom"] = "group"
    defects = []
    if "cm" not in known:
        defects.append(Defect(where="header", found="no column cm", expected="a column cm with centimorgans"))
    if "marker" not in known and not {"chrom", "pos"} <= known.keys():
        found = ", ".join(table.columns)
        defects.append(Defect(where="header", found=found, expected="a column marker, or chrom and pos"))
    if defects:
        raise FormatError(str(table.path), defects)
    return known


class _MapReader:
    """Collects the rows of a map and what is wrong in them."""

    def __init__(self, path: Path, known: dict[str, str]) -> None:
        self.path = path
        self.known = known
        self.by_marker: dict[str, tuple[str, float]] = {}
        self.by_position: dict[str, dict[int, float]] = {}
        self.defects: list[Defect] = []

    def take(self, record: Record) -> None:
        """Take one row."""
        cm = self._number(record, "cm", "a number of centimorgans")
        name, chrom, pos_text = (self._text(record, kind) for kind in ("marker", "chrom", "pos"))
        pos = self._number(record, "pos", "a whole number of base pairs") if pos_text else None
        if pos is not None and not (0 <= pos < 10**MOST_DIGITS and pos == int(pos)):
            self._note(record, "pos", pos_text, "a whole number of base pairs")
            pos = None
        has_position = bool(canonical_chromosome(chrom)) and pos is not None
        if not name and not has_position and not (pos_text and pos is None):
            self._note(record, "marker" if "marker" in self.known else "pos", "nothing", "a marker or a position")
        if cm is None:
            return
        if name and self.by_marker.setdefault(name, (chrom, cm)) != (chrom, cm):
            self._note(record, "marker", f"{name} again, at another place", "each marker once")
        if has_position and pos is not None:
            cm_at = self.by_position.setdefault(canonical_chromosome(chrom), {})
            if cm_at.setdefault(int(pos), cm) != cm and not name:
                self._note(record, "pos", f"{chrom}:{int(pos)} again, at another cM", "each position once")

    def _text(self, record: Record, kind: str) -> str:
        return record[self.known[kind]] if kind in self.known else ""

    def _number(self, record: Record, kind: str, expected: str) -> float | None:
        text = self._text(record, kind)
        try:
            number = float(text)
        except ValueError:
            number = math.nan
        if math.isfinite(number):
            return number
        self._note(record, kind, text or "nothing", expected)
        return None

    def _note(self, record: Record, kind: str, found: str, expected: str) -> None:
        where = f"row {record.row}, column {self.known[kind]}"
        self.defects.append(Defect(where=where, found=found, expected=expected))
