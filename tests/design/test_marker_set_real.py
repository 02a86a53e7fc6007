"""The chosen sets hold what was predicted: in every cross, on invented and on real parents, by the judge's own model.

The normal suite simulates thousands of lines of each kind; the accuracy suite (``-m accuracy``) 100,000.
"""

from __future__ import annotations

import marker_set_material as material
import numpy as np
import pytest
from marker_set_judge import hold_against_simulated_lines, real_parents

from dhverify.design.marker_set import choose_marker_set, search_of
from dhverify.design.marker_set_crosses import design_crosses
from dhverify.design.marker_set_request import MarkerSetRequest
from dhverify.design.marker_set_task import make_task
from dhverify.genetic_map import place_markers


def numbers(outcome, genotypes):
    place = {str(name): index for index, name in enumerate(genotypes.markers.name)}
    return [place[row.marker] for row in outcome.chosen]


@pytest.fixture(scope="module")
def real():
    """Genotypes, sheet, trees, request and the set chosen for four crosses of real inbreds."""
    genotypes, sheet, trees = real_parents()
    request = MarkerSetRequest()
    return genotypes, sheet, trees, request, choose_marker_set(genotypes, sheet, request)


@pytest.fixture(scope="module")
def invented():
    pedigrees = ("P0/P1", "P2/P1", "P0/P3", "P2/P3")
    genotypes, sheet = material.material(n_markers=400, pedigrees=pedigrees, seed=11)
    request = MarkerSetRequest(miss=0.005, false_fail=0.005, error_rate=0.02, dropout=0.05)
    trees = [tuple(text.split("/")) for text in pedigrees]
    return genotypes, sheet, trees, request, choose_marker_set(genotypes, sheet, request)


def test_real_parents_are_served_near_the_bound(real):
    _, _, _, _, outcome = real
    assert outcome.n_met == 4
    assert (len(outcome.chosen), outcome.lower_bound) == (21, 14)
    assert all(max(row.miss, row.false_fail) <= 0.001 for row in outcome.crosses)


def test_hybrids_of_real_parents_need_no_more_than_eight_to_ten_markers(real):
    """8 to 10 diagnostic markers settle a whole-genome hybrid (computed from the binomial); here they are chosen."""
    genotypes, sheet, _, _, _ = real
    outcome = choose_marker_set(genotypes, sheet, MarkerSetRequest(goal="haploid"))
    assert outcome.n_met == 4
    assert outcome.lower_bound == len(outcome.chosen) == 4


def test_a_routine_panel_of_published_size_does_it_all(real):
    """50 to 100 SNPs serve for routine quality control (Semagn et al. 2012, Theor Appl Genet 125:1487-1501).

    So many also bear assays that fail, and tell sister lines apart.
    """
    genotypes, sheet, _, _, _ = real
    request = MarkerSetRequest(identity=True, spare=2, size=100)
    outcome = choose_marker_set(genotypes, sheet, request)
    assert outcome.n_met == 4
    assert len(outcome.chosen) <= 50


def test_chosen_markers_are_of_wide_use_and_spread(real):
    """As panel markers are chosen by hand: frequent alleles, even spread, one of a cluster (Chen et al. 2016).

    What frequency is to a panel for all material, use in many crosses is to one for these.
    """
    genotypes, sheet, _, _, outcome = real
    chromosomes = [row.chrom for row in outcome.chosen]
    assert len(set(chromosomes)) == 10
    assert max(chromosomes.count(name) for name in chromosomes) <= 3
    use = np.sum([cross.code > 0 for cross in design_crosses(genotypes, sheet)], axis=0)
    assert use[use > 0].mean() < 3.5
    assert all(row.crosses == 4 for row in outcome.chosen)


@pytest.mark.parametrize("which", ["real", "invented"])
def test_predicted_errors_hold_in_every_cross(which, request):
    genotypes, sheet, trees, asked, outcome = request.getfixturevalue(which)
    held = hold_against_simulated_lines(genotypes, sheet, asked, numbers(outcome, genotypes), trees, 4000)
    assert held == 12  # four crosses, three wrong findings each


@pytest.mark.accuracy
@pytest.mark.parametrize("which", ["real", "invented"])
def test_predicted_errors_hold_for_100_000_lines_in_every_cross(which, request):
    genotypes, sheet, trees, asked, outcome = request.getfixturevalue(which)
    held = hold_against_simulated_lines(genotypes, sheet, asked, numbers(outcome, genotypes), trees, 100_000, seed=2)
    assert held == 12


@pytest.mark.accuracy
@pytest.mark.parametrize("which", ["real", "invented"])
def test_as_few_as_an_exchange_search_with_many_starts_finds(which, request):
    """From 20 random sets that are 10 % smaller no exchange comes to one that meets the limits."""
    genotypes, sheet, _, asked, outcome = request.getfixturevalue(which)
    task = make_task(genotypes, design_crosses(genotypes, sheet), place_markers(genotypes.markers), asked, frozenset())
    search = search_of(task, range(len(task.rows)))
    search.margin[:] = 0
    size = int(np.floor(len(outcome.chosen) / 1.1))
    rng = np.random.default_rng(3)
    for _ in range(20):
        start = search.state(tuple(rng.choice(genotypes.n_markers, size, replace=False).tolist()))
        found, _ = search.exchanged(start, 150)
        assert found.lack > 0, sorted(found.chosen)
