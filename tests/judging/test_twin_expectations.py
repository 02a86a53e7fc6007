"""Genotype frequencies of every finding against a one-locus Mendel of its own, in exact fractions (Mendel 1866)."""

from __future__ import annotations

from fractions import Fraction
from itertools import product

import numpy as np
import pytest

from dhverify.findings_table import FamilyShape, candidates
from dhverify.judging import candidate_log_weights
from dhverify.outcome import Finding
from dhverify.samples import Stage
from dhverify.strands import pair_genotypes

HALF = Fraction(1, 2)


class Mendel:
    """Plants as distributions over ordered pairs of alleles (0, 1) at one locus."""

    @staticmethod
    def inbred(allele):
        return {(allele, allele): Fraction(1)}

    @staticmethod
    def gametes(plant):
        found = {}
        for (first, second), p in plant.items():
            for allele in (first, second):
                found[allele] = found.get(allele, 0) + p * HALF
        return found

    @classmethod
    def cross(cls, female, male):
        """Any plant of one lot with any plant of the other."""
        return {(a, b): p * q for (a, p), (b, q) in product(cls.gametes(female).items(), cls.gametes(male).items())}

    @classmethod
    def selfed(cls, plant):
        """Each plant by itself."""
        found = {}
        for pair, p in plant.items():
            for offspring, q in cls.cross({pair: Fraction(1)}, {pair: Fraction(1)}).items():
                found[offspring] = found.get(offspring, 0) + p * q
        return found

    @classmethod
    def doubled(cls, plant):
        return {(a, a): p for a, p in cls.gametes(plant).items()}


def frequencies(plant):
    found = [Fraction(0)] * 3
    for pair, p in plant.items():
        found[sum(pair)] += p
    return [float(p) for p in found]


def grown(tree, alleles):
    if isinstance(tree, int):
        return Mendel.inbred(alleles[tree])
    return Mendel.cross(grown(tree[0], alleles), grown(tree[1], alleles))


def expected_of(donor, inducer, pool):
    """What each hypothesis shows, by its name."""
    hybrid = Mendel.cross(donor, inducer)
    stray = Mendel.cross(donor, pool)
    return {
        "clean": Mendel.doubled(donor),
        "hybrid": hybrid,
        "selfed hybrid": Mendel.selfed(hybrid),
        "donor plant": donor,
        "selfed once": Mendel.selfed(donor),
        "selfed twice": Mendel.selfed(Mendel.selfed(donor)),
        "inducer": inducer,
        "selfed inducer": Mendel.selfed(inducer),
        "inducer gamete": Mendel.doubled(inducer),
        "stray pollen": stray,
        "stray pollen, selfed": Mendel.selfed(stray),
        "unknown inbred": Mendel.doubled(pool),
    }


SHAPES = {
    "F1": FamilyShape(donor=(0, 1), inducer=2, n_slots=3, has_plant=False),
    "BC1": FamilyShape(donor=((0, 1), 0), inducer=2, n_slots=3, has_plant=False),
    "three-way": FamilyShape(donor=((0, 1), 2), inducer=3, n_slots=4, has_plant=False),
    "four-way": FamilyShape(donor=((0, 1), (2, 3)), inducer=4, n_slots=5, has_plant=False),
    "F1, crossed inducer": FamilyShape(donor=(0, 1), inducer=(2, 3), n_slots=4, has_plant=False),
    "donor is an inbred": FamilyShape(donor=0, inducer=1, n_slots=2, has_plant=False),
}


def shown(hypothesis, alleles):
    values = np.array(alleles, dtype=float)[:, None]
    return pair_genotypes(list(hypothesis.pairs), values, {})[0] @ hypothesis.pair_weights


@pytest.mark.parametrize("name", SHAPES)
def test_every_hypothesis_shows_what_mendel_says(name):
    shape = SHAPES[name]
    by_name = {c.hypothesis.name: c.hypothesis for c in candidates(shape)}
    checked = 0
    for founders in product((0, 1), repeat=shape.n_slots + 1):
        alleles = (*founders, 0, 0)
        donor, inducer = grown(shape.donor, alleles), grown(shape.inducer, alleles)
        expected = expected_of(donor, inducer, Mendel.inbred(alleles[shape.pool]))
        for key in expected.keys() & by_name.keys():
            np.testing.assert_allclose(
                shown(by_name[key], alleles), frequencies(expected[key]), atol=1e-12, err_msg=key
            )
            checked += 1
    assert checked >= 6 * 2**shape.n_slots


def by_finding(shape, finding):
    return next(c.hypothesis for c in candidates(shape) if c.finding == finding)


