"""What is worked out for many samples together is what is worked out for each alone."""

from __future__ import annotations

import numpy as np
import pytest
from mixed_calls import call_chance

from dhverify.alternatives import (
    LINES_TOGETHER,
    donor_panel,
    linked_log_likelihood,
    linked_log_likelihoods,
    numbered_anew,
    pedigree_log_likelihoods,
)
from dhverify.analysis import analyse
from dhverify.contamination import find_mixtures
from dhverify.findings_table import candidates, clean, plant_maker
from dhverify.genetic_map import place_markers
from dhverify.genotypes import MISSING
from dhverify.hypotheses import crossed
from dhverify.leaks import LeakFinder
from dhverify.lot import assemble
from dhverify.mixed_assay import plant_likelihood
from dhverify.mixture_fits import SHARES
from dhverify.partners import PartnerGenotypes
from dhverify.samples import Role

FAULTS = {"hybrid_share": 0.2, "selfed_donor_share": 0.1, "donor_share": 0.1, "outcross_share": 0.1}


@pytest.fixture(scope="module", params=["array", "reads"])
def judged(request, simulated):
    settings = {"n_donors": 3, "lines_per_donor": 30, "n_markers": 150, "platform": request.param, **FAULTS}
    _, genotypes, sheet = simulated(seed=31, stage="haploid", **settings)
    lot = assemble(genotypes, sheet, place_markers(genotypes.markers))
    return lot, analyse(lot, sheet)


def test_partners_made_together_are_those_made_alone(judged):
    lot, analysis = judged
    together = PartnerGenotypes(analysis)
    together.prepare(range(len(lot.samples)))
    for row in range(len(lot.samples)):
        np.testing.assert_allclose(together[row], PartnerGenotypes(analysis)[row], rtol=1e-9)


def test_partners_that_memory_does_not_hold_are_made_again(judged, monkeypatch):
    lot, analysis = judged
    expected = PartnerGenotypes(analysis)
    monkeypatch.setattr("dhverify.partners.MOST_BYTES", 3 * 8 * 3 * lot.seen.n_markers)
    few = PartnerGenotypes(analysis)
    few.prepare(range(10))
    assert len(few._kept) <= 3
    for row in (9, 0, 5, 1):
        np.testing.assert_allclose(few[row], expected[row], rtol=1e-9)
        assert len(few._kept) <= 3


def test_tasks_scored_together_are_those_scored_alone(judged):
    lot, analysis = judged
    learnt = analysis.learnt
    rng = np.random.default_rng(5)
    hypothesis = crossed("two gametes", plant_maker((0, 1)), plant_maker(2))
    sizes = (1, 0, LINES_TOGETHER + 3, 7, 2)
    tasks = [
        (rng.integers(0, len(lot.samples), size), rng.uniform(0.01, 0.99, (3, learnt.grid.n_markers))) for size in sizes
    ]
    for (rows, values), found in zip(tasks, linked_log_likelihoods(learnt, tasks, hypothesis), strict=True):
        alone = [linked_log_likelihood(learnt, np.array([row]), values, hypothesis)[0] for row in rows]
        np.testing.assert_allclose(found, alone)


def test_pedigrees_of_one_form_are_scored_as_each_for_itself(judged):
    _, analysis = judged
    learnt, rows = analysis.learnt, analysis.rows[:4]

    def make(trees):
        return crossed("a cross", plant_maker(trees[0]), plant_maker(trees[1]))

    trees = [((0, 1), 2), ((2, 3), 2), ((3, 1), 0), (((0, 1), 3), 1)]
    found = pedigree_log_likelihoods(learnt, [(pair, rows) for pair in trees], make)
    for pair, scores in zip(trees, found, strict=True):
        np.testing.assert_allclose(scores, linked_log_likelihood(learnt, rows, learnt.strand_second, make(pair)))


def test_founders_are_numbered_as_they_appear():
    assert numbered_anew((7, 3), (3, (9, 7))) == (((0, 1), (1, (2, 0))), (7, 3, 9))
    assert numbered_anew(4) == ((0,), (4,))


