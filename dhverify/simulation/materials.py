"""The plants that a programme starts from: inbreds, donors and inducers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from dhverify.simulation.founders import founder_alleles
from dhverify.simulation.meiosis import Meioses, Plant, crossed, inbred
from dhverify.simulation.settings import DONOR_TYPES, SimulationSettings

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dhverify.simulation.genome import Genome

N_OUTSIDE: Final = 12
"""Inbreds that stand outside the programme: stray pollen, mislabelled references, unrelated lines."""

Tree = int | tuple["Tree", "Tree"]
"""A pedigree: the number of a parent, or female and male."""

_CROSSES: Final[dict[str, tuple[str, Tree]]] = {
    "F1": ("{0}/{1}", (0, 1)),
    "F2": ("{0}/{1}//{0}/{1}", ((0, 1), (0, 1))),
    "BC1": ("{0}*2/{1}", (0, (0, 1))),
    "BC2": ("{0}*3/{1}", (0, (0, (0, 1)))),
    "three-way": ("{0}/{1}//{2}", ((0, 1), 2)),
    "four-way": ("{0}/{1}//{2}/{3}", ((0, 1), (2, 3))),
    "five-way": ("{0}/{1}/3/{2}//{3}/{4}", ((0, 1), (2, (3, 4)))),
}
"""Purdy notation (Purdy et al. 1968, Crop Sci 8:405-406) and tree of each type of donor."""


@dataclass(frozen=True, kw_only=True, eq=False)
class DonorCross:
    """A donor: one cross, one or several plants.

    ``row_names`` has a name for each plant; the same one where the plants stand in one row of the sheet.
    """

    name: str
    kind: str
    pedigree: str
    parents: tuple[int, ...]
    plants: tuple[Plant, ...]
    row_names: tuple[str, ...]

    def plant_name(self, plant: int) -> str:
        """Return what one plant of the cross is called in the truth."""
        return f"{self.name} plant {plant + 1}"


@dataclass(frozen=True, kw_only=True, eq=False)
class Inducer:
    """An inducer: an inbred, or a cross of two."""

    name: str
    pedigree: str
    founders: tuple[int, ...]
    plant: Plant


@dataclass(frozen=True, kw_only=True, eq=False)
class Materials:
    """Founders, donors and inducers of a programme.

    Attributes
    ----------
    founder_names
        Parents, then inducer inbreds, then outside inbreds.
    alleles
        int8, shape (n_founders, n_markers).
    n_parents, n_inducer_inbreds
        How many of the founders are parents, and inducers.
    donors, inducers
        The crosses.
    favour
        Founders in the order in which places of distorted segregation favour them.

    """

    founder_names: tuple[str, ...]
    alleles: NDArray[np.int8]
    n_parents: int
    n_inducer_inbreds: int
    donors: tuple[DonorCross, ...]
    inducers: tuple[Inducer, ...]
    favour: tuple[int, ...]

    @property
    def outside(self) -> range:
        """Founders that stand outside the programme."""
        return range(self.n_parents + self.n_inducer_inbreds, len(self.founder_names))

    def parent_names(self, donor: str) -> frozenset[str]:
        """Return the names of the inbreds in the pedigree of a donor's row."""
        cross = next((cross for cross in self.donors if donor in cross.row_names), None)
        return frozenset(self.founder_names[p] for p in cross.parents) if cross else frozenset()

    def fraction(self, plant: Plant) -> NDArray[np.float32]:
        """Return the share of the second allele in a plant's DNA, float32, shape (n_markers,)."""
        rows = np.arange(self.alleles.shape[1])
        return np.asarray(self.alleles[plant, rows].mean(axis=0), dtype=np.float32)


_FIRST: Final = ("Bo", "Da", "Fe", "Gi", "Ho", "Ju", "Ka", "Lu", "Mi", "Ne")
_SECOND: Final = ("len", "mok", "rip", "sut", "tav", "vor", "wex", "zim", "bax", "dul")


