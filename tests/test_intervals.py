"""Intervals against published values, an outside library and naive twins."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from dhverify.intervals import clopper_pearson, poisson_binomial, rate_interval, wilson

# Newcombe 1998, Stat Med 17:857-872, Table I: count, of, Wilson (method 3), Clopper-Pearson (method 5)
NEWCOMBE = [
    (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
    (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
    (0, 20, (0.0000, 0.1611), (0.0000, 0.1684)),
    (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
]
BOTH = pytest.mark.parametrize("interval", [wilson, clopper_pearson])
GRID = [(x, n) for n in (1, 2, 7, 30, 211) for x in range(0, n + 1, max(1, n // 10))]


@pytest.mark.parametrize(("count", "of", "by_wilson", "by_clopper_pearson"), NEWCOMBE)
def test_published_values_of_newcombe_1998(count, of, by_wilson, by_clopper_pearson):
    assert wilson(count, of) == pytest.approx(by_wilson, abs=5e-5)
    assert clopper_pearson(count, of) == pytest.approx(by_clopper_pearson, abs=5e-5)


@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.999])
@pytest.mark.parametrize(("interval", "method"), [(wilson, "wilson"), (clopper_pearson, "beta")])
def test_an_outside_library_agrees(interval, method, confidence):
    count, of = (np.array(column) for column in zip(*GRID, strict=True))
    low, high = interval(count, of, confidence)
    for x, n, own_low, own_high in zip(count, of, low, high, strict=True):
        judge = proportion_confint(x, n, alpha=1 - confidence, method=method)
        assert (own_low, own_high) == pytest.approx(judge, abs=1e-9)


def root(function, below, above):
    """The place where an increasing function passes zero, by plain bisection."""
    for _ in range(100):
        middle = (below + above) / 2
        below, above = (middle, above) if function(middle) < 0 else (below, middle)
    return middle


def tail_from(count, of, share):
    return math.fsum(math.comb(of, k) * share**k * (1 - share) ** (of - k) for k in range(count, of + 1))


@pytest.mark.parametrize(("count", "of"), [(1, 9), (4, 9), (8, 9), (13, 40)])
def test_clopper_pearson_against_its_definition(count, of):
    low = root(lambda share: tail_from(count, of, share) - 0.025, 0, 1)
    high = root(lambda share: tail_from(count + 1, of, share) - 0.975, 0, 1)
    assert clopper_pearson(count, of) == pytest.approx((low, high), abs=1e-9)


@pytest.mark.parametrize(("count", "of"), [(1, 9), (4, 9), (8, 9), (13, 40)])
def test_wilson_against_its_definition(count, of):
    z = stats.norm.isf(0.025)

    def distance(share):
        return (share - count / of) / math.sqrt(share * (1 - share) / of)

    low = root(lambda share: distance(share) + z, 1e-9, count / of)
    high = root(lambda share: distance(share) - z, count / of, 1 - 1e-9)
    assert wilson(count, of) == pytest.approx((low, high), abs=1e-8)


@BOTH
def test_nothing_counted_means_nothing_known(interval):
    assert interval(0, 0) == (0.0, 1.0)
    low, high = interval(np.array([0, 0, 3]), np.array([0, 5, 3]))
    assert low[0] == 0.0
    assert high[0] == 1.0
    assert low[1] == 0.0
    assert high[2] == 1.0


@BOTH
def test_numbers_give_numbers_and_arrays_keep_their_shape(interval):
    assert all(type(end) is float for end in interval(3, 10))
    assert all(type(end) is float for end in interval(np.int64(3), np.int64(10)))
    low, high = interval(np.array([[1, 2, 3]]), np.array([[10], [20]]))
    assert low.shape == high.shape == (2, 3)
    assert (low[1, 2], high[1, 2]) == interval(3, 20)
    low, _ = interval(2, np.array([4, 8]))
    assert low.tolist() == [interval(2, 4)[0], interval(2, 8)[0]]


@BOTH
def test_of_no_rows_gives_no_rows(interval):
    low, high = interval(np.zeros(0), np.zeros(0))
    assert low.shape == high.shape == (0,)


@BOTH
@pytest.mark.parametrize(
    ("count", "of"), [(-1, 5), (6, 5), (math.nan, 5), (1, math.nan), (1, math.inf), (np.array([1, 7]), 5)]
)
def test_an_impossible_count_is_refused(interval, count, of):
    with pytest.raises(ValueError, match="each count must be a number from 0"):
        interval(count, of)


@pytest.mark.parametrize("confidence", [0.0, 1.0, 95, -0.1, math.nan])
def test_an_impossible_confidence_is_refused(confidence):
    for call in (
        lambda: wilson(1, 5, confidence),
        lambda: clopper_pearson(1, 5, confidence),
        lambda: rate_interval(np.array([0.5]), confidence),
    ):
        with pytest.raises(ValueError, match="confidence is"):
            call()


@BOTH
@given(counted=st.integers(1, 5000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_the_share_lies_within_and_failures_mirror_successes(interval, counted):
    count, of = counted
    low, high = interval(count, of)
    assert 0 <= low <= count / of <= high <= 1
    assert low < high
    assert interval(of - count, of) == pytest.approx((1 - high, 1 - low), abs=1e-9)
    wider = interval(count, of, 0.99)
    assert wider[0] <= low
    assert high <= wider[1]


@pytest.mark.parametrize("share", [0.003, 0.02, 0.1, 0.4])
def test_clopper_pearson_never_covers_less_than_promised(share):
    """Exact, no simulation: sum the binomial over the counts whose interval holds the true share."""
    for of in (10, 50, 300):
        count = np.arange(of + 1)
        low, high = clopper_pearson(count, of)
        is_covered = (low <= share) & (share <= high)
        assert stats.binom.pmf(count, of, share)[is_covered].sum() >= 0.95


def counts_by_enumeration(probabilities):
    """Naive twin: every pattern of events, one by one."""
    weight = np.zeros(len(probabilities) + 1)
    for events in itertools.product((0, 1), repeat=len(probabilities)):
        weight[sum(events)] += math.prod(p if e else 1 - p for p, e in zip(probabilities, events, strict=True))
    return weight


@given(st.lists(st.one_of(st.just(0.0), st.just(1.0), st.floats(0, 1)), max_size=7))
def test_poisson_binomial_against_enumeration(probabilities):
    weight = poisson_binomial(np.array(probabilities))
    assert weight == pytest.approx(counts_by_enumeration(probabilities), abs=1e-12)


def test_poisson_binomial_of_equal_probabilities_is_binomial():
    assert poisson_binomial(np.full(500, 0.03)) == pytest.approx(stats.binom.pmf(np.arange(501), 500, 0.03), abs=1e-13)


@pytest.mark.parametrize("wrong", [[-0.1], [1.1], [0.5, math.nan]])
def test_an_impossible_probability_is_refused(wrong):
    for call in (poisson_binomial, rate_interval):
        with pytest.raises(ValueError, match="each probability must be a number from 0 to 1"):
            call(np.array(wrong))


@pytest.mark.parametrize(("count", "of"), [(1, 5), (3, 50), (49, 50), (120, 400)])
@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.99])
def test_rate_of_decided_lines_is_the_jeffreys_interval(count, of, confidence):
    decided = np.arange(of) < count
    rate, low, high = rate_interval(decided, confidence)
    assert rate == pytest.approx(count / of)
    judge = proportion_confint(count, of, alpha=1 - confidence, method="jeffreys")
    assert (low, high) == pytest.approx(judge, abs=1e-9)


@pytest.mark.parametrize("of", [1, 4, 60])
def test_rate_of_none_or_all_ends_where_it_must(of):
    none, every = rate_interval(np.zeros(of)), rate_interval(np.ones(of))
    upper = stats.beta.isf(0.025, 0.5, of + 0.5)  # Brown, Cai & DasGupta 2001, Stat Sci 16:101-133
    assert none == pytest.approx((0.0, 0.0, upper), abs=1e-9)
    assert every == pytest.approx((1.0, 1 - upper, 1.0), abs=1e-9)
    assert none[1] == 0.0
    assert every[2] == 1.0


def test_rate_of_no_lines_is_not_known():
    rate, low, high = rate_interval(np.zeros(0))
    assert math.isnan(rate)
    assert (low, high) == (0.0, 1.0)


@pytest.mark.parametrize(
    "probabilities",
    [[0.9, 0.2, 0.99, 0.6, 0.05], [1, 1, 0.5, 0, 0, 0, 0.3], [0.999, 0.999, 0.02] + [0.0001] * 6],
)
def test_rate_interval_against_its_definition(probabilities):
    """Naive twin: each tail of the mixture, component by component, from enumerated counts."""
    n = len(probabilities)
    weight = counts_by_enumeration(probabilities)
    _, low, high = rate_interval(np.array(probabilities))
    below = weight[0] + sum(weight[x] * stats.beta.cdf(low, x + 0.5, n - x + 0.5) for x in range(1, n + 1))
    above = weight[n] + sum(weight[x] * stats.beta.sf(high, x + 0.5, n - x + 0.5) for x in range(n))
    assert below == pytest.approx(0.025, abs=1e-9)
    assert above == pytest.approx(0.025, abs=1e-9)


def test_rate_interval_meets_its_end_without_a_jump():
    """The lower end goes to 0 as the chance that no line is wrong goes to the tail (0.025)."""
    lows = [rate_interval(np.array([1 - none] + [0.0] * 30))[1] for none in (0.0, 0.02, 0.0249999, 0.025, 0.3)]
    assert lows == sorted(lows, reverse=True)
    assert lows[2] < 1e-6 < lows[1]
    assert lows[3:] == [0.0, 0.0]


def test_an_undecided_line_widens_the_interval():
    decided = np.array([1.0] * 20 + [0.0] * 80)
    undecided = np.array([1.0] * 10 + [0.5] * 20 + [0.0] * 70)
    rate, low, high = rate_interval(decided)
    wider_rate, wider_low, wider_high = rate_interval(undecided)
    assert wider_rate == rate
    assert wider_low < low < high < wider_high


def test_lines_that_say_nothing_count_for_next_to_nothing():
    """A line whose probability is the rate of the group adds no knowledge: the width stays."""
    told = np.array([1.0] * 16 + [0.0] * 64)
    _, low, high = rate_interval(told)
    _, low_with, high_with = rate_interval(np.concatenate((told, np.full(20, 0.2))))
    assert high_with - low_with == pytest.approx(high - low, rel=0.05)


@given(st.lists(st.floats(0, 1), min_size=1, max_size=40), st.randoms())
def test_rate_interval_holds_the_rate_whatever_the_order(probabilities, random):
    p = np.array(probabilities)
    rate, low, high = rate_interval(p)
    assert 0 <= low <= rate + 1e-9
    assert rate - 1e-9 <= high <= 1
    shuffled = list(probabilities)
    random.shuffle(shuffled)
    assert rate_interval(np.array(shuffled)) == pytest.approx((rate, low, high), abs=1e-6)
    assert rate_interval(1 - p) == pytest.approx((1 - rate, 1 - high, 1 - low), abs=1e-6)


def posteriors(rng, is_wrong, separation):
    """Calibrated posteriors of simulated lines: normal evidence, prior learnt from the group itself."""
    evidence = rng.normal(np.where(is_wrong, separation / 2, -separation / 2), 1.0)
    likelihood_ratio = np.exp(separation * evidence)
    prior = 0.5
    for _ in range(300):
        p = prior * likelihood_ratio / (prior * likelihood_ratio + 1 - prior)
        prior = (p.sum() + 0.5) / (len(p) + 1)
    return p


@pytest.mark.parametrize("separation", [3.0, 5.0, 30.0])
def test_coverage_over_simulated_groups(separation):
    """Groups of 30 to 200 lines, rates 5 to 50 %; from many undecided lines (3) to none (30)."""
    rng = np.random.default_rng(20240607)
    n_groups = 1200
    n_covered = 0
    for _ in range(n_groups):
        true_rate = rng.uniform(0.05, 0.5)
        is_wrong = rng.random(rng.integers(30, 201)) < true_rate
        _, low, high = rate_interval(posteriors(rng, is_wrong, separation))
        n_covered += low <= true_rate <= high
    assert 0.93 <= n_covered / n_groups <= 0.97
