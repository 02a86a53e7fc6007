"""Time of the screen as a ratio to counting all pairs by matrix products, in one run."""

from __future__ import annotations

import time

import numpy as np
import pytest

from dhverify.genotypes import MISSING
from dhverify.pair_screen import agreeing_pairs

pytestmark = pytest.mark.benchmark


def by_matrix_products(calls, min_agreement):
    """All pairs, each genotype and the called markers by one product, in blocks of rows."""
    planes = [(calls == genotype).astype(np.float32) for genotype in range(3)]
    called = (calls != MISSING).astype(np.float32)
    found = []
    for start in range(0, len(calls), 1000):
        part = slice(start, start + 1000)
        equal = sum(plane[part] @ plane.T for plane in planes)
        first, second = np.nonzero(equal >= min_agreement * (called[part] @ called.T))
        found += [(int(a) + start, int(b)) for a, b in zip(first, second, strict=True) if b > a + start]
    return found


@pytest.mark.parametrize("min_agreement", [0.95, 0.98])
def test_the_screen_is_faster_than_all_pairs_by_matrix_products(min_agreement, record_property):
    """4,000 lines x 8,000 markers on ten chromosomes, 2 % missing, 0.5 % errors, 20 copies."""
    rng = np.random.default_rng(1)
    n, m, n_chromosomes = 4000, 8000, 10
    is_crossover = rng.random((n, m), dtype=np.float32) < 1.5 * n_chromosomes / m
    is_crossover[:, :: m // n_chromosomes] = rng.random((n, n_chromosomes)) < 0.5
    calls = (np.cumsum(is_crossover, axis=1, dtype=np.int16) % 2 * 2).astype(np.int8)
    calls[2000:2020] = calls[:20]
    wrong = rng.random((n, m), dtype=np.float32) < 0.005
    calls[wrong] = 2 - calls[wrong]
    calls[rng.random((n, m), dtype=np.float32) < 0.02] = MISSING
    start = time.perf_counter()
    screened = agreeing_pairs(calls, min_agreement=min_agreement)
    middle = time.perf_counter()
    expected = by_matrix_products(calls, min_agreement)
    ratio = (middle - start) / (time.perf_counter() - middle)
    record_property("ratio", round(ratio, 3))
    print(f"screen / matrix products at {min_agreement}: {ratio:.3f}")  # noqa: T201
    assert list(zip(screened.first.tolist(), screened.second.tolist(), strict=True)) == expected
    assert len(screened) == 20
    assert ratio < 0.5