def invented_name(number: int) -> str:
    """Make up the name of an inbred.

    Examples
    --------
    >>> invented_name(0), invented_name(123)
    ('Bolen', 'Givor2')

    """
    first, second = number % 10, (number // 10 + number) % 10
    name = _FIRST[first] + _SECOND[second]
    return name if number < 100 else f"{name}{number // 100 + 1}"


def donor_kinds(settings: SimulationSettings) -> list[str]:
    """Type of each donor."""
    if settings.donor_type != "mixed":
        return [settings.donor_type] * settings.n_donors
    return [DONOR_TYPES[i % 6] for i in range(settings.n_donors)]


def n_parents_of(kind: str) -> int:
    """Inbreds that a type of donor needs.

    Examples
    --------
    >>> n_parents_of("BC2"), n_parents_of("four-way")
    (2, 4)

    """
    return {"three-way": 3, "four-way": 4, "five-way": 5}.get(kind, 2)


def assign_parents(kinds: list[str], *, sharing: str) -> list[tuple[int, ...]]:
    """Founders of each donor: its own ones, one that is common to all, or a chain of neighbours.

    Examples
    --------
    >>> assign_parents(["F1", "F1"], sharing="none")
    [(0, 1), (2, 3)]
    >>> assign_parents(["F1", "F1"], sharing="common")
    [(0, 1), (0, 2)]
    >>> assign_parents(["F1", "F1"], sharing="chain")
    [(0, 1), (1, 2)]

    """
    parents: list[tuple[int, ...]] = []
    used = 0
    for kind in kinds:
        n = n_parents_of(kind)
        kept = () if sharing == "none" or not parents else (0,) if sharing == "common" else (used - 1,)
        parents.append((*kept, *range(used, used + n - len(kept))))
        used += n - len(kept)
    return parents


def founder_groups(parents: list[tuple[int, ...]], *, n_founders: int, n_groups: int) -> NDArray[np.int64]:
    """Return the group of each founder: the parents of a donor are of one group.

    Examples
    --------
    >>> founder_groups([(0, 1), (2, 3)], n_founders=6, n_groups=2).tolist()
    [0, 0, 1, 1, 0, 1]

    """
    group = np.arange(n_founders) % n_groups
    for donor in range(len(parents) - 1, -1, -1):
        group[list(parents[donor])] = donor % n_groups
    return group


def build_plant(tree: Tree, parents: tuple[int, ...], *, n_markers: int, meioses: Meioses) -> Plant:
    """One plant of a cross."""
    if isinstance(tree, int):
        return inbred(parents[tree], n_markers)
    female, male = (build_plant(side, parents, n_markers=n_markers, meioses=meioses) for side in tree)
    return crossed(female, male, meioses)


def build_materials(
    settings: SimulationSettings, genome: Genome, meioses: Meioses, rng: np.random.Generator
) -> Materials:
    """Draw founders and make donors and inducers."""
    kinds = donor_kinds(settings)
    parents = assign_parents(kinds, sharing=settings.parent_sharing)
    n_parents = max(max(p) for p in parents) + 1
    n_inbreds = settings.n_inducers * (2 if settings.inducer_type == "hybrid" else 1)
    n_founders = n_parents + n_inbreds + N_OUTSIDE
    alleles = founder_alleles(
        genome,
        founder_group=founder_groups(parents, n_founders=n_founders, n_groups=settings.n_groups),
        polymorphism=settings.polymorphism,
        divergence=settings.group_divergence,
        shared_ancestry=settings.shared_ancestry,
        block_cm=settings.ancestry_block_cm,
        rng=rng,
    )
    inducer_inbreds = [f"Inducer{i + 1}" for i in range(n_inbreds)]
    if settings.inducer_type == "hybrid":
        inducer_inbreds = [f"Inducer{i // 2 + 1}{'ab'[i % 2]}" for i in range(n_inbreds)]
    names = [invented_name(i) for i in range(n_parents)] + inducer_inbreds
    names += [invented_name(i) for i in range(n_parents, n_parents + N_OUTSIDE)]
    donors = tuple(
        _donor(i, kind, founders, names=names, settings=settings, n_markers=genome.n_markers, meioses=meioses)
        for i, (kind, founders) in enumerate(zip(kinds, parents, strict=True))
    )
    return Materials(
        founder_names=tuple(names),
        alleles=alleles,
        n_parents=n_parents,
        n_inducer_inbreds=n_inbreds,
        donors=donors,
        inducers=_inducers(settings, first=n_parents, names=names, n_markers=genome.n_markers, meioses=meioses),
        favour=tuple(int(f) for f in rng.permutation(n_founders)),
    )


def _donor(
    index: int,
    kind: str,
    parents: tuple[int, ...],
    *,
    names: list[str],
    settings: SimulationSettings,
    n_markers: int,
    meioses: Meioses,
) -> DonorCross:
    text, tree = _CROSSES[kind]
    name = f"D{index + 1:02d}"
    n_plants = 1 if kind == "F1" else settings.donor_plants
    has_rows = settings.donor_rows == "plant" and n_plants > 1
    return DonorCross(
        name=name,
        kind=kind,
        pedigree=text.format(*(names[p] for p in parents)),
        parents=parents,
        plants=tuple(build_plant(tree, parents, n_markers=n_markers, meioses=meioses) for _ in range(n_plants)),
        row_names=tuple(f"{name}-{i + 1}" if has_rows else name for i in range(n_plants)),
    )


def _inducers(
    settings: SimulationSettings, *, first: int, names: list[str], n_markers: int, meioses: Meioses
) -> tuple[Inducer, ...]:
    inducers = []
    for i in range(settings.n_inducers):
        if settings.inducer_type == "inbred":
            founders: tuple[int, ...] = (first + i,)
            inducers.append(
                Inducer(name=names[first + i], pedigree="", founders=founders, plant=inbred(first + i, n_markers))
            )
            continue
        founders = (first + 2 * i, first + 2 * i + 1)
        plant = build_plant((0, 1), founders, n_markers=n_markers, meioses=meioses)
        pedigree = f"{names[founders[0]]}/{names[founders[1]]}"
        inducers.append(Inducer(name=f"Inducer{i + 1}", pedigree=pedigree, founders=founders, plant=plant))
    return tuple(inducers)
