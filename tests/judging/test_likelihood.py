"""The forward recursion against enumeration of all paths, and against a general reference library."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from dhverify.findings_table import FamilyShape, candidates, plant_maker
from dhverify.hypotheses import Hypothesis, crossed, gamete_twice, gamete_with_segments, nearly_fixed, plant_itself
from dhverify.likelihood import (
    chain_log_likelihood,
    factor_posterior,
    lay_emissions,
    log_likelihood,
    state_posterior,
)
from dhverify.marker_grid import lay_out

F1 = plant_maker((0, 1))
INBRED = plant_maker(2)
HYPOTHESES = {
    "clean": gamete_twice("clean", F1),
    "clean three-way": gamete_twice("clean", plant_maker(((0, 1), 2))),
    "clean backcross": gamete_twice("clean", plant_maker(((0, 1), 0))),
    "hybrid": crossed("hybrid", F1, INBRED),
    "hybrid with a crossed inducer": crossed("hybrid", F1, plant_maker((2, 3))),
    "selfed once": plant_itself("selfed", F1, selfings=1),
    "selfed hybrid": crossed("selfed hybrid", F1, INBRED, selfings=1),
    "nearly fixed": nearly_fixed("late", F1),
    "segments": gamete_with_segments("segments", F1, INBRED, 3, share=0.1, mean_cm=20.0),
    "donor": plant_itself("donor", F1),
}


def random_case(hypothesis: Hypothesis, n_markers: int, rng: np.random.Generator):
    grid = lay_out(np.array(["1"] * n_markers), np.sort(rng.uniform(0, 60, n_markers)))
    pairs = list(hypothesis.pairs)
    chance = rng.uniform(0.05, 1.0, (n_markers, len(pairs), 2))
    return grid, pairs, chance


def paths_of(hypothesis: Hypothesis, chance: np.ndarray, grid, line: int):
    """Probability of every path of states, the slow way: each factor moves or stays on its own."""
    values = list(itertools.product(*[range(f.size) for f in hypothesis.factors]))
    pair_of = hypothesis.pair_of_state
    gaps = np.diff(grid.cm) / 100
    for path in itertools.product(range(len(values)), repeat=len(grid.cm)):
        p = np.prod([f.weights[v] for f, v in zip(hypothesis.factors, values[path[0]], strict=True)])
        for before, after, gap in zip(path[:-1], path[1:], gaps, strict=True):
            for k, factor in enumerate(hypothesis.factors):
                stay = np.exp(-factor.rate * gap)
                a, b = values[before][k], values[after][k]
                p *= stay * (a == b) + (1 - stay) * factor.weights[b]
        for marker, state in enumerate(path):
            p *= chance[marker, pair_of[state], line]
        yield path, p


@pytest.mark.parametrize("name", HYPOTHESES)
def test_forward_equals_the_sum_over_all_paths(name):
    hypothesis = HYPOTHESES[name]
    rng = np.random.default_rng(5)
    grid, pairs, chance = random_case(hypothesis, 3, rng)
    fast = log_likelihood(hypothesis, lay_emissions(chance, pairs, grid), grid)
    for line in range(2):
        slow = np.log(sum(p for _, p in paths_of(hypothesis, chance, grid, line)))
        assert fast[line] == pytest.approx(slow, abs=1e-10)


@pytest.mark.parametrize("name", ["clean", "clean backcross", "hybrid", "selfed once", "nearly fixed"])
def test_posteriors_equal_the_shares_of_all_paths(name):
    hypothesis = HYPOTHESES[name]
    rng = np.random.default_rng(6)
    grid, pairs, chance = random_case(hypothesis, 3, rng)
    emissions = lay_emissions(chance, pairs, grid)
    states = factor_posterior(hypothesis, emissions, grid)
    slow = np.zeros((3, hypothesis.n_states))
    for path, p in paths_of(hypothesis, chance, grid, 0):
        for marker, state in enumerate(path):
            slow[marker, state] += p
    np.testing.assert_allclose(states[:, :, 0], slow / slow.sum(axis=1, keepdims=True), atol=1e-10)
    pooled = state_posterior(hypothesis, emissions, grid)
    np.testing.assert_allclose(pooled.sum(axis=1), 1.0)


def test_haldane_is_the_meiosis_rate():
    """10 cM recombine at .09063 and 50 cM at .31606 (Haldane 1919, J Genet 8:299-309)."""
    hypothesis = HYPOTHESES["clean"]
    for distance, expected in ((10.0, 0.09063), (50.0, 0.31606)):
        grid = lay_out(np.array(["1", "1"]), np.array([0.0, distance]))
        pairs = list(hypothesis.pairs)
        chance = np.array([[[1.0], [0.0]], [[0.0], [1.0]]])
        parted = np.exp(log_likelihood(hypothesis, lay_emissions(chance, pairs, grid), grid))[0]
        assert 2 * parted == pytest.approx(expected, abs=5e-6)


def test_two_state_chain_equals_hmmlearn():
    from hmmlearn.hmm import CategoricalHMM

    rng = np.random.default_rng(7)
    n = 40
    grid = lay_out(np.array(["1"] * n), np.arange(n) * 7.0)
    stay = (1 + np.exp(-2 * 0.07)) / 2
    model = CategoricalHMM(n_components=2)
    model.n_features = 3
    model.startprob_ = np.array([0.5, 0.5])
    model.transmat_ = np.array([[stay, 1 - stay], [1 - stay, stay]])
    model.emissionprob_ = np.array([[0.9, 0.06, 0.04], [0.05, 0.15, 0.8]])
    seen = rng.integers(0, 3, n)
    chance = model.emissionprob_[:, seen].T[:, :, None]
    hypothesis = HYPOTHESES["clean"]
    ours = log_likelihood(hypothesis, lay_emissions(chance, list(hypothesis.pairs), grid), grid)[0]
    assert ours == pytest.approx(model.score(seen[:, None]), abs=1e-9)


def test_chains_are_independent_and_padding_is_neutral():
    hypothesis = HYPOTHESES["hybrid"]
    rng = np.random.default_rng(8)
    chrom = np.array(["1", "1", "1", "2", "2", ""])
    cm = np.array([0.0, 10, 30, 5, 9, np.nan])
    grid = lay_out(chrom, cm)
    pairs = list(hypothesis.pairs)
    chance = rng.uniform(0.1, 1, (6, len(pairs), 1))
    whole = chain_log_likelihood(hypothesis, lay_emissions(chance, pairs, grid), grid)
    parts = []
    for index in ([0, 1, 2], [3, 4], [5]):
        small = lay_out(chrom[index], cm[index])
        parts.append(log_likelihood(hypothesis, lay_emissions(chance[index], pairs, small), small)[0])
    np.testing.assert_allclose(whole[:, 0], parts)


@pytest.mark.parametrize("donor", [(0, 1), ((0, 1), 2), ((0, 1), 0), ((0, 1), (2, 3)), 0])
def test_weights_of_every_candidate_add_to_one(donor):
    n = 4 if donor == ((0, 1), (2, 3)) else 3 if donor == ((0, 1), 2) else 2 if donor != 0 else 1
    shape = FamilyShape(donor=donor, inducer=n, n_slots=n + 1, has_plant=False)
    for candidate in candidates(shape):
        assert candidate.hypothesis.state_weights.sum() == pytest.approx(1.0)
        assert candidate.hypothesis.pair_weights.sum() == pytest.approx(1.0)