def test_sources_scored_together_are_those_scored_alone(judged):
    lot, analysis = judged
    finder = LeakFinder.of(lot, analysis)
    row = int(analysis.rows[3])
    model = analysis.models[int(analysis.model_of[3])]
    hybrid = next(c for c in candidates(model.shape) if c.finding == "hybrid").hypothesis
    sources = [int(other) for other in analysis.rows[[1, 10, 40]]]
    given = np.stack([finder.genotypes[source] for source in sources], axis=-1)
    found = finder.all_linked(row, hybrid, model, given)
    assert found.shape == (3, len(SHARES))
    for source, scores in zip(sources, found, strict=True):
        np.testing.assert_allclose(scores, finder.linked(row, hybrid, model, finder.genotypes[source]))


def test_only_the_plate_is_searched_in_a_large_lot(judged, monkeypatch):
    lot, analysis = judged
    finder = LeakFinder.of(lot, analysis)
    row = next(k for k, s in enumerate(lot.samples) if s.role is Role.LINE)
    everyone, _ = finder._sources(row)
    monkeypatch.setattr("dhverify.leaks.MOST_SAMPLES", 10)
    near, log_weights = finder._sources(row)
    plate = lot.samples[row].plate
    assert near.tolist() == [k for k in everyone if lot.samples[k].plate == plate]
    assert len(near) < len(everyone)
    assert np.exp(log_weights).sum() == pytest.approx(1.0)


def test_what_is_seen_at_a_share_is_looked_up_marker_by_marker(judged):
    lot, analysis = judged
    assay, share, row = analysis.learnt.assay, 0.3, 5
    found = plant_likelihood(analysis.learnt, row, share)
    for own in range(3):
        for other in range(3):
            second = (1 - share) * own / 2 + share * other / 2
            chance = call_chance(assay.calls, second)
            for marker in range(0, lot.seen.n_markers, 7):
                if lot.seen.depths is not None:
                    depths = lot.seen.depths[row, marker]
                    scale = assay.reads.at_share(depths, np.array([0.0, 0.5, 1.0])).max()
                    expected = assay.reads.at_share(depths, np.array([second]))[0] / scale
                else:
                    call = lot.seen.calls[row, marker]
                    expected = 1.0 if call == MISSING else chance[marker, call]
                assert found[marker, own, other] == pytest.approx(expected)
    picked = np.array([3, 50, 7])
    np.testing.assert_array_equal(plant_likelihood(analysis.learnt, row, share, picked), found[picked])


def test_on_few_markers_all_partners_of_a_mixture_count_together(simulated):
    """Many samples fit about equally well there, and the mixture is as probable as all of them together."""
    settings = {"n_donors": 3, "lines_per_donor": 20, "n_markers": 30, **FAULTS}
    _, genotypes, sheet = simulated(seed=8, stage="haploid", **settings)
    lot = assemble(genotypes, sheet, place_markers(genotypes.markers))
    analysis = analyse(lot, sheet)
    finder = LeakFinder.of(lot, analysis)
    n_het = (lot.seen.calls[analysis.rows] == 1).sum(axis=1)
    doubtful = [int(line) for line in np.flatnonzero((n_het > 1) & (n_het < 9))]
    found = find_mixtures(analysis, donor_panel(analysis), doubtful, lot.samples)
    assert len(found) > 3
    for line, fit in found.items():
        row, model = int(analysis.rows[line]), analysis.models[int(analysis.model_of[line])]
        options = [option for option in fit.options if option.finding == "mixture"]
        assert len(options) == len(fit.partners) > 40
        assert len({option.name for option in options}) == len(options)
        for option in options[::10]:
            scores = finder.linked(row, clean(model.shape), model, finder.genotypes[lot.row[option.name]])
            assert option.log_likelihood == pytest.approx(np.log(np.mean(np.exp(scores - scores.max()))) + scores.max())
        best = max(options, key=lambda option: option.log_likelihood + option.log_weight)
        assert fit.partner == best.name
        together = np.logaddexp.reduce([option.log_likelihood + option.log_weight for option in options])
        assert together > best.log_likelihood + best.log_weight


def test_on_more_markers_the_best_partner_counts(judged):
    lot, analysis = judged
    found = find_mixtures(analysis, donor_panel(analysis), range(12), lot.samples)
    assert found
    for fit in found.values():
        assert [option.name for option in fit.options if option.finding == "mixture"] == [fit.partner]
