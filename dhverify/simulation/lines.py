"""Lines of a programme: the clean ones and everything that can stand under a line's label instead."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from dhverify.simulation.meiosis import Gamete, Meioses, Plant, doubled, gamete, inbred, selfed
from dhverify.simulation.specimens import Label, Segment, Specimen, expected_finding

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from dhverify.simulation.genome import Genome
    from dhverify.simulation.materials import DonorCross, Inducer, Materials
    from dhverify.simulation.settings import SimulationSettings


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A line to be made: its label, where it comes from, and what goes wrong."""

    label: Label
    cross: int
    plant: int
    inducer: int
    fault: str = ""


@dataclass(frozen=True, kw_only=True, eq=False)
class Breeder:
    """Makes the DNA of lines.

    Each method is one way in which a line comes about; :attr:`ways` names them after the settings' shares.
    """

    settings: SimulationSettings
    genome: Genome
    materials: Materials
    meioses: Meioses
    rng: np.random.Generator

    @property
    def ways(self) -> dict[str, Callable[[Plan], Specimen]]:
        """Fault (empty for none) to the method that makes the line."""
        return {
            "": self.clean,
            "hybrid": self.hybrid,
            "unselfed_hybrid": self.unselfed_hybrid,
            "donor": self.donor,
            "selfed_donor": self.selfed_donor,
            "parent": self.parent,
            "outcross": self.outcross,
            "inducer": self.inducer,
            "other_donor": self.other_donor,
            "unrelated": self.unrelated,
            "segment": self.segment,
            "mixture": self.clean,
            "duplicate": self.clean,
            "failed": self.failed,
            "wrong_tissue": self.wrong_tissue,
        }

    def make(self, plan: Plan) -> Specimen:
        """Make the DNA of a line."""
        return self.ways[plan.fault](plan)

    # the plants behind a plan

    def cross_of(self, plan: Plan) -> DonorCross:
        """Return the donor of a line."""
        return self.materials.donors[plan.cross]

    def plant_of(self, plan: Plan) -> Plant:
        """Return the donor plant of a line."""
        return self.cross_of(plan).plants[plan.plant]

    def inducer_of(self, plan: Plan) -> Inducer:
        """Return the inducer of a line."""
        return self.materials.inducers[plan.inducer]

    # clean lines

    def donor_gamete(self, plant: Plant) -> Gamete:
        """Make a gamete that becomes a line; at places of distortion one strand is favoured."""
        while True:
            strand = gamete(plant, self.meioses)
            if self.rng.random() < self._acceptance(plant, strand):
                return strand

    def _acceptance(self, plant: Plant, strand: Gamete) -> float:
        """Return the probability that a gamete becomes a line, 1 for favoured strands."""
        probability = 1.0
        for distortion in self.settings.distortions:
            marker = nearest_marker(self.genome, distortion.chrom, distortion.cm)
            both = sorted((int(f) for f in plant[:, marker]), key=self.materials.favour.index)
            if both[0] != both[1]:
                weights = distortion.share, 1 - distortion.share
                probability *= weights[both.index(int(strand[marker]))] / max(weights)
        return probability

    def clean(self, plan: Plan) -> Specimen:
        """Make a haploid, or its doubled line."""
        return self.from_strand(plan, self.donor_gamete(self.plant_of(plan)))

    def from_strand(self, plan: Plan, strand: Gamete) -> Specimen:
        """Make a clean line of a given gamete."""
        return self._specimen(plan, doubled(strand), expected_finding(plan.label.stage))

    def descended(self, plan: Plan, source: Specimen) -> Specimen:
        """Make what comes of a plant of an earlier stage: the plant itself, or at D1 its selfed seed."""
        if source.plant is None:
            raise ValueError(f"{source.made_as} is no plant")
        if source.is_clean:
            line = self.from_strand(plan, source.plant[0])
            return replace(line, genotype=source.genotype)
        if plan.label.stage != "D1":
            return replace(source, made_as=plan.label.sample)
        finding = "selfed hybrid" if source.finding == "hybrid" else source.finding
        return self._bulk(plan, source.plant, finding)

    # what goes wrong

    def hybrid(self, plan: Plan) -> Specimen:
        """Donor gamete x inducer; at stage D1 that plant selfed."""
        plant = self._hybrid_plant(plan)
        if plan.label.stage != "D1":
            return self._specimen(plan, plant, "hybrid")
        return self._bulk(plan, plant, "selfed hybrid")

    def unselfed_hybrid(self, plan: Plan) -> Specimen:
        """Donor gamete x inducer at any stage."""
        return self._specimen(plan, self._hybrid_plant(plan), "hybrid")

    def donor(self, plan: Plan) -> Specimen:
        """Take the donor plant itself."""
        specimen = self._specimen(plan, self.plant_of(plan), "donor")
        return replace(specimen, genotype=self.cross_of(plan).plant_name(plan.plant))

    def selfed_donor(self, plan: Plan) -> Specimen:
        """Self the donor: once at stages haploid and D0, twice at D1."""
        plant = selfed(self.plant_of(plan), self.meioses)
        if plan.label.stage != "D1":
            return self._specimen(plan, plant, "selfed donor")
        return self._bulk(plan, plant, "selfed donor")

    def parent(self, plan: Plan) -> Specimen:
        """Take an inbred parent of the donor."""
        founder = int(self.rng.choice(self.cross_of(plan).parents))
        specimen = self._specimen(plan, inbred(founder, self.genome.n_markers), "parent")
        return replace(specimen, genotype=self.materials.founder_names[founder])

    def outcross(self, plan: Plan) -> Specimen:
        """Donor gamete x pollen of an outside inbred or of another plant of the nursery."""
        strand = gamete(self.plant_of(plan), self.meioses)
        pollen, name = self._pollen(plan)
        specimen = self._specimen(plan, np.stack([strand, pollen]), "outcross")
        return replace(specimen, pollen=name)

    def inducer(self, plan: Plan) -> Specimen:
        """Take the inducer; half of the plants of a hybrid inducer are selfed."""
        inducer = self.inducer_of(plan)
        is_selfed = len(inducer.founders) > 1 and self.rng.random() < 0.5
        plant = selfed(inducer.plant, self.meioses) if is_selfed else inducer.plant
        specimen = replace(self._specimen(plan, plant, "inducer"), donor="")
        return specimen if is_selfed else replace(specimen, genotype=inducer.name)

    def other_donor(self, plan: Plan) -> Specimen:
        """Make a clean line of another donor."""
        cross = int(self.rng.choice([i for i in range(len(self.materials.donors)) if i != plan.cross]))
        other = self.materials.donors[cross]
        plant = int(self.rng.integers(len(other.plants)))
        specimen = self._specimen(plan, doubled(self.donor_gamete(other.plants[plant])), "other donor")
        return replace(specimen, donor=other.row_names[plant])

    def unrelated(self, plan: Plan) -> Specimen:
        """Make a clean line of a cross of two outside inbreds."""
        pair = self.rng.choice(list(self.materials.outside), 2, replace=False)
        plant = np.stack([inbred(int(f), self.genome.n_markers)[0] for f in pair])
        specimen = self._specimen(plan, doubled(gamete(plant, self.meioses)), "unresolved")
        return replace(specimen, donor="", case="unrelated material")

    def segment(self, plan: Plan) -> Specimen:
        """Make a clean line with a stretch of inducer DNA, added (heterozygous) or in place of its own."""
        strand = self.donor_gamete(self.plant_of(plan))
        rows, segment = self._stretch()
        changed = strand.copy()
        changed[rows] = gamete(self.inducer_of(plan).plant, self.meioses)[rows]
        plant = np.stack([strand if segment.copies == 1 else changed, changed])
        specimen = self._specimen(plan, plant, expected_finding(plan.label.stage))
        return replace(specimen, segments=(segment,), case="inducer segment")

    def failed(self, plan: Plan) -> Specimen:
        """Make a clean line whose DNA failed: more than 80 % of its calls are missing."""
        return replace(self.clean(plan), dna_yield=self.rng.uniform(0.03, 0.15), case="failed well")

    def wrong_tissue(self, plan: Plan) -> Specimen:
        """Endosperm (two sets of the egg's genome, one of the inducer's) or pericarp (the donor plant)."""
        if plan.label.tissue == "pericarp":
            return replace(self.donor(plan), case="wrong tissue")
        plant = self._hybrid_plant(plan)
        specimen = self._specimen(plan, plant, "hybrid")
        kernel = (2 * self.materials.alleles[plant[0], self._rows] + self.materials.alleles[plant[1], self._rows]) / 3
        return replace(specimen, fraction=kernel.astype(np.float32), case="wrong tissue")

    # parts

    @property
    def _rows(self) -> NDArray[np.int64]:
        return np.arange(self.genome.n_markers)

    def _hybrid_plant(self, plan: Plan) -> Plant:
        pollen = gamete(self.inducer_of(plan).plant, self.meioses)
        return np.stack([gamete(self.plant_of(plan), self.meioses), pollen])

    def _pollen(self, plan: Plan) -> tuple[Gamete, str]:
        """Return a pollen grain and the name of the plant it comes from."""
        if self.rng.random() >= self.settings.nursery_pollen_share:
            founder = int(self.rng.choice(list(self.materials.outside)))
            return inbred(founder, self.genome.n_markers)[0], self.materials.founder_names[founder]
        others = [i for i in range(len(self.materials.donors)) if i != plan.cross]
        if others and self.rng.random() < 0.5:
            other = self.materials.donors[int(self.rng.choice(others))]
            return gamete(other.plants[0], self.meioses), other.row_names[0]
        return gamete(self._hybrid_plant(plan), self.meioses), "a false hybrid of the nursery"

    def _bulk(self, plan: Plan, plant: Plant, finding: str) -> Specimen:
        """DNA of one or several plants, each of one kernel of a plant that was selfed."""
        seeds = [selfed(plant, self.meioses) for _ in range(plan.label.plants)]
        specimen = self._specimen(plan, seeds[0], finding)
        mean = np.mean([self.materials.fraction(seed) for seed in seeds], axis=0)
        return replace(specimen, fraction=mean.astype(np.float32))

    def _stretch(self) -> tuple[NDArray[np.bool_], Segment]:
        """Choose a stretch of base pairs on a chromosome by physical length."""
        lengths = np.array([c.length_bp for c in self.genome.chromosomes])
        index = int(self.rng.choice(len(lengths), p=lengths / lengths.sum()))
        wanted = self.rng.uniform(self.settings.segment_low_bp, self.settings.segment_high_bp)
        length = int(min(wanted, lengths[index]))
        start = int(self.rng.integers(1, lengths[index] - length + 2))
        copies = 1 if self.rng.random() < self.settings.added_segment_share else 2
        segment = Segment(
            chrom=self.settings.chromosome_prefix + self.genome.chromosomes[index].name,
            start_bp=start,
            end_bp=start + length - 1,
            copies=copies,
        )
        pos = self.genome.pos_bp
        return (self.genome.chrom_index == index) & (pos >= start) & (pos <= segment.end_bp), segment

    def _specimen(self, plan: Plan, plant: Plant, finding: str) -> Specimen:
        shares = self.founder_shares(plant)
        first, last = self.materials.n_parents, self.materials.n_parents + self.materials.n_inducer_inbreds
        names = self.materials.founder_names
        cross = self.cross_of(plan)
        return Specimen(
            fraction=self.materials.fraction(plant),
            finding=finding,
            donor=cross.row_names[plan.plant],
            made_as=plan.label.sample,
            genotype=plan.label.sample,
            plant=plant,
            inducer_share=float(shares[first:last].sum()),
            parent_shares=tuple((names[p], float(shares[p])) for p in dict.fromkeys(cross.parents)),
        )

    def founder_shares(self, plant: Plant) -> NDArray[np.float64]:
        """Share of each founder in a plant by map distance, float64, shape (n_founders,)."""
        weight = self.genome.marker_weight_cm
        n = len(self.materials.founder_names)
        shares = sum(np.bincount(strand, weights=weight, minlength=n) for strand in plant)
        return np.asarray(shares / (2 * weight.sum()))


def nearest_marker(genome: Genome, chrom: str, cm: float) -> int:
    """Return the marker nearest to a place of the map (on the whole map, where its chromosome has none)."""
    index = [c.name for c in genome.chromosomes].index(chrom)
    place = float(np.sum(genome.length_cm[:index])) + cm
    distance = np.abs(genome.genome_cm - place)
    is_there = genome.chrom_index == index
    return int(np.argmin(np.where(is_there, distance, distance + 1e9)))
