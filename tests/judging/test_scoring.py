"""Emissions made in one go against those of the three genotypes, and the screen against line by line sums."""

from __future__ import annotations

import numpy as np
import pytest

from dhverify import alternatives
from dhverify.alternatives import homozygous, linked_log_likelihood, screen, united
from dhverify.findings_table import plant_maker
from dhverify.genotypes import MISSING
from dhverify.hypotheses import crossed
from dhverify.likelihood import lay_emissions, log_likelihood
from dhverify.marker_grid import lay_out
from dhverify.observation import AssayModel, CallErrors, Observations, ReadErrors
from dhverify.scoring import LearntLot, sample_emissions
from dhverify.strands import pair_genotypes

CHROM = np.array(["2", "1", "1", "", "2", "1", "1"])
CM = np.array([5.0, 30.0, 2.0, np.nan, 1.0, 2.0, 70.0])
N_SAMPLES = 9
HYBRID = crossed("hybrid", plant_maker((0, 1)), plant_maker(2))


@pytest.fixture(params=["calls", "reads"])
def lot(request) -> LearntLot:
    """Chains of 2, 4 and 1 markers (padded), missing calls and markers without reads."""
    rng = np.random.default_rng(41)
    n_markers = len(CM)
    calls = rng.integers(-1, 3, (N_SAMPLES, n_markers)).astype(np.int8)
    depths = rng.integers(0, 5, (N_SAMPLES, n_markers, 2)).astype(np.int32)
    errors = CallErrors(marker_hom_to_het=rng.uniform(0.001, 0.02, n_markers), hom_to_other_hom=0.002, dropout=0.04)
    return LearntLot(
        seen=Observations(calls=calls, depths=depths if request.param == "reads" else None),
        grid=lay_out(CHROM, CM),
        assay=AssayModel(calls=errors, reads=ReadErrors()),
        strand_second=rng.uniform(0.01, 0.99, (3, n_markers)),
        pool_second=rng.uniform(0.1, 0.9, n_markers),
    )


def test_emissions_equal_those_of_the_three_genotypes(lot):
    samples = np.array([8, 0, 3])
    pairs = [(0, 0), (0, 2), (1, 2)]
    genotypes = pair_genotypes(pairs, lot.strand_second, {})
    fast = sample_emissions(lot, samples, pairs, genotypes)
    likelihood = lot.assay.genotype_likelihood(lot.seen, samples)
    slow = lay_emissions((likelihood @ genotypes).transpose(0, 2, 1), pairs, lot.grid)
    assert fast.columns == slow.columns
    np.testing.assert_allclose(fast.values, slow.values, rtol=1e-12)


def test_a_missing_call_says_nothing(lot):
    genotypes = pair_genotypes([(0, 0), (0, 2)], lot.strand_second, {})
    everywhere = np.arange(len(CM))
    found = lot.assay.mixed_likelihood(lot.seen, np.arange(N_SAMPLES), genotypes, everywhere)
    is_blank = lot.seen.calls.T == MISSING if lot.seen.depths is None else (lot.seen.depths.sum(axis=2) == 0).T
    assert is_blank.any()
    np.testing.assert_allclose(found.transpose(0, 2, 1)[is_blank], 1.0)


@pytest.mark.parametrize("table_bytes", [1, 2**20])
def test_the_screen_equals_sums_line_by_line(lot, monkeypatch, table_bytes):
    """Also where only one sample at a time fits into the table."""
    monkeypatch.setattr(alternatives, "SCREEN_BYTES", table_bytes)
    options = np.array([*homozygous(lot.strand_second), united(lot.strand_second[0], lot.strand_second[1])])
    rows = np.array([4, 1, 7, 2])
    found = screen(lot, rows, options)
    likelihood = lot.assay.genotype_likelihood(lot.seen, rows)
    for line in range(len(rows)):
        for number, genotypes in enumerate(options):
            expected = sum(np.log(likelihood[m, line] @ genotypes[m]) for m in range(len(CM)))
            assert found[line, number] == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("together", [2, 64])
def test_lines_scored_in_parts_are_scored_alike(lot, monkeypatch, together):
    monkeypatch.setattr(alternatives, "LINES_TOGETHER", together)
    rows = np.arange(N_SAMPLES)
    found = linked_log_likelihood(lot, rows, lot.strand_second, HYBRID)
    genotypes = pair_genotypes(list(HYBRID.pairs), lot.strand_second, {})
    likelihood = lot.assay.genotype_likelihood(lot.seen, rows)
    emissions = lay_emissions((likelihood @ genotypes).transpose(0, 2, 1), HYBRID.pairs, lot.grid)
    np.testing.assert_allclose(found, log_likelihood(HYBRID, emissions, lot.grid), rtol=0, atol=1e-9)
