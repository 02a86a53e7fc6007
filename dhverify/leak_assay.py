"""What the assay shows of a well that holds a share of another sample's DNA."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from dhverify.contamination import SCREEN_SHARES, SHARES, shown_genotype
from dhverify.observation import MAX_DEPTH, AssayModel, Observations, ReadErrors

Markers: TypeAlias = NDArray[np.int64] | slice
EVERYWHERE = slice(None)


@dataclass(frozen=True, kw_only=True, eq=False)
class SeenAtShares:
    """Likelihood of what was seen of samples, by their own genotype, that of the source, and its share.

    Attributes
    ----------
    seen, assay
        What was observed, and the rates of the assay.
    tables
        Likelihood of every pair of depths at every share, where reads are used.

    """

    seen: Observations
    assay: AssayModel
    tables: Mapping[float, NDArray[np.float64]]

    @classmethod
    def of(cls, seen: Observations, assay: AssayModel) -> SeenAtShares:
        """Prepare the tables."""
        shares = sorted({0.0, *SCREEN_SHARES, *SHARES})
        tables = {share: _read_table(assay.reads, share) for share in shares} if seen.depths is not None else {}
        return cls(seen=seen, assay=assay, tables=tables)

    def likelihood(self, row: int, share: float, markers: Markers = EVERYWHERE) -> NDArray[np.float64]:
        """Likelihood of a sample at some markers, or at all.

        Returns
        -------
        ndarray
            float64, shape (n_used, 3, 3): its own genotype by that of the source.

        """
        if self.seen.depths is not None:
            depths = self.seen.depths[row][markers]
            factor = np.minimum(1.0, MAX_DEPTH / np.maximum(depths.sum(axis=1), 1))
            first, second = np.rint(depths * factor[:, None]).astype(np.int64).T
            return np.asarray(self.tables[share][first, second].reshape(-1, 3, 3))
        alone = self.assay.genotype_likelihood(self.seen, np.array([row]))[markers, 0]
        return np.asarray(alone @ shown_genotype(second_shares(share))).reshape(-1, 3, 3)


def second_shares(share: float) -> NDArray[np.float64]:
    """Second-allele share of the DNA, for each own genotype by each genotype of the source; shape (9,).

    Examples
    --------
    >>> second_shares(0.5).reshape(3, 3)[0]
    array([0.  , 0.25, 0.5 ])

    """
    genotypes = np.array([0.0, 0.5, 1.0])
    return np.asarray(((1 - share) * genotypes[:, None] + share * genotypes).ravel())


def _read_table(reads: ReadErrors, share: float) -> NDArray[np.float64]:
    """Likelihood of every pair of depths; float64, shape (MAX_DEPTH + 1, MAX_DEPTH + 1, 9)."""
    depths = np.indices((MAX_DEPTH + 1, MAX_DEPTH + 1), dtype=np.int32).transpose(1, 2, 0)
    table = reads.at_share(depths, second_shares(share))
    return np.asarray(table / reads.at_share(depths, np.array([0.0, 0.5, 1.0])).max(axis=-1, keepdims=True))
