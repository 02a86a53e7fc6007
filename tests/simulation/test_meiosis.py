"""Meioses against published formulas and against an independent simulator.

Variances of a parent's share and of the identity of two sister lines: Frisch and Melchinger 2007, Genetics
176:477-488 (doi:10.1534/genetics.106.065433). msprime: Baumdicker et al. 2022, Genetics 220:iyab229.
"""

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from dhverify.simulation import MAIZE_CHROMOSOMES, Chromosome
from dhverify.simulation.genome import build_genome
from dhverify.simulation.meiosis import (
    CrossoverMeioses,
    crossed,
    doubled,
    gamete,
    genome_crossovers,
    inbred,
    selfed,
)

ONE_MORGAN = (Chromosome(name="1", length_bp=100_000_000, length_cm=100.0),)
TEN_EQUAL = tuple(Chromosome(name=str(i), length_bp=160_000_000, length_cm=160.0) for i in range(1, 11))


def meioses_of(chromosomes, *, n_markers, seed, shape=1.0):
    rng = np.random.default_rng(seed)
    genome = build_genome(chromosomes, n_markers=n_markers, placing="even", power=1.0, rng=rng)
    return CrossoverMeioses(genome=genome, shape=shape, rng=rng)


def many_strands(meioses, n):
    return np.array([meioses.strands() for _ in range(n)])


def share_variance(l):
    """Variance of one parent's share on a chromosome of l Morgan."""
    return (l - (1 - np.exp(-2 * l)) / 2) / (4 * l**2)


def identity_variance(l):
    """Variance of the identity of two sister lines on a chromosome of l Morgan."""
    return (4 * l - 1 + np.exp(-4 * l)) / (32 * l**2)


def genome_sd(variance, chromosomes):
    l = np.array([c.length_cm / 100 for c in chromosomes])
    return np.sqrt(np.sum(l**2 * variance(l))) / l.sum()


def assert_sd(values, expected):
    """The standard deviation agrees within 4 standard errors: sqrt((m4 - sd**4) / n) / (2 sd)."""
    centred = np.asarray(values) - np.mean(values)
    sd = np.sqrt(np.mean(centred**2))
    error = np.sqrt((np.mean(centred**4) - sd**4) / len(centred)) / (2 * sd)
    assert abs(sd - expected) < 4 * error
    assert error < 0.02 * expected


@pytest.mark.parametrize(
    ("chromosomes", "n_markers", "printed"),
    [(ONE_MORGAN, 500, 0.377), (TEN_EQUAL, 1600, 0.1046), (MAIZE_CHROMOSOMES, 1500, 0.1077)],
    ids=["1 M", "10 x 1.6 M", "maize map"],
)
def test_parent_share_has_the_published_spread(chromosomes, n_markers, printed):
    shares = many_strands(meioses_of(chromosomes, n_markers=n_markers, seed=5), 6000).mean(axis=1)
    assert genome_sd(share_variance, chromosomes) == pytest.approx(printed, abs=0.0005)
    assert_sd(shares, printed)
    assert abs(shares.mean() - 0.5) < 4 * printed / np.sqrt(6000)


def test_identity_of_sisters_has_the_published_spread():
    strands = many_strands(meioses_of(MAIZE_CHROMOSOMES, n_markers=1500, seed=6), 8000)
    identity = (strands[:4000] == strands[4000:]).mean(axis=1)
    assert genome_sd(identity_variance, MAIZE_CHROMOSOMES) == pytest.approx(0.0842, abs=0.0001)
    assert_sd(identity, 0.0842)


@pytest.mark.parametrize("shape", [1.0, 4.0])
def test_the_map_length_is_kept_with_and_without_interference(shape):
    rng = np.random.default_rng(7)
    length = np.array([c.length_cm for c in MAIZE_CHROMOSOMES])
    counts = np.array([len(genome_crossovers(length, shape=shape, rng=rng)) for _ in range(3000)])
    error = counts.std() / np.sqrt(len(counts))
    assert abs(counts.mean() - length.sum() / 100) < 4 * error
    if shape == 1:  # Poisson: variance equals mean; standard error of a variance: var * sqrt(2 / n), nearly
        assert abs(counts.var() - counts.mean()) < 4 * counts.var() * np.sqrt(2 / len(counts))
    else:
        assert counts.var() < 0.8 * counts.mean()


def test_crossovers_lie_within_the_genome():
    rng = np.random.default_rng(1)
    for shape in (1.0, 3.0):
        places = genome_crossovers(np.array([50.0, 5.0]), shape=shape, rng=rng)
        assert ((places >= 0) & (places < 55)).all()
    assert any(len(genome_crossovers(np.array([1.0]), shape=3.0, rng=rng)) == 0 for _ in range(20))


