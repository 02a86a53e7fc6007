"""Every finding as a pedigree: which strands the two alleles of a sample can come from, and in what runs.

A sample is produced by meioses from founder strands. Each meiosis is one hidden factor with two values (which
of the two chromosomes of the plant is passed on) that is redrawn along the map; a state of all factors names
the strand behind each of the two alleles. F1, backcross, three-way, four-way and any deeper donor, a hybrid
inducer, one selfing or two, all come out of the same few functions.

References
----------
Lander ES, Green P (1987) Construction of multilocus genetic linkage maps in humans. PNAS 84:2363-2367.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

MEIOSIS_RATE: Final = 2.0
"""Redraws per Morgan of a meiosis: keeping a strand over d Morgan has probability (1 + exp(-2 d)) / 2, which is
Haldane's map function."""


@dataclass(frozen=True, kw_only=True)
class Factor:
    """One hidden factor: at a redraw, which happens at ``rate`` per Morgan, it takes value v with ``weights[v]``.

    A meiosis has weights (1/2, 1/2) and the rate of :data:`MEIOSIS_RATE`.
    """

    weights: tuple[float, ...]
    rate: float

    @property
    def size(self) -> int:
        """Number of values."""
        return len(self.weights)


MEIOSIS: Final = Factor(weights=(0.5, 0.5), rate=MEIOSIS_RATE)


class Haplotype:
    """Where one chromosome of a plant comes from, as a function of the hidden factors."""


@dataclass(frozen=True)
class Strand(Haplotype):
    """A founder strand: the same for every state."""

    slot: int


@dataclass(frozen=True)
class Pick(Haplotype):
    """The chromosome that ``factor`` picks among several."""

    factor: int
    options: tuple[Haplotype, ...]


@dataclass(frozen=True)
class Plant:
    """A diploid plant: its two chromosomes."""

    first: Haplotype
    second: Haplotype

    @property
    def is_fixed(self) -> bool:
        """Whether both chromosomes are one and the same."""
        return self.first == self.second


class Meioses:
    """Collects the factors of one hypothesis while its pedigree is walked."""

    def __init__(self) -> None:
        self.factors: list[Factor] = []

    def new(self, factor: Factor = MEIOSIS) -> int:
        """Add a factor and return its number."""
        self.factors.append(factor)
        return len(self.factors) - 1

    def gamete(self, plant: Plant, factor: Factor = MEIOSIS) -> Haplotype:
        """Return a gamete of a plant; a fixed plant needs no meiosis."""
        if plant.is_fixed:
            return plant.first
        return Pick(self.new(factor), (plant.first, plant.second))

    def selfed(self, plant: Plant) -> Plant:
        """Return one offspring of a plant pollinated by itself."""
        return Plant(self.gamete(plant), self.gamete(plant))


PlantMaker = Callable[[Meioses], Plant]
"""Builds a plant (a donor, an inducer) from founder strands, adding the meioses that it needs."""


@dataclass(frozen=True, kw_only=True)
class Hypothesis:
    """The states of one finding.

    Attributes
    ----------
    name
        For people and logs.
    factors
        Hidden factors; a state is a value of each, the first one varying slowest.
    pairs
        Distinct pairs of strand slots; equal slots mean one allele twice (identical by descent).
    pair_of_state
        For each state its index into ``pairs``.

    """

    name: str
    factors: tuple[Factor, ...]
    pairs: tuple[tuple[int, int], ...]
    pair_of_state: tuple[int, ...]

    @cached_property
    def shape(self) -> tuple[int, ...]:
        """Sizes of the factors."""
        return tuple(factor.size for factor in self.factors)

    @property
    def n_states(self) -> int:
        """Number of states."""
        return len(self.pair_of_state)

    @cached_property
    def state_weights(self) -> NDArray[np.float64]:
        """Probability of each state at any one place; float64, shape (n_states,)."""
        weights = np.ones(1)
        for factor in self.factors:
            weights = np.outer(weights, factor.weights).ravel()
        return weights

    @cached_property
    def pair_weights(self) -> NDArray[np.float64]:
        """Probability of each pair at any one place; float64, shape (n_pairs,)."""
        weights = np.zeros(len(self.pairs))
        np.add.at(weights, np.array(self.pair_of_state), self.state_weights)
        return weights


def hypothesis(name: str, meioses: Meioses, plant: Plant) -> Hypothesis:
    """Tabulate which strands the two alleles of a plant come from, for every state of its meioses."""
    first, second = (state_slots(side, meioses) for side in (plant.first, plant.second))
    return tabulated(name, tuple(meioses.factors), np.minimum(first, second), np.maximum(first, second))


def state_slots(haplotype: Haplotype, meioses: Meioses) -> NDArray[np.int64]:
    """Slot that a haplotype comes from in every state of the meioses; int64, shape (n_states,)."""
    sizes = tuple(factor.size for factor in meioses.factors)
    n_states = int(np.prod(sizes, dtype=np.int64)) if sizes else 1
    values = np.array(np.unravel_index(np.arange(n_states), sizes)) if sizes else np.zeros((0, 1), dtype=int)
    return _slots(haplotype, values)


