"""Lumped states: the number that counting by hand gives, and the likelihood that all states give."""

from __future__ import annotations

import numpy as np
import pytest

from dhverify.findings_table import FamilyShape, candidates, plant_maker
from dhverify.hypotheses import (
    Factor,
    Hypothesis,
    Meioses,
    Plant,
    Strand,
    crossed,
    gamete_twice,
    hypothesis,
    nearly_fixed,
    plant_itself,
)
from dhverify.likelihood import chain_log_likelihood, lay_emissions, state_posterior
from dhverify.marker_grid import lay_out
from dhverify.state_chain import full_chain, lumped_chain

F1 = plant_maker((0, 1))
BC1 = plant_maker(((0, 1), 0))
INBRED = plant_maker(2)
SHAPES = {
    "F1": FamilyShape(donor=(0, 1), inducer=2, n_slots=3, has_plant=False),
    "F1, crossed inducer, typed plant": FamilyShape(donor=(0, 1), inducer=(2, 3), n_slots=4, has_plant=True),
    "three-way, unphased": FamilyShape(donor=((0, 1), 2), inducer=3, n_slots=4, has_plant=False, is_unphased=True),
    "four-way": FamilyShape(donor=((0, 1), (2, 3)), inducer=4, n_slots=5, has_plant=False),
    "bulk": FamilyShape(donor=((0, 1), 0), inducer=2, n_slots=3, has_plant=False, is_bulk=True),
}


def orbits(n_bits, swaps):
    """Orbits of bit vectors under some maps, by walking from each: the slow count."""
    left, found = {tuple(int(b) for b in f"{k:0{n_bits}b}") for k in range(2**n_bits)}, 0
    while left:
        found += 1
        walk = [left.pop()]
        while walk:
            bits = walk.pop()
            for swap in swaps:
                if (other := swap(*bits)) in left:
                    left.remove(other)
                    walk.append(other)
    return found


def swap_gametes(a, b, c, d):
    """Mother plant (a, b), whose gametes c and d unite: which came from the egg is not seen."""
    return a, b, d, c


def swap_chromosomes(a, b, c, d):
    """The mother's two chromosomes change places, and so what each gamete picks."""
    return b, a, 1 - c, 1 - d


@pytest.mark.parametrize(
    ("found", "n_states", "n_lumps"),
    [
        (gamete_twice("x", F1), 2, 2),
        (plant_itself("x", F1, selfings=1), 4, orbits(2, [lambda a, b: (b, a)])),
        (plant_itself("x", F1, selfings=2), 16, orbits(4, [swap_gametes, swap_chromosomes])),
        (crossed("x", F1, INBRED, selfings=1), 8, orbits(3, [lambda a, b, c: (a, c, b)])),
        (plant_itself("x", INBRED), 1, 1),
        # a closed run shows the first gamete alone, so that its two cannot be swapped
        (nearly_fixed("x", F1), 8, 8),
        # the parent that comes twice: its allele through the F1, or straight
        (gamete_twice("x", BC1), 4, orbits(2, [lambda a, b: (1 - b, 1 - a)])),
    ],
)
def test_numbers_of_states_counted_by_hand(found, n_states, n_lumps):
    assert (found.n_states, full_chain(found).n_states, lumped_chain(found).n_states) == (n_states, n_states, n_lumps)


def test_a_selfed_f1_has_three_states_and_one_selfed_twice_has_seven():
    assert orbits(2, [lambda a, b: (b, a)]) == 3
    assert orbits(4, [swap_gametes, swap_chromosomes]) == 7


def test_factors_of_different_rate_are_never_swapped():
    meioses = Meioses()
    plant = Plant(Strand(0), Strand(1))
    slow, fast = (meioses.gamete(plant, Factor(weights=(0.5, 0.5), rate=rate)) for rate in (2.0, 4.0))
    assert lumped_chain(hypothesis("x", meioses, Plant(slow, slow))).n_states == 2
    meioses = Meioses()
    slow, fast = (meioses.gamete(plant, Factor(weights=(0.5, 0.5), rate=rate)) for rate in (2.0, 4.0))
    assert lumped_chain(hypothesis("x", meioses, Plant(slow, fast))).n_states == 4


