"""Speed and memory, measured where asked for (-m benchmark)."""

from __future__ import annotations

import time

import numpy as np
import pytest

from dhverify.formats import read_genotypes, write_vcf
from dhverify.genotypes import Genotypes, Markers


@pytest.mark.benchmark
def test_a_thousand_samples_at_twenty_thousand_markers(tmp_path):
    rng = np.random.default_rng(1)
    n, m = 1_000, 20_000
    calls = rng.choice(np.array([0, 2, 0, 2, 1, -1], dtype=np.int8), size=(n, m))
    genotypes = Genotypes(
        samples=np.array([f"S{i}" for i in range(n)]),
        markers=Markers(
            name=np.array([f"m{i}" for i in range(m)]),
            chrom=np.full(m, "1"),
            pos_bp=np.arange(1, m + 1),
            cm=np.full(m, np.nan),
            first_allele=np.full(m, "A"),
            second_allele=np.full(m, "C"),
        ),
        calls=calls,
        half_calls=np.zeros(n, dtype=np.int64),
    )
    write_vcf(genotypes, tmp_path / "big.vcf.gz")
    start = time.perf_counter()
    again = read_genotypes(tmp_path / "big.vcf.gz")
    seconds = time.perf_counter() - start
    np.testing.assert_array_equal(again.calls, calls)
    assert seconds < 30
