"""Alleles of the founder inbreds: an allele-frequency spectrum, groups and shared ancestry."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dhverify.simulation.genome import Genome


def allele_frequencies(n_markers: int, *, polymorphism: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Allele frequencies at which two unrelated inbreds differ at a share ``polymorphism`` of the markers.

    Symmetric beta distribution of parameter a; two inbreds differ with probability E[2p(1-p)] = a / (2a + 1).

    Parameters
    ----------
    n_markers
        Number of markers.
    polymorphism
        Above 0, at most 0.5 (0.5: frequency one half everywhere).
    rng
        Source of randomness.

    Returns
    -------
    float64, shape (n_markers,)

    """
    if polymorphism >= 0.5:
        return np.full(n_markers, 0.5)
    a = polymorphism / (1 - 2 * polymorphism)
    return rng.beta(a, a, n_markers)


def group_frequencies(
    frequency: NDArray[np.float64], *, n_groups: int, divergence: float, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Allele frequencies of groups that drifted apart (Balding and Nichols 1995, Genetica 96:3-12).

    Parameters
    ----------
    frequency
        float64, shape (n_markers,). In the common ancestors.
    n_groups
        Number of groups.
    divergence
        Share of the variance that lies between groups, 0 to below 1.
    rng
        Source of randomness.

    Returns
    -------
    float64, shape (n_groups, n_markers)

    """
    if divergence == 0:
        return np.tile(frequency, (n_groups, 1))
    scale = (1 - divergence) / divergence
    inner = np.clip(frequency, 1e-6, 1 - 1e-6)
    return rng.beta(inner * scale, (1 - inner) * scale, (n_groups, len(frequency)))


def founder_alleles(
    genome: Genome,
    *,
    founder_group: NDArray[np.int64],
    polymorphism: float,
    divergence: float,
    shared_ancestry: float,
    block_cm: float,
    rng: np.random.Generator,
) -> NDArray[np.int8]:
    """Alleles of founder inbreds.

    Parameters
    ----------
    genome
        Markers.
    founder_group
        int64, shape (n_founders,). Group of each founder, from 0.
    polymorphism
        Share of markers at which two unrelated founders of one group differ when nothing is shared.
    divergence
        Between groups; see :func:`group_frequencies`.
    shared_ancestry
        Share of each founder's genome that comes, in blocks, from the one ancestor of its group.
    block_cm
        Mean length of these blocks.
    rng
        Source of randomness.

    Returns
    -------
    int8, shape (n_founders, n_markers)
        0 or 1.

    """
    n_groups = int(founder_group.max()) + 1
    frequency = allele_frequencies(genome.n_markers, polymorphism=polymorphism, rng=rng)
    groups = group_frequencies(frequency, n_groups=n_groups, divergence=divergence, rng=rng)
    ancestors = rng.random(groups.shape) < groups
    own = rng.random((len(founder_group), genome.n_markers)) < groups[founder_group]
    for row, group in enumerate(founder_group):
        if shared_ancestry > 0:
            is_shared = _blocks(genome, share=shared_ancestry, block_cm=block_cm, rng=rng)
            own[row] = np.where(is_shared, ancestors[group], own[row])
    return own.astype(np.int8)


def _blocks(genome: Genome, *, share: float, block_cm: float, rng: np.random.Generator) -> NDArray[np.bool_]:
    """Blocks along the map that are chosen with a probability; bool, shape (n_markers,)."""
    place = genome.genome_cm
    total = float(genome.length_cm.sum())
    ends = np.sort(rng.random(rng.poisson(total / block_cm)) * total)
    is_chosen = rng.random(len(ends) + 1) < share
    return np.asarray(is_chosen[np.searchsorted(ends, place)])


def impure(alleles: NDArray[np.int8], *, share: float, rng: np.random.Generator) -> NDArray[np.float32]:
    """Share of the second allele in a plant that differs from its pure stock.

    Parameters
    ----------
    alleles
        int8, shape (n_markers,). The stock's alleles.
    share
        Share of markers that differ; half of them are heterozygous, half homozygous for the other allele.
    rng
        Source of randomness.

    Returns
    -------
    float32, shape (n_markers,)
        0, 0.5 or 1.

    """
    fraction = alleles.astype(np.float32)
    n = round(share * len(alleles))
    rows = rng.choice(len(alleles), n, replace=False)
    fraction[rows[: n // 2]] = 1 - fraction[rows[: n // 2]]
    fraction[rows[n // 2 :]] = 0.5
    return fraction