def plain_log_likelihood(found: Hypothesis, chance, cm):
    """All states, one factor's own transition matrix after the other, one line and one chromosome; the slow twin."""
    alpha = found.state_weights.copy()
    total = 0.0
    for marker, seen in enumerate(chance):
        if marker:
            move = np.ones((1, 1))
            for factor in found.factors:
                stay = np.exp(-factor.rate * (cm[marker] - cm[marker - 1]) / 100)
                own = stay * np.eye(factor.size) + (1 - stay) * np.outer(np.ones(factor.size), factor.weights)
                move = np.kron(move, own)
            alpha = alpha @ move
        alpha = alpha * seen[list(found.pair_of_state)]
        total += np.log(alpha.sum())
        alpha /= alpha.sum()
    return total


@pytest.mark.parametrize("shape", SHAPES)
def test_every_candidate_keeps_its_likelihood(shape):
    """Random likelihoods over 40 markers, two of them at one place; equal to 1e-9."""
    rng = np.random.default_rng(31)
    cm = np.sort(rng.uniform(0, 160, 40))
    cm[7] = cm[6]
    grid = lay_out(np.array(["1"] * len(cm)), cm)
    for candidate in candidates(SHAPES[shape]):
        found = candidate.hypothesis
        chance = rng.uniform(1e-4, 1.0, (len(cm), len(found.pairs), 2))
        fast = chain_log_likelihood(found, lay_emissions(chance, found.pairs, grid), grid)[0]
        slow = [plain_log_likelihood(found, chance[:, :, line], cm) for line in range(2)]
        np.testing.assert_allclose(fast, slow, rtol=0, atol=1e-9, err_msg=candidate.detail)


@pytest.mark.parametrize("shape", SHAPES)
def test_transitions_are_probabilities_and_keep_the_weights(shape):
    gaps = np.array([0.0, 0.003, 0.4, np.inf])
    for candidate in candidates(SHAPES[shape]):
        chain = lumped_chain(candidate.hypothesis)
        moves = chain.transitions(gaps)
        assert moves.min() >= 0
        np.testing.assert_allclose(moves.sum(axis=1), 1.0)
        np.testing.assert_allclose(moves[0], np.eye(chain.n_states), atol=1e-150)
        np.testing.assert_allclose(moves @ chain.weights, np.tile(chain.weights, (4, 1)))
        np.testing.assert_allclose(moves[3], np.tile(chain.weights[:, None], chain.n_states))


def test_lumping_is_undone_by_nothing_that_is_shown():
    """Each lump shows one pair, and the pairs keep their shares."""
    for candidate in candidates(SHAPES["four-way"]):
        found = candidate.hypothesis
        chain = lumped_chain(found)
        shares = np.bincount(chain.pair_of_state, weights=chain.weights, minlength=len(found.pairs))
        np.testing.assert_allclose(shares, found.pair_weights)


def test_scaling_once_in_some_markers_does_not_underflow():
    """Likelihoods of 1e-12 and 1e-18 at every marker, long runs of markers at one place."""
    found = plant_itself("selfed", F1, selfings=1)
    n = 400
    grid = lay_out(np.array(["1"] * n), np.where(np.arange(n) < 100, 1.0, 2.0))
    pair = found.pairs.index((0, 1))
    chance = np.full((n, 3, 1), 1e-18)
    chance[:, pair] = 1e-12
    emissions = lay_emissions(chance, found.pairs, grid)
    assert np.isfinite(chain_log_likelihood(found, emissions, grid)).all()
    posterior = state_posterior(found, emissions, grid)
    np.testing.assert_allclose(posterior.sum(axis=1), 1.0)
    assert posterior[:, pair].min() > 0.999
