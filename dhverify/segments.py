"""Inducer and foreign segments in otherwise clean lines, and what a panel cannot see."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom

from dhverify.hypotheses import SEGMENT_KINDS
from dhverify.marker_grid import NO_MARKER, MarkerGrid

LOWEST_CONFIDENCE: Final = 0.9
"""A segment is reported when its best marker lies in one with at least this probability."""
VISIBLE_PROBABILITY: Final = 0.95
LONGEST_CM: Final = 300.0


@dataclass(frozen=True, kw_only=True)
class FoundSegment:
    """A run of markers that most probably lie in a segment.

    Attributes
    ----------
    first, last
        First and last supporting marker.
    origin
        ``inducer`` or ``foreign``.
    copies
        1 heterozygous, 2 homozygous.
    markers
        Supporting markers: they show the allele that the donor cannot give.
    confidence
        Highest posterior of the segment over its markers.

    """

    first: int
    last: int
    origin: str
    copies: int
    markers: int
    confidence: float


def kind_posterior(state_posterior: NDArray[np.float64]) -> NDArray[np.float64]:
    """Pool states by kind of stretch.

    Parameters
    ----------
    state_posterior
        float64, shape (n_markers, n_states, n_lines), the kind varying fastest over states.

    Returns
    -------
    ndarray
        float64, shape (n_markers, n_kinds, n_lines), in the order of ``SEGMENT_KINDS``.

    """
    n_markers, n_states, n_lines = state_posterior.shape
    n_kinds = len(SEGMENT_KINDS)
    split = state_posterior.reshape(n_markers, n_states // n_kinds, n_kinds, n_lines)
    return np.asarray(split.sum(axis=1))


def find_segments(
    kinds: NDArray[np.float64],
    grid: MarkerGrid,
    *,
    supports_inducer: NDArray[np.bool_],
    supports_foreign: NDArray[np.bool_],
    min_markers: int,
) -> list[FoundSegment]:
    """Segments of one line.

    Parameters
    ----------
    kinds
        float64, shape (n_markers, n_kinds). Posterior of the kind of stretch at each marker.
    grid
        The chains.
    supports_inducer, supports_foreign
        bool, shape (n_markers,). Markers where the line shows an allele that only the inducer, or only
        outside material, can have given.
    min_markers
        Fewer supporting markers make no segment.

    """
    found = []
    for origin, columns, support in (
        ("inducer", (1, 2), supports_inducer),
        ("foreign", (3, 4), supports_foreign),
    ):
        inside = kinds[:, columns].sum(axis=1)
        for chain in np.flatnonzero(grid.chain_chrom != ""):
            markers = grid.marker[:, chain]
            markers = markers[markers != NO_MARKER]
            for run in _runs(inside[markers] > 0.5):
                segment = _segment(markers[run], kinds, columns, inside, support, origin)
                if segment is not None and segment.markers >= min_markers:
                    found.append(segment)
    return found


def _runs(is_inside: NDArray[np.bool_]) -> list[slice]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], is_inside, [False]]).astype(np.int8)))
    return [slice(int(start), int(stop)) for start, stop in zip(edges[::2], edges[1::2], strict=True)]


def _segment(
    markers: NDArray[np.int64],
    kinds: NDArray[np.float64],
    columns: tuple[int, int],
    inside: NDArray[np.float64],
    support: NDArray[np.bool_],
    origin: str,
) -> FoundSegment | None:
    supporting = markers[support[markers]]
    confidence = float(inside[markers].max())
    if not len(supporting) or confidence < LOWEST_CONFIDENCE:
        return None
    one, two = (float(kinds[markers, column].sum()) for column in columns)
    return FoundSegment(
        first=int(supporting[0]),
        last=int(supporting[-1]),
        origin=origin,
        copies=2 if two > one else 1,
        markers=len(supporting),
        confidence=confidence,
    )


def share_seen(
    length_cm: float, grid: MarkerGrid, is_diagnostic: NDArray[np.bool_], call_rate: float, min_markers: int
) -> float:
    """Share of the places where a segment lies whole on a chromosome that show it.

    A place shows it when at least ``min_markers`` diagnostic markers within it are called.

    Parameters
    ----------
    length_cm
        Length of the segment.
    grid
        The chains.
    is_diagnostic
        bool, shape (n_markers,).
    call_rate
        Share of calls expected at a marker.
    min_markers
        Diagnostic markers needed.

    """
    seen, places = 0.0, 0.0
    for chain in np.flatnonzero(grid.chain_chrom != ""):
        markers = grid.marker[:, chain]
        markers = markers[markers != NO_MARKER]
        cm = grid.cm[markers]
        room = float(np.ptp(cm)) - length_cm
        if room <= 0:
            continue
        start = cm.min() + np.linspace(0, room, max(2, int(room) + 1))
        told = np.sort(cm[is_diagnostic[markers]])
        count = np.searchsorted(told, start + length_cm, side="right") - np.searchsorted(told, start)
        chance = binom.sf(min_markers - 1, count, call_rate)
        seen += float(chance.mean()) * room
        places += room
    return seen / places if places > 0 else 0.0


def smallest_visible_cm(
    grid: MarkerGrid, is_diagnostic: NDArray[np.bool_], call_rate: float, min_markers: int
) -> float | None:
    """Shortest segment that is found with probability .95, to 1 cM; None where none would be."""
    lengths = np.arange(1.0, min(LONGEST_CM, float(grid.chain_length_morgan().max(initial=0.0)) * 100))
    if not len(lengths) or not is_diagnostic.any():
        return None
    low, high = 0, len(lengths) - 1
    if share_seen(float(lengths[high]), grid, is_diagnostic, call_rate, min_markers) < VISIBLE_PROBABILITY:
        return None
    while low < high:
        middle = (low + high) // 2
        share = share_seen(float(lengths[middle]), grid, is_diagnostic, call_rate, min_markers)
        low, high = (low, middle) if share >= VISIBLE_PROBABILITY else (middle + 1, high)
    return float(lengths[low])
