"""Inducer and foreign segments in otherwise clean lines, and what a panel cannot see."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom

from dhverify.hypotheses import SEGMENT_KINDS
from dhverify.marker_grid import NO_MARKER, MarkerGrid

SUPPORT_RATIO: Final = 5.0
"""A marker supports a segment when the strange allele explains what was seen so many times better (common practice,
no source)."""
VISIBLE_PROBABILITY: Final = 0.95
"""A segment is visible at a length when it is found at so many of its places (the 95 % of the donor table)."""
LONGEST_CM: Final = 300.0
"""Longest segment that is looked for: no maize chromosome is longer (210 cM, Ogut et al. 2015, Heredity
114:552-563)."""


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


def kind_support(state_posterior: NDArray[np.float64], seen: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Markers whose observation speaks for an allele that the line's own donor strand does not give.

    What was seen is compared under each kind of stretch and under none, over the donor strands that the line most
    probably carries there: the same call may speak for a segment in one line and not in its sister.

    Parameters
    ----------
    state_posterior
        float64, shape (n_markers, n_states, n_lines), the kind varying fastest over states.
    seen
        float64, shape (n_markers, n_states, n_lines). Likelihood of what was observed at each marker alone.

    Returns
    -------
    ndarray
        bool, shape (n_markers, 2, n_lines). Support for an inducer stretch, and for a foreign one.

    """
    n_markers, n_states, n_lines = state_posterior.shape
    n_kinds = len(SEGMENT_KINDS)
    split = (n_markers, n_states // n_kinds, n_kinds, n_lines)
    background = state_posterior.reshape(split).sum(axis=2)
    chance = np.einsum("mbn,mbkn->mkn", background, seen.reshape(split))
    either = np.stack([chance[:, 1:3].max(axis=1), chance[:, 3:5].max(axis=1)], axis=1)
    return np.asarray(either > SUPPORT_RATIO * chance[:, :1])


def find_segments(
    kinds: NDArray[np.float64],
    grid: MarkerGrid,
    *,
    supports_inducer: NDArray[np.bool_],
    supports_foreign: NDArray[np.bool_],
    min_markers: int,
    min_confidence: float,
    line_probability: float = 1.0,
) -> list[FoundSegment]:
    """Segments of one line.

    Parameters
    ----------
    kinds
        float64, shape (n_markers, n_kinds). Posterior of the kind of stretch at each marker.
    grid
        The chains.
    supports_inducer, supports_foreign
        bool, shape (n_markers,). Markers that speak for an allele of the inducer, or of outside material
        (:func:`kind_support`).
    min_markers
        Fewer supporting markers make no segment.
    min_confidence
        Less sure ones are no segments: a segment fails a line.
    line_probability
        Probability that the line carries any segment.

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
                if not support[markers[run]].any():
                    continue
                segment = _segment(markers[run], kinds, columns, inside * line_probability, support, origin)
                if segment.markers >= min_markers and segment.confidence >= min_confidence:
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
) -> FoundSegment:
    supporting = markers[support[markers]]
    one, two = (float(kinds[markers, column].sum()) for column in columns)
    return FoundSegment(
        first=int(supporting[0]),
        last=int(supporting[-1]),
        origin=origin,
        copies=2 if two > one else 1,
        markers=len(supporting),
        confidence=float(inside[markers].max()),
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
    chromosomes = _chromosomes(grid, is_diagnostic)
    return _share_seen(length_cm, chromosomes, _chance_of_enough(chromosomes, call_rate, min_markers))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Chromosome:
    """One chromosome of a grid: where its markers begin and end, and its diagnostic ones in order (all in cM)."""

    name: str
    start_cm: float
    end_cm: float
    diagnostic_cm: NDArray[np.float64]


def _chromosomes(grid: MarkerGrid, is_diagnostic: NDArray[np.bool_]) -> list[_Chromosome]:
    found = []
    for chain in np.flatnonzero(grid.chain_chrom != ""):
        markers = grid.marker[:, chain]
        markers = markers[markers != NO_MARKER]
        cm = grid.cm[markers]
        found.append(
            _Chromosome(
                name=str(grid.chain_chrom[chain]),
                start_cm=float(cm.min()),
                end_cm=float(cm.max()),
                diagnostic_cm=np.sort(cm[is_diagnostic[markers]]),
            )
        )
    return found


def _chance_of_enough(chromosomes: list[_Chromosome], call_rate: float, min_markers: int) -> NDArray[np.float64]:
    """Chance that enough markers are called, by the number of diagnostic markers in a segment."""
    most = max((len(c.diagnostic_cm) for c in chromosomes), default=0)
    return np.asarray(binom.sf(min_markers - 1, np.arange(most + 1), call_rate))


def _share_seen(length_cm: float, chromosomes: list[_Chromosome], chance: NDArray[np.float64]) -> float:
    """Share of the segments of a length that are found, given the chance at each number of diagnostic markers."""
    seen, places = 0.0, 0.0
    for chromosome in chromosomes:
        room = chromosome.end_cm - chromosome.start_cm - length_cm
        if room <= 0:
            continue
        start = chromosome.start_cm + np.linspace(0, room, max(2, int(room) + 1))
        told = chromosome.diagnostic_cm
        count = np.searchsorted(told, start + length_cm, side="right") - np.searchsorted(told, start)
        seen += float(chance[count].mean()) * room
        places += room
    return seen / places if places > 0 else 0.0


def blind_chromosomes(grid: MarkerGrid, is_diagnostic: NDArray[np.bool_], min_markers: int) -> tuple[str, ...]:
    """Chromosomes with too few diagnostic markers to show a segment of any length, in the order of the grid.

    Parameters
    ----------
    grid
        The chains.
    is_diagnostic
        bool, shape (n_markers,).
    min_markers
        Diagnostic markers needed.

    """
    return tuple(c.name for c in _chromosomes(grid, is_diagnostic) if len(c.diagnostic_cm) < min_markers)


def smallest_visible_cm(
    grid: MarkerGrid, is_diagnostic: NDArray[np.bool_], call_rate: float, min_markers: int
) -> float | None:
    """Shortest segment that is found with probability .95, to 1 cM; None where none would be.

    It is told of the chromosomes that can show one at all; :func:`blind_chromosomes` names the others.

    Parameters
    ----------
    grid
        The chains.
    is_diagnostic
        bool, shape (n_markers,).
    call_rate
        Share of calls expected at a marker.
    min_markers
        Diagnostic markers needed.

    """
    seeing = [c for c in _chromosomes(grid, is_diagnostic) if len(c.diagnostic_cm) >= min_markers]
    longest = max((c.end_cm - c.start_cm for c in seeing), default=0.0)
    lengths = np.arange(1.0, min(LONGEST_CM, longest))
    chance = _chance_of_enough(seeing, call_rate, min_markers)
    return next((float(x) for x in lengths if _share_seen(float(x), seeing, chance) >= VISIBLE_PROBABILITY), None)
