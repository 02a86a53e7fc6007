"""What the assay makes of a genotype."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import betabinom, binom

from dhverify.observation import (
    MAX_DEPTH,
    AssayModel,
    CallErrors,
    Observations,
    ReadErrors,
    calls_likelihood,
)


def errors():
    return CallErrors(marker_hom_to_het=np.array([0.01, 0.05]), hom_to_other_hom=0.004, dropout=0.1)


def test_calls_given_a_genotype_add_to_one_and_missing_says_nothing():
    table = errors().table()
    np.testing.assert_allclose(table[:, :3].sum(axis=1), 1.0)
    np.testing.assert_allclose(table[:, 3], 1.0)
    assert table[0, 1, 0] == pytest.approx(0.01)
    assert table[0, 2, 0] == pytest.approx(0.004)
    assert table[0, 0, 1] == pytest.approx(0.05)


def test_looking_calls_up_equals_a_plain_loop():
    table = errors().table()
    calls = np.array([[0, 1], [2, -1]], dtype=np.int8)
    fast = calls_likelihood(table, calls)
    for marker in range(2):
        for sample in range(2):
            call = calls[sample, marker]
            np.testing.assert_array_equal(fast[marker, sample], table[marker, 3 if call < 0 else call])


def test_reads_of_a_heterozygote_are_beta_binomial():
    model = ReadErrors(read_error=0.004, overdispersion=0.05, wrong_locus=0.0)
    table = model.at_share(np.array([[3, 5], [0, 4]], dtype=np.int32), np.array([0.5]))[:, 0]
    size = (1 - 0.05) / 0.05
    expected = [betabinom.pmf(5, 8, size / 2, size / 2), betabinom.pmf(4, 4, size / 2, size / 2)]
    np.testing.assert_allclose(table, expected)


def test_reads_of_a_homozygote_err_independently():
    model = ReadErrors(read_error=0.01, wrong_locus=0.0)
    table = model.at_share(np.array([[9, 1]], dtype=np.int32), np.array([0.0]))[0, 0]
    assert table == pytest.approx(binom.pmf(1, 10, 0.01))


def test_a_heterozygote_hides_as_the_formula_says():
    """q^n + (1-q)^n: two reads .5, four .125 (computed)."""
    model = ReadErrors(read_error=1e-9, overdispersion=0.0, wrong_locus=0.0)
    for n, hidden in ((2, 0.5), (4, 0.125), (8, 0.0078125)):
        both = model.at_share(np.array([[n, 0], [0, n]], dtype=np.int32), np.array([0.5]))
        assert both.sum() == pytest.approx(hidden, rel=1e-6)


def test_deep_reads_are_scaled_and_no_reads_say_nothing():
    model = ReadErrors()
    deep = model.of(np.array([[300, 300], [0, 0]], dtype=np.int32))
    same = model.of(np.array([[MAX_DEPTH // 2, MAX_DEPTH // 2]], dtype=np.int32))
    np.testing.assert_allclose(deep[0], same[0])
    np.testing.assert_allclose(deep[1], 1.0)


def test_the_assay_uses_reads_where_there_are_any():
    calls = np.zeros((1, 2), dtype=np.int8)
    depths = np.array([[[0, 6], [6, 0]]], dtype=np.int32)
    assay = AssayModel(calls=errors(), reads=ReadErrors())
    by_reads = assay.genotype_likelihood(Observations(calls=calls, depths=depths), np.array([0]))
    by_calls = assay.genotype_likelihood(Observations(calls=calls, depths=None), np.array([0]))
    assert by_reads[0, 0].argmax() == 2
    assert by_calls[0, 0].argmax() == 0
