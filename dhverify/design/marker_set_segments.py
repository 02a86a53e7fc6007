"""How well a marker set finds inducer segments: places of a segment that hold enough diagnostic markers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.design.marker_set_crosses import DesignCross
from dhverify.design.marker_set_request import MIN_SEGMENT_MARKERS
from dhverify.design.marker_set_rows import LOOSE, Candidates

STARTS_A_SEGMENT: Final = 40
"""Starts of a segment that the search looks at, per segment length; the power itself is exact."""
MOST_KEPT: Final = 20_000
"""Sets of markers on one chromosome whose places are remembered, for speed only."""


@dataclass(frozen=True, kw_only=True, eq=False)
class _Cover:
    """Measure of the starts on one chromosome that are seen, and of those that may be lost with each marker."""

    seen: float
    hanging: NDArray[np.float64]


class SegmentModel:
    """Places where a segment of one length can lie, and which of them a marker set sees.

    Parameters
    ----------
    crosses
        What is to be served.
    candidates
        Where the markers are.
    length_morgan
        Length of a segment.

    """

    def __init__(self, crosses: Sequence[DesignCross], candidates: Candidates, length_morgan: float) -> None:
        self.candidates = candidates
        self.length = length_morgan
        self.diagnostic = np.array([cross.is_diagnostic for cross in crosses]).reshape(len(crosses), -1)
        self.diagnostic[:, candidates.chain == LOOSE] = False
        self.spans = _spans(candidates, length_morgan)
        self.total = sum(high - low for low, high in self.spans.values())
        self._covers: dict[tuple[int, tuple[int, ...], int], _Cover] = {}
        self._lay_starts()

    def _lay_starts(self) -> None:
        """Starts along all chromosomes, evenly, and the range of starts that each marker lies in."""
        step = self.length / STARTS_A_SEGMENT
        n_markers = self.candidates.n_markers
        self.low, self.high = np.zeros(n_markers, dtype=np.int64), np.zeros(n_markers, dtype=np.int64)
        before = 0
        for chain, (low, high) in self.spans.items():
            n_starts = max(1, int(np.ceil((high - low) / step)))
            starts = low + (np.arange(n_starts) + 0.5) * (high - low) / n_starts
            here = np.flatnonzero(self.candidates.chain == chain)
            morgan = self.candidates.morgan[here]
            self.low[here] = before + np.searchsorted(starts, morgan - self.length, side="left")
            self.high[here] = before + np.searchsorted(starts, morgan, side="right")
            before += n_starts
        self.n_starts = before

    def power(self, cross: int, chosen: Iterable[int]) -> float:
        """Share of all places that hold at least three chosen diagnostic markers; 0 where a segment fits nowhere."""
        return self.power_after_failures(cross, chosen, 0)

    def power_after_failures(self, cross: int, chosen: Iterable[int], n_failures: int) -> float:
        """Power when the markers fail, one after the other, on which most places hang."""
        left = self.candidates.by_place(marker for marker in chosen if self.diagnostic[cross, marker])
        left = {chain: here for chain, here in left.items() if chain in self.spans}
        for to_come in range(n_failures, 0, -1):
            hanging = {chain: self._cover(chain, here, to_come).hanging for chain, here in left.items() if here}
            if not hanging:
                break
            chain = max(hanging, key=lambda chain: float(hanging[chain].max()))
            gone = int(np.argmax(hanging[chain]))
            left[chain] = left[chain][:gone] + left[chain][gone + 1 :]
        seen = sum(self._cover(chain, here, 0).seen for chain, here in left.items())
        return seen / self.total if self.total else 0.0

    def _cover(self, chain: int, here: tuple[int, ...], n_failures: int) -> _Cover:
        key = (chain, here, n_failures)
        if key not in self._covers:
            if len(self._covers) > MOST_KEPT:
                self._covers.clear()
            morgan = self.candidates.morgan[list(here)]
            self._covers[key] = _cover(morgan, self.length, self.spans[chain], n_failures)
        return self._covers[key]

    def counts(self, chosen: Iterable[int]) -> NDArray[np.int64]:
        """Chosen diagnostic markers in the segment at each start; int64, shape (n_crosses, n_starts)."""
        change = np.zeros((len(self.diagnostic), self.n_starts + 1), dtype=np.int64)
        markers = np.array(list(chosen), dtype=np.int64)
        cross, place = np.nonzero(self.diagnostic[:, markers])
        np.add.at(change, (cross, self.low[markers[place]]), 1)
        np.add.at(change, (cross, self.high[markers[place]]), -1)
        return np.asarray(change.cumsum(axis=1)[:, :-1])

    def gains(self, counts: NDArray[np.int64]) -> NDArray[np.float64]:
        """Share of starts that still lack a marker and would get each one, a third each; (n_crosses, n_markers)."""
        return self._share(counts < MIN_SEGMENT_MARKERS) / MIN_SEGMENT_MARKERS

    def losses(self, counts: NDArray[np.int64]) -> NDArray[np.float64]:
        """Share of starts that would be lost with each marker; float64, shape (n_crosses, n_markers)."""
        return self._share(counts == MIN_SEGMENT_MARKERS)

    def filled(self, counts: NDArray[np.int64]) -> NDArray[np.float64]:
        """Share of what all starts need that they have; float64, shape (n_crosses,)."""
        have = np.minimum(counts, MIN_SEGMENT_MARKERS).sum(axis=1)
        return np.asarray(have / (MIN_SEGMENT_MARKERS * max(self.n_starts, 1)))

    def reach(self) -> NDArray[np.float64]:
        """Share of places that contain each marker; float64, shape (n_markers,)."""
        reach = np.zeros(self.candidates.n_markers)
        for chain, (low, high) in self.spans.items():
            here = np.flatnonzero(self.candidates.chain == chain)
            morgan = self.candidates.morgan[here]
            reach[here] = np.maximum(0, np.minimum(morgan, high) - np.maximum(morgan - self.length, low))
        return reach / self.total if self.total else reach

    def _share(self, is_counted: NDArray[np.bool_]) -> NDArray[np.float64]:
        total = np.hstack([np.zeros((len(is_counted), 1)), is_counted.cumsum(axis=1)])
        share = (total[:, self.high] - total[:, self.low]) / max(self.n_starts, 1)
        return np.asarray(np.where(self.diagnostic, share, 0.0))


def _spans(candidates: Candidates, length: float) -> dict[int, tuple[float, float]]:
    """Range of starts on each chromosome that is long enough: from 0, or its first marker, to its last marker."""
    spans = {}
    for chain in range(len(candidates.chromosomes)):
        morgan = candidates.morgan[candidates.chain == chain]
        low, high = min(0.0, float(morgan.min())), float(morgan.max())
        if high - low > length:
            spans[chain] = (low, high - length)
    return spans


def _cover(morgan: NDArray[np.float64], length: float, span: tuple[float, float], n_failures: int) -> _Cover:
    """Which starts hold enough of the markers, given by position, and which hang on each marker if some may fail."""
    turns = np.unique(np.clip(np.concatenate([span, morgan - length, morgan]), *span))
    middle, width = (turns[1:] + turns[:-1]) / 2, np.diff(turns)
    first = np.searchsorted(morgan, middle)
    number = np.searchsorted(morgan, middle + length) - first
    is_seen = number >= MIN_SEGMENT_MARKERS
    most = MIN_SEGMENT_MARKERS + n_failures - 1
    hanging = np.zeros(len(morgan))
    for more in range(most):
        here = is_seen & (number <= most) & (number > more)
        np.add.at(hanging, first[here] + more, width[here])
    return _Cover(seen=float(width[is_seen].sum()), hanging=hanging)
