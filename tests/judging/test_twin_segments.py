"""Segments, what a panel cannot see, genome shares and the marker grid against plain loops and printed values."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from dhverify.intervals import wilson
from dhverify.marker_classes import MarkerClasses
from dhverify.marker_grid import NO_MARKER, lay_out
from dhverify.measures import allele_share, genome_share_variance, independent_stretches, line_measures, linked_interval
from dhverify.segments import find_segments, share_seen, smallest_visible_cm

GENOME_MB = 2132.0
SEGMENT_MB = 44.0
"""A retained segment of about 44 Mb (Zhao et al. 2013, Plant Physiol 163:721-731)."""


def one_chromosome(diagnostic_at):
    """A chromosome as long as the genome, its ends marked by markers that tell nothing."""
    place = np.concatenate([[0.0, GENOME_MB], diagnostic_at])
    told = np.arange(len(place)) >= 2
    return lay_out(np.array(["1"] * len(place)), place), told


@pytest.mark.parametrize(("n", "expected"), [(50, 0.0), (100, 0.06), (150, 1.0), (200, 1.0)])
def test_three_evenly_spaced_markers_in_a_segment(n, expected):
    """Evenly spaced over 2,132 Mb: 0, .06, 1, 1 for 50 to 200 diagnostic markers away from the ends (computed:
    with spacing s at least three fall into 44 Mb with probability (44 - 2 s) / s, kept within 0 and 1)."""
    spacing = GENOME_MB / n
    assert min(max((SEGMENT_MB - 2 * spacing) / spacing, 0.0), 1.0) == pytest.approx(expected, abs=0.005)
    grid, told = one_chromosome((np.arange(n) + 0.5) * spacing)
    assert share_seen(SEGMENT_MB, grid, told, 1.0, 3) == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize(("n", "expected"), [(50, 0.08), (100, 0.34), (200, 0.78), (500, 0.998)])
def test_three_markers_at_random_in_a_segment(n, expected):
    """At random by Mb: .08, .34, .78, .998 for 50, 100, 200, 500 (computed: binomial)."""
    assert binom.sf(2, n, SEGMENT_MB / GENOME_MB) == pytest.approx(expected, abs=0.005)
    rng = np.random.default_rng(n)
    found = [share_seen(SEGMENT_MB, *one_chromosome(rng.uniform(0, GENOME_MB, n)), 1.0, 3) for _ in range(80)]
    assert np.mean(found) == pytest.approx(expected, abs=0.025)


def panel(seed, n_chromosomes=4):
    rng = np.random.default_rng(seed)
    chrom, cm = [], []
    for number in range(n_chromosomes):
        n = int(rng.integers(20, 60))
        chrom += [str(number + 1)] * n
        cm += sorted(rng.uniform(0, rng.uniform(60, 200), n))
    order = rng.permutation(len(cm))
    chrom, cm = np.array(chrom)[order], np.array(cm)[order]
    return lay_out(chrom, cm), chrom, cm, rng.random(len(cm)) < 0.4


def naive_share_seen(length, chrom, cm, told, call_rate, least):
    """Walk a window in small steps; at each place add up the chance that enough markers are called."""
    step, total, weight = 0.05, 0.0, 0
    for name in np.unique(chrom):
        here = cm[chrom == name]
        at = cm[(chrom == name) & told]
        start = here.min()
        while start + length <= here.max():
            n = int(((at >= start) & (at <= start + length)).sum())
            total += sum(binom.pmf(k, n, call_rate) for k in range(least, n + 1))
            weight += 1
            start += step
    return total / weight if weight else 0.0


@pytest.mark.parametrize(("length", "least", "rate"), [(15.0, 3, 0.9), (40.0, 3, 1.0), (110.0, 5, 0.5)])
def test_share_of_places_seen_equals_a_walking_window(length, least, rate):
    grid, chrom, cm, told = panel(3, 2)
    chance = naive_share_seen(length, chrom, cm, told, rate, least)
    assert share_seen(length, grid, told, rate, least) == pytest.approx(chance, abs=0.03)


def test_a_segment_longer_than_every_chromosome_has_no_place():
    grid, _, _, told = panel(4)
    assert share_seen(1000.0, grid, told, 1.0, 3) == 0.0


@pytest.mark.parametrize("seed", range(6))
def test_smallest_visible_is_the_first_length_that_is_seen(seed):
    grid, _, _, told = panel(seed + 20, 3 + seed)
    longest = grid.chain_length_morgan().max() * 100
    slow = next((x for x in np.arange(1.0, longest) if share_seen(x, grid, told, 0.95, 3) >= 0.95), None)
    assert smallest_visible_cm(grid, told, 0.95, 3) == slow


def test_one_blind_chromosome_of_many_does_not_hide_what_the_others_show():
    """21 chromosomes, the longest by 1 cM without a diagnostic marker: at 20 cM the other 20 show .952 of places."""
    chrom = np.repeat([str(k) for k in range(21)], 61)
    cm = np.tile(np.arange(61) * 2.0, 21)
    cm[60] = 121.0
    told = chrom != "0"
    grid = lay_out(chrom, cm)
    assert share_seen(20.0, grid, told, 1.0, 3) >= 0.95
    found = smallest_visible_cm(grid, told, 1.0, 3)
    assert found is not None
    assert found <= 20.0


def test_nothing_is_visible_without_diagnostic_markers_or_places():
    grid, _, _, told = panel(5)
    assert smallest_visible_cm(grid, np.zeros_like(told), 1.0, 3) is None
    loose = lay_out(np.array(["", ""]), np.array([np.nan, np.nan]))
    assert smallest_visible_cm(loose, np.ones(2, dtype=bool), 1.0, 3) is None
    sparse = np.zeros_like(told)
    sparse[0] = True
    assert smallest_visible_cm(grid, sparse, 1.0, 3) is None


def kinds_with(n, runs):
    kinds = np.tile([0.96, 0.01, 0.01, 0.01, 0.01], (n, 1))
    for start, stop, column, chance in runs:
        kinds[start:stop] = (1 - chance) / 4
        kinds[start:stop, column] = chance
    return kinds


def test_runs_are_cut_at_chromosome_ends_and_sized_by_their_supporting_markers():
    chrom = np.array(["1"] * 10 + ["2"] * 10)
    grid = lay_out(chrom, np.tile(np.arange(10) * 4.0, 2))
    kinds = kinds_with(20, [(7, 13, 2, 0.98)])
    support = np.zeros(20, dtype=bool)
    support[[7, 8, 9, 10, 11, 12]] = True
    none = np.zeros(20, dtype=bool)
    found = find_segments(
        kinds, grid, supports_inducer=support, supports_foreign=none, min_markers=3, min_confidence=0.9
    )
    assert [(s.first, s.last, s.copies, s.markers) for s in found] == [(7, 9, 2, 3), (10, 12, 2, 3)]
    assert all(s.confidence == pytest.approx(0.985) for s in found)


def test_foreign_runs_are_told_from_the_inducers_and_weak_ones_left_out():
    grid = lay_out(np.array(["1"] * 30), np.arange(30) * 2.0)
    kinds = kinds_with(30, [(2, 8, 1, 0.97), (12, 18, 3, 0.97), (22, 28, 1, 0.8)])
    everywhere = np.ones(30, dtype=bool)
    found = find_segments(
        kinds, grid, supports_inducer=everywhere, supports_foreign=everywhere, min_markers=3, min_confidence=0.9
    )
    assert [(s.origin, s.first, s.last, s.copies) for s in found] == [("inducer", 2, 7, 1), ("foreign", 12, 17, 1)]


def test_unplaced_markers_make_no_segment():
    grid = lay_out(np.array([""] * 9), np.full(9, np.nan))
    everywhere = np.ones(9, dtype=bool)
    kinds = kinds_with(9, [(0, 9, 1, 0.99)])
    assert not find_segments(
        kinds, grid, supports_inducer=everywhere, supports_foreign=everywhere, min_markers=1, min_confidence=0.9
    )


@pytest.mark.parametrize(
    ("lengths", "sd"),
    [
        ([1.0], 0.377),
        ([1.6] * 10, 0.1046),
        ([2.104, 1.612, 1.610, 1.504, 1.554, 1.108, 1.358, 1.366, 1.274, 1.130], 0.1077),
    ],
)
def test_share_of_one_parent_varies_as_printed(lengths, sd):
    """Frisch & Melchinger 2007, Genetics 176:477-488; maize map of Ogut et al. 2015, Heredity 114:552-563."""
    assert genome_share_variance(np.array(lengths)) ** 0.5 == pytest.approx(sd, abs=5e-4 if sd > 0.2 else 5e-5)


def test_share_of_one_parent_varies_as_simulated_gametes_do():
    """Plain crossovers: a Poisson number of them, at uniform places, no interference."""
    rng = np.random.default_rng(6)
    lengths = [1.5, 0.8]
    shares = []
    for _ in range(20000):
        total = 0.0
        for length in lengths:
            cuts = np.sort(rng.uniform(0, length, rng.poisson(length)))
            parts = np.diff(np.concatenate([[0.0], cuts, [length]]))
            total += parts[rng.integers(0, 2) :: 2].sum()
        shares.append(total / sum(lengths))
    assert np.var(shares) == pytest.approx(genome_share_variance(np.array(lengths)), rel=0.04)
    assert np.mean(shares) == pytest.approx(0.5, abs=0.01)


def test_stretches_are_tosses_of_the_same_variance():
    grid = lay_out(np.repeat(["1", "2"], 50), np.tile(np.linspace(0, 150, 50), 2))
    tosses = independent_stretches(grid)
    assert 0.25 / tosses == pytest.approx(genome_share_variance(np.array([1.5, 1.5])))
    loose = lay_out(np.array([""] * 7), np.full(7, np.nan))
    assert independent_stretches(loose) == 7.0


@pytest.mark.parametrize("share", [0.0, 0.02, 0.3, 0.5, 1.0])
def test_interval_of_a_genome_share(share):
    """It holds the share, is never narrower than that of independent markers, and no wider with more markers."""
    before = (0.0, 1.0)
    for n in (1, 10, 100, 10000):
        low, high = linked_interval(share, n, 20.0)
        assert 0 <= low <= share <= high <= 1
        plain_low, plain_high = wilson(share * n, n)
        assert high - low >= plain_high - plain_low - 1e-12
        assert high - low <= before[1] - before[0] + 1e-12
        before = (low, high)
    assert linked_interval(share, 100, 20.0) == linked_interval(share, 10000, 20.0)
    assert linked_interval(share, 0, 20.0) == (0.0, 1.0)


def family_classes(n, diagnostic, segregating, alike):
    def mask(index):
        found = np.zeros(n, dtype=bool)
        found[index] = True
        return found

    return MarkerClasses(
        is_diagnostic=mask(diagnostic),
        is_segregating=mask(segregating),
        is_alike=mask(alike),
        inducer_second=mask([k for k in diagnostic if k % 2]),
        alike_second=mask([k for k in alike if k % 2]),
    )


class Model:
    """Stands for a family: only that there is one matters here."""


def measured(calls, classes, grid, **more):
    return line_measures(calls, model=Model(), classes=classes, grid=grid, stretches=30.0, **more)


def test_measures_equal_a_plain_count():
    rng = np.random.default_rng(8)
    n = 60
    grid = lay_out(np.array(["1"] * n), np.sort(rng.uniform(0, 150, n)))
    diagnostic, segregating, alike = list(range(20)), list(range(20, 45)), list(range(45, 60))
    classes = family_classes(n, diagnostic, segregating, alike)
    calls = rng.choice([-1, 0, 1, 2], n, p=[0.1, 0.5, 0.1, 0.3]).astype(np.int8)
    found = measured(calls, classes, grid)
    called = [k for k in range(n) if calls[k] >= 0]
    assert found.called_markers == len(called)
    assert found.call_rate == pytest.approx(len(called) / n)
    assert found.heterozygosity.value == pytest.approx(sum(calls[k] == 1 for k in called) / len(called))
    assert found.diagnostic_markers == sum(k in diagnostic for k in called)
    told = [k for k in called if k in segregating]
    assert found.segregating_markers == len(told)
    assert found.heterozygosity_segregating == pytest.approx(sum(calls[k] == 1 for k in told) / len(told))

    def share(index, second):
        used = [k for k in called if k in index]
        copies = [calls[k] if k in second else 2 - calls[k] for k in used]
        weights = [grid.weight[k] for k in used]
        return sum(c * w / 2 for c, w in zip(copies, weights, strict=True)) / sum(weights)

    inducer = share(diagnostic, [k for k in diagnostic if k % 2])
    foreign = share(alike, [k for k in alike if k % 2 == 0])
    total = max(1.0, inducer + foreign)
    assert found.inducer.value == pytest.approx(inducer / total)
    assert found.foreign.value == pytest.approx(foreign / total)
    assert found.inducer.value + found.foreign.value + found.donor_share == pytest.approx(1.0)


def test_what_cannot_be_measured_is_left_open():
    n = 6
    grid = lay_out(np.array(["1"] * n), np.arange(n) * 10.0)
    nothing = np.full(n, -1, dtype=np.int8)
    empty = measured(nothing, family_classes(n, [0, 1], [2], [3]), grid)
    assert (empty.heterozygosity.value, empty.heterozygosity_segregating, empty.inducer.value) == (None, None, None)
    assert empty.donor_share is None
    calls = np.array([0, 2, 0, 2, 1, 0], dtype=np.int8)
    blind = measured(calls, family_classes(n, [], [2], [3]), grid)
    assert blind.inducer.value is None
    assert blind.foreign.value == 0.0
    told = measured(calls, family_classes(n, [], [2], [3]), grid, modelled=(0.9, 0.0, 0.1))
    assert (told.donor_share, told.foreign.value, told.inducer.value) == (0.9, 0.1, None)
    alone = line_measures(calls, model=None, classes=None, grid=grid, stretches=3.0)
    assert (alone.diagnostic_markers, alone.donor_share) == (None, None)
    assert alone.heterozygosity.value == pytest.approx(1 / 6)


def test_an_allele_share_counts_map_distance_not_markers():
    """Nine markers of the allele crowded into 9 cM weigh less than two others that stand for 90."""
    cm = np.concatenate([np.arange(9) * 1.0, [50.0, 98.0]])
    grid = lay_out(np.array(["1"] * 11), cm)
    calls = np.array([2] * 9 + [0, 0], dtype=np.int8)
    everywhere = np.ones(11, dtype=bool)
    assert allele_share(calls, everywhere, everywhere, grid.weight) < 0.4
    assert allele_share(calls, ~everywhere, everywhere, grid.weight) == 0.0


@pytest.mark.parametrize("n_loose", [0, 1, 5, 17])
def test_every_marker_stands_in_the_grid_once(n_loose):
    rng = np.random.default_rng(9)
    chrom = np.array(["b"] * 3 + ["a"] * 6 + [""] * n_loose)
    cm = np.concatenate([[7.0, 1.0, 7.0], rng.uniform(0, 90, 6), np.full(n_loose, np.nan)])
    grid = lay_out(chrom, cm)
    assert sorted(grid.marker[grid.marker != NO_MARKER].tolist()) == list(range(len(cm)))
    assert grid.n_markers == len(cm)
    assert grid.chain_chrom[:2].tolist() == ["b", "a"]
    assert grid.marker[:3, 0].tolist() == [1, 0, 2]
    assert grid.weight.sum() == pytest.approx(1.0)
    assert (grid.weight[chrom == ""] == 0).all()
    for chain in range(grid.n_chains):
        held = grid.marker[:, chain] != NO_MARKER
        markers = grid.marker[held, chain]
        assert np.isinf(grid.gap_morgan[0, chain])
        assert (grid.gap_morgan[~held, chain] == 0).all() or not grid.chain_chrom[chain]
        if grid.chain_chrom[chain]:
            np.testing.assert_allclose(grid.gap_morgan[held, chain][1:], np.diff(cm[markers]) / 100)
        else:
            assert np.isinf(grid.gap_morgan[held, chain]).all()
    with pytest.raises(ValueError, match="read-only"):
        grid.weight[0] = 1.0


def test_a_grid_of_nothing_and_of_unplaced_markers_only():
    empty = lay_out(np.array([], dtype=str), np.array([]))
    assert (empty.n_markers, empty.n_chains) == (0, 0)
    loose = lay_out(np.array(["", "3"]), np.array([np.nan, np.nan]))
    assert loose.chain_chrom.tolist() == ["", ""] or loose.chain_chrom.tolist() == [""]
    np.testing.assert_allclose(loose.weight, 0.5)
    assert not len(loose.chain_length_morgan())


def test_markers_at_both_ends_of_a_segment_count():
    """Markers every 10 cM: places that start on a marker hold three in 20 cM, both ends included."""
    cm = np.arange(0.0, 31.0, 10.0)
    grid = lay_out(np.array(["1"] * 4), cm)
    held = [int(((cm >= start) & (cm <= start + 20)).sum()) >= 3 for start in np.linspace(0, 10, 11)]
    assert sum(held) == 2
    assert share_seen(20.0, grid, np.ones(4, dtype=bool), 1.0, 3) == pytest.approx(2 / 11)
