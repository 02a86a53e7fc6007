"""A small invented programme whose meioses come from msprime instead of the simulator.

Each meiosis is one child of a fixed pedigree (Baumdicker et al. 2022, Genetics 220:iyab229), so that what is
measured on such a programme does not rest on the simulator's own crossovers.
"""

from dataclasses import dataclass, field, replace

import msprime
import numpy as np

from dhverify.simulation import SimulationSettings, settings_genome, simulate_programme

UNITS_PER_CM = 10_000
CHILDREN = 200  # of one pedigree


def strand_pool(genome, *, n_gametes, seed):
    """Which strand of its parent each gamete carries, bool, shape (n_gametes, n_markers).

    One fixed pedigree a chromosome: two founders and their children. The first node of a child descends from
    the first founder's two nodes, 0 and 1, and is one gamete of it.
    """
    sizes = [len(part) for part in np.array_split(np.arange(n_gametes), -(-n_gametes // CHILDREN))]
    batches = [_batch(genome, n_gametes=n, seed=seed * 1_000 + i + 1) for i, n in enumerate(sizes)]
    return np.concatenate(batches)


def _batch(genome, *, n_gametes, seed):
    pool = np.zeros((n_gametes, genome.n_markers), dtype=bool)
    for index, chromosome in enumerate(genome.chromosomes):
        rows = np.flatnonzero(genome.chrom_index == index)
        place = genome.cm[rows] * UNITS_PER_CM
        edges, nodes = _chromosome_edges(chromosome.length_cm, n_gametes=n_gametes, seed=seed * 100 + index)
        for gamete, left, right in _second_strand(edges, nodes):
            pool[gamete, rows[(place >= left) & (place < right)]] = True
    return pool


def _chromosome_edges(length_cm, *, n_gametes, seed):
    pedigree = msprime.PedigreeBuilder()
    founders = [pedigree.add_individual(time=1) for _ in range(2)]
    children = [pedigree.add_individual(time=0, parents=founders, is_sample=True) for _ in range(n_gametes)]
    trees = msprime.sim_ancestry(
        initial_state=pedigree.finalise(length_cm * UNITS_PER_CM),
        model=msprime.FixedPedigree(),
        recombination_rate=0.01 / UNITS_PER_CM,
        discrete_genome=False,
        random_seed=seed,
    )
    return trees.tables.edges, {int(trees.individual(child).nodes[0]): i for i, child in enumerate(children)}


def _second_strand(edges, nodes):
    """Stretches that a gamete has from its parent's second strand."""
    for left, right, parent, child in zip(edges.left, edges.right, edges.parent, edges.child, strict=True):
        if int(child) in nodes:
            assert parent in (0, 1)
            if parent == 1:
                yield nodes[int(child)], left, right


@dataclass
class MsprimeMeioses:
    """Hands out the gametes of a pool one after the other."""

    pool: np.ndarray
    used: int = field(default=0)

    def strands(self):
        self.used += 1
        return self.pool[self.used - 1]


def msprime_programme(settings=None, *, seed=1, n_gametes=1000, **changes):
    """A programme of DH lines, hybrids and selfed donors of F1 donors, its meioses from msprime.

    ``changes`` are settings; ``n_gametes`` has to cover all meioses (an IndexError tells if it does not).
    """
    settings = settings or SimulationSettings(
        stage="D1",
        n_donors=3,
        lines_per_donor=40,
        n_markers=600,
        hybrid_share=0.1,
        selfed_donor_share=0.1,
    )
    settings = replace(settings, **changes)
    rng = np.random.default_rng(seed)
    genome = settings_genome(settings, rng)
    meioses = MsprimeMeioses(strand_pool(genome, n_gametes=n_gametes, seed=seed))
    return simulate_programme(settings, rng, meioses=meioses, genome=genome)
