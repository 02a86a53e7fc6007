"""Genotype tables, wide and long, into samples by markers; the calls are decoded elsewhere."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from dhverify.errors import Defect, FormatError
from dhverify.formats.call_codings import is_missing
from dhverify.formats.defects import a_few, capped
from dhverify.formats.table_columns import (
    Orientation,
    Places,
    canonical,
    columns_without_calls,
    is_long,
    known_columns,
    orientation,
    places,
    sample_column,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dhverify.formats.text_table import TextTable
    from dhverify.samples import SampleSheet

Key = TypeVar("Key")


@dataclass(kw_only=True, eq=False)
class TableCalls:
    """A table turned into samples by markers, not yet decoded.

    Attributes
    ----------
    table
        The table as read.
    samples, names
        Names of samples and markers; a marker's is empty where the table names none.
    places
        Of the markers.
    named_alleles
        First and second allele of each marker, where the table has columns for them.
    cells
        int32, shape (n_samples, n_markers). Index into the texts of the table; -1 where there is no cell.
    notes, warnings
        Half sentences without the file name.
    defects
        What is wrong so far.

    """

    table: TextTable
    samples: list[str]
    names: list[str]
    places: Places
    named_alleles: list[tuple[str, str]] | None
    cells: NDArray[np.int32]
    notes: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    defects: list[Defect] = field(default_factory=list)

    def marker_name(self, marker: int) -> str:
        """Return the name of a marker, ``CHROM_POS`` where it has none."""
        return self.names[marker] or f"{self.places.chrom[marker]}_{self.places.pos_bp[marker]}"

    def cell_name(self, sample: int, marker: int) -> str:
        """Return where a call stands, for messages."""
        return f"sample {self.samples[sample]}, marker {self.marker_name(marker)}"


def shaped(table: TextTable, layout: str, sheet: SampleSheet | None) -> TableCalls:
    """Return samples by markers of a table.

    Raises
    ------
    FormatError
        The columns of the layout are not there, or it cannot be told which way round the table lies.

    """
    is_row_per_call = layout == "long" or (layout == "auto" and is_long(table.header))
    return _long(table) if is_row_per_call else _wide(table, sheet)


def _wide(table: TextTable, sheet: SampleSheet | None) -> TableCalls:
    side = orientation(table, sheet)
    if not side.has_marker_rows:
        return _sample_rows(table, side)
    return _marker_rows(table, side, frozenset(sample.name for sample in sheet or ()))


def _sample_rows(table: TextTable, side: Orientation) -> TableCalls:
    name_column = sample_column(table.header)
    columns = [column for column in range(len(table.header)) if column != name_column]
    left_out = columns_without_calls(table, columns, frozenset())
    columns = [column for column in columns if column not in set(left_out)]
    names = [table.header[column] for column in columns]
    n_markers = len(names)
    calls = TableCalls(
        table=table,
        samples=table.column(name_column),
        names=names,
        places=Places(chrom=[""] * n_markers, pos_bp=[-1] * n_markers, cm=[np.nan] * n_markers),
        named_alleles=None,
        cells=table.cells[:, columns],
    )
    _say_layout(calls, "a row per sample", side, left_out)
    rows = [f"row {row}" for row in table.rows]
    _find_doubled(calls, "sample", calls.samples, rows)
    _find_doubled(calls, "marker", names, [f"column {column + 1}" for column in columns])
    _need_columns(calls, "marker", n_markers)
    return calls


def _marker_rows(table: TextTable, side: Orientation, keep: frozenset[str]) -> TableCalls:
    known = {kind: column for kind, column in known_columns(table.header).items() if table.header[column] not in keep}
    about = {known[kind] for kind in ("chrom", "pos", "cm", "ref", "alt") if kind in known}
    name_column = _name_column(known, about)
    columns = [index for index in range(len(table.header)) if index not in about | {name_column}]
    left_out = columns_without_calls(table, columns, keep)
    columns = [column for column in columns if column not in set(left_out)]
    defects: list[Defect] = []
    calls = TableCalls(
        table=table,
        samples=[table.header[column] for column in columns],
        names=table.column(name_column) if name_column is not None else [""] * len(table.rows),
        places=places(table, known, defects),
        named_alleles=_named_alleles(table, known),
        cells=np.ascontiguousarray(table.cells[:, columns].T),
        defects=defects,
    )
    _say_layout(calls, "a row per marker", side, left_out)
    _find_doubled(calls, "sample", calls.samples, [f"column {column + 1}" for column in columns])
    _need_columns(calls, "sample", len(columns))
    _name_markers(calls, [f"row {row}" for row in table.rows])
    return calls


def _name_column(known: dict[str, int], about: set[int]) -> int | None:
    """Column of the marker names: by its name, else the first unless that tells the place."""
    return known.get("marker", None if 0 in about else 0)


def _named_alleles(table: TextTable, known: dict[str, int]) -> list[tuple[str, str]] | None:
    if "ref" not in known or "alt" not in known:
        return None
    pairs = zip(table.column(known["ref"]), table.column(known["alt"]), strict=True)
    return [("" if is_missing(a) else a.upper(), "" if is_missing(b) else b.upper()) for a, b in pairs]


def _say_layout(calls: TableCalls, layout: str, side: Orientation, left_out: list[int]) -> None:
    sentence = f"read as {layout}, {side.reason}"
    (calls.warnings if side.is_guess else calls.notes).append(sentence)
    if left_out:
        names = a_few([calls.table.header[column] or f"number {column + 1}" for column in left_out])
        calls.notes.append(f"columns without genotypes left out: {names}")


def _need_columns(calls: TableCalls, noun: str, count: int) -> None:
    if count == 0:
        calls.defects.append(_no_columns(calls.table, noun))
        raise FormatError(str(calls.table.path), capped(calls.defects))


def _no_columns(table: TextTable, noun: str) -> Defect:
    if {"sample", "role"} <= set(map(canonical, table.header)):
        found = "a sample sheet (columns sample, role, ...)"
        return Defect(where="header", found=found, expected="genotypes; the sheet is handed in with --samples")
    return Defect(where="header", found=f"no {noun} column", expected=f"at least one {noun} with calls")


def _find_doubled(calls: TableCalls, noun: str, names: list[str], where: list[str]) -> None:
    first: dict[str, str] = {}
    for name, place in zip(names, where, strict=True):
        if not name:
            calls.defects.append(Defect(where=place, found=f"a {noun} without a name", expected="a name"))
        elif name in first:
            found = f"{noun} {name} again (first at {first[name]})"
            calls.defects.append(Defect(where=place, found=found, expected=f"each {noun} once"))
        else:
            first[name] = place


def _name_markers(calls: TableCalls, where: list[str]) -> None:
    """Check that each marker has a name or a place, and that none is given twice with one place."""
    seen: dict[tuple[str, str, int], str] = {}
    for index, (name, place) in enumerate(zip(calls.names, where, strict=True)):
        chrom, pos_bp = calls.places.chrom[index], calls.places.pos_bp[index]
        if is_missing(name):
            calls.names[index] = ""
            if not chrom or pos_bp < 0:
                calls.defects.append(
                    Defect(
                        where=place,
                        found="a marker without a name or a place",
                        expected="a name, or chrom and pos",
                    )
                )
                continue
        key = (calls.names[index], chrom, pos_bp)
        if key in seen:
            found = f"marker {name or f'{chrom}_{pos_bp}'} again (first at {seen[key]})"
            calls.defects.append(Defect(where=place, found=found, expected="each marker once"))
        seen.setdefault(key, place)


def _long(table: TextTable) -> TableCalls:
    known = known_columns(table.header)
    lacking = [name for name in ("sample", "marker", "genotype") if name not in known]
    if lacking:
        found = ", ".join(name for name in table.header if name) or "no names"
        expected = "the columns sample, marker and genotype; lacking: " + ", ".join(lacking)
        raise FormatError(str(table.path), [Defect(where="header", found=found, expected=expected)])
    defects: list[Defect] = []
    where = places(table, known, defects)
    samples, sample_of = _numbered(table.column(known["sample"]))
    keys = list(zip(table.column(known["marker"]), where.chrom, where.pos_bp, strict=True))
    markers, marker_of = _numbered(keys)
    cells = np.full((len(samples), len(markers)), -1, dtype=np.int32)
    first_row = {int(marker): row for row, marker in reversed(list(enumerate(marker_of)))}
    calls = TableCalls(
        table=table,
        samples=samples,
        names=["" if is_missing(name) else name for name, *_ in markers],
        places=Places(
            chrom=[chrom for _, chrom, _ in markers],
            pos_bp=[pos for *_, pos in markers],
            cm=[where.cm[first_row[marker]] for marker in range(len(markers))],
        ),
        named_alleles=None,
        cells=cells,
        notes=["read as a row per call, by the column names"],
        defects=defects,
    )
    _find_nameless(calls, sample_of, marker_of)
    _fill_long(calls, table.cells[:, known["genotype"]], sample_of, marker_of)
    return calls


def _numbered(keys: list[Key]) -> tuple[list[Key], NDArray[np.int64]]:
    numbers: dict[Key, int] = {}
    codes = np.array([numbers.setdefault(key, len(numbers)) for key in keys], dtype=np.int64)
    return list(numbers), codes


def _find_nameless(calls: TableCalls, sample_of: NDArray[np.int64], marker_of: NDArray[np.int64]) -> None:
    for row, (sample, marker) in enumerate(zip(sample_of, marker_of, strict=True)):
        where = f"row {calls.table.rows[row]}"
        if not calls.samples[sample]:
            calls.defects.append(Defect(where=where, found="no sample", expected="a sample name"))
        is_placed = calls.places.chrom[marker] and calls.places.pos_bp[marker] >= 0
        if not calls.names[marker] and not is_placed:
            calls.defects.append(Defect(where=where, found="no marker", expected="a marker name, or chrom and pos"))


def _fill_long(
    calls: TableCalls, codes: NDArray[np.int32], sample_of: NDArray[np.int64], marker_of: NDArray[np.int64]
) -> None:
    flat = sample_of * len(calls.names) + marker_of
    _, first, inverse = np.unique(flat, return_index=True, return_inverse=True)
    for row in np.flatnonzero(first[inverse] != np.arange(len(flat))):
        sample, marker = calls.samples[sample_of[row]], calls.names[marker_of[row]]
        found = f"sample {sample} at marker {marker} again (first at row {calls.table.rows[first[inverse[row]]]})"
        where = f"row {calls.table.rows[row]}"
        calls.defects.append(Defect(where=where, found=found, expected="each call once"))
    calls.cells[sample_of, marker_of] = codes
