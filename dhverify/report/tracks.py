"""What is drawn of a line along its chromosomes: stretches in cM, for the page and the figures."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dhverify.outcome import MarkerRow, Track

REACH_CM: Final = 10.0
"""How far to each side a called informative marker speaks for its chromosome in a picture."""

FOREIGN_REACH_CM: Final = 5.0
MOST_CHROMOSOMES: Final = 40
"""Chromosomes (or scaffolds) drawn; the longest ones if there are more."""


@dataclass(frozen=True, kw_only=True)
class Chromosome:
    """One chromosome of a picture: its name and its first and last position in cM."""

    name: str
    start_cm: float
    end_cm: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Stage:
    """Where every marker of an outcome stands in a picture.

    Attributes
    ----------
    chromosomes
        Those drawn, from top to bottom.
    n_left_out
        Chromosomes that are not drawn.
    marker_row
        int64, shape (n_markers,). Index into ``chromosomes``; -1 where not drawn.
    marker_cm
        float64, shape (n_markers,). Position; nan where not known.

    """

    chromosomes: tuple[Chromosome, ...]
    n_left_out: int
    marker_row: NDArray[np.int64]
    marker_cm: NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """A stretch of one chromosome; ``level`` is a strand (-1: not traced) or a number of inducer copies."""

    row: int
    start_cm: float
    end_cm: float
    level: int
    joins_previous: bool = False


@dataclass(frozen=True, kw_only=True, eq=False)
class Picture:
    """Everything drawn for one line.

    Attributes
    ----------
    strands
        Names of the donor strands, from top to bottom.
    steps
        Which strand the line carries, where markers tell.
    heterozygous, inducer, foreign
        Stretches with heterozygous calls, with inducer alleles, with foreign alleles.
    tick_row, tick_cm
        int64 and float64, shape (n_informative,). Informative markers of the family.

    """

    strands: tuple[str, ...]
    steps: tuple[Stretch, ...]
    heterozygous: tuple[Stretch, ...]
    inducer: tuple[Stretch, ...]
    foreign: tuple[Stretch, ...]
    tick_row: NDArray[np.int64]
    tick_cm: NDArray[np.float64]


def stage(markers: tuple[MarkerRow, ...]) -> Stage:
    """Lay out the chromosomes on which the usable markers are placed."""
    marker_cm = np.array([np.nan if row.cm is None else row.cm for row in markers], dtype=np.float64)
    spans: dict[str, list[float]] = {}
    for row, cm in zip(markers, marker_cm, strict=True):
        if row.chrom and row.usable and np.isfinite(cm):
            spans.setdefault(row.chrom, []).append(float(cm))
    longest = sorted(spans, key=lambda name: (-max(spans[name]), natural_key(name)))[:MOST_CHROMOSOMES]
    drawn = sorted(longest, key=natural_key)
    rows = {name: place for place, name in enumerate(drawn)}
    marker_row = np.array([rows.get(row.chrom, -1) for row in markers], dtype=np.int64)
    marker_row[~np.isfinite(marker_cm)] = -1
    chromosomes = tuple(
        Chromosome(name=name, start_cm=min(0.0, *spans[name]), end_cm=max(spans[name])) for name in drawn
    )
    return Stage(
        chromosomes=chromosomes,
        n_left_out=len(spans) - len(drawn),
        marker_row=marker_row,
        marker_cm=marker_cm,
    )


def natural_key(name: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key that puts ``chr2`` before ``chr10``.

    Examples
    --------
    >>> sorted(["chr10", "chr2", "B", "1"], key=natural_key)
    ['1', 'B', 'chr2', 'chr10']

    """
    parts = re.findall(r"[0-9]+|[^0-9]+", name)
    return tuple(
        (0, len(part.lstrip("0")), part.lstrip("0")) if part.isdecimal() else (1, 0, part.casefold()) for part in parts
    )


def picture(track: Track, on: Stage) -> Picture:
    """Work out what is drawn of one line."""
    row, cm = on.marker_row[track.marker_index], on.marker_cm[track.marker_index]
    order = np.lexsort((cm, row))
    order = order[row[order] >= 0]
    row, cm = row[order], cm[order]
    call, informative = track.call[order], track.is_informative[order]
    told = informative & (call >= 0)
    is_het = call == 1
    seen = told | is_het
    copies = track.copies_of_inducer[order]
    foreign = track.is_foreign[order]
    return Picture(
        strands=track.strands,
        steps=_steps(row[told], cm[told], track.strand[order][told], on),
        heterozygous=_runs(row[seen], cm[seen], is_het[seen].astype(np.int64), reach_cm=2 * REACH_CM),
        inducer=_runs(row, cm, np.maximum(copies, 0).astype(np.int64), reach_cm=np.inf),
        foreign=_runs(row[foreign], cm[foreign], np.ones(foreign.sum(), dtype=np.int64), reach_cm=FOREIGN_REACH_CM),
        tick_row=row[informative],
        tick_cm=cm[informative],
    )


def _steps(
    row: NDArray[np.int64], cm: NDArray[np.float64], strand: NDArray[np.int16], on: Stage
) -> tuple[Stretch, ...]:
    """Stretches of one strand; two markers join where both reach over what lies between them."""
    if not len(row):
        return ()
    level = np.maximum(strand.astype(np.int64), -1)
    joined = (row[1:] == row[:-1]) & (np.diff(cm) <= 2 * REACH_CM)
    first = np.concatenate([[True], ~joined | (level[1:] != level[:-1])])
    begin = np.flatnonzero(first)
    end = np.concatenate([begin[1:], [len(row)]]) - 1
    joins = np.concatenate([[False], joined])[begin]
    low = np.array([chromosome.start_cm for chromosome in on.chromosomes])[row[begin]]
    high = np.array([chromosome.end_cm for chromosome in on.chromosomes])[row[begin]]
    middle_before = (cm[begin] + cm[np.maximum(begin - 1, 0)]) / 2
    start_cm = np.where(joins, middle_before, np.maximum(cm[begin] - REACH_CM, low))
    end_cm = np.minimum(cm[end] + REACH_CM, high)
    goes_on = np.concatenate([joins[1:], [False]])
    end_cm = np.where(goes_on, np.concatenate([middle_before[1:], [0.0]]), end_cm)
    return _stretches(row[begin], start_cm, end_cm, level[begin], joins)


def _runs(
    row: NDArray[np.int64], cm: NDArray[np.float64], level: NDArray[np.int64], *, reach_cm: float
) -> tuple[Stretch, ...]:
    """Find runs of one level above 0 among neighbours that are at most ``reach_cm`` apart."""
    if not len(row) or not level.any():
        return ()
    breaks = (row[1:] != row[:-1]) | (level[1:] != level[:-1]) | (np.diff(cm) > reach_cm)
    begin = np.flatnonzero(np.concatenate([[True], breaks]))
    end = np.concatenate([begin[1:], [len(row)]]) - 1
    kept = level[begin] > 0
    begin, end = begin[kept], end[kept]
    return _stretches(row[begin], cm[begin], cm[end], level[begin], np.zeros(len(begin), dtype=bool))


def _stretches(
    row: NDArray[Any], start: NDArray[Any], end: NDArray[Any], level: NDArray[Any], joins: NDArray[Any]
) -> tuple[Stretch, ...]:
    columns = (row.tolist(), start.tolist(), end.tolist(), level.tolist(), joins.tolist())
    return tuple(
        Stretch(row=r, start_cm=a, end_cm=b, level=k, joins_previous=j) for r, a, b, k, j in zip(*columns, strict=True)
    )
