"""What a lot shows of where foreign DNA and stray pollen come from."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from math import log

import numpy as np
import pytest

from dhverify.alternatives import donor_panel
from dhverify.analysis import analyse
from dhverify.checking import run_check
from dhverify.contamination import find_mixtures
from dhverify.genetic_map import place_markers
from dhverify.judging import FINDING_ORDER, PRIOR_ROUNDS, learn_shares, posterior
from dhverify.lot import assemble
from dhverify.mixture_fits import NEARNESS_WEIGHT, SHARES, MixtureFit, learnt_nearness
from dhverify.outcome import Finding
from dhverify.own_pollen import with_own_parent_pollen
from dhverify.samples import Role
from dhverify.wells import NEARNESS_SHARES, Contaminants

OUTCROSS = FINDING_ORDER.index(Finding.OUTCROSS)


def naive_shares(shipped, weight, shown, is_able, chance):
    """The same, line by line and way by way in plain numbers."""
    n_ways, shares = len(shipped), list(shipped)
    for _ in range(PRIOR_ROUNDS):
        counted = [0.0] * n_ways
        for line, able in enumerate(is_able):
            ways = [w for w in range(n_ways) if able[w]]
            if len(ways) < 2:
                continue
            open_now, open_first = sum(shares[w] for w in ways), sum(shipped[w] for w in ways)
            first = sum(shipped[w] * shown[line][w] for w in ways) / open_first
            now = sum(shares[w] * shown[line][w] for w in ways) / open_now
            odds = chance[line] / (1 - chance[line]) * now / first
            for way in range(n_ways):
                here = shares[way] * shown[line][way] / open_now / now if able[way] else shares[way] / open_now
                counted[way] += odds / (1 + odds) * here
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
    three, no_neighbours = np.array([0.5, 0.2, 0.3]), np.array([[False, True, True]] * 30)
    lone = learn_shares(three, 5.0, no_neighbours.astype(float), no_neighbours, np.ones(30))
    np.testing.assert_allclose(lone, three, err_msg="a well that nothing touches says nothing of wells that touch")
    nobody = learn_shares(shipped, 5.0, np.empty((0, 2)), np.empty((0, 2), dtype=bool), np.empty(0))
    np.testing.assert_allclose(nobody, shipped)


def fit_with(best, *, all_count=False):
    """Five partners, two in wells that touch, one on the plate and two elsewhere; one of them fits far better."""
    near = Contaminants.at(np.array([1, 1, 0, 0, 0], dtype=bool), np.array([1, 1, 1, 0, 0], dtype=bool))
    scores = np.full((5, len(SHARES)), -40.0)
    scores[best] = -10.0
    return MixtureFit.of([f"P{k}" for k in range(5)], scores, near, all_count=all_count)


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
    elsewhere = fit.weighed(np.array([0.0, 0.0, 1.0]))
    assert np.exp(elsewhere.log_weights) == pytest.approx([0.2] * 5)
    assert elsewhere.scores[0, 0] == -10.0
    everyone = fit_with(3, all_count=True)
    assert [option.name for option in everyone.options] == list(everyone.partners)


@pytest.mark.parametrize(("best", "place"), [(0, 0), (4, 2)])
def test_places_follow_the_mixtures_of_the_lot(best, place):
    """Twenty sure mixtures with a neighbour, or with a sample of another plate."""
    sure = np.ones(20)
    shares = learnt_nearness({line: fit_with(best) for line in range(20)}, sure)
    assert shares.sum() == pytest.approx(1.0)
    assert shares[place] > 0.8
    few = learnt_nearness({0: fit_with(best)}, sure)
    assert (
        NEARNESS_SHARES[place]
        < few[place]
        < (NEARNESS_WEIGHT * NEARNESS_SHARES[place] + 1) / (NEARNESS_WEIGHT + 1) + 1e-9
    )
    np.testing.assert_allclose(learnt_nearness({0: fit_with(best)}, np.zeros(1)), NEARNESS_SHARES)
    np.testing.assert_allclose(learnt_nearness({}, sure), NEARNESS_SHARES)


@pytest.fixture
def places(monkeypatch):
    """The shares of the places learnt in the last check."""
    found = []

    def noted(*given):
        found.append(learnt_nearness(*given))
        return found[-1]

    monkeypatch.setattr("dhverify.diagnosis.learnt_nearness", noted)
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
    np.testing.assert_allclose(places[-1], NEARNESS_SHARES)


def test_a_sample_is_no_neighbour_of_its_own(simulated, monkeypatch):
    """Nor are those that the sheet declares to be the same line."""
    seen = []
    at = Contaminants.at

    def noted(is_touching, is_same_plate):
        seen.append(len(is_touching))
        return at(is_touching, is_same_plate)

    monkeypatch.setattr("dhverify.wells.Contaminants.at", noted)
    lot = {"replicate_share": 0.2, "blanks_per_plate": 0, "n_donors": 2, "lines_per_donor": 20}
    _, genotypes, sheet = simulated(seed=4, stage="haploid", n_markers=100, **lot)
    analysis = analysed(genotypes, sheet)
    n_kin = Counter(sample.line or sample.name for sample in analysis.lot.samples)
    find_mixtures(analysis, donor_panel(analysis), range(len(analysis.judged)), analysis.lot.samples)
    n_all = len(analysis.lot.samples)
    assert seen == [n_all - n_kin[sample.line or sample.name] for sample in analysis.judged]
    assert len(set(seen)) > 1


# pollen of the donor's own parents


def backcrossed(simulated, **settings):
    """A lot of F1 donors; its ``donor`` lines are plants of the F1 crossed with its first parent."""
    lot = {"donor_type": "BC1", "donor_plants": 40, "n_donors": 2, "lines_per_donor": 40, "donor_share": 0.5}
    _, genotypes, sheet = simulated(
        seed=6, stage="haploid", typed=("parents", "inducers"), hybrid_share=0.0, **lot, **settings
    )
    rows = (replace(s, pedigree=s.pedigree.replace("*2", "")) if s.role is Role.DONOR else s for s in sheet)
    return genotypes, replace(sheet, samples=tuple(rows))


def analysed(genotypes, sheet):
    return analyse(assemble(genotypes, sheet, place_markers(genotypes.markers)), sheet)


def outcross_share(analysis):
    return posterior(analysis.pooled, analysis.prior_rows())[:, OUTCROSS]


def test_a_lot_of_backcross_plants_raises_pollen_of_own_parents(simulated):
    analysis = analysed(*backcrossed(simulated, n_markers=150))
    raised = with_own_parent_pollen(analysis, outcross_share(analysis))
    assert raised.own_parent_pollen > 0.4
    for line in range(0, len(analysis.judged), 7):
        found, weights = raised.ways(line)
        ways = [k for k, way in enumerate(found) if way.finding == Finding.OUTCROSS]
        own = [k for k, way in enumerate(found) if way.is_of_own_parent]
        assert np.exp(weights[ways]).sum() == pytest.approx(1.0)
        assert np.exp(weights[own]).sum() == pytest.approx(raised.own_parent_pollen)
        values = analysis.log_likelihood[line][ways] + weights[ways]
        assert raised.pooled[line, OUTCROSS] == pytest.approx(np.logaddexp.reduce(values))
        others = np.delete(np.arange(len(FINDING_ORDER)), OUTCROSS)
        np.testing.assert_array_equal(raised.pooled[line, others], analysis.pooled[line, others])


def test_an_ordinary_lot_keeps_what_is_shipped(simulated):
    faults = {"outcross_share": 0.15, "selfed_donor_share": 0.1, "n_markers": 200}
    _, genotypes, sheet = simulated(seed=6, stage="haploid", **faults)
    analysis = analysed(genotypes, sheet)
    assert with_own_parent_pollen(analysis, outcross_share(analysis)) is analysis


def test_few_markers_hardly_raise_it_without_such_pollen(simulated):
    """Selfed donors look somewhat like such outcrosses there."""
    faults = {"outcross_share": 0.03, "selfed_donor_share": 0.1, "mixture_share": 0.05, "n_markers": 24}
    for seed in (1, 2, 3):
        _, genotypes, sheet = simulated(seed=seed, stage="haploid", **faults)
        analysis = analysed(genotypes, sheet)
        raised = with_own_parent_pollen(analysis, outcross_share(analysis))
        assert (raised.own_parent_pollen or 0.1) < 0.2


def test_donors_without_typed_parents_have_no_such_pollen(simulated):
    _, genotypes, sheet = simulated(seed=6, stage="haploid", n_markers=100, typed=("inducers",))
    analysis = analysed(genotypes, sheet)
    assert with_own_parent_pollen(analysis, outcross_share(analysis)) is analysis


def test_backcross_plants_are_outcrosses_by_the_parent(simulated, monkeypatch):
    """On 24 markers, where they look like selfed donors too, only the lot itself tells."""
    genotypes, sheet = backcrossed(simulated, n_markers=24)

    def named():
        lines = run_check(genotypes, sheet).lines
        return sum(l.finding is Finding.OUTCROSS and "the donor's parent" in l.reasons for l in lines)

    as_learnt = named()
    monkeypatch.setattr("dhverify.diagnosis.with_own_parent_pollen", lambda analysis, _: analysis)
    assert named() < as_learnt - 3
    assert as_learnt > 25
