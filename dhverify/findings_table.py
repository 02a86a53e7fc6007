"""The hypotheses of a family: for each finding the pedigrees that produce it, with their weights.

Slots are local to the family shape: the donor's founders first, then the inducer's, then the pool (pollen of
unknown origin), then, where the donor plant itself was typed, the plant.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from types import MappingProxyType
from typing import Final, TypeAlias

from dhverify import assumptions
from dhverify.hypotheses import (
    Factor,
    Hypothesis,
    Meioses,
    Pick,
    Plant,
    PlantMaker,
    Strand,
    crossed,
    gamete_twice,
    gamete_with_segments,
    hybrid_plant,
    hypothesis,
    nearly_fixed,
    plant_itself,
)
from dhverify.outcome import Finding

Tree: TypeAlias = "int | tuple[Tree, Tree]"
"""A pedigree over local slots: a founder's slot, or (female, male)."""

MAX_MEIOSES: Final = 7
"""A hypothesis with more hidden meioses than this is left out: its states would double once more for each."""

NO_CROSSOVER_RATE: Final = 1e-6
"""Redraws per Morgan of a chromosome that is passed on whole."""

SELFINGS: Final = MappingProxyType({"selfed once": 1, "selfed twice": 2})
SELFED_WEIGHTS: Final = MappingProxyType({"selfed once": (0.7, 0.25), "selfed twice": (0.25, 0.65)})
"""Share of selfed donors that were selfed so often, at the stage of a seedling and at D1; the rest were selfed more
often (common practice, no source)."""

OWN_PARENT_POLLEN: Final = 0.06
"""Weight of stray pollen of the donor's own parents, which are a few of the many plants of a nursery, against 0.5
(0.3 at D1) of a plant unknown, before the lot shows what it is (common practice, no source)."""

EXPECTED: Final = assumptions.EXPECTED_FINDINGS


@dataclass(frozen=True, kw_only=True)
class FamilyShape:
    """The structure that families share: pedigrees over local slots, without names.

    Attributes
    ----------
    donor, inducer
        Pedigrees over local slots.
    n_slots
        Founder slots of donor and inducer; the pool has this number, the typed plant the next.
    has_plant
        Whether the genotype of the donor plant itself is known.
    is_bulk
        Whether the samples are several plants of one ear in one: selfed progeny then look like their mother.
    is_unphased
        Whether the donor's two chromosome sets were told apart chromosome by chromosome only.
    parents
        Slots of the donor's parents, where what stands in its pedigree is known of one plant only and is not all that
        they carry; empty where the slots of the pedigree are the parents' own.

    """

    donor: Tree
    inducer: Tree
    n_slots: int
    has_plant: bool
    is_unphased: bool = False
    is_bulk: bool = False
    parents: tuple[int, ...] = ()

    @property
    def parent_slots(self) -> tuple[int, ...]:
        """Slots of the donor's parents."""
        return self.parents or tree_slots(self.donor)

    @property
    def pool(self) -> int:
        """Slot of pollen of unknown origin."""
        return self.n_slots

    @property
    def plant(self) -> int:
        """Slot of the typed donor plant."""
        return self.n_slots + 1


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """One hypothesis with the finding it means and its share of that finding, by stage.

    ``is_of_own_parent``: pollen of a parent of the donor.
    """

    finding: str
    hypothesis: Hypothesis
    seedling_weight: float
    d1_weight: float
    detail: str = ""
    is_of_own_parent: bool = False


def tree_slots(tree: Tree) -> tuple[int, ...]:
    """Slots of a pedigree in order of first appearance."""
    if isinstance(tree, int):
        return (tree,)
    return tuple(dict.fromkeys(tree_slots(tree[0]) + tree_slots(tree[1])))


def plant_maker(tree: Tree) -> PlantMaker:
    """Return the maker of the plant at the root of a pedigree."""

    def make(meioses: Meioses) -> Plant:
        if isinstance(tree, int):
            return Plant(Strand(tree), Strand(tree))
        female, male = (plant_maker(side)(meioses) for side in tree)
        return Plant(meioses.gamete(female), meioses.gamete(male))

    return make


