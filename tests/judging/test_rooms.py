"""Marker grid, quality, classes, segments, measures, strands, map check: naive twins and sourced values."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from dhverify.analysis import consensus_calls
from dhverify.intervals import wilson
from dhverify.judging import FINDING_ORDER, learn_prior, posterior, stage_prior
from dhverify.map_check import fit_map
from dhverify.marker_grid import NO_MARKER, lay_out
from dhverify.marker_quality import judge_markers, sample_heterozygosity
from dhverify.measures import allele_share, genome_share_variance, independent_stretches, linked_interval
from dhverify.samples import Stage
from dhverify.segments import find_segments, share_seen, smallest_visible_cm
from dhverify.strands import StrandCounts, phase, strand_prior, updated_strands

MAIZE_CM = (210.4, 161.2, 161.0, 150.4, 155.4, 110.8, 135.8, 136.6, 127.4, 113.0)
"""Ogut et al. 2015, Heredity 114:552-563."""


def test_every_marker_has_one_place_in_the_grid():
    chrom = np.array(["2", "1", "1", "", "2", "1"])
    cm = np.array([5.0, 9.0, 1.0, np.nan, 2.0, 4.0])
    grid = lay_out(chrom, cm)
    placed = grid.marker[grid.marker != NO_MARKER]
    assert sorted(placed.tolist()) == list(range(6))
    assert grid.marker[:, list(grid.chain_chrom).index("1")].tolist() == [2, 5, 1]
    assert grid.weight.sum() == pytest.approx(1.0)
    np.testing.assert_allclose(np.sort(grid.chain_length_morgan()), [0.03, 0.08])


def test_share_of_one_parent_in_a_gamete():
    """SD .377 on 1 Morgan, .1046 on 10 x 1.6 Morgan, .1077 on the maize map (Frisch & Melchinger 2007,
    Genetics 176:477-488)."""
    assert genome_share_variance(np.array([1.0])) ** 0.5 == pytest.approx(0.377, abs=5e-4)
    assert genome_share_variance(np.full(10, 1.6)) ** 0.5 == pytest.approx(0.1046, abs=5e-5)
    assert genome_share_variance(np.array(MAIZE_CM) / 100) ** 0.5 == pytest.approx(0.1077, abs=5e-5)


def test_linked_interval_is_wider_than_a_plain_one_and_holds_the_share():
    cm = np.tile(np.arange(0, 150, 1.0), 10)
    grid = lay_out(np.repeat(np.arange(10).astype(str), 150), cm)
    stretches = independent_stretches(grid)
    low, high = linked_interval(0.1, 1500, stretches)
    plain = wilson(150, 1500)
    assert low < plain[0] < 0.1 < plain[1] < high
    assert linked_interval(0.3, 0, stretches) == (0.0, 1.0)


def test_allele_share_equals_a_plain_loop():
    rng = np.random.default_rng(2)
    calls = rng.integers(0, 3, 30).astype(np.int8)
    used, second, weight = rng.random(30) < 0.6, rng.random(30) < 0.5, rng.random(30)
    top = bottom = 0.0
    for marker in range(30):
        if used[marker]:
            copies = calls[marker] if second[marker] else 2 - calls[marker]
            top, bottom = top + weight[marker] * copies / 2, bottom + weight[marker]
    assert allele_share(calls, used, second, weight) == pytest.approx(top / bottom)


def naive_share_seen(length, cm, diagnostic, rate, needed):
    room = cm.max() - cm.min() - length
    starts = cm.min() + np.linspace(0, room, max(2, int(room) + 1))
    chances = []
    for start in starts:
        n = sum(1 for c, d in zip(cm, diagnostic, strict=True) if d and start <= c <= start + length)
        chances.append(binom.sf(needed - 1, n, rate))
    return float(np.mean(chances))


def test_share_of_segments_seen_equals_a_plain_loop():
    rng = np.random.default_rng(3)
    cm = np.sort(rng.uniform(0, 120, 60))
    grid = lay_out(np.array(["1"] * 60), cm)
    diagnostic = rng.random(60) < 0.4
    for length in (5.0, 20.0, 60.0):
        fast = share_seen(length, grid, diagnostic, 0.9, 3)
        assert fast == pytest.approx(naive_share_seen(length, cm, diagnostic, 0.9, 3))
    shortest = smallest_visible_cm(grid, diagnostic, 1.0, 3)
    assert shortest is not None
    assert share_seen(shortest, grid, diagnostic, 1.0, 3) >= 0.95
    assert smallest_visible_cm(grid, np.zeros(60, dtype=bool), 1.0, 3) is None


def test_a_run_of_supporting_markers_is_a_segment():
    grid = lay_out(np.array(["1"] * 10), np.arange(10.0))
    kinds = np.zeros((10, 5))
    kinds[:, 0] = 1.0
    kinds[3:7] = [0.01, 0.9, 0.09, 0, 0]
    support = np.zeros(10, dtype=bool)
    support[[3, 5, 6]] = True
    nothing = np.zeros(10, dtype=bool)
    found = find_segments(
        kinds, grid, supports_inducer=support, supports_foreign=nothing, min_markers=3, min_confidence=0.9
    )
    assert [(s.first, s.last, s.copies, s.markers, s.origin) for s in found] == [(3, 6, 1, 3, "inducer")]
    assert not find_segments(
        kinds, grid, supports_inducer=support, supports_foreign=nothing, min_markers=4, min_confidence=0.9
    )


def test_bad_markers_are_set_aside_and_lines_stay():
    rng = np.random.default_rng(4)
    calls = 2 * rng.integers(0, 2, (60, 200)).astype(np.int8)
    calls[:, 7] = 1
    calls[rng.random(60) < 0.9, 8] = -1
    calls[:6, :100] = 1
    quality = judge_markers(calls, np.ones(60, dtype=bool))
    assert np.flatnonzero(~quality.is_usable).tolist() == [7, 8]
    assert "heterozygous" in quality.reason[7]
    assert "called in" in quality.reason[8]
    assert sample_heterozygosity(calls)[0] > 0.4


def test_nothing_called_is_no_division_by_zero():
    quality = judge_markers(np.full((3, 4), -1, dtype=np.int8), np.ones(3, dtype=bool))
    assert not quality.is_usable.any()
    assert np.isnan(sample_heterozygosity(np.full((1, 4), -1, dtype=np.int8))).all()


def gametes(rng, strands, n_lines, r):
    n_markers = strands.shape[1]
    jumps = np.concatenate([rng.random((n_lines, 1)) < 0.5, rng.random((n_lines, n_markers - 1)) < r], axis=1)
    which = jumps.cumsum(axis=1) % 2
    return np.where(which == 0, strands[0], strands[1])


def test_phasing_tells_two_chromosomes_apart():
    rng = np.random.default_rng(5)
    strands = rng.integers(0, 2, (2, 80))
    seen = gametes(rng, strands, 30, 0.02)
    likelihood = np.where(np.arange(2)[None, None, :] == seen.T[:, :, None], 0.98, 0.02)
    grid = lay_out(np.array(["1"] * 80), np.arange(80) * 2.0)
    phased = phase(likelihood, grid) > 0.5
    straight = (phased == strands.astype(bool)).mean()
    swapped = (phased[::-1] == strands.astype(bool)).mean()
    assert max(straight, swapped) > 0.98


def test_a_strand_follows_its_own_genotype_until_offspring_outweigh_it():
    typed = strand_prior(np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [1.0, 1.0, 1.0]]), 0.3)
    none = updated_strands(typed[None], StrandCounts.empty(1, 3))[0]
    np.testing.assert_allclose(none, [0.005, 0.995, 0.3], atol=0.02)
    counts = StrandCounts(values=np.array([[[0.0, 30.0], [0.0, 30.0], [30.0, 0.0]]]))
    told = updated_strands(typed[None], counts)[0]
    assert told[0] > 0.9
    assert told[2] < 0.02


def test_rare_alleles_at_the_rate_of_errors_are_no_impurity():
    prior = strand_prior(np.array([[1.0, 0.0, 0.0]]))[None]
    noisy = StrandCounts(values=np.array([[[98.0, 2.0]]]))
    impure = StrandCounts(values=np.array([[[70.0, 30.0]]]))
    assert updated_strands(prior, noisy, error=0.015)[0, 0] < 0.005
    assert updated_strands(prior, impure, error=0.015)[0, 0] == pytest.approx(0.3, abs=0.02)


def test_a_map_of_something_else_is_seen_and_a_misplaced_marker_too():
    rng = np.random.default_rng(6)
    strands = np.array([np.zeros(120, dtype=int), np.ones(120, dtype=int)])
    calls = (2 * gametes(rng, strands, 40, 0.02)).astype(np.int8)
    grid = lay_out(np.array(["1"] * 120), np.arange(120.0))
    good = fit_map([calls], grid)
    assert not good.is_wrong
    assert not len(good.misplaced)
    stranger = calls.copy()
    stranger[:, 60] = 2 * rng.integers(0, 2, 40)
    assert fit_map([stranger], grid).misplaced.tolist() == [60]
    shuffled = fit_map([calls[:, rng.permutation(120)]], grid)
    assert shuffled.is_wrong


def test_priors_follow_the_lot_and_posteriors_add_to_one():
    rng = np.random.default_rng(7)
    pooled = rng.normal(0, 3, (50, len(FINDING_ORDER)))
    share = posterior(pooled, stage_prior(Stage.D1))
    np.testing.assert_allclose(share.sum(axis=1), 1.0)
    all_hybrid = np.full((400, len(FINDING_ORDER)), -50.0)
    all_hybrid[:, FINDING_ORDER.index("hybrid")] = 0.0
    learnt = learn_prior(all_hybrid, stage_prior(Stage.HAPLOID))
    assert learnt[FINDING_ORDER.index("hybrid")] > 0.9
    assert learnt.sum() == pytest.approx(1.0)
    np.testing.assert_allclose(learn_prior(pooled[:0], stage_prior(Stage.D1)), stage_prior(Stage.D1), atol=2e-3)


def test_consensus_is_the_commonest_call():
    calls = np.array([[0, 2, 1, -1], [0, 2, 2, -1], [2, -1, 0, -1]], dtype=np.int8)
    assert consensus_calls(calls).tolist() == [0, 2, -1, -1]
