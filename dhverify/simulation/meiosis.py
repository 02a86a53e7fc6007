"""Meioses: crossovers along the map, gametes, selfing and crossing.

A plant is an int16 array, shape (2, n_markers): for each of its two strands, which founder inbred the
strand comes from at each marker. A gamete is an int16 array, shape (n_markers,).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from dhverify.simulation.genome import Genome

Gamete = NDArray[np.int16]
Plant = NDArray[np.int16]


class Meioses(Protocol):
    """Where meioses come from."""

    def strands(self) -> NDArray[np.bool_]:
        """Which of the two strands a new gamete carries, bool, shape (n_markers,)."""
        ...  # pragma: no cover


@dataclass(frozen=True, kw_only=True, eq=False)
class CrossoverMeioses:
    """Meioses of a genome, without or with crossover interference.

    Parameters
    ----------
    genome
        The markers at their true places.
    shape
        1: crossovers fall independently (Haldane 1919, J Genet 8:299-309). Above 1: chiasmata of the
        four-strand bundle keep distances that follow a gamma distribution of this shape, and a strand takes
        part in each with probability one half (McPeek and Speed 1995, Genetics 139:1031-1044). The map length
        is the same.
    rng
        Source of randomness.

    """

    genome: Genome
    shape: float
    rng: np.random.Generator

    def strands(self) -> NDArray[np.bool_]:
        """Which of the two strands a new gamete carries, bool, shape (n_markers,)."""
        crossovers = np.sort(genome_crossovers(self.genome.length_cm, shape=self.shape, rng=self.rng))
        first = self.rng.integers(0, 2, len(self.genome.chromosomes))
        passed = np.searchsorted(crossovers, self.genome.genome_cm)
        before = np.searchsorted(crossovers, np.cumsum(self.genome.length_cm) - self.genome.length_cm)
        chrom = self.genome.chrom_index
        return np.asarray((passed - before[chrom] + first[chrom]) % 2 == 1)


def genome_crossovers(length_cm: NDArray[np.float64], *, shape: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Crossovers of one gamete, as cM along the chromosomes laid end to end.

    Parameters
    ----------
    length_cm
        float64, shape (n_chromosomes,). Genetic lengths.
    shape
        1 for no interference; see :class:`CrossoverMeioses`.
    rng
        Source of randomness.

    Returns
    -------
    float64, shape (n_crossovers,)
        Not sorted.

    """
    total = float(np.sum(length_cm))
    if shape == 1:
        return rng.random(rng.poisson(total / 100)) * total
    starts = np.cumsum(length_cm) - length_cm
    parts = [s + _spaced_crossovers(float(l), shape=shape, rng=rng) for s, l in zip(starts, length_cm, strict=True)]
    return np.concatenate(parts)


def _spaced_crossovers(length_cm: float, *, shape: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Crossovers of one chromosome under the gamma model (mean distance of chiasmata 50 cM, stationary).

    The first chiasma of a stationary renewal process lies at a uniform share of a length-biased distance; the
    length-biased gamma distribution of shape k is the gamma distribution of shape k + 1.
    """
    scale = 50 / shape
    place = rng.random() * rng.gamma(shape + 1, scale)
    chiasmata = []
    while place < length_cm:
        chiasmata.append(place)
        place += rng.gamma(shape, scale)
    return np.array(chiasmata)[rng.random(len(chiasmata)) < 0.5] if chiasmata else np.array([])


def gamete(plant: Plant, meioses: Meioses) -> Gamete:
    """One gamete of a plant, int16, shape (n_markers,)."""
    return np.asarray(np.where(meioses.strands(), plant[1], plant[0]), dtype=np.int16)


def doubled(strand: Gamete) -> Plant:
    """Make a plant with one strand twice: a doubled haploid, or an inbred."""
    return np.stack([strand, strand])


def crossed(female: Plant, male: Plant, meioses: Meioses) -> Plant:
    """One plant of a cross."""
    return np.stack([gamete(female, meioses), gamete(male, meioses)])


def selfed(plant: Plant, meioses: Meioses, *, generations: int = 1) -> Plant:
    """One plant after selfing for some generations (single-seed descent)."""
    for _ in range(generations):
        plant = crossed(plant, plant, meioses)
    return plant


def inbred(founder: int, n_markers: int) -> Plant:
    """Make the plant of a founder inbred."""
    return np.full((2, n_markers), founder, dtype=np.int16)
