"""The assay model against binomial and beta-binomial distributions of a reference library."""

from __future__ import annotations

import numpy as np
import pytest
from mixed_calls import call_chance
from scipy.stats import betabinom, binom

from dhverify.learning import first_assay
from dhverify.marker_grid import lay_out
from dhverify.mixed_assay import mixed_likelihood
from dhverify.observation import AssayModel, CallErrors, Observations, ReadErrors, calls_likelihood
from dhverify.scoring import LearntLot


def every_split(n):
    second = np.arange(n + 1)
    return np.stack([n - second, second], axis=1).astype(np.int32)


@pytest.mark.parametrize(("to_het", "other", "dropout"), [(0.0, 0.0, 0.0), (0.02, 0.01, 0.1), (0.25, 0.1, 0.5)])
def test_rows_of_the_error_table_add_to_one(to_het, other, dropout):
    errors = CallErrors(marker_hom_to_het=np.array([to_het, to_het / 2]), hom_to_other_hom=other, dropout=dropout)
    table = errors.table()
    assert table.shape == (2, 4, 3)
    np.testing.assert_allclose(table[:, :3].sum(axis=1), 1.0)
    assert (table >= 0).all()
    np.testing.assert_allclose(table[0, :3, 0], (1 - to_het - other, to_het, other))
    np.testing.assert_allclose(table[0, :3, 1], (dropout / 2, 1 - dropout, dropout / 2))
    np.testing.assert_allclose(table[0, :3, 2], (other, to_het, 1 - to_het - other))


def test_a_missing_call_changes_no_likelihood_ratio():
    assay = first_assay(Observations(calls=np.zeros((1, 3), dtype=np.int8), depths=None))
    seen = calls_likelihood(assay.calls.table(), np.full((2, 3), -1, dtype=np.int8))
    np.testing.assert_array_equal(seen, 1.0)


@pytest.mark.parametrize("share", [0.0, 0.1, 0.25, 0.5, 0.75, 1.0])
@pytest.mark.parametrize("n", [1, 7, 40])
def test_chances_of_all_splits_of_the_reads_add_to_one(n, share):
    model = ReadErrors(read_error=0.01, overdispersion=0.05, wrong_locus=0.002, first_share=0.55)
    chances = model.at_share(every_split(n), np.array([share]))[:, 0]
    assert chances.sum() == pytest.approx(1.0)


@pytest.mark.parametrize("share", [0.2, 0.5, 0.8])
@pytest.mark.parametrize("first_share", [0.5, 0.6])
def test_reads_at_any_share_are_beta_binomial(share, first_share):
    """Mean: allele bias first (the first allele is seen first_share : 1 - first_share), then read error."""
    error, rho = 0.004, 0.05
    model = ReadErrors(read_error=error, overdispersion=rho, wrong_locus=0.0, first_share=first_share)
    odds = share / (1 - share) * (1 - first_share) / first_share
    biased = odds / (1 + odds)
    mean = biased * (1 - error) + (1 - biased) * error
    size = (1 - rho) / rho
    expected = betabinom.pmf(np.arange(13), 12, mean * size, (1 - mean) * size)
    np.testing.assert_allclose(model.at_share(every_split(12), np.array([share]))[:, 0], expected, rtol=1e-9)


@pytest.mark.parametrize(("share", "success"), [(0.0, 0.01), (1.0, 0.99)])
def test_reads_of_a_homozygote_are_binomial(share, success):
    model = ReadErrors(read_error=0.01, overdispersion=0.1, wrong_locus=0.0)
    found = model.at_share(every_split(9), np.array([share]))[:, 0]
    np.testing.assert_allclose(found, binom.pmf(np.arange(10), 9, success))


def test_likelihood_ratios_of_the_table_are_those_of_the_chances():
    model = ReadErrors(first_share=0.45)
    depths = np.array([[3, 5], [10, 0], [0, 2], [1, 30]], dtype=np.int32)
    table = model.of(depths)
    chances = model.at_share(depths, np.array([0.0, 0.5, 1.0]))
    np.testing.assert_allclose(table, chances / chances.max(axis=1, keepdims=True))
    assert table.max() <= 1.0


def test_without_bias_the_two_alleles_are_alike():
    model = ReadErrors()
    depths = np.random.default_rng(1).integers(0, 40, (50, 2)).astype(np.int32)
    np.testing.assert_allclose(model.of(depths), model.of(depths[:, ::-1])[:, ::-1], rtol=1e-9)


def lot_of(calls, depths=None):
    n = calls.shape[1]
    seen = Observations(calls=calls, depths=depths)
    errors = CallErrors(marker_hom_to_het=np.full(n, 0.004), hom_to_other_hom=0.002, dropout=0.05)
    return LearntLot(
        seen=seen,
        grid=lay_out(np.array(["1"] * n), np.arange(n) * 5.0),
        assay=AssayModel(calls=errors, reads=ReadErrors()),
        strand_second=np.full((2, n), 0.5),
        pool_second=np.full(n, 0.5),
    )


def test_a_call_shows_the_rarer_allele_the_more_of_it_there_is():
    errors = lot_of(np.zeros((1, 2), dtype=np.int8)).assay.calls
    het = [call_chance(errors, s)[0, 1] for s in (0.0, 0.05, 0.15, 0.25, 0.5)]
    assert het == sorted(het)
    assert het[0] == pytest.approx(0.004)
    assert het[-1] == pytest.approx(0.95, abs=2e-3)
    for s in (0.0, 0.1, 0.3, 0.5, 0.8, 1.0):
        np.testing.assert_allclose(call_chance(errors, s).sum(axis=1), 1.0)


@pytest.mark.parametrize("share", [0.0, 0.1, 0.3, 0.5])
def test_allele_names_do_not_change_what_a_mixture_shows(share):
    errors = lot_of(np.zeros((1, 2), dtype=np.int8)).assay.calls
    np.testing.assert_allclose(call_chance(errors, share)[:, ::-1], call_chance(errors, 1 - share))


def test_a_mixture_is_its_shares_of_dna():
    """A share f of a partner homozygous for the other allele: f of the DNA; heterozygous: f / 2."""
    depths = np.array([[[14, 6], [2, 18], [0, 0]]], dtype=np.int32)
    calls = np.array([[1, 1, -1]], dtype=np.int8)
    lot = lot_of(calls, depths)
    f = 0.3
    found = mixed_likelihood(lot, 0, f)
    shares = np.array([[0.0, f / 2, f], [1 - f, 1 - f / 2, 1.0]])
    direct = lot.assay.reads.at_share(depths[0], shares.ravel()).reshape(3, 2, 3)
    scale = lot.assay.reads.at_share(depths[0], np.array([0.0, 0.5, 1.0])).max(axis=1)
    np.testing.assert_allclose(found, direct / scale[:, None, None])
    by_calls = mixed_likelihood(lot_of(calls), 0, f)
    np.testing.assert_allclose(by_calls[2], 1.0)
    for own in (0, 1):
        for partner in range(3):
            expected = call_chance(lot.assay.calls, float(shares[own, partner]))[0, 1]
            assert by_calls[0, own, partner] == pytest.approx(expected)


def test_a_typed_plant_is_never_taken_as_certain():
    lot = lot_of(np.array([[0, 1, 2, -1]], dtype=np.int8))
    genotype = lot.plant_genotype(0)
    np.testing.assert_allclose(genotype.sum(axis=1), 1.0)
    assert genotype[:3].argmax(axis=1).tolist() == [0, 1, 2]
    assert genotype.min() > 0
