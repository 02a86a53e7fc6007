"""Which columns of a genotype table are what, and which way round a wide table lies."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from dhverify.errors import Defect, FormatError
from dhverify.formats.call_codings import CODINGS, UNKNOWN, decoder, fitting_codings, is_missing
from dhverify.formats.defects import MOST_DIGITS, whole_number
from dhverify.formats.sheet_values import SHEET_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from dhverify.formats.text_table import TextTable
    from dhverify.samples import SampleSheet

_NAMES: Final = {
    "sample": (
        "sample",
        "samples",
        "sample_id",
        "sample_name",
        "line",
        "plant",
        "individual",
        "entry",
        "taxa",
    ),
    "marker": (
        "marker",
        "markers",
        "marker_id",
        "marker_name",
        "snp",
        "snp_id",
        "snp_name",
        "locus",
        "mk_names",
    ),
    "genotype": ("genotype", "call", "gt"),
    "chrom": ("chrom", "chr", "chromosome", "linkage_group"),
    "pos": ("pos", "position", "pos_bp", "bp", "position_bp"),
    "cm": ("cm", "pos_cm", "position_cm"),
    "ref": ("ref", "first_allele", "allele_1", "reference"),
    "alt": ("alt", "second_allele", "allele_2", "alternate"),
}
_SHEET_COLUMNS: Final = frozenset({*SHEET_COLUMNS, "cross", "family", "population"}) - {"sample", "line"}
_SAMPLE_NAMES: Final = ("sample", "sample_id", "sample_name")
_MOST_CALLS_OF_NO_CALL_COLUMN: Final = 0.1
"""A column with a larger share of calls is taken for a sample with bad calls, which are then named."""
_MOST_CHROMOSOMES: Final = 1000
"""No genome has more chromosomes, and no file of markers keeps within so few base pairs (common practice)."""


def canonical(column: str) -> str:
    """Return a column name in lower case with underscores.

    Examples
    --------
    >>> canonical("#Pos (cM)"), canonical("Sample ID")
    ('pos_cm', 'sample_id')

    """
    text = "".join(letter if letter.isalnum() else "_" for letter in column.strip().lower())
    return "_".join(word for word in text.split("_") if word)


def known_columns(header: tuple[str, ...]) -> dict[str, int]:
    """Return the index of each column that is known by its name; the first where two are."""
    names = {name: kind for kind, aliases in _NAMES.items() for name in aliases}
    found: dict[str, int] = {}
    for index, column in enumerate(header):
        kind = names.get(canonical(column))
        if kind is not None:
            found.setdefault(kind, index)
    return found


def sample_column(header: tuple[str, ...]) -> int:
    """Return the column of the sample names where the rows are samples: by its name, else the first."""
    named = [index for index, column in enumerate(header) if canonical(column) in _SAMPLE_NAMES]
    return named[0] if named else 0


def is_long(header: tuple[str, ...]) -> bool:
    """Whether a table has the columns of a row per call."""
    return {"sample", "marker", "genotype"} <= known_columns(header).keys()


@dataclass(frozen=True, kw_only=True)
class Orientation:
    """Which way round a wide table lies, and why that was taken."""

    has_marker_rows: bool
    reason: str
    is_guess: bool = False


def orientation(table: TextTable, sheet: SampleSheet | None) -> Orientation:
    """Find out whether the rows of a wide table are markers or samples.

    The sample sheet decides, if there is one that names samples of the table; else the column names; else the
    bases, of which a marker has two; else it is taken that there are more markers than samples.
    """
    if sheet is not None:
        in_header = sum(name in sheet for name in table.header)
        in_rows = sum(name in sheet for name in table.column(sample_column(table.header)))
        if in_header != in_rows:
            return Orientation(has_marker_rows=in_header > in_rows, reason="by the sample sheet's names")
    known = known_columns(table.header)
    if known.keys() & {"chrom", "pos", "cm", "ref"} or "marker" in known:
        return Orientation(has_marker_rows=True, reason="by the column names")
    if known.get("sample") == 0 or sample_column(table.header) > 0:
        return Orientation(has_marker_rows=False, reason="by the column names")
    by_bases = _by_bases(table)
    if by_bases is not None:
        return Orientation(has_marker_rows=by_bases, reason="as a marker has two bases")
    n_rows, n_columns = table.cells.shape
    if n_rows == n_columns - 1:
        found = f"{n_rows} rows and as many columns"
        expected = "a first column named marker or sample, to tell which the rows are"
        raise FormatError(str(table.path), [Defect(where="header", found=found, expected=expected)])
    return Orientation(
        has_marker_rows=n_rows > n_columns - 1,
        reason="taking it that there are more markers than samples; name the first column marker or sample",
        is_guess=True,
    )


def _by_bases(table: TextTable) -> bool | None:
    """Whether rows are markers, by the bases along rows and columns; None where that does not tell."""
    body = table.cells[:, 1:]
    lookup = decoder(table.texts, "bases")
    if fitting_codings({table.texts[code] for code in np.unique(body)}) != ("bases",):
        return None
    first, second = lookup.first[body], lookup.second[body]
    seen = [(first == base) | (second == base) for base in range(4)]
    most_in_row = int(np.sum([base.any(axis=1) for base in seen], axis=0).max())
    most_in_column = int(np.sum([base.any(axis=0) for base in seen], axis=0).max())
    if (most_in_row <= 2) == (most_in_column <= 2):
        return None
    return most_in_row <= 2


def columns_without_calls(table: TextTable, candidates: list[int], keep: frozenset[str]) -> list[int]:
    """Return the columns among the candidates that hold something else than calls.

    Parameters
    ----------
    table
        The table.
    candidates
        Indices of columns that might hold calls.
    keep
        Names of columns that do hold calls, whatever stands in them.

    """
    is_call = np.zeros(len(table.texts), dtype=np.bool_)
    for coding in CODINGS:
        is_call |= decoder(table.texts, coding).first != UNKNOWN
    missing = np.array([is_missing(text) for text in table.texts])
    is_call &= ~missing
    found = []
    for index in candidates:
        name = table.header[index]
        filled = table.cells[:, index][~missing[table.cells[:, index]]]
        has_no_calls = len(filled) > 0 and np.mean(is_call[filled]) <= _MOST_CALLS_OF_NO_CALL_COLUMN
        if name not in keep and (canonical(name) in _SHEET_COLUMNS or has_no_calls):
            found.append(index)
    return found


@dataclass(frozen=True, kw_only=True)
class Places:
    """Positions of markers as the table has them, one entry a row of the table."""

    chrom: list[str]
    pos_bp: list[int]
    cm: list[float]


def exchanged_places(chrom: Sequence[str], pos_bp: Sequence[int], columns: tuple[str, str]) -> Defect | None:
    """Return what is wrong where base pairs stand for chromosomes, and chromosomes for base pairs; else None.

    Parameters
    ----------
    chrom, pos_bp
        Of each marker; empty and -1 where unknown.
    columns
        Names of the two columns.

    Examples
    --------
    >>> print(exchanged_places(["1200000", "3400000"], [1, 2], ("chrom", "pos")).found)
    chromosomes up to 3400000 and positions up to 2

    """
    numbers = [whole_number(name) for name in {name for name in chrom if name}]
    known = [number for number in numbers if number is not None]
    if not known or len(known) < len(numbers):
        return None
    highest, furthest = max(known), max(pos_bp, default=-1)
    if highest <= _MOST_CHROMOSOMES or furthest > _MOST_CHROMOSOMES or furthest < 0:
        return None
    return Defect(
        where=f"columns {columns[0]} and {columns[1]}",
        found=f"chromosomes up to {highest} and positions up to {furthest}",
        expected=f"chromosomes under {columns[0]}, base pairs under {columns[1]}: the two seem to be exchanged",
    )


def places(table: TextTable, known: dict[str, int], defects: list[Defect]) -> Places:
    """Read the columns chrom, pos and cm; what is wrong there is added to the defects."""
    n_rows = len(table.rows)
    chrom = table.column(known["chrom"]) if "chrom" in known else [""] * n_rows
    pos = _numbers(table, known.get("pos"), _whole, "a whole number of base pairs, or empty", defects)
    cm = _numbers(table, known.get("cm"), _real, "a number of centimorgans, or empty", defects)
    chrom = ["" if is_missing(name) else name for name in chrom]
    pos_bp = [int(value) if value >= 0 else -1 for value in pos]
    if "chrom" in known and "pos" in known:
        exchanged = exchanged_places(chrom, pos_bp, (table.header[known["chrom"]], table.header[known["pos"]]))
        defects += [exchanged] if exchanged else []
    return Places(chrom=chrom, pos_bp=pos_bp, cm=cm)


def _numbers(
    table: TextTable, column: int | None, parse: Callable[[str], float], expected: str, defects: list[Defect]
) -> list[float]:
    if column is None:
        return [math.nan] * len(table.rows)
    numbers = []
    for text, row in zip(table.column(column), table.rows, strict=True):
        try:
            numbers.append(math.nan if is_missing(text) else parse(text))
        except ValueError:
            numbers.append(math.nan)
            where = f"row {row}, column {table.header[column]}"
            defects.append(Defect(where=where, found=text, expected=expected))
    return numbers


def _whole(text: str) -> float:
    number = _real(text)
    if not 0 <= number < 10**MOST_DIGITS or number != int(number):
        raise ValueError(text)
    return number


def _real(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(text)
    return number
