"""The invented genome: chromosomes, the curve between base pairs and centimorgans, and where markers lie."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True, kw_only=True)
class Chromosome:
    """One chromosome: name, physical length in base pairs, genetic length in centimorgan."""

    name: str
    length_bp: int
    length_cm: float


_MAIZE_CM: Final = (210.4, 161.2, 161.0, 150.4, 155.4, 110.8, 135.8, 136.6, 127.4, 113.0)
_MAIZE_MB: Final = (308.45, 243.68, 238.02, 250.33, 226.35, 181.36, 185.81, 182.41, 163.00, 152.44)

MAIZE_CHROMOSOMES: Final = tuple(
    Chromosome(name=str(number), length_bp=round(mb * 1_000_000), length_cm=cm)
    for number, (mb, cm) in enumerate(zip(_MAIZE_MB, _MAIZE_CM, strict=True), start=1)
)
"""Ten chromosomes of 1,462 cM (Ogut et al. 2015, Heredity 114:552-563) and 2,131.8 Mb."""

SEVEN_CHROMOSOMES: Final = tuple(
    Chromosome(name=f"{number}H", length_bp=mb * 1_000_000, length_cm=cm)
    for number, (mb, cm) in enumerate(
        ((520, 140.0), (660, 160.0), (620, 155.0), (610, 120.0), (590, 185.0), (560, 130.0), (630, 150.0)),
        start=1,
    )
)
"""An invented genome of seven chromosomes, on which the maize map does not fit."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Genome:
    """Markers at their true places, sorted by chromosome and position.

    Attributes
    ----------
    chromosomes
        The chromosomes, in order.
    chrom_index
        int64, shape (n_markers,). Index into ``chromosomes``.
    pos_bp
        int64, shape (n_markers,). 1-based; unique on a chromosome.
    cm
        float64, shape (n_markers,). Genetic position on the chromosome.

    """

    chromosomes: tuple[Chromosome, ...]
    chrom_index: NDArray[np.int64]
    pos_bp: NDArray[np.int64]
    cm: NDArray[np.float64]

    @property
    def n_markers(self) -> int:
        """Number of markers."""
        return len(self.cm)

    @cached_property
    def length_cm(self) -> NDArray[np.float64]:
        """float64, shape (n_chromosomes,). Genetic lengths."""
        return np.array([c.length_cm for c in self.chromosomes])

    @cached_property
    def genome_cm(self) -> NDArray[np.float64]:
        """float64, shape (n_markers,). Genetic position with the chromosomes laid end to end."""
        starts = np.concatenate([[0.0], np.cumsum(self.length_cm)[:-1]])
        return np.asarray(starts[self.chrom_index] + self.cm)

    @cached_property
    def marker_weight_cm(self) -> NDArray[np.float64]:
        """float64, shape (n_markers,). The stretch of map nearest to each marker; sums to the map length."""
        weight = np.zeros(self.n_markers)
        for index, chromosome in enumerate(self.chromosomes):
            rows = np.flatnonzero(self.chrom_index == index)
            if len(rows):
                middles = (self.cm[rows][1:] + self.cm[rows][:-1]) / 2
                weight[rows] = np.diff(np.concatenate([[0.0], middles, [chromosome.length_cm]]))
        return weight


def centromere_share(chrom_index: int) -> float:
    """Place of the centromere of a chromosome as a share of its length (invented: .34 to .49).

    Examples
    --------
    >>> centromere_share(0)
    0.4

    """
    return (0.40, 0.36, 0.46, 0.42, 0.49, 0.34, 0.44)[chrom_index % 7]


