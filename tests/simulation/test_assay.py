"""The assay against its own rates, counted; limits are 4 binomial standard errors or said."""

import numpy as np
import pytest

from dhverify.simulation import SimulationSettings, simulate_programme
from dhverify.simulation.assay import MISSING, Assay, call_reads, marker_kinds, uneven

PURE = {
    "error_rate": 0.0,
    "dropout": 0.0,
    "missing": 0.0,
    "missing_marker_variation": 0.0,
    "missing_sample_variation": 0.0,
}


def read(fraction, *, dna_yield=None, kinds=None, seed=1, **changes):
    settings = SimulationSettings(**{**PURE, **changes})
    fraction = np.asarray(fraction, dtype=np.float32)
    kinds = np.full(fraction.shape[1], "good", dtype="U14") if kinds is None else kinds
    dna_yield = np.ones(len(fraction)) if dna_yield is None else np.asarray(dna_yield, dtype=float)
    return Assay(settings=settings, marker_kind=kinds, rng=np.random.default_rng(seed)).read(fraction, dna_yield)


def close(observed, expected, n):
    return abs(observed - expected) <= 4 * np.sqrt(expected * (1 - expected) / n) + 1e-12


def genotypes(n_samples=100, n_markers=1000):
    return np.random.default_rng(2).integers(0, 3, (n_samples, n_markers)) / 2


def test_a_perfect_array_calls_the_truth():
    truth = genotypes()
    calls, depths = read(truth)
    assert depths is None
    assert (calls == 2 * truth).all()
    assert calls.dtype == np.int8


def test_errors_and_dropout_have_their_rates():
    truth = 2 * genotypes(200)
    calls, _ = read(truth / 2, error_rate=0.02, dropout=0.05, het_error_share=0.75)
    hom = truth != 1
    wrong = calls[hom] != truth[hom]
    assert close(wrong.mean(), 0.02, hom.sum())
    assert close((calls[hom][wrong] == 1).mean(), 0.75, wrong.sum())
    lost = calls[~hom] != 1
    # a drop-out stays homozygous or is called wrong (het 3 in 4 times); a het is called wrong
    expected = 0.05 * (1 - 0.02 * 0.75) + 0.95 * 0.02
    assert close(lost.mean(), expected, (~hom).sum())
    assert close((calls[~hom][lost] == 2).mean(), 0.5, lost.sum())


def test_missing_varies_over_markers_and_samples():
    even, _ = read(np.zeros((300, 1000)), missing=0.1)
    assert close((even == MISSING).mean(), 0.1, even.size)
    rates = (even == MISSING).mean(axis=0)
    assert rates.std() < 1.3 * np.sqrt(0.09 / 300)
    uneven_markers, _ = read(np.zeros((300, 1000)), missing=0.1, missing_marker_variation=0.8)
    assert (uneven_markers == MISSING).mean(axis=0).std() == pytest.approx(0.08, abs=0.015)
    uneven_samples, _ = read(np.zeros((300, 1000)), missing=0.1, missing_sample_variation=0.8)
    assert (uneven_samples == MISSING).mean(axis=1).std() == pytest.approx(0.08, abs=0.02)


def test_uneven_factors():
    factors = uneven(100_000, variation=0.5, rng=np.random.default_rng(1))
    assert factors.mean() == pytest.approx(1.0, abs=0.01)
    assert factors.std() == pytest.approx(0.5, abs=0.01)
    assert (uneven(3, variation=0.0, rng=np.random.default_rng(1)) == 1).all()


def test_failed_wells_are_called_at_their_yield():
    calls, _ = read(np.zeros((2, 20_000)), dna_yield=[1.0, 0.1])
    assert (calls[0] == 0).all()
    assert close((calls[1] == 0).mean(), 0.1, 20_000)


@pytest.mark.parametrize(
    ("minor", "low", "high"), [(0.05, 0.0, 0.001), (0.12, 0.0, 0.02), (0.2, 0.45, 0.55), (0.3, 0.99, 1.0)]
)
def test_an_array_shows_mixtures_from_about_one_fifth(minor, low, high):
    for fraction, major in ((minor, 0), (1 - minor, 2)):
        calls, _ = read(np.full((10, 2000), fraction))
        assert low <= (calls == 1).mean() <= high
        assert set(np.unique(calls)) <= {major, 1}


def test_bad_markers():
    kinds = marker_kinds(
        SimulationSettings(all_het_markers=0.1, mostly_missing_markers=0.2, misplaced_markers=0.1),
        1000,
        np.random.default_rng(3),
    )
    assert {k: int((kinds == k).sum()) for k in np.unique(kinds)} == {
        "all het": 100,
        "good": 600,
        "misplaced": 100,
        "mostly missing": 200,
    }
    calls, _ = read(np.zeros((200, 1000)), kinds=kinds)
    assert (calls[:, kinds == "all het"] == 1).all()
    assert (calls[:, kinds == "good"] == 0).all()
    assert (calls[:, kinds == "misplaced"] == 0).all()
    assert ((calls[:, kinds == "mostly missing"] == MISSING).mean(axis=0) > 0.5).all()


