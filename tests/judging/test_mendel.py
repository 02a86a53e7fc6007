"""Expected genotypes of every finding: Mendel, computed from the pedigree (biallelic, donor an F1)."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from dhverify.findings_table import plant_maker
from dhverify.hypotheses import (
    SEGMENT_KINDS,
    crossed,
    gamete_twice,
    gamete_with_segments,
    hybrid_plant,
    plant_itself,
)
from dhverify.mixed_assay import mixed_likelihoods, shown_genotype
from dhverify.observation import ReadErrors
from dhverify.strands import pair_genotypes

F1, INDUCER, STRAY = plant_maker((0, 1)), plant_maker(2), plant_maker(3)
FALSE_HYBRID = hybrid_plant(F1, INDUCER)
# strands: first parent, second parent, inducer, stray pollen; 1 = second allele
DIAGNOSTIC, SEGREGATING, ALIKE = (0, 0, 1, 1), (0, 1, 1, 1), (0, 0, 0, 1)
TABLE = {
    "haploid or doubled haploid": (gamete_twice("x", F1), (1, 0, 0), (0.5, 0, 0.5), (1, 0, 0)),
    "hybrid": (crossed("x", F1, INDUCER), (0, 1, 0), (0, 0.5, 0.5), (1, 0, 0)),
    "selfed hybrid": (
        crossed("x", F1, INDUCER, selfings=1),
        (0.25, 0.5, 0.25),
        (0.125, 0.25, 0.625),
        (1, 0, 0),
    ),
    "donor": (plant_itself("x", F1), (1, 0, 0), (0, 1, 0), (1, 0, 0)),
    "selfed donor": (plant_itself("x", F1, selfings=1), (1, 0, 0), (0.25, 0.5, 0.25), (1, 0, 0)),
    "donor selfed twice": (plant_itself("x", F1, selfings=2), (1, 0, 0), (0.375, 0.25, 0.375), (1, 0, 0)),
    "parent": (plant_itself("x", plant_maker(0)), (1, 0, 0), (1, 0, 0), (1, 0, 0)),
    "inducer": (plant_itself("x", INDUCER), (0, 0, 1), (0, 0, 1), (1, 0, 0)),
    "outcross": (crossed("x", F1, STRAY), (0, 1, 0), (0, 0.5, 0.5), (0, 1, 0)),
    "outcross by a false hybrid": (
        crossed("x", F1, FALSE_HYBRID),
        (0.5, 0.5, 0),
        (0.125, 0.5, 0.375),
        (1, 0, 0),
    ),
}


def expected(hypothesis, strands):
    values = np.array(strands, dtype=float)[:, None]
    genotypes = pair_genotypes(list(hypothesis.pairs), values, {})[0]
    return genotypes @ hypothesis.pair_weights


@pytest.mark.parametrize("name", TABLE)
def test_expected_genotypes(name):
    hypothesis, diagnostic, segregating, alike = TABLE[name]
    np.testing.assert_allclose(expected(hypothesis, DIAGNOSTIC), diagnostic)
    np.testing.assert_allclose(expected(hypothesis, SEGREGATING), segregating)
    np.testing.assert_allclose(expected(hypothesis, ALIKE), alike)


def test_backcross_and_three_way_gametes():
    """A gamete of (A/B)/A carries B at a quarter of the genome; of (A/B)/C, C at half."""
    backcross = gamete_twice("x", plant_maker(((0, 1), 0)))
    np.testing.assert_allclose(expected(backcross, (0, 1)), (0.75, 0, 0.25))
    three_way = gamete_twice("x", plant_maker(((0, 1), 2)))
    np.testing.assert_allclose(expected(three_way, (0, 0, 1)), (0.5, 0, 0.5))
    plant = plant_itself("x", plant_maker(((0, 1), 2)))
    np.testing.assert_allclose(expected(plant, (0, 1, 1)), (0, 0.5, 0.5))


def test_selfing_halves_heterozygosity_each_generation():
    for generations in (1, 2, 3):
        hypothesis = plant_itself("x", F1, selfings=generations)
        assert expected(hypothesis, (0, 1))[1] == pytest.approx(0.5**generations)


SEGMENTS = gamete_with_segments("x", F1, INDUCER, 3, share=0.02, mean_cm=20)
IN_A_SEGMENT = {
    "none": ((1, 0, 0), (0.5, 0, 0.5), (1, 0, 0)),
    "inducer het": ((0, 1, 0), (0, 0.5, 0.5), (1, 0, 0)),
    "inducer hom": ((0, 0, 1), (0, 0, 1), (1, 0, 0)),
    "foreign het": ((0, 1, 0), (0, 0.5, 0.5), (0, 1, 0)),
    "foreign hom": ((0, 0, 1), (0, 0, 1), (0, 0, 1)),
}


def expected_within(kind, strands):
    """Genotypes at a place that lies in a stretch of that kind."""
    values = np.array(strands, dtype=float)[:, None]
    genotypes = pair_genotypes(list(SEGMENTS.pairs), values, {})[0][:, list(SEGMENTS.pair_of_state)]
    in_kind = np.arange(SEGMENTS.n_states) % len(SEGMENT_KINDS) == SEGMENT_KINDS.index(kind)
    weights = SEGMENTS.state_weights * in_kind
    return genotypes @ weights / weights.sum()


@pytest.mark.parametrize("kind", SEGMENT_KINDS)
def test_a_retained_segment_fits_the_inducer_and_the_rest_is_clean(kind):
    """Replaced, the stretch is homozygous for the inducer's allele; added, it looks like a hybrid there."""
    for strands, wanted in zip((DIAGNOSTIC, SEGREGATING, ALIKE), IN_A_SEGMENT[kind], strict=True):
        np.testing.assert_allclose(expected_within(kind, strands), wanted)


