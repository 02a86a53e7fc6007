"""The screen of all pairs gives what counting every pair gives."""

from __future__ import annotations

import numpy as np
import pytest

from dhverify import pair_screen
from dhverify.genotypes import MISSING
from dhverify.pair_screen import CallBits, agreeing_pairs, bit_count, informative_markers, packed


def counted(calls, min_agreement, min_compared):
    """The slow twin: every pair, one by one."""
    found = []
    for a in range(len(calls)):
        for b in range(a + 1, len(calls)):
            both = (calls[a] != MISSING) & (calls[b] != MISSING)
            compared, equal = int(both.sum()), int((both & (calls[a] == calls[b])).sum())
            if compared >= min_compared and equal >= min_agreement * compared - 1e-9:
                found.append((a, b, equal, compared))
    return found


def screened(calls, min_agreement, min_compared=1):
    found = agreeing_pairs(calls, min_agreement=min_agreement, min_compared=min_compared)
    columns = (found.first, found.second, found.equal, found.compared)
    return list(zip(*(column.tolist() for column in columns), strict=True))


def drawn(rng, *, n=60, m=150, missing=0.02, het=0.0, n_copies=15, error=0.03):
    """Lines in long runs, some of them copies with errors, with missing and heterozygous calls."""
    calls = (np.cumsum(rng.random((n, m)) < 0.05, axis=1) % 2 * 2).astype(np.int8)
    for copy in range(n_copies):
        calls[n - 1 - copy] = calls[copy % 5]
    wrong = rng.random((n, m)) < error * rng.random((n, 1))
    calls[wrong] = 2 - calls[wrong]
    calls[rng.random((n, m)) < het] = 1
    calls[rng.random((n, m)) < missing * 2 * rng.random((n, 1))] = MISSING
    return calls


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("missing", [0.0, 0.03, 0.4, 0.9])
@pytest.mark.parametrize("het", [0.0, 0.02, 0.5])
def test_random_lots_give_what_counting_gives(seed, missing, het):
    rng = np.random.default_rng(seed)
    calls = drawn(rng, missing=missing, het=het)
    for min_agreement in (0.6, 0.9, 0.95, 1.0):
        for min_compared in (1, 40):
            assert screened(calls, min_agreement, min_compared) == counted(calls, min_agreement, min_compared)


def test_copies_are_found_at_all():
    """Guards the twins against agreeing on nothing."""
    calls = drawn(np.random.default_rng(1), error=0.0, missing=0.0)
    assert len(agreeing_pairs(calls, min_agreement=1.0)) >= 15


@pytest.mark.parametrize("n_unequal", range(6))
def test_a_pair_exactly_at_the_threshold_is_in(n_unequal):
    """20 markers, 0.85 asked: three unequal calls are allowed, four are not."""
    rng = np.random.default_rng(n_unequal)
    calls = np.zeros((2, 20), dtype=np.int8)
    calls[1, rng.permutation(20)[:n_unequal]] = 2
    assert bool(screened(calls, 0.85)) == (n_unequal <= 3)


def adversarial():
    """Lots made to break a bound, by name."""
    rng = np.random.default_rng(7)
    m = 130
    base = (rng.random(m) < 0.5).astype(np.int8) * 2
    mirrored = np.stack([base, 2 - base] * 20)
    half = np.tile(base, (30, 1))
    half[::2, : m // 2] = MISSING
    half[1::2, m // 2 :] = MISSING
    crowd = np.tile(base, (40, 1))
    crowd[np.arange(40), rng.integers(0, m, 40)] = MISSING
    all_missing = np.full((10, m), MISSING, dtype=np.int8)
    hets = np.ones((25, m), dtype=np.int8)
    hets[::3, ::7] = 0
    informative_missing = np.tile(base, (30, 1))
    informative_missing[:15, ::2] = 2 - base[::2]
    informative_missing[rng.permutation(30)[:20], ::2] = MISSING
    one_marker = rng.integers(-1, 3, (30, 1)).astype(np.int8)
    words = rng.integers(-1, 3, (25, 128)).astype(np.int8)
    return {
        "mirrored": mirrored,
        "no overlap": half,
        "all alike": crowd,
        "nothing called": all_missing,
        "heterozygous": hets,
        "the informative markers are missing": informative_missing,
        "one marker": one_marker,
        "two whole words": words,
        "no marker": np.zeros((5, 0), dtype=np.int8),
        "one sample": base[None],
        "no sample": np.zeros((0, m), dtype=np.int8),
    }


@pytest.mark.parametrize("name", adversarial())
def test_adversarial_lots_give_what_counting_gives(name):
    calls = adversarial()[name]
    for min_agreement in (0.05, 0.5, 0.8, 0.97, 1.0):
        assert screened(calls, min_agreement) == counted(calls, min_agreement, 1)


def test_blocks_do_not_change_the_answer(monkeypatch):
    calls = drawn(np.random.default_rng(3), n=50)
    whole = screened(calls, 0.8)
    monkeypatch.setattr(pair_screen, "ROWS_PER_BLOCK", 7)
    monkeypatch.setattr(pair_screen, "PAIRS_PER_BLOCK", 3)
    assert screened(calls, 0.8) == whole
    assert len(whole) > 10


def test_the_bound_spares_most_of_the_counting(monkeypatch):
    """A screen that counted every pair would be right, and useless."""
    calls = drawn(np.random.default_rng(5), n=120, m=4000, n_copies=10, error=0.01)
    counts = []
    count = CallBits.count

    def counting(self, first, second, mask=None):
        counts.append(len(first))
        return count(self, first, second, mask)

    monkeypatch.setattr(CallBits, "count", counting)
    assert len(agreeing_pairs(calls, min_agreement=0.95)) >= 10
    assert sum(counts) < 0.05 * 120 * 119 / 2


@pytest.mark.parametrize(("min_agreement", "min_compared"), [(0.0, 1), (1.1, 1), (0.9, 0)])
def test_what_is_out_of_range_is_refused(min_agreement, min_compared):
    with pytest.raises(ValueError, match="min_agreement"):
        agreeing_pairs(np.zeros((2, 2), dtype=np.int8), min_agreement=min_agreement, min_compared=min_compared)


def test_agreement_is_a_share():
    calls = np.array([[0, 2, 2, 0], [0, 2, 0, -1]], dtype=np.int8)
    assert agreeing_pairs(calls, min_agreement=0.5).agreement.tolist() == pytest.approx([2 / 3])


def test_masked_counts_leave_out_markers():
    calls = np.array([[0, 2, 2, 0, 1], [0, 0, 2, -1, 1]], dtype=np.int8)
    mask = packed(np.array([[True, True, False, True, True]]))
    equal, compared = CallBits(calls).count(np.array([0]), np.array([1]), mask)
    assert (equal.tolist(), compared.tolist()) == ([2], [3])


def test_bits_are_counted_without_the_numpy_counter(monkeypatch):
    words = packed(np.random.default_rng(2).random((9, 200)) < 0.3)
    expected = bit_count(words)
    monkeypatch.delattr(np, "bitwise_count", raising=False)
    assert bit_count(words).tolist() == expected.tolist()
    assert expected.sum() > 0


def test_informative_markers_are_few_and_the_best():
    rng = np.random.default_rng(4)
    calls = np.zeros((40, 100), dtype=np.int8)
    calls[:, 30:40] = rng.integers(0, 2, (40, 10)) * 2
    chosen = informative_markers(calls, 2.0)
    assert set(chosen.tolist()) <= set(range(30, 40))
    assert len(chosen) <= 6
    assert len(informative_markers(calls, 1000.0)) == 100