def n_meioses(tree: Tree) -> int:
    """Meioses behind a plant; none where all plants of the pedigree are alike."""
    meioses = Meioses()
    plant_maker(tree)(meioses)
    return len(meioses.factors)


@lru_cache(maxsize=256)
def candidates(shape: FamilyShape) -> tuple[Candidate, ...]:
    """All standard hypotheses of a family shape, the expected finding first."""
    donor, inducer = plant_maker(shape.donor), plant_maker(shape.inducer)
    found = [
        *_expected(shape, donor, inducer),
        *_hybrids(shape, donor, inducer),
        *_donor_plants(shape, donor),
        *_inducers(shape, inducer),
        *_outcrosses(shape, donor, inducer),
        *_strangers(shape),
    ]
    return tuple(c for c in found if len(c.hypothesis.factors) <= MAX_MEIOSES or c.finding == EXPECTED)


def clean(shape: FamilyShape) -> Hypothesis:
    """The clean donor gamete of a family shape."""
    return candidates(shape)[0].hypothesis


def _expected(shape: FamilyShape, donor: PlantMaker, inducer: PlantMaker) -> list[Candidate]:
    share = assumptions.SEGMENT_LINE_SHARE
    with_segments = gamete_with_segments(
        "clean with segments",
        donor,
        inducer,
        shape.pool,
        share=assumptions.SEGMENT_GENOME_SHARE,
        mean_cm=assumptions.SEGMENT_MEAN_CM,
    )
    plain = gamete_twice("clean", donor)
    return [
        Candidate(finding=EXPECTED, hypothesis=plain, seedling_weight=1 - share, d1_weight=1 - share),
        Candidate(
            finding=EXPECTED,
            hypothesis=with_segments,
            seedling_weight=share,
            d1_weight=share,
            detail="segments",
        ),
    ]


def _hybrids(shape: FamilyShape, donor: PlantMaker, inducer: PlantMaker) -> list[Candidate]:
    """A hybrid, and a selfed one.

    In a bulk of a hybrid's progeny every locus that is heterozygous in it shows both alleles: the bulk looks like
    the hybrid itself, which is not a bulk.
    """
    hybrid = crossed("hybrid", donor, inducer)
    selfed = crossed("selfed hybrid", donor, inducer, selfings=1)
    if not shape.is_bulk:
        return [
            Candidate(finding=Finding.HYBRID, hypothesis=hybrid, seedling_weight=1, d1_weight=1),
            Candidate(finding=Finding.SELFED_HYBRID, hypothesis=selfed, seedling_weight=1, d1_weight=1),
        ]
    pooled = crossed("bulk of a selfed hybrid", donor, inducer)
    return [
        Candidate(finding=Finding.SELFED_HYBRID, hypothesis=pooled, seedling_weight=0.8, d1_weight=0.8),
        Candidate(finding=Finding.SELFED_HYBRID, hypothesis=selfed, seedling_weight=0.2, d1_weight=0.2),
    ]


def _donor_plants(shape: FamilyShape, donor: PlantMaker) -> list[Candidate]:
    if isinstance(shape.donor, int):
        return []
    selfed = [(plant_itself(name, donor, selfings=n), *SELFED_WEIGHTS[name]) for name, n in SELFINGS.items()]
    selfed.append((nearly_fixed("selfed many times", donor), 0.05, 0.1))
    plants = [] if shape.parents else [plant_itself("donor plant", donor)]
    if shape.has_plant:
        plants.append(hypothesis("known donor plant", Meioses(), Plant(Strand(shape.plant), Strand(shape.plant))))
    if shape.is_bulk:
        selfed = [(h, seedling / 5, d1 / 5) for h, seedling, d1 in selfed]
        selfed += [(replace(h, name="bulk of the selfed donor"), 0.8 / len(plants), 0.8 / len(plants)) for h in plants]
    parents = shape.parent_slots
    inbreds = [plant_itself(f"parent {slot}", plant_maker(slot)) for slot in parents]
    if shape.is_unphased:
        inbreds = [gamete_twice("no crossover", donor, Factor(weights=(0.5, 0.5), rate=NO_CROSSOVER_RATE))]
    return [
        *(
            Candidate(
                finding=Finding.DONOR,
                hypothesis=h,
                seedling_weight=1 / len(plants),
                d1_weight=1 / len(plants),
            )
            for h in plants
        ),
        *(
            Candidate(finding=Finding.SELFED_DONOR, hypothesis=h, seedling_weight=s, d1_weight=d, detail=h.name)
            for h, s, d in selfed
        ),
        *(
            Candidate(
                finding=Finding.PARENT,
                hypothesis=inbred,
                seedling_weight=1 / len(inbreds),
                d1_weight=1 / len(inbreds),
            )
            for inbred in inbreds
        ),
    ]


