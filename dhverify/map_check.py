"""Whether the map fits the lot: markers that stand in the wrong place, or a map of something else altogether.

Neighbours on the map segregate together. In clean lines of one donor the share of lines in which two neighbours
part ways is the recombination fraction, or one minus it where the phase is not known; the smaller of the two is
compared with the map, so that no parent need be typed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.genotypes import MISSING
from dhverify.marker_grid import NO_MARKER, MarkerGrid

FEWEST_LINES: Final = 12
"""Clean lines of a family, and lines called at both neighbours, for a pair to be compared (common practice, no
source: of 12 unlinked lines 5 or more part ways in .81, computed)."""
FEWEST_PAIRS: Final = 20
"""Pairs of neighbours from which it is said whether the map fits (common practice, no source)."""
LARGEST_GAP_CM: Final = 15.0
"""Neighbours farther apart tell little of the map: at 15 cM .13 of the gametes part ways (Haldane 1919, J Genet
8:299-309); the value itself is common practice, no source."""
MINOR_SHARE: Final = 0.2
"""A marker segregates in a family when the rarer homozygote has this share of its lines at least (common practice, no
source)."""
APART: Final = 0.3
"""Neighbours that part ways in more of the lines than this are not linked (unlinked ones do in about .42 of 20)."""
TOGETHER: Final = 0.18
"""Markers that part ways in fewer of the lines are linked, so that one between them that is not is misplaced (common
practice, no source)."""
WRONG_MAP: Final = 0.3
"""Mean share over all close neighbours from which the map does not fit the lot at all."""


@dataclass(frozen=True, kw_only=True, eq=False)
class MapFit:
    """How the map fits.

    Attributes
    ----------
    parted
        Mean share of clean lines in which close neighbours part ways; nan where too few could be compared.
    n_pairs
        Pairs of neighbours compared.
    misplaced
        int64. Markers that segregate with neither neighbour, while the two neighbours segregate together.

    """

    parted: float
    n_pairs: int
    misplaced: NDArray[np.int64]

    @property
    def is_wrong(self) -> bool:
        """Whether the map is of something else."""
        return self.n_pairs >= FEWEST_PAIRS and self.parted > WRONG_MAP


def fit_map(families: Sequence[NDArray[np.int8]], grid: MarkerGrid) -> MapFit:
    """Compare the map with how neighbours segregate.

    Parameters
    ----------
    families
        For each family, calls of its clean lines: int8, shape (n_lines, n_markers).
    grid
        The chains.

    """
    shares: list[float] = []
    suspicion = np.zeros(grid.n_markers)
    looked = np.zeros(grid.n_markers)
    for calls in families:
        if len(calls) < FEWEST_LINES:
            continue
        for chain in np.flatnonzero(grid.chain_chrom != ""):
            markers = grid.marker[:, chain]
            markers = markers[markers != NO_MARKER]
            segregating = markers[_segregates(calls[:, markers])]
            if len(segregating) < 3:
                continue
            near = _parting(calls, segregating[:-1], segregating[1:])
            is_close = np.diff(grid.cm[segregating]) <= LARGEST_GAP_CM
            shares += near[is_close].tolist()
            across = _parting(calls, segregating[:-2], segregating[2:])
            middle = segregating[1:-1]
            usable = is_close[:-1] & is_close[1:]
            odd = (near[:-1] > APART) & (near[1:] > APART) & (across < TOGETHER)
            looked[middle[usable]] += 1
            suspicion[middle[usable & odd]] += 1
    return MapFit(
        parted=float(np.mean(shares)) if shares else float("nan"),
        n_pairs=len(shares),
        misplaced=np.flatnonzero((suspicion > 0) & (suspicion > looked / 2)),
    )


def _segregates(calls: NDArray[np.int8]) -> NDArray[np.bool_]:
    first, second = (calls == 0).sum(axis=0), (calls == 2).sum(axis=0)
    total = first + second
    return (np.minimum(first, second) >= MINOR_SHARE * np.maximum(total, 1)) & (total >= FEWEST_LINES)


def _parting(calls: NDArray[np.int8], first: NDArray[np.int64], second: NDArray[np.int64]) -> NDArray[np.float64]:
    """Smaller of the shares of lines in which two markers agree or part ways; shape (n_pairs,)."""
    a, b = calls[:, first], calls[:, second]
    both = (a != MISSING) & (b != MISSING) & (a != 1) & (b != 1)
    parted = (both & (a != b)).sum(axis=0) / np.maximum(both.sum(axis=0), 1)
    return np.asarray(np.minimum(parted, 1 - parted))
