"""Founder strands from simulated gametes: EM and phasing on a tiny generator of this file's own."""

from __future__ import annotations

import numpy as np
import pytest

from dhverify.findings_table import plant_maker
from dhverify.hypotheses import crossed, gamete_twice, plant_itself
from dhverify.marker_grid import lay_out
from dhverify.strands import (
    StrandCounts,
    add_counts,
    add_plant_counts,
    pair_genotypes,
    phase,
    strand_prior,
    updated_strands,
)

ERROR = 0.01
F1 = plant_maker((0, 1))


def genome(rng, n_chromosomes=3, n_per=40, spacing=3.0):
    chrom = np.repeat([str(k + 1) for k in range(n_chromosomes)], n_per)
    cm = np.tile(np.arange(n_per) * spacing, n_chromosomes)
    founders = rng.integers(0, 2, (3, n_chromosomes * n_per))
    return lay_out(chrom, cm), chrom, cm, founders


def gamete_of(rng, first, second, chrom, cm):
    """Which of two chromosomes is passed on at each marker: fair at the start, then Haldane."""
    which = np.empty(len(cm), dtype=int)
    for m in range(len(cm)):
        if m == 0 or chrom[m] != chrom[m - 1]:
            which[m] = rng.integers(0, 2)
        else:
            r = (1 - np.exp(-2 * (cm[m] - cm[m - 1]) / 100)) / 2
            which[m] = which[m - 1] ^ int(rng.random() < r)
    return np.where(which == 0, first, second)


def likelihood_of(rng, copies, missing=0.05):
    """Likelihood of noisy calls of true genotypes (0, 1, 2), shape (n_markers, n_lines, 3)."""
    seen = copies.copy()
    wrong = rng.random(copies.shape) < ERROR
    seen[wrong] = rng.integers(0, 3, int(wrong.sum()))
    table = np.full((3, 3), ERROR)
    np.fill_diagonal(table, 1 - 2 * ERROR)
    found = table[seen].transpose(1, 0, 2).copy()
    found[(rng.random(copies.shape) < missing).T] = 1.0
    return found


def em(hypothesis, grid, likelihood, prior, slots, rounds=6, weight=None):
    values = updated_strands(prior, StrandCounts.empty(*prior.shape[:2]))
    for _ in range(rounds):
        counts = StrandCounts.empty(*prior.shape[:2])
        add_counts(
            counts,
            hypothesis,
            grid,
            genotype_likelihood=likelihood,
            line_weight=np.ones(likelihood.shape[1]) if weight is None else weight,
            slots=slots,
            strand_second=values,
        )
        values = updated_strands(prior, counts)
    return values, counts


def typed(alleles):
    likelihood = np.full((len(alleles), 3), ERROR)
    likelihood[np.arange(len(alleles)), 2 * alleles] = 1 - 2 * ERROR
    return strand_prior(likelihood)


def untyped(n):
    return strand_prior(np.ones((n, 3)))


def test_an_untyped_parent_is_learnt_from_its_lines_and_its_partner():
    rng = np.random.default_rng(1)
    grid, chrom, cm, founders = genome(rng)
    copies = 2 * np.array([gamete_of(rng, founders[0], founders[1], chrom, cm) for _ in range(40)])
    prior = np.stack([typed(founders[0]), untyped(len(cm))])
    values, _ = em(gamete_twice("x", F1), grid, likelihood_of(rng, copies), prior, np.array([0, 1]))
    assert ((values > 0.5) == founders[:2].astype(bool)).mean() > 0.99
    assert np.abs(values - founders[:2]).mean() < 0.03


def test_an_untyped_inducer_is_learnt_from_its_hybrids():
    rng = np.random.default_rng(2)
    grid, chrom, cm, founders = genome(rng)
    copies = np.array([gamete_of(rng, founders[0], founders[1], chrom, cm) for _ in range(30)]) + founders[2]
    prior = np.stack([typed(founders[0]), typed(founders[1]), untyped(len(cm))])
    hybrid = crossed("x", F1, plant_maker(2))
    values, counts = em(hybrid, grid, likelihood_of(rng, copies), prior, np.array([0, 1, 2]))
    assert ((values[2] > 0.5) == founders[2].astype(bool)).mean() > 0.99
    np.testing.assert_allclose(counts.values.sum(axis=2).sum(axis=0), 60.0)


def test_a_wrong_call_of_a_parent_is_outvoted_by_its_offspring():
    rng = np.random.default_rng(3)
    grid, chrom, cm, founders = genome(rng)
    copies = 2 * np.array([gamete_of(rng, founders[0], founders[1], chrom, cm) for _ in range(40)])
    told = founders.copy()
    told[0, [10, 50, 90]] ^= 1
    prior = np.stack([typed(told[0]), typed(told[1])])
    values, _ = em(gamete_twice("x", F1), grid, likelihood_of(rng, copies), prior, np.array([0, 1]))
    for marker in (10, 50, 90):
        assert (values[0, marker] > 0.5) == bool(founders[0, marker])


