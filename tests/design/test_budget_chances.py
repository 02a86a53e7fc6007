"""Chances against closed forms, published sample sizes, and a plain simulation of a programme."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from dhverify.design.budget_chances import (
    Rate,
    chance,
    counted_rate,
    fewest_units,
    known_rate,
    least_known,
    spread,
)


@pytest.mark.parametrize(
    ("share", "at_95", "at_99"),
    [(0.01, 299, 459), (0.02, 149, 228), (0.05, 59, 90)],
)
def test_plants_to_see_a_share(share, at_95, at_99):
    """Smallest n with 1 - (1 - share) ** n >= P (computed; Chen et al. 2016 give .979 for 192 plants at 2 %)."""
    rate = spread([known_rate(share)])
    assert fewest_units(1, 0.95, rate) == at_95
    assert fewest_units(1, 0.99, rate) == at_99


def test_192_plants_find_two_per_cent():
    assert round(chance(1, 192, spread([known_rate(0.02)])), 3) == 0.979
    assert chance(1, 192, spread([known_rate(0.05)])) > 0.9999


def test_an_ear_of_300_kernels_at_ten_per_cent():
    """30 haploids are expected, and reached about every second time."""
    rate = spread([known_rate(0.1)])
    assert chance(30, 300, rate) == pytest.approx(stats.binom.sf(29, 300, 0.1), abs=1e-13)
    assert fewest_units(30, 0.9, rate) == next(n for n in range(300, 500) if stats.binom.sf(29, n, 0.1) >= 0.9)


@pytest.mark.parametrize("share_of_haploids", [0.03, 0.04, 0.05])
def test_few_haploid_kernels_become_a_line(share_of_haploids):
    """3 to 5 % in a large programme (common practice, no source): 100 lines need 2,000 to 4,000 haploids."""
    needed = fewest_units(100, 0.9, spread([known_rate(share_of_haploids)]))
    assert 100 / 0.05 < needed < 1.2 * 100 / 0.03
    assert stats.binom.sf(99, needed, share_of_haploids) >= 0.9 > stats.binom.sf(99, needed - 1, share_of_haploids)


@pytest.mark.parametrize(("count", "of"), [(1, 20), (5, 50), (75, 6210), (3, 40), (4000, 50000)])
@pytest.mark.parametrize("lines", [1, 7, 100, 1500])
def test_a_counted_rate_is_beta_binomial(count, of, lines):
    rate = spread([counted_rate(count, of)])
    for units in (lines, int(0.8 * lines * of / count), int(1.2 * lines * of / count), int(3 * lines * of / count)):
        exact = stats.betabinom.sf(lines - 1, units, count + 0.5, of - count + 0.5)
        assert chance(lines, units, rate) == pytest.approx(exact, abs=1e-8)


def test_fewest_units_is_the_smallest_for_beta_binomial():
    rate = spread([counted_rate(30, 300)])
    needed = fewest_units(20, 0.95, rate)
    assert stats.betabinom.sf(19, needed, 30.5, 270.5) >= 0.95 > stats.betabinom.sf(19, needed - 1, 30.5, 270.5)


def test_product_and_quotient_follow_drawn_rates():
    rng = np.random.default_rng(3)
    above, below = (counted_rate(481, 6210), counted_rate(75, 481)), (counted_rate(64, 74),)
    drawn = rng.beta(481.5, 5729.5, 200_000) * rng.beta(75.5, 406.5, 200_000) / rng.beta(64.5, 10.5, 200_000)
    found = spread(above, below)
    assert found.mean == pytest.approx(drawn.mean(), rel=0.003)
    assert found.interval() == pytest.approx(np.quantile(drawn, [0.025, 0.975]), rel=0.01)
    at_least = stats.binom.sf(39, 3500, drawn).mean()
    assert chance(40, 3500, found) == pytest.approx(at_least, abs=0.005)


def test_a_product_is_as_good_with_one_factor_summed_in_closed_form():
    """Of two factors one can be summed over the beta-binomial of the other by plain addition."""
    first, second = counted_rate(20, 100), counted_rate(15, 60)
    haploids = np.arange(401)
    weight = stats.betabinom.pmf(haploids, 400, 20.5, 80.5)
    exact = float(weight @ stats.betabinom.sf(9, haploids, 15.5, 45.5))
    assert chance(10, 400, spread([first, second])) == pytest.approx(exact, abs=1e-9)


def test_thinning_in_steps_is_one_binomial():
    """Convolution of sorting, survival and doubling against the product of the rates."""
    sorted_out = stats.binom.pmf(np.arange(201), 200, 0.095)
    living = sum(w * stats.binom.pmf(np.arange(201), n, 0.8) for n, w in enumerate(sorted_out))
    exact = sum(w * stats.binom.sf(2, n, 0.2) for n, w in enumerate(living))
    assert chance(3, 200, spread([known_rate(r) for r in (0.095, 0.8, 0.2)])) == pytest.approx(exact, abs=1e-12)


def test_less_certain_rates_need_more_units():
    needed = [fewest_units(50, 0.9, spread([Rate(mean=0.02, weight=w)])) for w in (None, 10000.0, 1000.0, 200.0)]
    assert needed == sorted(needed)
    assert len(set(needed)) == 4


def test_what_cannot_be_reached_is_none():
    assert fewest_units(1, 0.9, spread([known_rate(0.0)])) is None
    assert fewest_units(10, 0.9, spread([known_rate(1e-13)])) is None
    assert fewest_units(1, 0.999, spread([known_rate(4e-12)])) is None


def test_sure_lines_need_no_more_than_themselves():
    assert fewest_units(12, 0.999, spread([known_rate(1.0)])) == 12
    assert chance(12, 11, spread([known_rate(1.0)])) == 0.0


def test_intervals_and_the_rate_known_least_well():
    assert known_rate(0.3).interval() == (0.3, 0.3)
    low, high = counted_rate(81, 263).interval()
    assert (round(low, 3), round(high, 3)) == (0.255, 0.366)
    few, many = counted_rate(2, 20), counted_rate(200, 2000)
    assert least_known([many, few, known_rate(0.5)]) is few
    assert least_known([known_rate(0.5)]) is None
    assert counted_rate(0, 9).is_nothing_seen
    assert not few.is_nothing_seen
    assert not known_rate(0.0).is_nothing_seen