@pytest.mark.parametrize(
    ("finding", "diagnostic", "segregating", "alike"),
    [
        ("expected", (1, 0, 0), (0.5, 0, 0.5), (1, 0, 0)),
        (Finding.HYBRID, (0, 1, 0), (0, 0.5, 0.5), (1, 0, 0)),
        (Finding.SELFED_HYBRID, (0.25, 0.5, 0.25), (0.125, 0.25, 0.625), (1, 0, 0)),
        (Finding.DONOR, (1, 0, 0), (0, 1, 0), (1, 0, 0)),
        (Finding.SELFED_DONOR, (1, 0, 0), (0.25, 0.5, 0.25), (1, 0, 0)),
        (Finding.PARENT, (1, 0, 0), (1, 0, 0), (1, 0, 0)),
        (Finding.INDUCER, (0, 0, 1), (0, 0, 1), (1, 0, 0)),
    ],
)
def test_table_of_an_f1_donor(finding, diagnostic, segregating, alike):
    """Genotypes 0, 1, 2 by count of the inducer's allele: P1 = P2 != I; P1 != P2 = I; all alike (Mendel)."""
    hypothesis = by_finding(SHAPES["F1"], finding)
    np.testing.assert_allclose(shown(hypothesis, (0, 0, 1, 0)), diagnostic)
    np.testing.assert_allclose(shown(hypothesis, (0, 1, 1, 0)), segregating)
    np.testing.assert_allclose(shown(hypothesis, (0, 0, 0, 1)), alike)


def test_backcross_and_three_way_expectations():
    """BC1 (A/B)/A: B at a quarter of a clean gamete, the plant heterozygous at half of A != B, its selfed progeny
    at a quarter; three-way (A/B)/C: C at half, A and B at a quarter each (Mendel)."""
    backcross = SHAPES["BC1"]
    np.testing.assert_allclose(shown(by_finding(backcross, "expected"), (0, 1, 0, 0)), (0.75, 0, 0.25))
    np.testing.assert_allclose(shown(by_finding(backcross, Finding.DONOR), (0, 1, 0, 0)), (0.5, 0.5, 0))
    np.testing.assert_allclose(shown(by_finding(backcross, Finding.SELFED_DONOR), (0, 1, 0, 0)), (0.625, 0.25, 0.125))
    np.testing.assert_allclose(shown(by_finding(backcross, Finding.HYBRID), (0, 1, 0, 0)), (0.75, 0.25, 0))
    three = SHAPES["three-way"]
    for alleles, second in (((1, 0, 0, 0, 0), 0.25), ((0, 1, 0, 0, 0), 0.25), ((0, 0, 1, 0, 0), 0.5)):
        np.testing.assert_allclose(shown(by_finding(three, "expected"), alleles), (1 - second, 0, second))
    np.testing.assert_allclose(shown(by_finding(three, Finding.DONOR), (0, 0, 1, 0, 0)), (0, 1, 0))


def test_a_bulk_of_selfed_progeny_looks_like_its_mother():
    """Pooled DNA of many progeny of a heterozygous plant shows both alleles wherever the mother is heterozygous."""
    shape = FamilyShape(donor=(0, 1), inducer=2, n_slots=3, has_plant=False, is_bulk=True)
    by_name = {c.hypothesis.name: c for c in candidates(shape)}
    pooled = by_name["bulk of a selfed hybrid"]
    assert pooled.finding == Finding.SELFED_HYBRID
    np.testing.assert_allclose(shown(pooled.hypothesis, (0, 0, 1, 0)), (0, 1, 0))
    assert not [c for c in by_name.values() if c.finding == Finding.HYBRID]
    donors = by_name["bulk of the selfed donor"]
    np.testing.assert_allclose(shown(donors.hypothesis, (0, 1, 0, 0)), (0, 1, 0))


def test_a_typed_donor_plant_is_a_hypothesis_of_its_own():
    shape = FamilyShape(donor=(0, 1), inducer=2, n_slots=3, has_plant=True)
    found = [c for c in candidates(shape) if c.finding == Finding.DONOR]
    assert [c.hypothesis.name for c in found] == ["donor plant", "known donor plant"]
    assert found[1].hypothesis.pairs == ((shape.plant, shape.plant),)
    assert sum(c.d1_weight for c in found) == pytest.approx(1.0)


def test_an_unphased_donor_has_no_named_parent_but_a_gamete_without_crossovers():
    shape = FamilyShape(donor=(0, 1), inducer=2, n_slots=3, has_plant=False, is_unphased=True)
    found = [c for c in candidates(shape) if c.finding == Finding.PARENT]
    assert [c.hypothesis.name for c in found] == ["no crossover"]
    assert found[0].hypothesis.pairs == ((0, 0), (1, 1))


@pytest.mark.parametrize("stage", [None, *Stage])
@pytest.mark.parametrize("name", SHAPES)
def test_shares_within_each_finding_add_to_one(name, stage):
    found = candidates(SHAPES[name])
    share = np.exp(candidate_log_weights(found, stage))
    for finding in {c.finding for c in found}:
        assert share[[c.finding == finding for c in found]].sum() == pytest.approx(1.0)
