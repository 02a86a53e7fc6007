"""Predicted errors against 100,000 simulated lines judged by the model of the check; against closed forms."""

from __future__ import annotations

import itertools
from dataclasses import replace

import marker_set_material as material
import numpy as np
import pytest
from marker_set_judge import judged, rows_of
from scipy.stats import binom

from dhverify.design.marker_set_chains import models, pattern_probabilities, sampled_patterns
from dhverify.design.marker_set_errors import ErrorModel, best_cutoff
from dhverify.design.marker_set_request import MarkerSetRequest
from dhverify.samples import Role, Sample, SampleSheet

N_LINES = {"P0/P1": 100_000, "P0*2/P1": 40_000, "P0/P1//P2/P3": 10_000}


TREES = {"P0/P1": ("P0", "P1"), "P0*2/P1": ("P0", ("P0", "P1")), "P0/P1//P2/P3": (("P0", "P1"), ("P2", "P3"))}


@pytest.mark.parametrize("pedigree", list(TREES))
def test_predicted_errors_agree_with_simulated_lines(pedigree):
    request = MarkerSetRequest(error_rate=0.02, dropout=0.05)
    genotypes, sheet = material.material(n_markers=24, pedigrees=(pedigree,), seed=5)
    crosses, candidates, rows, marker_map = rows_of(genotypes, sheet, request)
    n_lines = N_LINES[pedigree]
    everything = np.arange(genotypes.n_markers)
    predicted = ErrorModel(rows, candidates, is_final=True).errors(everything)
    alleles = {str(n): c // 2 for n, c in zip(genotypes.samples, genotypes.calls, strict=True)}
    rng = np.random.default_rng(8)
    meiosis = material.Meiosis(marker_map.chrom, marker_map.cm, rng)
    cross = crosses[0]
    for row, errors in zip(rows, predicted, strict=True):
        use = np.flatnonzero(row.code > 0)
        ratios = []
        for kind in ("clean", row.finding):
            lines = meiosis.lines(kind, TREES[pedigree], "I0", alleles, n_lines)
            calls = material.calls_of(lines, request.error_rate, request.dropout, rng)[:, use]
            part = replace(cross, allele=cross.allele[:, use])
            ratios.append(judged(part, row.finding, calls, marker_map.chrom[use], marker_map.cm[use], request))
        miss, false_fail = material.best_errors(*ratios, request.miss, request.false_fail)
        for guess, seen in ((errors.miss, miss), (errors.false_fail, false_fail)):
            allowed = 4 * np.sqrt(max(guess, 1e-5) / n_lines) + 0.02 * guess
            assert abs(guess - seen) < allowed, (row.finding, guess, seen)
        assert errors.miss > 0


def test_patterns_are_those_of_the_judge():
    """All 27 patterns of three linked markers, against the forward recursion of the check."""
    request = MarkerSetRequest(error_rate=0.03, dropout=0.1)
    genotypes, sheet = material.material(n_markers=40, seed=3)
    crosses, candidates, rows, marker_map = rows_of(genotypes, sheet, request)
    row = next(r for r in rows if r.finding == "selfed hybrid")
    piece = [m for m in np.flatnonzero(candidates.chain == 0) if row.code[m] > 0][:3]
    calls = np.array(list(itertools.product(range(3), repeat=3)), dtype=np.int8)
    good, wrong = (
        pattern_probabilities(model, row.code[None, piece], candidates.gaps(piece)[None])[0] for model in row.both
    )
    part = replace(crosses[0], allele=crosses[0].allele[:, piece])
    as_called = np.where(part.allele[0] == 1, 2 - calls, calls)  # the design counts from the first founder's allele
    expected = judged(part, "selfed hybrid", as_called, marker_map.chrom[piece], marker_map.cm[piece], request)
    np.testing.assert_allclose(np.log(good / wrong), expected, atol=1e-10)
    assert good.sum() == pytest.approx(1)


def test_sampled_patterns_agree_with_listed_ones():
    both = models((0, 1), 2, "selfed hybrid", 0.02, 0.05)
    code, gaps = np.array([3, 1, 2, 3, 1, 2]), np.array([0, 0.1, 0.3, 0.2, 0.1, 0.4])
    good, wrong = (pattern_probabilities(model, code[None], gaps[None])[0] for model in both)
    first, second = sampled_patterns(both, code, gaps, 20000, np.random.default_rng(1))
    ratio = first - second
    weight = 2 / (1 + np.exp(-ratio))
    estimate = (weight * (ratio < 0)).mean()
    assert estimate == pytest.approx(good[good < wrong].sum(), abs=0.004)


def test_long_chains_are_sampled_with_a_standard_error():
    request = MarkerSetRequest(goal="haploid")
    genotypes, sheet = material.material(n_markers=120, seed=9)
    _, candidates, rows, _ = rows_of(genotypes, sheet, request)
    chain = np.flatnonzero(candidates.chain == 0)
    few = [m for m in chain if rows[0].code[m] > 0][:9]
    full = ErrorModel(rows, candidates, is_final=True, draws=3000)
    errors = full.row_errors(0, np.array(few))
    assert errors.miss_se + errors.false_fail_se > 0
    again = ErrorModel(rows, candidates, is_final=True, draws=3000).row_errors(0, np.array(few))
    assert again == errors
    fast = ErrorModel(rows, candidates).row_errors(0, np.array(few))
    assert fast.miss > errors.miss / 2


@pytest.mark.parametrize(("k", "rejected", "missed"), [(5, 1e-5, 1.2e-3), (8, 7e-7, 1.5e-5), (10, 2e-8, 3e-6)])
def test_diagnostic_markers_that_settle_a_hybrid(k, rejected, missed):
    """A hybrid when half or more of k are heterozygous, error 1 %, heterozygotes called 95 %: the binomial; and the
    likelihood ratio is no worse."""
    need = -(-k // 2)
    assert binom.sf(need - 1, k, 0.01) == pytest.approx(rejected, rel=0.35)
    assert binom.cdf(need - 1, k, 0.95) == pytest.approx(missed, rel=0.35)
    names, chrom, cm = ["P0", "P1", "I0"], np.arange(k) % 10 + 1, 50.0 + np.arange(k)
    calls = np.array([[0] * k, [0] * k, [2] * k])
    sheet = SampleSheet(
        samples=(
            Sample(name="I0", role=Role.INDUCER),
            Sample(name="D", role=Role.DONOR, pedigree="P0/P1"),
        )
    )
    request = MarkerSetRequest(goal="haploid", error_rate=0.01, dropout=0.04)
    genotypes = material.genotypes(names, calls, chrom, cm)
    _, candidates, rows, _ = rows_of(genotypes, sheet, request)
    errors = ErrorModel(rows, candidates, is_final=True).row_errors(0, np.arange(k))
    assert max(errors.miss, errors.false_fail) <= 1.1 * max(rejected, missed)


def test_best_cutoff_by_hand():
    request = MarkerSetRequest(goal="haploid", miss=0.1, false_fail=0.1)
    genotypes, sheet = material.material(n_markers=10)
    row = rows_of(genotypes, sheet, request)[2][0]
    good, wrong = np.array([[0.05, 0.15, 0.8]]), np.array([[0.7, 0.25, 0.05]])
    miss, false_fail = best_cutoff(good, wrong, row)
    assert (miss[0], false_fail[0]) == (pytest.approx(0.05), pytest.approx(0.2))


def test_no_useful_marker_decides_nothing():
    request = MarkerSetRequest(goal="haploid", miss=0.01, false_fail=0.1)
    genotypes, sheet = material.material(n_markers=10)
    _, candidates, rows, _ = rows_of(genotypes, sheet, request)
    nothing = ErrorModel(rows, candidates).row_errors(0, np.array([], dtype=np.int64))
    assert (nothing.miss, nothing.false_fail) == (0.0, 1.0)
    other = [replace(rows[0], miss=0.2, false_fail=0.1)]
    nothing = ErrorModel(other, candidates).row_errors(0, np.array([], dtype=np.int64))
    assert (nothing.miss, nothing.false_fail) == (1.0, 0.0)
