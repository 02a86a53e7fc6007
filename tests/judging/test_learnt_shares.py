"""What a lot shows of where foreign DNA and stray pollen come from."""

from __future__ import annotations

from dataclasses import replace
from math import exp, log

import numpy as np
import pytest

from dhverify.analysis import analyse
from dhverify.checking import run_check
from dhverify.genetic_map import place_markers
from dhverify.judging import FINDING_ORDER, PRIOR_ROUNDS, learn_shares
from dhverify.lot import assemble
from dhverify.mixture_fits import PLACE_WEIGHT, SHARES, MixtureFit, learnt_places
from dhverify.outcome import Finding
from dhverify.own_pollen import with_own_parent_pollen
from dhverify.samples import Role
from dhverify.wells import PLACE_SHARES, Sources


def naive_shares(shipped, weight, shown, is_able, chance):
    """The same, line by line and way by way in plain numbers."""
    n_ways, shares = len(shipped), list(shipped)
    for _ in range(PRIOR_ROUNDS):
        counted = [0.0] * n_ways
        for line, able in enumerate(is_able):
            ways = [w for w in range(n_ways) if able[w]]
            if len(ways) < 2:
                continue
            first = sum(shipped[w] * shown[line][w] for w in ways) / sum(shipped[w] for w in ways)
            now = [shares[w] * shown[line][w] / sum(shares[v] for v in ways) for w in range(n_ways)]
            odds_now = chance[line] / (1 - chance[line]) * sum(now) / first
            for way in ways:
                counted[way] += odds_now / (1 + odds_now) * now[way] / sum(now)
        shares = [(s * weight + c) / (weight + sum(counted)) for s, c in zip(shipped, counted, strict=True)]
    return shares


def test_learnt_shares_equal_a_plain_loop():
    rng = np.random.default_rng(3)
    is_able = rng.random((40, 3)) < 0.8
    is_able[:, 2] = True
    shown = np.where(is_able, rng.gamma(0.3, 1.0, (40, 3)), 0.0)
    chance = rng.beta(0.5, 0.5, 40)
    shipped = np.array([0.5, 0.2, 0.3])
    found = learn_shares(shipped, 5.0, shown, is_able, chance)
    np.testing.assert_allclose(found, naive_shares(shipped, 5.0, shown, is_able, chance))
    assert found.sum() == pytest.approx(1.0)
    assert abs(found - shipped).max() > 0.03


def test_lines_that_tell_nothing_leave_the_shipped_shares():
    shipped = np.array([0.1, 0.9])
    one_way = np.array([[False, True]] * 30)
    found = learn_shares(shipped, 5.0, np.array([[0.0, 1.0]] * 30), one_way, np.ones(30))
    np.testing.assert_allclose(found, shipped)
    alike = learn_shares(shipped, 5.0, np.ones((30, 2)), np.ones((30, 2), dtype=bool), np.ones(30))
    np.testing.assert_allclose(alike, shipped)
    nobody = learn_shares(shipped, 5.0, np.empty((0, 2)), np.empty((0, 2), dtype=bool), np.empty(0))
    np.testing.assert_allclose(nobody, shipped)


def fit_with(best, *, all_count=False):
    """Five partners, two beside, one on the plate and two elsewhere; one of them fits far better."""
    sources = Sources.at(np.array([1, 1, 0, 0, 0], dtype=bool), np.array([1, 1, 1, 0, 0], dtype=bool))
    scores = np.full((5, len(SHARES)), -40.0)
    scores[best] = -10.0
    return MixtureFit.of([f"P{k}" for k in range(5)], scores, sources, all_count=all_count)


def test_partners_are_put_in_order_by_fit_and_place():
    fit = fit_with(3)
    assert fit.partners == ("P3", "P0", "P1", "P2", "P4"), "equal fits by where they stand"
    anywhere, on_plate = 0.3 / 5, 0.3 / 5 + 0.2 / 3
    beside = on_plate + 0.5 / 2
    assert np.exp(fit.log_weights) == pytest.approx([anywhere, beside, beside, on_plate, anywhere])
    (option,) = fit.options
    assert (option.name, option.finding) == ("P3", "mixture")
    assert option.log_likelihood == pytest.approx(-10.0)
    assert option.log_weight == pytest.approx(log(anywhere))
    elsewhere = fit.by_places(np.array([0.0, 0.0, 1.0]))
    assert np.exp(elsewhere.log_weights) == pytest.approx([0.2] * 5)
    assert elsewhere.scores[0, 0] == -10.0
    everyone = fit_with(3, all_count=True)
    assert [option.name for option in everyone.options] == list(everyone.partners)