READS = {
    "platform": "reads",
    "depth_marker_variation": 0.0,
    "depth_sample_variation": 0.0,
    "read_error": 0.0,
    "read_overdispersion": 0.0,
    "allele_bias": 0.0,
}


def test_depths_are_poisson_about_the_mean():
    _, depths = read(np.full((100, 1000), 0.5), **READS, depth=6.0)
    total = depths.sum(axis=2)
    assert total.mean() == pytest.approx(6.0, abs=0.04)
    assert total.var() == pytest.approx(6.0, abs=0.15)
    assert depths[..., 1].sum() / total.sum() == pytest.approx(0.5, abs=0.005)


@pytest.mark.parametrize(("n", "expected"), [(2, 0.5), (4, 0.125), (8, 0.0078)])
def test_hets_are_called_homozygous_as_the_reads_fall(n, expected):
    """All n reads show one allele with probability 2 * 0.5 ** n."""
    rng = np.random.default_rng(4)
    second = rng.binomial(n, 0.5, 400_000)
    calls = call_reads(np.stack([n - second, second], axis=-1).astype(np.int32), read_error=0.0)
    one_sided = (second == 0) | (second == n)
    assert close(one_sided.mean(), 2 * 0.5**n, len(second))
    assert 2 * 0.5**n == pytest.approx(expected, abs=5e-5)
    assert (calls[one_sided] != 1).all()


def test_reads_carry_errors_bias_and_overdispersion():
    _, clean = read(np.zeros((50, 2000)), **{**READS, "read_error": 0.01}, depth=10.0)
    assert close(clean[..., 1].sum() / clean.sum(), 0.01, clean.sum())
    _, biased = read(np.full((50, 2000), 0.5), **{**READS, "allele_bias": 0.5}, depth=20.0)
    shares = biased[..., 1].sum(axis=0) / biased.sum(axis=(0, 2))
    assert np.log(shares / (1 - shares)).std() == pytest.approx(0.5, abs=0.03)
    _, spread = read(np.full((50, 2000), 0.5), **{**READS, "read_overdispersion": 0.1}, depth=100.0)
    share = spread[..., 1] / spread.sum(axis=2)
    assert share.var() == pytest.approx(0.25 * (0.1 + 0.9 / 100), rel=0.05)  # beta-binomial


def test_no_reads_no_call():
    calls, depths = read(np.zeros((2, 20_000)), **READS, missing=0.2, depth=50.0, dna_yield=[1.0, 0.05])
    assert ((depths.sum(axis=2) == 0) == (calls == MISSING)).all()
    assert close((calls[0] == MISSING).mean(), 0.2, 20_000)
    assert close((calls[1] >= 0).mean(), 0.05 * 0.8, 20_000)


def test_samples_are_read_in_blocks_without_a_seam():
    calls, depths = read(np.tile([[0.0, 0.5, 1.0]], (150, 200)), **READS, depth=60.0)
    assert calls.shape == (150, 600)
    assert depths.shape == (150, 600, 2)
    assert (calls == np.tile([[0, 1, 2]], (150, 200))).mean() > 0.999


@pytest.mark.parametrize("output", ["both", "calls", "depths"])
def test_what_reads_are_given_out_as(output):
    settings = SimulationSettings(platform="reads", output=output, n_markers=50, lines_per_donor=5)
    programme = simulate_programme(settings, np.random.default_rng(1))
    assert (programme.depths is None) is (output == "calls")
    assert bool((programme.calls == MISSING).all()) is (output == "depths")


def test_misplaced_and_unplaced_markers():
    settings = SimulationSettings(misplaced_markers=0.1, unplaced_share=0.05, chromosome_prefix="chr")
    markers = simulate_programme(settings, np.random.default_rng(1)).markers
    is_unplaced = markers.chrom == ""
    assert is_unplaced.sum() == 50
    assert (markers.pos_bp[is_unplaced] == -1).all()
    assert is_unplaced[-50:].all()
    there = (markers.chrom == markers.true_chrom) & (markers.pos_bp == markers.true_pos_bp)
    assert (there | is_unplaced | (markers.kind == "misplaced")).all()
    assert not there[markers.kind == "misplaced"].any()
    assert set(markers.true_chrom) == {f"chr{i}" for i in range(1, 11)}
    assert len(set(markers.name)) == len(markers) == 1000