def test_both_strands_come_from_selfed_offspring_too():
    """An F2: half of its markers are heterozygous, and still each strand is seen."""
    rng = np.random.default_rng(4)
    grid, chrom, cm, founders = genome(rng)
    one, two = ([gamete_of(rng, founders[0], founders[1], chrom, cm) for _ in range(40)] for _ in range(2))
    prior = np.stack([typed(founders[0]), untyped(len(cm))])
    selfed = plant_itself("x", F1, selfings=1)
    values, _ = em(selfed, grid, likelihood_of(rng, np.array(one) + np.array(two)), prior, np.array([0, 1]))
    assert ((values[1] > 0.5) == founders[1].astype(bool)).mean() > 0.97


def test_lines_of_no_weight_teach_nothing():
    rng = np.random.default_rng(5)
    grid, _, cm, founders = genome(rng, 1, 10)
    prior = np.stack([typed(founders[0]), typed(founders[1])])
    likelihood = likelihood_of(rng, 2 * np.tile(1 - founders[0], (5, 1)))
    values, counts = em(gamete_twice("x", F1), grid, likelihood, prior, np.array([0, 1]), 2, np.zeros(5))
    assert counts.values.sum() == 0
    np.testing.assert_allclose(values, updated_strands(prior, StrandCounts.empty(2, len(cm))))


def test_a_typed_f1_tells_the_parent_that_is_missing():
    likelihood = np.array([[0.01, 0.98, 0.01], [0.98, 0.01, 0.01], [0.01, 0.98, 0.01], [1.0, 1.0, 1.0]])
    known = np.array([0, 0, 1, 1])
    prior = np.stack([typed(known), untyped(4)])
    values = updated_strands(prior, StrandCounts.empty(2, 4))
    counts = StrandCounts.empty(2, 4)
    add_plant_counts(counts, first=0, second=1, genotype_likelihood=likelihood, strand_second=values, weight=1.5)
    assert counts.values[:, 3].sum() == 0
    learnt = updated_strands(prior, counts)[1]
    assert learnt[0] > 0.7
    assert learnt[1] < 0.3
    assert learnt[2] < 0.3
    assert learnt[3] == pytest.approx(0.5)


@pytest.mark.parametrize("seed", [6, 7, 8])
def test_phasing_finds_both_strands_up_to_a_swap_of_each_chromosome(seed):
    rng = np.random.default_rng(seed)
    grid, chrom, cm, founders = genome(rng, 4, 50)
    copies = 2 * np.array([gamete_of(rng, founders[0], founders[1], chrom, cm) for _ in range(24)])
    likelihood = likelihood_of(rng, copies)[:, :, [0, 2]]
    found = phase(likelihood, grid) > 0.5
    right = 0
    for name in np.unique(chrom):
        here = chrom == name
        truth = founders[:2, here].astype(bool)
        right += max((found[:, here] == truth).sum(), (found[::-1][:, here] == truth).sum())
    assert right / (2 * len(cm)) > 0.985


def test_a_typed_plant_helps_where_lines_are_few():
    rng = np.random.default_rng(9)
    grid, chrom, cm, founders = genome(rng, 3, 40)
    copies = 2 * np.array([gamete_of(rng, founders[0], founders[1], chrom, cm) for _ in range(3)])
    likelihood = likelihood_of(rng, copies, missing=0.5)[:, :, [0, 2]]
    plant = np.full((len(cm), 3), np.log(ERROR))
    plant[np.arange(len(cm)), founders[0] + founders[1]] = 0.0
    with_plant = phase(likelihood, grid, plant_log_prior=plant) > 0.5
    without = phase(likelihood, grid) > 0.5
    true_sum = founders[0] + founders[1]

    def agreement(strands):
        return (strands.sum(axis=0) == true_sum).mean()

    assert agreement(with_plant) > 0.97
    assert agreement(with_plant) > agreement(without)


def test_swapping_allele_names_turns_every_strand_round():
    rng = np.random.default_rng(10)
    grid, chrom, cm, founders = genome(rng, 2, 30)
    copies = 2 * np.array([gamete_of(rng, founders[0], founders[1], chrom, cm) for _ in range(20)])
    likelihood = likelihood_of(rng, copies)
    prior = np.stack([typed(founders[0]), untyped(len(cm))])
    clean = gamete_twice("x", F1)
    plain, _ = em(clean, grid, likelihood, prior, np.array([0, 1]))
    turned, _ = em(clean, grid, likelihood[..., ::-1], prior[..., ::-1], np.array([0, 1]))
    np.testing.assert_allclose(turned, 1 - plain, atol=1e-9)


def test_pairs_of_strands_equal_a_plain_loop_and_a_fixed_slot_is_a_whole_genotype():
    rng = np.random.default_rng(11)
    second = rng.random((3, 5))
    whole = rng.dirichlet((1, 1, 1), 5)
    pairs = [(0, 0), (0, 2), (1, 2), (3, 3)]
    found = pair_genotypes(pairs, np.vstack([second, np.zeros(5)]), {3: whole})
    np.testing.assert_allclose(found.sum(axis=1), 1.0)
    for m in range(5):
        p, q = second[0, m], second[2, m]
        np.testing.assert_allclose(found[m, :, 0], (1 - p, 0, p))
        np.testing.assert_allclose(found[m, :, 1], ((1 - p) * (1 - q), p * (1 - q) + q * (1 - p), p * q))
        np.testing.assert_allclose(found[m, :, 3], whole[m])