@pytest.mark.parametrize(("best", "place"), [(0, 0), (4, 2)])
def test_places_follow_the_mixtures_of_the_lot(best, place):
    """Twenty sure mixtures with a neighbour, or with a sample of another plate."""
    sure = np.ones(20)
    shares = learnt_places({line: fit_with(best) for line in range(20)}, sure)
    assert shares.sum() == pytest.approx(1.0)
    assert shares[place] > 0.8
    few = learnt_places({0: fit_with(best)}, sure)
    assert PLACE_SHARES[place] < few[place] < (PLACE_WEIGHT * PLACE_SHARES[place] + 1) / (PLACE_WEIGHT + 1) + 1e-9
    np.testing.assert_allclose(learnt_places({0: fit_with(best)}, np.zeros(1)), PLACE_SHARES)
    np.testing.assert_allclose(learnt_places({}, sure), PLACE_SHARES)


@pytest.fixture
def places(monkeypatch):
    """The shares of the places learnt in the last check."""
    found = []

    def noted(*given):
        found.append(learnt_places(*given))
        return found[-1]

    monkeypatch.setattr("dhverify.diagnosis.learnt_places", noted)
    return found


def test_leaks_and_mixed_seed_are_told_apart_in_the_lot(simulated, places):
    lot = {"n_donors": 3, "lines_per_donor": 60, "n_markers": 200, "leak_low": 0.25, "mixture_low": 0.25}
    for settings in ({"leaks": 20}, {"mixture_share": 0.11}):
        _, genotypes, sheet = simulated(seed=4, stage="haploid", **lot, **settings)
        run_check(genotypes, sheet)
    leaking, mixed = places[-2:]
    assert leaking[0] > 0.75
    assert mixed[2] > 0.5
    assert mixed[0] < 0.3


def test_where_no_sample_stands_on_a_plate_the_shipped_shares_stay(simulated, places):
    _, genotypes, sheet = simulated(seed=4, stage="haploid", mixture_share=0.1, n_markers=200, has_plates=False)
    run_check(genotypes, sheet)
    np.testing.assert_allclose(places[-1], PLACE_SHARES)


# pollen of the donor's own parents


def backcrossed(simulated, **settings):
    """A lot of F1 donors; its ``donor`` lines are plants of the F1 crossed with its first parent."""
    lot = {
        "donor_type": "BC1",
        "n_donors": 2,
        "lines_per_donor": 40,
        "n_markers": 150,
        "typed": ("parents", "inducers"),
    }
    _, genotypes, sheet = simulated(seed=6, stage="haploid", donor_plants=40, **lot, **settings)
    rows = [
        replace(row, pedigree=row.pedigree.replace("*2", "")) if row.role is Role.DONOR else row
        for row in sheet.samples
    ]
    return genotypes, replace(sheet, samples=tuple(rows))


def analysed(genotypes, sheet):
    return analyse(assemble(genotypes, sheet, place_markers(genotypes.markers)), sheet)


def test_a_lot_of_backcross_plants_raises_pollen_of_own_parents(simulated):
    analysis = analysed(*backcrossed(simulated, donor_share=0.5, hybrid_share=0.0))
    raised = with_own_parent_pollen(analysis)
    assert exp(raised.own_parent_pollen) > 4
    column = FINDING_ORDER.index(Finding.OUTCROSS)
    for line in range(0, len(analysis.judged), 7):
        found, weights = raised.ways(line)
        ways = [k for k, way in enumerate(found) if way.finding == Finding.OUTCROSS]
        values = analysis.log_likelihood[line][ways] + weights[ways]
        assert raised.pooled[line, column] == pytest.approx(np.logaddexp.reduce(values))
        others = np.delete(np.arange(len(FINDING_ORDER)), column)
        np.testing.assert_array_equal(raised.pooled[line, others], analysis.pooled[line, others])


def test_an_ordinary_lot_keeps_what_is_shipped(simulated):
    faults = {"outcross_share": 0.15, "selfed_donor_share": 0.1, "n_markers": 200}
    _, genotypes, sheet = simulated(seed=6, stage="haploid", **faults)
    analysis = analysed(genotypes, sheet)
    kept = with_own_parent_pollen(analysis)
    assert kept.own_parent_pollen == 0.0
    np.testing.assert_allclose(kept.pooled, analysis.pooled)


def test_donors_without_typed_parents_have_no_such_pollen(simulated):
    _, genotypes, sheet = simulated(seed=6, stage="haploid", n_markers=100, typed=("inducers",))
    analysis = analysed(genotypes, sheet)
    assert with_own_parent_pollen(analysis) is analysis


def test_backcross_plants_are_outcrosses_by_the_parent(simulated):
    genotypes, sheet = backcrossed(simulated, donor_share=0.5, hybrid_share=0.0)
    lines = run_check(genotypes, sheet).lines
    failed = [line for line in lines if line.finding is Finding.OUTCROSS]
    assert len(failed) > 30
    assert sum("the donor's parent" in line.reasons for line in failed) > 0.9 * len(failed)
