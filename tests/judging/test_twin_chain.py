"""The forward recursion against plain enumeration of meioses, written from Mendel and Haldane alone.

Each meiosis is one bit that says which of two chromosomes is passed on; between two markers d Morgan apart it
flips with r = (1 - exp(-2 d)) / 2 (Haldane 1919, J Genet 8:299-309). The twin knows nothing of the factors that
the package makes of it.
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from dhverify.findings_table import FamilyShape, candidates, clean, plant_maker
from dhverify.hypotheses import (
    Haplotype,
    Meioses,
    Plant,
    Strand,
    crossed,
    gamete_twice,
    gamete_with_segments,
    hybrid_plant,
    hypothesis,
    plant_itself,
)
from dhverify.likelihood import chain_log_likelihood, factor_posterior, lay_emissions, log_likelihood, state_posterior
from dhverify.marker_grid import lay_out
from dhverify.segments import kind_posterior
from dhverify.strands import pair_genotypes

F1 = plant_maker((0, 1))
BC1 = plant_maker(((0, 1), 0))
THREE_WAY = plant_maker(((0, 1), 2))
FOUR_WAY = plant_maker(((0, 1), (2, 3)))
INBRED = plant_maker(2)
CROSSED_INDUCER = plant_maker((2, 3))


def clean_f1(a):
    return a, a


def hybrid(a):
    return a, 2


def selfed_once(a, b):
    return a, b


def selfed_twice(a, b, c, d):
    mother = (a, b)
    return mother[c], mother[d]


def selfed_hybrid(a, b, c):
    mother = (a, 2)
    return mother[b], mother[c]


def hybrid_of_crossed_inducer(a, b):
    return a, 2 + b


def selfed_hybrid_of_crossed_inducer(a, b, c, d):
    mother = (a, 2 + b)
    return mother[c], mother[d]


def clean_three_way(a, b):
    gamete = (a, 2)[b]
    return gamete, gamete


def clean_bc1(a, b):
    gamete = (a, 0)[b]
    return gamete, gamete


def bc1_plant(a):
    return a, 0


def selfed_bc1(a, b, c):
    mother = (a, 0)
    return mother[b], mother[c]


def clean_four_way(a, b, c):
    gamete = (a, 2 + b)[c]
    return gamete, gamete


def false_hybrid_pollen(a, b, c):
    pollen = (b, 2)[c]
    return a, pollen


CASES = {
    "clean": (1, clean_f1, gamete_twice("x", F1)),
    "hybrid": (1, hybrid, crossed("x", F1, INBRED)),
    "selfed once": (2, selfed_once, plant_itself("x", F1, selfings=1)),
    "selfed twice": (4, selfed_twice, plant_itself("x", F1, selfings=2)),
    "selfed hybrid": (3, selfed_hybrid, crossed("x", F1, INBRED, selfings=1)),
    "hybrid inducer": (2, hybrid_of_crossed_inducer, crossed("x", F1, CROSSED_INDUCER)),
    "selfed hybrid, hybrid inducer": (
        4,
        selfed_hybrid_of_crossed_inducer,
        crossed("x", F1, CROSSED_INDUCER, selfings=1),
    ),
    "three-way": (2, clean_three_way, gamete_twice("x", THREE_WAY)),
    "BC1": (2, clean_bc1, gamete_twice("x", BC1)),
    "BC1 plant": (1, bc1_plant, plant_itself("x", BC1)),
    "selfed BC1": (3, selfed_bc1, plant_itself("x", BC1, selfings=1)),
    "four-way": (3, clean_four_way, gamete_twice("x", FOUR_WAY)),
    "false hybrid's pollen": (3, false_hybrid_pollen, crossed("x", F1, hybrid_plant(F1, INBRED))),
}
CM = np.array([2.0, 9.0, 47.0])
SEGMENT_SHARE, SEGMENT_CM = 0.08, 25.0


def case(seed, n_markers, n_lines=2):
    """Random strand values and random likelihoods of the three genotypes."""
    rng = np.random.default_rng(seed)
    return rng.uniform(0.02, 0.98, (5, n_markers)), rng.uniform(0.01, 1.0, (n_markers, n_lines, 3))


def genotype_chances(pair, second):
    """Chances of 0, 1 and 2 second alleles of two strands at one marker."""
    first, other = pair
    p, q = second[first], second[other]
    if first == other:
        return np.array([1 - p, 0.0, p])
    return np.array([(1 - p) * (1 - q), p + q - 2 * p * q, p * q])


def paths(n_bits, cm):
    """Every path of bits along markers, with its probability."""
    states = list(product((0, 1), repeat=n_bits))
    for path in product(states, repeat=len(cm)):
        chance = 0.5**n_bits
        for k in range(1, len(cm)):
            r = (1 - np.exp(-2 * (cm[k] - cm[k - 1]) / 100)) / 2
            for before, after in zip(path[k - 1], path[k], strict=True):
                chance *= r if before != after else 1 - r
        yield path, chance


def enumerated(n_bits, show, cm, second, likelihood):
    """Likelihood of one line and the share of every pair at every marker, path by path."""
    shares = [{} for _ in cm]
    total = 0.0
    table = [
        {bits: likelihood[m] @ genotype_chances(show(*bits), second[:, m]) for bits in product((0, 1), repeat=n_bits)}
        for m in range(len(cm))
    ]
    for path, chance in paths(n_bits, cm):
        value = chance
        for m, bits in enumerate(path):
            value *= table[m][bits]
        total += value
        for m, bits in enumerate(path):
            pair = tuple(sorted(show(*bits)))
            shares[m][pair] = shares[m].get(pair, 0.0) + value
    return total, shares


def emissions_of(hypothesis, grid, second, likelihood):
    pairs = list(hypothesis.pairs)
    genotypes = pair_genotypes(pairs, second, {})
    return lay_emissions((likelihood @ genotypes).transpose(0, 2, 1), pairs, grid)


@pytest.mark.parametrize("name", CASES)
def test_likelihood_and_posteriors_equal_enumeration(name):
    n_bits, show, hypothesis = CASES[name]
    second, likelihood = case(11, len(CM))
    grid = lay_out(np.array(["1"] * len(CM)), CM)
    emissions = emissions_of(hypothesis, grid, second, likelihood)
    found = log_likelihood(hypothesis, emissions, grid)
    posterior = state_posterior(hypothesis, emissions, grid)
    np.testing.assert_allclose(posterior.sum(axis=1), 1.0)
    for line in range(likelihood.shape[1]):
        total, shares = enumerated(n_bits, show, CM, second, likelihood[:, line])
        assert found[line] == pytest.approx(np.log(total), abs=1e-10)
        for m, by_pair in enumerate(shares):
            assert set(by_pair) == set(hypothesis.pairs)
            for column, pair in enumerate(hypothesis.pairs):
                assert posterior[m, column, line] == pytest.approx(by_pair[pair] / total, abs=1e-10)


@pytest.mark.parametrize("name", ["clean", "selfed once", "selfed hybrid"])
def test_chromosomes_and_unplaced_markers_are_independent_chains(name):
    """Two chromosomes of unequal length and two markers without a place; the columns come in mixed order."""
    n_bits, show, hypothesis = CASES[name]
    chrom = np.array(["2", "", "1", "2", "1", "", "2"])
    cm = np.array([30.0, np.nan, 50.0, 4.0, 11.0, np.nan, 12.0])
    second, likelihood = case(12, len(cm))
    grid = lay_out(chrom, cm)
    emissions = emissions_of(hypothesis, grid, second, likelihood)
    expected = 0.0
    for chain in ([3, 6, 0], [4, 2], [1], [5]):
        total, _ = enumerated(n_bits, show, np.nan_to_num(cm[chain]), second[:, chain], likelihood[chain, 0])
        expected += np.log(total)
    assert log_likelihood(hypothesis, emissions, grid)[0] == pytest.approx(expected, abs=1e-10)
    per_chain = chain_log_likelihood(hypothesis, emissions, grid)
    assert per_chain.shape == (grid.n_chains, 2)
    np.testing.assert_allclose(state_posterior(hypothesis, emissions, grid).sum(axis=1), 1.0)


def segment_paths(cm):
    """Paths of (donor bit, kind of stretch) with their probabilities; the kind is redrawn every SEGMENT_CM."""
    s = SEGMENT_SHARE
    weights = (1 - 1.2 * s, s / 2, s / 2, s / 10, s / 10)
    states = list(product((0, 1), range(5)))
    for path in product(states, repeat=len(cm)):
        chance = 0.5 * weights[path[0][1]]
        for k in range(1, len(cm)):
            d = (cm[k] - cm[k - 1]) / 100
            r = (1 - np.exp(-2 * d)) / 2
            (bit, kind), (next_bit, next_kind) = path[k - 1], path[k]
            chance *= r if bit != next_bit else 1 - r
            stays = np.exp(-d * 100 / SEGMENT_CM)
            chance *= (1 - stays) * weights[next_kind] + stays * (kind == next_kind)
        yield path, chance


def test_segments_equal_enumeration():
    """Kinds of stretch: none, inducer on one or both chromosomes, foreign on one or both."""
    inducer, outside = 2, 3
    hypothesis = gamete_with_segments("x", F1, INBRED, outside, share=SEGMENT_SHARE, mean_cm=SEGMENT_CM)
    second, likelihood = case(13, len(CM), n_lines=1)
    grid = lay_out(np.array(["1"] * len(CM)), CM)
    emissions = emissions_of(hypothesis, grid, second, likelihood)

    def show(bit, kind):
        return ((bit, bit), (bit, inducer), (inducer, inducer), (bit, outside), (outside, outside))[kind]

    total, kinds = 0.0, np.zeros((len(CM), 5))
    for path, chance in segment_paths(CM):
        value = chance
        for m, state in enumerate(path):
            value *= likelihood[m, 0] @ genotype_chances(show(*state), second[:, m])
        total += value
        for m, (_, kind) in enumerate(path):
            kinds[m, kind] += value
    assert log_likelihood(hypothesis, emissions, grid)[0] == pytest.approx(np.log(total), abs=1e-10)
    found = kind_posterior(factor_posterior(hypothesis, emissions, grid))[:, :, 0]
    np.testing.assert_allclose(found, kinds / total, atol=1e-10)


def chain_in_hmmlearn(stay, start, emission):
    from hmmlearn.hmm import CategoricalHMM

    model = CategoricalHMM(n_components=len(start))
    model.n_features = emission.shape[1]
    model.startprob_ = start
    model.transmat_ = stay
    model.emissionprob_ = emission
    return model


@pytest.mark.parametrize("n_bits", [1, 2])
def test_two_and_four_state_chains_equal_hmmlearn(n_bits):
    """One meiosis (a clean gamete) and two (a selfed donor) on evenly spaced markers, with their posteriors."""
    n, gap = 60, 4.0
    r = (1 - np.exp(-2 * gap / 100)) / 2
    flip = np.array([[1 - r, r], [r, 1 - r]])
    transition = flip if n_bits == 1 else np.kron(flip, flip)
    by_genotype = np.array([[0.96, 0.03, 0.01], [0.1, 0.85, 0.05], [0.01, 0.04, 0.95]])
    hypothesis = CASES["clean" if n_bits == 1 else "selfed once"][2]
    shown = [0, 2] if n_bits == 1 else [0, 1, 1, 2]
    emission = by_genotype[shown]
    model = chain_in_hmmlearn(transition, np.full(2**n_bits, 0.5**n_bits), emission)
    seen = np.random.default_rng(14).integers(0, 3, n)
    grid = lay_out(np.array(["1"] * n), np.arange(n) * gap)
    second = np.zeros((5, n))
    second[1] = 1.0
    likelihood = by_genotype[:, seen].T[:, None, :]
    emissions = emissions_of(hypothesis, grid, second, likelihood)
    assert log_likelihood(hypothesis, emissions, grid)[0] == pytest.approx(model.score(seen[:, None]), abs=1e-8)
    ours = factor_posterior(hypothesis, emissions, grid)[:, :, 0]
    np.testing.assert_allclose(ours, model.predict_proba(seen[:, None]), atol=1e-8)


def test_order_of_markers_and_lines_does_not_matter():
    hypothesis = CASES["selfed hybrid"][2]
    second, likelihood = case(15, 6, n_lines=4)
    chrom, cm = np.array(["1", "1", "1", "2", "2", "2"]), np.array([1.0, 20, 60, 5, 6, 90])
    plain_grid = lay_out(chrom, cm)
    plain = log_likelihood(hypothesis, emissions_of(hypothesis, plain_grid, second, likelihood), plain_grid)
    order, lines = np.array([4, 0, 5, 2, 1, 3]), np.array([2, 0, 3, 1])
    grid = lay_out(chrom[order], cm[order])
    mixed = emissions_of(hypothesis, grid, second[:, order], likelihood[order][:, lines])
    np.testing.assert_allclose(log_likelihood(hypothesis, mixed, grid), plain[lines])


def test_a_long_chain_does_not_underflow():
    n = 3000
    hypothesis = CASES["hybrid"][2]
    grid = lay_out(np.array(["1"] * n), np.arange(n) * 0.05)
    second = np.full((5, n), 0.001)
    likelihood = np.tile([1e-6, 1e-6, 1e-9], (n, 1, 1))
    found = log_likelihood(hypothesis, emissions_of(hypothesis, grid, second, likelihood), grid)
    assert found[0] == pytest.approx(n * np.log(1e-6), rel=1e-3)


@pytest.mark.parametrize(
    ("donor", "n_slots"), [((0, 1), 3), (((0, 1), 0), 3), (((0, 1), 2), 4), (((0, 1), (2, 3)), 5), (0, 2)]
)
def test_clean_is_the_first_candidate_and_all_pairs_are_founders(donor, n_slots):
    shape = FamilyShape(donor=donor, inducer=n_slots - 1, n_slots=n_slots, has_plant=False)
    found = candidates(shape)
    assert clean(shape) is found[0].hypothesis
    donors = set(range(n_slots - 1))
    assert {slot for pair in clean(shape).pairs for slot in pair} == donors
    for candidate in found:
        assert {slot for pair in candidate.hypothesis.pairs for slot in pair} <= set(range(n_slots + 3))
        assert np.isclose(candidate.hypothesis.pair_weights.sum(), 1.0)


def test_a_fixed_plant_needs_no_meiosis_and_only_known_haplotypes_are_tabulated():
    fixed = hypothesis("x", Meioses(), Plant(Strand(0), Strand(0)))
    assert (fixed.n_states, fixed.pairs, fixed.shape) == (1, ((0, 0),), ())
    with pytest.raises(TypeError, match="not a haplotype"):
        hypothesis("x", Meioses(), Plant(Haplotype(), Strand(0)))