def test_retained_segments_are_runs():
    """The kind is redrawn once in a mean length; all of them take the share of the genome that was given."""
    kind = SEGMENTS.factors[-1]
    assert kind.rate == pytest.approx(100 / 20)
    assert sum(kind.weights) == pytest.approx(1.0)
    assert sum(kind.weights[1:3]) == pytest.approx(0.02)


def test_a_clean_line_of_another_donor():
    """Homozygous everywhere, for the inducer's allele at some markers and for an allele of no one else at others."""
    other = gamete_twice("x", plant_maker((4, 5)))
    np.testing.assert_allclose(expected(other, (*DIAGNOSTIC, 0, 1)), (0.5, 0, 0.5))
    np.testing.assert_allclose(expected(other, (*DIAGNOSTIC, 0, 0)), (1, 0, 0))
    np.testing.assert_allclose(expected(other, (*SEGREGATING, 1, 1)), (0, 0, 1))
    np.testing.assert_allclose(expected(other, (*ALIKE, 1, 1)), (0, 0, 1))
    np.testing.assert_allclose(expected(gamete_twice("x", F1), (*ALIKE, 1, 1)), (1, 0, 0))


def called(own, partner, share):
    """Calls of two samples mixed, both given by their genotype probabilities: plain sums over both."""
    total = np.zeros(3)
    for first, p in enumerate(own):
        for second, q in enumerate(partner):
            total += p * q * shown_genotype(np.array((1 - share) * first / 2 + share * second / 2))
    return total


def test_two_sisters_mixed_differ_at_segregating_markers_only():
    """Half and half, het calls where the two differ: half of the segregating markers, as in a selfed donor."""
    sister = gamete_twice("x", F1)
    selfed = plant_itself("x", F1, selfings=1)
    for strands in (DIAGNOSTIC, SEGREGATING, ALIKE):
        gamete = expected(sister, strands)
        np.testing.assert_allclose(called(gamete, gamete, 0.5), expected(selfed, strands), atol=0.001)


def test_a_line_and_its_inducer_mixed_look_like_their_hybrid():
    """Half and half, calls tell no mixture of two homozygotes from their hybrid."""
    line, inducer = gamete_twice("x", F1), plant_itself("x", INDUCER)
    hybrid = crossed("x", F1, INDUCER)
    for strands in (DIAGNOSTIC, SEGREGATING, ALIKE):
        mixed = called(expected(line, strands), expected(inducer, strands), 0.5)
        np.testing.assert_allclose(mixed, expected(hybrid, strands), atol=0.001)


@pytest.mark.parametrize("share", [0.1, 0.2, 0.3, 0.4])
def test_balance_of_a_mixture_by_reads(share):
    """Share f of the partner's allele where both are homozygous, f/2 against a heterozygote."""
    shares = np.arange(1, 100) / 100
    for partner, second_share in ((1, share / 2), (2, share)):
        n_second = round(100 * second_share)
        depths = np.array([[[100 - n_second, n_second]]], dtype=np.int32)
        assay = SimpleNamespace(reads=ReadErrors(read_error=1e-6, overdispersion=1e-6, wrong_locus=0.0))
        learnt = SimpleNamespace(seen=SimpleNamespace(depths=depths), assay=assay)
        likelihood = mixed_likelihoods(learnt, 0, shares)[0, :, 0, partner]
        assert shares[likelihood.argmax()] == pytest.approx(share, abs=0.02)