@pytest.mark.parametrize(("shape", "agrees"), [(1.0, True), (6.0, False)])
def test_recombination_follows_haldane_only_without_interference(shape, agrees):
    """r = (1 - exp(-2 d)) / 2 (Haldane 1919, J Genet 8:299-309); interference brings r nearer to d."""
    meioses = meioses_of(ONE_MORGAN, n_markers=101, seed=8, shape=shape)
    strands = many_strands(meioses, 12000)
    place = meioses.genome.cm
    d = (place[50] - place[25]) / 100
    observed = (strands[:, 25] != strands[:, 50]).mean()
    expected = (1 - np.exp(-2 * d)) / 2
    error = np.sqrt(expected * (1 - expected) / len(strands))
    assert bool(abs(observed - expected) < 4 * error) is agrees
    if not agrees:
        assert expected < observed <= d + 4 * error


def test_chromosomes_assort_independently():
    meioses = meioses_of(TEN_EQUAL, n_markers=20, seed=9)
    strands = many_strands(meioses, 8000)
    same = (strands[:, 1] == strands[:, 2]).mean()  # last marker of one chromosome, first of the next
    assert abs(same - 0.5) < 4 * 0.5 / np.sqrt(8000)


def test_plants_come_of_their_parents():
    meioses = meioses_of(ONE_MORGAN, n_markers=50, seed=10)
    first, second = inbred(3, 50), inbred(4, 50)
    assert (gamete(first, meioses) == 3).all()
    hybrid = crossed(first, second, meioses)
    assert (hybrid == [[3] * 50, [4] * 50]).all()
    strand = gamete(hybrid, meioses)
    assert set(strand.tolist()) <= {3, 4}
    assert (doubled(strand) == strand).all()


def test_selfing_halves_heterozygosity_each_generation():
    """(1/2)^n of the F1's heterozygosity remains after n generations."""
    meioses = meioses_of(MAIZE_CHROMOSOMES, n_markers=300, seed=11)
    hybrid = np.stack([inbred(0, 300)[0], inbred(1, 300)[0]])
    for generations in (1, 3):
        plants = [selfed(hybrid, meioses, generations=generations) for _ in range(300)]
        het = np.array([(plant[0] != plant[1]).mean() for plant in plants])
        assert abs(het.mean() - 0.5**generations) < 4 * het.std() / np.sqrt(len(het))


@pytest.fixture(scope="module")
def helper():
    path = Path(__file__).parents[1] / "accuracy" / "msprime_programme.py"
    spec = importlib.util.spec_from_file_location("msprime_programme", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("length_cm", [60.0, 200.0])
def test_meioses_agree_with_an_independent_simulator(helper, length_cm):
    """Crossovers and parent shares of 3,000 gametes each, ours and msprime's, and the formulas."""
    chromosome = (Chromosome(name="1", length_bp=100_000_000, length_cm=length_cm),)
    ours = meioses_of(chromosome, n_markers=1000, seed=12)
    strands = many_strands(ours, 3000)
    theirs = helper.strand_pool(ours.genome, n_gametes=3000, seed=13)
    switches = [np.diff(pool.astype(int), axis=1).astype(bool).sum(axis=1) for pool in (strands, theirs)]
    for counts in switches:  # Poisson of the map length, less the double crossovers between two markers
        r = (1 - np.exp(-2 * length_cm / 100 / 1000)) / 2
        assert abs(counts.mean() - 999 * r) < 4 * np.sqrt(length_cm / 100 / 3000)
    top = 4 if length_cm > 100 else 2
    table = [np.bincount(np.minimum(counts, top), minlength=top + 1) for counts in switches]
    assert stats.chi2_contingency(table).pvalue > 0.001
    shares = [pool.mean(axis=1) for pool in (strands, theirs)]
    inner = [s[(s > 0) & (s < 1)] for s in shares]
    assert stats.ks_2samp(*inner).pvalue > 0.001
    for values in shares:
        assert_sd(values, np.sqrt(share_variance(length_cm / 100)))


def test_a_programme_of_foreign_meioses_holds_what_was_planned(helper):
    programme = helper.msprime_programme(seed=3)
    findings = [row["finding"] for row in programme.truth]
    assert findings.count("selfed hybrid") == 12
    assert findings.count("selfed donor") == 12
    assert findings.count("doubled haploid") == 96
    with pytest.raises(IndexError):
        helper.msprime_programme(seed=3, n_gametes=10)
