"""Genotype tables, wide and long, into calls."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from dhverify.errors import Defect, FormatError
from dhverify.formats.call_codings import (
    ALLELES,
    ALPHABETS,
    BASES,
    EXPECTED,
    HALF,
    UNKNOWN,
    Decoder,
    best_coding,
    decoder,
    fitting_codings,
    is_missing,
)
from dhverify.formats.defects import MOST_LISTED, a_few, capped, counted
from dhverify.formats.part import Part, set_aside_warning
from dhverify.formats.table_shape import TableCalls, shaped
from dhverify.formats.text_table import read_text_table
from dhverify.genotypes import MISSING, Markers, SetAsideMarker

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from dhverify.samples import SampleSheet

_THREE_BASES: Final = "more than two bases among the samples"
_NOT_OF_THE_COLUMNS: Final = "a base that its allele columns do not name"


def read_table(path: Path, *, layout: str, coding: str, sheet: SampleSheet | None) -> Part:
    """Read a genotype table.

    Parameters
    ----------
    path
        CSV or TSV, plain or compressed.
    layout
        ``auto``, ``wide`` or ``long``.
    coding
        ``auto``, ``bases``, ``copies``, ``alleles`` or ``parents``.
    sheet
        The sample sheet, to tell which way round a wide table lies.

    Raises
    ------
    FormatError
        Naming everything that is wrong in the file.

    """
    table = read_text_table(path)
    calls = shaped(table, layout, sheet)
    counts = _text_counts(calls)
    coding = _coding(calls, counts, coding)
    lookup = decoder(table.texts, coding)
    _check(calls, counts, lookup, coding)
    return _part(calls, lookup, coding)


def table_samples(path: Path, *, layout: str) -> tuple[str, ...]:
    """Return the sample names of a genotype table, whatever the coding of its calls.

    Raises
    ------
    FormatError
        Naming everything that is wrong in the shape of the table.

    """
    table = read_text_table(path)
    calls = shaped(table, layout, None)
    if calls.defects:
        raise FormatError(str(path), capped(calls.defects))
    return tuple(calls.samples)


def _text_counts(calls: TableCalls) -> NDArray[np.int64]:
    """Count how often each text stands in a cell with a call, shape (n_texts,)."""
    counts = np.zeros(len(calls.table.texts), dtype=np.int64)
    for row in calls.cells:
        counts += np.bincount(row[row >= 0], minlength=len(counts))
    return counts


def _coding(calls: TableCalls, counts: NDArray[np.int64], coding: str) -> str:
    texts = [calls.table.texts[code] for code in np.flatnonzero(counts)]
    symbols = sorted({text for text in texts if not is_missing(text)})
    if not symbols:
        calls.warnings.append("not one call in the file")
        return coding if coding != "auto" else "copies"
    if coding != "auto":
        return coding
    fits = fitting_codings(texts)
    if len(fits) == 1:
        calls.notes.append(f"calls read as {fits[0]}")
        return fits[0]
    if fits:
        found = f"only {a_few(symbols)}, which may be " + " or ".join(fits)
        defect = Defect(where="coding", found=found, expected="the option --coding to say which")
        raise FormatError(str(calls.table.path), [*capped(calls.defects), defect])
    guess = best_coding(texts, counts[counts > 0])
    calls.notes.append(f"calls read as {guess}")
    return guess


def _check(calls: TableCalls, counts: NDArray[np.int64], lookup: Decoder, coding: str) -> None:
    is_unknown = (lookup.first == UNKNOWN) & (counts > 0)
    n_found = len(calls.defects) + int(counts[is_unknown].sum())
    for sample in np.flatnonzero([np.any(is_unknown[row] & (row >= 0)) for row in calls.cells]):
        row = calls.cells[sample]
        for marker in np.flatnonzero(is_unknown[row] & (row >= 0))[:MOST_LISTED]:
            text = calls.table.texts[row[marker]]
            where = calls.cell_name(int(sample), int(marker))
            calls.defects.append(Defect(where=where, found=text, expected=f"{coding}: {EXPECTED[coding]}"))
        if len(calls.defects) >= MOST_LISTED:
            break
    if calls.defects:
        raise FormatError(str(calls.table.path), capped(calls.defects, n_found=n_found))


def _part(calls: TableCalls, lookup: Decoder, coding: str) -> Part:
    first = np.where(calls.cells >= 0, lookup.first[calls.cells], np.int8(MISSING))
    second = np.where(calls.cells >= 0, lookup.second[calls.cells], np.int8(MISSING))
    half_calls = np.sum(first == HALF, axis=1)
    kept, reasons = _alleles(first, second, calls.named_alleles, coding)
    copies = (first == kept[:, 1]).astype(np.int8) + (second == kept[:, 1]).astype(np.int8)
    copies[first < 0] = MISSING
    is_kept = np.array([not reason for reason in reasons], dtype=np.bool_)
    set_aside = _set_aside(calls, reasons)
    source = calls.table.path.name
    names = calls.named_alleles if coding != "bases" else None
    return Part(
        source=source,
        samples=tuple(calls.samples),
        markers=_markers(calls, _allele_names(kept, coding, names), is_kept),
        calls=copies if is_kept.all() else copies[:, is_kept],
        half_calls=half_calls.astype(np.int64),
        alphabet=ALPHABETS["bases" if names is not None and coding == "copies" else coding],
        is_ordered=coding != "bases" or calls.named_alleles is not None,
        set_aside=set_aside,
        notes=tuple(f"{source}: {note}." for note in calls.notes),
        warnings=(
            *(f"{source}: {warning}." for warning in calls.warnings),
            *set_aside_warning(source, set_aside),
            *_half_warning(source, int(half_calls.sum())),
        ),
    )


def _half_warning(source: str, count: int) -> list[str]:
    return [f"{source}: {counted(count, 'half call')} (one allele missing) set to missing."] if count else []


def _alleles(
    first: NDArray[np.int8], second: NDArray[np.int8], named: list[tuple[str, str]] | None, coding: str
) -> tuple[NDArray[np.int8], list[str]]:
    """Return the two alleles of each marker, int8 (n_markers, 2), and why it is set aside ('' if not)."""
    n_markers = first.shape[1]
    if coding != "bases":
        return np.tile(np.array([0, 1], dtype=np.int8), (n_markers, 1)), [""] * n_markers
    seen = np.array([((first == base) | (second == base)).any(axis=0) for base in range(4)]).T
    kept = np.full((n_markers, 2), -1, dtype=np.int8)
    reasons = [""] * n_markers
    for marker, bases in enumerate(seen):
        found = [int(base) for base in np.flatnonzero(bases)]
        if named is not None:
            found, reasons[marker] = _in_named_order(found, named[marker])
        elif len(found) > 2:
            reasons[marker] = _THREE_BASES
        kept[marker, : len(found[:2])] = found[:2]
    # a base that no call can equal, so that calls of a marker with one base are 0 copies of the second
    kept[kept[:, 1] < 0, 1] = np.int8(len(BASES))
    return kept, reasons


def _in_named_order(found: list[int], named: tuple[str, str]) -> tuple[list[int], str]:
    order = [BASES.index(name) for name in named if name in set(BASES)]
    more = [base for base in found if base not in order]
    if more and len(order) == sum(map(bool, named)) == 2:
        return order, _NOT_OF_THE_COLUMNS
    return (order + more)[:2], _THREE_BASES if len(order + more) > 2 else ""


def _allele_names(kept: NDArray[np.int8], coding: str, named: list[tuple[str, str]] | None) -> list[tuple[str, str]]:
    if named is not None and coding == "copies":
        return named
    alleles = (*ALLELES[coding], "", "")
    return [(alleles[first] if first >= 0 else "", alleles[second]) for first, second in kept.tolist()]


def _set_aside(calls: TableCalls, reasons: list[str]) -> tuple[SetAsideMarker, ...]:
    return tuple(
        SetAsideMarker(
            name=calls.marker_name(marker),
            chrom=calls.places.chrom[marker],
            pos_bp=calls.places.pos_bp[marker],
            reason=reason,
        )
        for marker, reason in enumerate(reasons)
        if reason
    )


def _markers(calls: TableCalls, alleles: list[tuple[str, str]], is_kept: NDArray[np.bool_]) -> Markers:
    return Markers(
        name=np.array(calls.names, dtype=np.str_)[is_kept],
        chrom=np.array(calls.places.chrom, dtype=np.str_)[is_kept],
        pos_bp=np.array(calls.places.pos_bp, dtype=np.int64)[is_kept],
        cm=np.array(calls.places.cm, dtype=np.float64)[is_kept],
        first_allele=np.array([first for first, _ in alleles], dtype=np.str_)[is_kept],
        second_allele=np.array([second for _, second in alleles], dtype=np.str_)[is_kept],
    )