def _inducers(shape: FamilyShape, inducer: PlantMaker) -> list[Candidate]:
    itself = plant_itself("inducer", inducer)
    if isinstance(shape.inducer, int):
        return [Candidate(finding=Finding.INDUCER, hypothesis=itself, seedling_weight=1, d1_weight=1)]
    selfed = plant_itself("selfed inducer", inducer, selfings=1)
    gamete = gamete_twice("inducer gamete", inducer)
    return [
        Candidate(finding=Finding.INDUCER, hypothesis=itself, seedling_weight=0.5, d1_weight=0.4),
        Candidate(
            finding=Finding.INDUCER,
            hypothesis=selfed,
            seedling_weight=0.4,
            d1_weight=0.4,
            detail="selfed inducer",
        ),
        Candidate(finding=Finding.INDUCER, hypothesis=gamete, seedling_weight=0.1, d1_weight=0.2),
    ]


def _outcrosses(shape: FamilyShape, donor: PlantMaker, inducer: PlantMaker) -> list[Candidate]:
    stray = crossed("stray pollen", donor, plant_maker(shape.pool))
    false_hybrid = crossed("pollen of a false hybrid", donor, hybrid_plant(donor, inducer))
    selfed_stray = crossed("stray pollen, selfed", donor, plant_maker(shape.pool), selfings=1)
    is_fixed = isinstance(shape.donor, int)
    parents = () if is_fixed or shape.is_unphased else shape.parent_slots
    backcrosses = [crossed(f"pollen of parent {slot}", donor, plant_maker(slot)) for slot in parents]
    found = [
        Candidate(finding=Finding.OUTCROSS, hypothesis=stray, seedling_weight=0.5, d1_weight=0.3, detail=""),
        Candidate(
            finding=Finding.OUTCROSS,
            hypothesis=selfed_stray,
            seedling_weight=0.02,
            d1_weight=0.1,
            detail="selfed",
        ),
        Candidate(
            finding=Finding.OUTCROSS,
            hypothesis=false_hybrid,
            seedling_weight=0.02,
            d1_weight=0.1,
            detail="a false hybrid in the nursery",
        ),
    ]
    if backcrosses:
        found += [
            Candidate(
                finding=Finding.OUTCROSS,
                hypothesis=h,
                seedling_weight=OWN_PARENT_POLLEN / len(backcrosses),
                d1_weight=OWN_PARENT_POLLEN / len(backcrosses),
                detail=f"parent {slot}",
                is_of_own_parent=True,
            )
            for slot, h in zip(parents, backcrosses, strict=True)
        ]
    return found


def _strangers(shape: FamilyShape) -> list[Candidate]:
    """Material of no pedigree here: inbred, outbred, or partly inbred with alleles at random."""
    pool = Strand(shape.pool)
    other = Strand(shape.pool + 2)
    inbred = hypothesis("unknown inbred", Meioses(), Plant(pool, pool))
    outbred = hypothesis("unknown outbred", Meioses(), Plant(pool, other))
    meioses = Meioses()
    is_open = meioses.new(Factor(weights=(0.5, 0.5), rate=4.0))
    partly = hypothesis("unknown partly inbred", meioses, Plant(pool, Pick(is_open, (pool, other))))
    return [
        Candidate(finding=Finding.UNRESOLVED, hypothesis=h, seedling_weight=1 / 3, d1_weight=1 / 3)
        for h in (inbred, outbred, partly)
    ]
