"""Usable markers laid out as chains along the chromosomes, ready for a recursion over all of them at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.genotypes import locked

NO_MARKER: Final = -1
"""Padding of a chain that is shorter than the longest one."""


@dataclass(frozen=True, kw_only=True, eq=False)
class MarkerGrid:
    """Chains of markers: one a chromosome, and chains of unlinked markers for what has no place.

    Attributes
    ----------
    marker
        int64, shape (n_steps, n_chains). Index of the marker at each step of each chain; ``NO_MARKER`` pads.
    gap_morgan
        float64, shape (n_steps, n_chains). Distance to the step before; ``inf`` at the start of a chain and
        between unlinked markers, 0 at padding.
    chain_chrom
        str, shape (n_chains,). Chromosome of each chain; empty for unlinked markers.
    cm
        float64, shape (n_markers,). Position of every marker; nan where unplaced.
    weight
        float64, shape (n_markers,). Share of the genome that each marker stands for; adds to 1 over placed
        markers (over all, evenly, where none is placed).

    """

    marker: NDArray[np.int64]
    gap_morgan: NDArray[np.float64]
    chain_chrom: NDArray[np.str_]
    cm: NDArray[np.float64]
    weight: NDArray[np.float64]

    def __post_init__(self) -> None:
        for field in ("marker", "gap_morgan", "chain_chrom", "cm", "weight"):
            object.__setattr__(self, field, locked(getattr(self, field)))

    @property
    def n_steps(self) -> int:
        """Length of the longest chain."""
        return self.marker.shape[0]

    @property
    def n_chains(self) -> int:
        """Number of chains."""
        return self.marker.shape[1]

    @property
    def n_markers(self) -> int:
        """Number of markers in the grid."""
        return len(self.cm)

    def chain_length_morgan(self) -> NDArray[np.float64]:
        """Map length that the markers of each placed chain span; float64, shape (n_placed_chains,)."""
        gaps = np.where(np.isfinite(self.gap_morgan), self.gap_morgan, 0.0)
        return gaps.sum(axis=0)[self.chain_chrom != ""]


def lay_out(chrom: NDArray[np.str_], cm: NDArray[np.float64]) -> MarkerGrid:
    """Lay markers out as chains.

    Parameters
    ----------
    chrom
        str, shape (n_markers,). Chromosome; empty where unplaced.
    cm
        float64, shape (n_markers,). Position; nan where unplaced.

    Returns
    -------
    MarkerGrid
        Chromosomes in order of first appearance, markers by position, ties in the order given.

    """
    is_placed = (chrom != "") & np.isfinite(cm)
    names = list(dict.fromkeys(str(c) for c in chrom[is_placed]))
    chains = [_sorted_chain(np.flatnonzero(is_placed & (chrom == name)), cm) for name in names]
    loose = np.flatnonzero(~is_placed)
    longest = max([len(chain) for chain in chains], default=0) or max(1, int(np.ceil(np.sqrt(len(loose)))))
    loose_chains = [loose[start : start + longest] for start in range(0, len(loose), longest)]
    marker = np.full((longest, len(chains) + len(loose_chains)), NO_MARKER, dtype=np.int64)
    gap = np.zeros(marker.shape)
    for column, chain in enumerate(chains):
        marker[: len(chain), column] = chain
        gap[1 : len(chain), column] = np.diff(cm[chain]) / 100.0
        gap[0, column] = np.inf
    for column, chain in enumerate(loose_chains, start=len(chains)):
        marker[: len(chain), column] = chain
        gap[: len(chain), column] = np.inf
    return MarkerGrid(
        marker=marker,
        gap_morgan=gap,
        chain_chrom=np.array(names + [""] * len(loose_chains), dtype=np.str_),
        cm=np.where(is_placed, cm, np.nan),
        weight=_weights(chains, cm, is_placed),
    )


def _sorted_chain(index: NDArray[np.int64], cm: NDArray[np.float64]) -> NDArray[np.int64]:
    return index[np.argsort(cm[index], kind="stable")]


def _weights(
    chains: list[NDArray[np.int64]], cm: NDArray[np.float64], is_placed: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Half the distance to both neighbours, plus a floor so that no marker counts for nothing."""
    weight = np.zeros(len(cm))
    if not is_placed.any():
        return np.full(len(cm), 1.0 / max(len(cm), 1))
    for chain in chains:
        gaps = np.diff(cm[chain])
        weight[chain[:-1]] += gaps / 2
        weight[chain[1:]] += gaps / 2
    weight[is_placed] += 0.01
    return weight / weight.sum()
