"""The account against simulated groups whose true rates are known: how often its intervals hold the truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from dhverify.account import build_account
from dhverify.counts import Counts, CountsRow
from dhverify.evidence import LineEvidence
from dhverify.outcome import Finding
from dhverify.samples import Role, Sample, SampleSheet, Stage
from dhverify.uncertain_rates import (
    product_interval,
    quotient_interval,
    rate_of_count,
    rate_of_lines,
)

N_GROUPS = 1000
HYBRID_MEAN, HYBRID_WEIGHT = 0.15, 12.0


def evidence_of(sample, p_hybrid):
    finding = Finding.HYBRID if p_hybrid > 0.5 else Finding.HAPLOID
    return LineEvidence(
        sample=sample,
        is_genotyped=True,
        posterior={Finding.HYBRID: p_hybrid, Finding.HAPLOID: 1 - p_hybrid},
        expected=Finding.HAPLOID,
        finding=finding,
        confidence=max(p_hybrid, 1 - p_hybrid),
    )


def posteriors(is_hybrid, prior, rng):
    """Posterior of each line from a noisy sign, calibrated: most lines are clear, one in ten is not."""
    strength = np.where(rng.random(len(is_hybrid)) < 0.1, 2.0, 8.0)
    sign = rng.normal(np.where(is_hybrid, strength / 2, -strength / 2), 1.0)
    log_odds = np.log(prior / (1 - prior)) + strength * sign
    return 1 / (1 + np.exp(-log_odds))


def simulated_programme(rng):
    """1,000 donors: kernels, sorting, seedlings, ears; returns sheet, evidence, counts, truth by donor."""
    samples, evidence, rows, truth = [], {}, [], {}
    for number in range(N_GROUPS):
        donor = f"D{number:04d}"
        induced = rng.uniform(0.05, 0.14)
        hybrids = rng.beta(HYBRID_MEAN * HYBRID_WEIGHT, (1 - HYBRID_MEAN) * HYBRID_WEIGHT)
        doubling = rng.uniform(0.1, 0.4)
        kernels = int(rng.integers(300, 1500))
        n_true = max(int(rng.binomial(kernels, induced)), 1)
        # hybrids among putative haploids: the false ones before so many true ones
        n_false = int(rng.negative_binomial(n_true, 1 - hybrids))
        is_hybrid = rng.permutation(np.arange(n_true + n_false) < n_false)
        p = posteriors(is_hybrid, hybrids, rng)
        rows.append(
            CountsRow(
                donor=donor,
                inducer="I",
                kernels=max(kernels, len(is_hybrid)),
                putative_haploids=len(is_hybrid),
                treated=len(is_hybrid),
                d1_ears=int(rng.binomial(n_true, doubling)),
            )
        )
        for k, chance in enumerate(p):
            sample = Sample(name=f"{donor}-{k}", role=Role.LINE, donor=donor, inducer="I", stage=Stage.HAPLOID)
            samples.append(sample)
            evidence[sample.name] = evidence_of(sample, float(chance))
        truth[donor] = {
            "hybrids_among_putative_haploids": hybrids,
            "induction_rate": induced,
            "doubling_success": doubling,
        }
    return SampleSheet(samples=tuple(samples)), evidence, Counts(rows=tuple(rows)), truth


@pytest.fixture(scope="module")
def account():
    sheet, evidence, counts, truth = simulated_programme(np.random.default_rng(20))
    rows = build_account(evidence, sheet, counts=counts)
    return {(r.group, r.measure): r for r in rows if r.by == "donor"}, truth


@pytest.mark.parametrize("measure", ["hybrids_among_putative_haploids", "induction_rate", "doubling_success"])
def test_intervals_hold_the_truth_of_95_in_100_groups(account, measure):
    rows, truth = account
    hit = [
        rows[g, measure].low <= t[measure] <= rows[g, measure].high for g, t in truth.items() if (g, measure) in rows
    ]
    assert len(hit) > 0.99 * N_GROUPS
    assert 0.93 <= np.mean(hit) <= 0.97


def test_the_corrected_induction_rate_is_nearer_the_truth_than_the_raw_one(account):
    rows, truth = account
    raw = np.array([abs(rows[g, "putative_haploid_rate"].rate - t["induction_rate"]) for g, t in truth.items()])
    corrected = np.array([abs(rows[g, "induction_rate"].rate - t["induction_rate"]) for g, t in truth.items()])
    assert corrected.mean() < 0.75 * raw.mean()
    assert binom.sf(int((corrected < raw).sum()) - 1, len(raw), 0.5) < 1e-6


def test_shrunk_rates_of_small_groups_are_nearer_the_truth():
    rng = np.random.default_rng(8)
    samples, evidence, truth = [], {}, {}
    for number in range(300):
        rate = truth[f"D{number}"] = rng.beta(3, 17)
        for k in range(int(rng.integers(4, 20))):
            sample = Sample(name=f"{number}-{k}", role=Role.LINE, donor=f"D{number}", stage=Stage.HAPLOID)
            samples.append(sample)
            evidence[sample.name] = evidence_of(sample, float(rng.random() < rate))
    rows = build_account(evidence, SampleSheet(samples=tuple(samples)))
    own = [r for r in rows if r.by == "donor" and r.measure == "wrong_lines"]
    plain = np.mean([(r.rate - truth[r.group]) ** 2 for r in own])
    shrunk = np.mean([(r.shrunk_rate - truth[r.group]) ** 2 for r in own])
    assert shrunk < 0.6 * plain


# the numbers against plain sampling


def test_products_and_quotients_agree_with_sampling():
    rng = np.random.default_rng(1)
    p = np.concatenate([np.full(6, 0.97), np.full(3, 0.6), np.full(40, 0.01)])
    share = []
    for _ in range(4000):
        count = int((rng.random(len(p)) < p).sum())
        share.append(rng.beta(count + 0.5, len(p) - count + 0.5, 25))
    share = np.concatenate(share)
    rate = rng.beta(30.5, 270.5, len(share))
    lines = rate_of_lines(p)
    assert lines.interval() == pytest.approx(np.quantile(share, [0.025, 0.975]), abs=0.004)
    product = product_interval(rate_of_count(30, 300), lines)
    assert product == pytest.approx(np.quantile(rate * share, [0.025, 0.975]), abs=0.001)
    quotient = quotient_interval(rate_of_count(5, 300), lines)
    few = rng.beta(5.5, 295.5, len(share))
    assert quotient == pytest.approx(np.quantile(np.minimum(few / share, 1), [0.025, 0.975]), rel=0.04)
    free = quotient_interval(rate_of_count(200, 300), lines, most=None)
    assert free[1] > 1 == quotient_interval(rate_of_count(200, 300), lines)[1]


def test_a_count_that_cannot_be_is_refused():
    with pytest.raises(ValueError, match="6 of 5 is no count"):
        rate_of_count(6, 5)