def tabulated(
    name: str, factors: tuple[Factor, ...], first: NDArray[np.int64], second: NDArray[np.int64]
) -> Hypothesis:
    """Make a hypothesis from the slots of both alleles in every state."""
    states = list(zip(first.tolist(), second.tolist(), strict=True))
    pairs = tuple(dict.fromkeys(states))
    number = {pair: index for index, pair in enumerate(pairs)}
    return Hypothesis(name=name, factors=factors, pairs=pairs, pair_of_state=tuple(number[state] for state in states))


def _slots(haplotype: Haplotype, values: NDArray[np.int64]) -> NDArray[np.int64]:
    """Slot of a haplotype in every state; ``values`` has shape (n_factors, n_states)."""
    if isinstance(haplotype, Strand):
        return np.full(values.shape[1], haplotype.slot)
    if not isinstance(haplotype, Pick):
        raise TypeError(f"not a haplotype: {haplotype!r}")
    options = np.array([_slots(option, values) for option in haplotype.options])
    picked: NDArray[np.int64] = options[values[haplotype.factor], np.arange(values.shape[1])]
    return picked


def gamete_twice(name: str, donor: PlantMaker, factor: Factor = MEIOSIS) -> Hypothesis:
    """Return a clean donor gamete: a haploid, or the doubled haploid made of it."""
    meioses = Meioses()
    gamete = meioses.gamete(donor(meioses), factor)
    return hypothesis(name, meioses, Plant(gamete, gamete))


def plant_itself(name: str, maker: PlantMaker, *, selfings: int = 0) -> Hypothesis:
    """Return a plant, or its descendant after some generations of selfing."""
    meioses = Meioses()
    plant = maker(meioses)
    for _ in range(selfings):
        plant = meioses.selfed(plant)
    return hypothesis(name, meioses, plant)


def crossed(name: str, donor: PlantMaker, pollen: PlantMaker, *, selfings: int = 0) -> Hypothesis:
    """Return a donor gamete fertilised by a gamete of another plant, and its selfed descendants."""
    meioses = Meioses()
    plant = Plant(meioses.gamete(donor(meioses)), meioses.gamete(pollen(meioses)))
    for _ in range(selfings):
        plant = meioses.selfed(plant)
    return hypothesis(name, meioses, plant)


KIN_RATE: Final = 4.0
"""Redraws per Morgan between what a plant shares with its kin and what it does not (common practice, no source)."""


def pollen_of_kin(name: str, donor: PlantMaker, kin: int, pool: int) -> Hypothesis:
    """Return a donor gamete fertilised by pollen that agrees with strand ``kin`` in stretches, else with the pool."""
    meioses = Meioses()
    gamete = meioses.gamete(donor(meioses))
    is_other = meioses.new(Factor(weights=(0.5, 0.5), rate=KIN_RATE))
    return hypothesis(name, meioses, Plant(gamete, Pick(is_other, (Strand(kin), Strand(pool)))))


def hybrid_plant(donor: PlantMaker, pollen: PlantMaker) -> PlantMaker:
    """Return the maker of a hybrid between a donor gamete and another plant's gamete."""

    def make(meioses: Meioses) -> Plant:
        return Plant(meioses.gamete(donor(meioses)), meioses.gamete(pollen(meioses)))

    return make


LATE_SELFING_HETEROZYGOSITY: Final = 0.05
"""Share of the genome that such a line is taken to be heterozygous over: 2 ** -5 is .03 after five selfings, .06
after four (computed; the value itself is common practice, no source)."""
LATE_SELFING_RUN_RATE: Final = 10.0
"""A line selfed five times or so: heterozygous runs of about 10 cM over about 1/20 of the genome (a first-order
approximation of the many meioses; Haldane JBS, Waddington CH (1931) Genetics 16:357-374 for the doubled map)."""


def nearly_fixed(name: str, donor: PlantMaker) -> Hypothesis:
    """Return a line selfed many times: homozygous but for some residual heterozygous runs."""
    meioses = Meioses()
    mother = donor(meioses)
    doubled = Factor(weights=(0.5, 0.5), rate=2 * MEIOSIS_RATE)
    first, second = meioses.gamete(mother, doubled), meioses.gamete(mother, doubled)
    share = LATE_SELFING_HETEROZYGOSITY
    is_open = meioses.new(Factor(weights=(1 - share, share), rate=LATE_SELFING_RUN_RATE))
    return hypothesis(name, meioses, Plant(first, Pick(is_open, (first, second))))


SEGMENT_KINDS: Final = ("none", "inducer het", "inducer hom", "foreign het", "foreign hom")


def gamete_with_segments(
    name: str, donor: PlantMaker, inducer: PlantMaker, pool: int, *, share: float, mean_cm: float
) -> Hypothesis:
    """Return a clean donor gamete that may carry stretches of inducer or foreign chromosome.

    The last factor is the kind of stretch, in the order of :data:`SEGMENT_KINDS`. ``share`` is the expected
    share of the genome in inducer segments, ``mean_cm`` their mean length.
    """
    meioses = Meioses()
    gamete = meioses.gamete(donor(meioses))
    retained = meioses.gamete(inducer(meioses))
    outside = Strand(pool)
    weights = (1 - 1.2 * share, share / 2, share / 2, share / 10, share / 10)
    kind = meioses.new(Factor(weights=weights, rate=100.0 / mean_cm))
    first = Pick(kind, (gamete, gamete, retained, gamete, outside))
    second = Pick(kind, (gamete, retained, retained, outside, outside))
    return hypothesis(name, meioses, Plant(first, second))
