"""What the assay shows of the DNA of two samples, whatever their shares."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.genotypes import locked
from dhverify.scoring import LearntLot

VISIBLE_SHARE: Final = 0.2
"""Share of the DNA at which half of the calls show the rarer allele (common practice, no source)."""
VISIBLE_SLOPE: Final = 0.04
"""A call shows the rarer allele from about a fifth of the DNA on (common practice, no source)."""
GENOTYPES: Final = locked(np.array([0.0, 0.5, 1.0]))
"""Share of the second allele in each genotype."""


def shown_genotype(second_share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Probability that DNA with a share of the second allele is called as each genotype would be.

    Parameters
    ----------
    second_share
        float64, shape (...).

    Returns
    -------
    ndarray
        float64, shape (3, ...).

    """
    rarer = np.minimum(second_share, 1 - second_share)
    visible = np.where(rarer > 0, 1 / (1 + np.exp(-(rarer - VISIBLE_SHARE) / VISIBLE_SLOPE)), 0.0)
    second = (np.sign(second_share - 0.5) + 1) / 2
    return np.stack([(1 - visible) * (1 - second), visible, (1 - visible) * second])


def mixed_likelihood(learnt: LearntLot, row: int, share: float) -> NDArray[np.float64]:
    """Likelihood of a sample, given its own gamete's allele and a partner's genotype.

    Returns
    -------
    ndarray
        float64, shape (n_markers, 2, 3): own allele (first, second) by partner genotype.

    """
    return mixed_likelihoods(learnt, row, (share,))[:, 0]


def mixed_likelihoods(learnt: LearntLot, row: int, shares: Sequence[float]) -> NDArray[np.float64]:
    """Likelihood of a sample at several shares of the partner; float64, shape (n_markers, n_shares, 2, 3)."""
    share = np.array(shares)[:, None, None]
    return second_likelihood(learnt, row, (1 - share) * np.array([0.0, 1.0])[:, None] + share * GENOTYPES)


def plant_likelihood(
    learnt: LearntLot, row: int, share: float, markers: NDArray[np.int64] | None = None
) -> NDArray[np.float64]:
    """Likelihood of a sample that is no clean gamete with a share of another's DNA, at some markers or at all.

    Returns
    -------
    ndarray
        float64, shape (n_used, 3, 3): its own genotype by that of the source.

    """
    return second_likelihood(learnt, row, (1 - share) * GENOTYPES[:, None] + share * GENOTYPES, markers)


def second_likelihood(
    learnt: LearntLot, row: int, second: NDArray[np.float64], markers: NDArray[np.int64] | None = None
) -> NDArray[np.float64]:
    """Likelihood of a sample where the second allele has given shares of the DNA, at some markers or at all.

    Parameters
    ----------
    learnt
        The lot.
    row
        The sample.
    second
        float64, any shape. The shares.
    markers
        int64; all if None.

    Returns
    -------
    ndarray
        float64, shape (n_used, *second.shape).

    """
    used = slice(None) if markers is None else markers
    if learnt.seen.depths is not None:
        depths = learnt.seen.depths[row][used]
        values = learnt.assay.reads.at_share(depths, second.ravel())
        plain = learnt.assay.reads.at_share(depths, GENOTYPES)
        return np.asarray(values / plain.max(axis=1, keepdims=True)).reshape(-1, *second.shape)
    alone = learnt.assay.genotype_likelihood(learnt.seen, np.array([row]))[used, 0]
    return np.asarray(alone @ shown_genotype(second.ravel())).reshape(-1, *second.shape)