def genetic_share(physical_share: NDArray[np.float64], *, centromere: float, power: float) -> NDArray[np.float64]:
    """Share of the map that lies before a place, for recombination concentrated toward the ends.

    On each arm the rate falls from ``power`` times the mean at the end of the chromosome to 0 at the
    centromere; ``power`` 1 gives one rate everywhere.

    Parameters
    ----------
    physical_share
        float64, any shape. Place as a share of the physical length.
    centromere
        Place of the centromere, likewise.
    power
        At least 1.

    Returns
    -------
    float64, same shape
        Shares 0 to 1, rising.

    Examples
    --------
    >>> genetic_share(np.array([0.0, 0.1, 0.5, 1.0]), centromere=0.5, power=3.0).round(3).tolist()
    [0.0, 0.244, 0.5, 1.0]

    """
    u = np.asarray(physical_share, dtype=float)
    short = centromere * (1 - np.maximum(1 - u / centromere, 0) ** power)
    arm = 1 - centromere
    long = centromere + arm * np.maximum((u - centromere) / arm, 0) ** power
    return np.asarray(np.where(u < centromere, short, long))


def physical_share(genetic: NDArray[np.float64], *, centromere: float, power: float) -> NDArray[np.float64]:
    """Inverse of :func:`genetic_share`."""
    g = np.asarray(genetic, dtype=float)
    short = centromere * (1 - np.maximum(1 - g / centromere, 0) ** (1 / power))
    arm = 1 - centromere
    long = centromere + arm * np.maximum((g - centromere) / arm, 0) ** (1 / power)
    return np.asarray(np.where(g < centromere, short, long))


def build_genome(
    chromosomes: tuple[Chromosome, ...],
    *,
    n_markers: int,
    placing: str,
    power: float,
    rng: np.random.Generator,
) -> Genome:
    """Place markers on chromosomes.

    Parameters
    ----------
    chromosomes
        The chromosomes.
    n_markers
        Markers in all, shared out by length.
    placing
        ``bp`` at random by base pairs, ``cm`` at random by map distance, ``even`` evenly by map distance.
    power
        How far recombination is concentrated toward the ends (see :func:`genetic_share`).
    rng
        Source of randomness.

    """
    lengths = [float(c.length_bp) if placing == "bp" else c.length_cm for c in chromosomes]
    numbers = shared_out(n_markers, lengths)
    parts = [
        _positions(chromosome, index=i, n_markers=n, placing=placing, power=power, rng=rng)
        for i, (chromosome, n) in enumerate(zip(chromosomes, numbers, strict=True))
    ]
    chrom_index = np.repeat(np.arange(len(chromosomes)), numbers)
    pos_bp = np.concatenate(parts)
    cm = np.concatenate(
        [
            genetic_share(bp / c.length_bp, centromere=centromere_share(i), power=power) * c.length_cm
            for i, (bp, c) in enumerate(zip(parts, chromosomes, strict=True))
        ]
    )
    return Genome(chromosomes=chromosomes, chrom_index=chrom_index, pos_bp=pos_bp, cm=cm)


def shared_out(total: int, weights: list[float]) -> list[int]:
    """Whole numbers in proportion to weights that add to a total (largest remainders).

    Examples
    --------
    >>> shared_out(10, [1.0, 1.0, 2.0])
    [3, 2, 5]

    """
    exact = np.array(weights) / sum(weights) * total
    numbers = np.floor(exact).astype(int)
    for index in np.argsort(numbers - exact, kind="stable")[: total - int(numbers.sum())]:
        numbers[index] += 1
    return [int(n) for n in numbers]


def _positions(
    chromosome: Chromosome,
    *,
    index: int,
    n_markers: int,
    placing: str,
    power: float,
    rng: np.random.Generator,
) -> NDArray[np.int64]:
    """Sorted unique base-pair positions of the markers of one chromosome."""
    share = (np.arange(n_markers) + 0.5) / max(n_markers, 1) if placing == "even" else rng.random(n_markers)
    if placing != "bp":
        share = physical_share(share, centromere=centromere_share(index), power=power)
    pos = np.sort(np.clip((share * chromosome.length_bp).astype(np.int64) + 1, 1, chromosome.length_bp))
    steps = np.arange(n_markers)
    raised = np.maximum.accumulate(pos - steps) + steps
    overshoot = max(int(raised[-1]) - chromosome.length_bp, 0) if n_markers else 0
    return np.asarray(raised - overshoot, dtype=np.int64)
