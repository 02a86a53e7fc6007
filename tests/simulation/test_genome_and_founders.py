"""The invented genome, and the inbreds on it."""

import numpy as np
import pytest

from dhverify.simulation import MAIZE_CHROMOSOMES, SEVEN_CHROMOSOMES, Chromosome
from dhverify.simulation.founders import allele_frequencies, founder_alleles, group_frequencies, impure
from dhverify.simulation.genome import build_genome, centromere_share, genetic_share, physical_share
from dhverify.simulation.materials import invented_name

RNG = np.random.default_rng


def genome_of(chromosomes=MAIZE_CHROMOSOMES, *, n_markers=1000, placing="bp", power=3.0):
    return build_genome(chromosomes, n_markers=n_markers, placing=placing, power=power, rng=RNG(1))


def test_maize_lengths():
    """1,462 cM (Ogut et al. 2015, Heredity 114:552-563), 2,131.8 Mb."""
    assert sum(c.length_cm for c in MAIZE_CHROMOSOMES) == pytest.approx(1462.0)
    assert sum(c.length_bp for c in MAIZE_CHROMOSOMES) == pytest.approx(2_131_800_000, abs=100_000)
    assert len(SEVEN_CHROMOSOMES) == 7


@pytest.mark.parametrize("index", range(10))
def test_recombination_is_concentrated_toward_the_ends(index):
    """23-47 % of each maize chromosome's Mb runs under 0.2 cM/Mb; here the curve is built to do so."""
    chromosome = MAIZE_CHROMOSOMES[index]
    u = np.linspace(0, 1, 5001)
    cm = genetic_share(u, centromere=centromere_share(index), power=3.0) * chromosome.length_cm
    rate = np.diff(cm) / (np.diff(u) * chromosome.length_bp / 1e6)
    assert 0.23 < (rate < 0.2).mean() < 0.47
    assert (np.diff(cm) >= 0).all()
    assert cm[-1] == pytest.approx(chromosome.length_cm)
    assert rate[0] > 2 * rate.mean()


@pytest.mark.parametrize("power", [1.0, 3.0])
def test_the_curve_turns_back(power):
    u = np.linspace(0, 1, 101)
    there = genetic_share(u, centromere=0.4, power=power)
    assert np.allclose(physical_share(there, centromere=0.4, power=power), u, atol=1e-5)
    if power == 1:
        assert np.allclose(there, u)


@pytest.mark.parametrize("placing", ["bp", "cm", "even"])
def test_markers_are_sorted_unique_and_on_their_chromosome(placing):
    genome = genome_of(placing=placing)
    lengths = np.array([c.length_bp for c in MAIZE_CHROMOSOMES])[genome.chrom_index]
    assert ((genome.pos_bp >= 1) & (genome.pos_bp <= lengths)).all()
    same = np.diff(genome.chrom_index) == 0
    assert (np.diff(genome.pos_bp)[same] > 0).all()
    assert (np.diff(genome.cm)[same] >= 0).all()
    assert (np.diff(genome.genome_cm) >= 0).all()
    assert genome.marker_weight_cm.sum() == pytest.approx(1462.0)
    if placing == "even":
        steps = np.diff(genome.cm)[same]
        assert steps.max() - steps.min() < 0.1


def test_crowded_markers_keep_unique_positions():
    tiny = (
        Chromosome(name="1", length_bp=60, length_cm=50.0),
        Chromosome(name="2", length_bp=60, length_cm=1e-9),
    )
    genome = genome_of(tiny, n_markers=50, placing="cm")
    assert len(set(genome.pos_bp[genome.chrom_index == 0].tolist())) == 50
    assert genome.pos_bp.max() <= 60
    assert genome.marker_weight_cm.sum() == pytest.approx(50.0)


def test_invented_names_are_unique():
    assert len({invented_name(i) for i in range(1000)}) == 1000


@pytest.mark.parametrize("polymorphism", [0.1, 0.363])
def test_two_inbreds_differ_as_asked(polymorphism):
    """E[2p(1-p)] = a / (2a + 1) for the symmetric beta distribution."""
    p = allele_frequencies(200_000, polymorphism=polymorphism, rng=RNG(2))
    difference = 2 * p * (1 - p)
    assert difference.mean() == pytest.approx(polymorphism, abs=4 * difference.std() / np.sqrt(len(p)))


def test_groups_drift_apart_by_the_divergence():
    """Variance between groups is divergence * p (1 - p) (Balding and Nichols 1995, Genetica 96:3-12)."""
    p = np.full(40_000, 0.3)
    groups = group_frequencies(p, n_groups=2, divergence=0.2, rng=RNG(3))
    assert groups.mean() == pytest.approx(0.3, abs=0.01)
    assert groups.var() == pytest.approx(0.2 * 0.3 * 0.7, rel=0.03)
    assert (group_frequencies(p, n_groups=2, divergence=0.0, rng=RNG(3)) == 0.3).all()


def test_shared_ancestry_makes_relatives_alike_in_blocks():
    """Two of a group share a place by descent with the square of the share."""
    genome = genome_of(n_markers=4000, placing="cm")
    alleles = founder_alleles(
        genome,
        founder_group=np.zeros(30, dtype=int),
        polymorphism=0.4,
        divergence=0.0,
        shared_ancestry=0.7,
        block_cm=10.0,
        rng=RNG(4),
    )
    pairs = [(alleles[i] != alleles[j]).mean() for i in range(30) for j in range(i)]
    assert np.mean(pairs) == pytest.approx(0.4 * (1 - 0.49), abs=0.02)
    switches = [(np.diff((alleles[i] != alleles[j]).astype(int)) != 0).sum() for i in range(30) for j in range(i)]
    d = np.mean(pairs)  # differences fall only in the stretches that are not shared, 2 of 5 markers there
    assert np.mean(switches) == pytest.approx(2 * d * (1 - 0.4) * 4000, rel=0.05)
    assert np.mean(switches) < 0.85 * 2 * d * (1 - d) * 4000  # as independent markers would have it


def test_an_impure_plant_differs_at_the_share_asked():
    alleles = RNG(5).integers(0, 2, 1000).astype(np.int8)
    plant = impure(alleles, share=0.1, rng=RNG(6))
    assert (plant == 0.5).sum() == 50
    assert (plant == 1 - alleles).sum() == 50
    assert (impure(alleles, share=0.0, rng=RNG(6)) == alleles).all()
