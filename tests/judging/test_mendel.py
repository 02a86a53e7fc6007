"""Expected genotypes of every finding: Mendel, computed from the pedigree (biallelic, donor an F1)."""

from __future__ import annotations

import numpy as np
import pytest

from dhverify.findings_table import plant_maker
from dhverify.hypotheses import crossed, gamete_twice, hybrid_plant, plant_itself
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
