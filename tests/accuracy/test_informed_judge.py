"""The judge that is told everything: that it is right, and that the judge under test comes near it on small panels."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from informed_judge import InformedJudge, Seen, call_chance, measured_informed
from measuring import drawn, measured
from scenarios import IS_SHORT, scenarios

from dhverify.intervals import wilson
from dhverify.simulation import SimulationSettings
from dhverify.simulation.assay import Assay

SMALL = next(s for s in scenarios() if s.name == "24 SNPs, haploids")
SEEDS = (101,) if IS_SHORT else (101, 102, 103)


def test_states_are_summed_over_as_all_paths_are():
    rng = np.random.default_rng(1)
    chance, rates = rng.random((4, 4)), np.array([0.1, 0.5, 0.03])
    seen = Seen(calls=np.zeros(4, dtype=np.int8), settings=SimulationSettings(), recombination=rates)
    total = 0.0
    for path in product(range(4), repeat=4):
        probability = 1 / 4
        for rate, before, after in zip(rates, path[:-1], path[1:], strict=True):
            moved = (before ^ after).bit_count()
            probability *= rate**moved * (1 - rate) ** (2 - moved)
        total += probability * np.prod([chance[marker, state] for marker, state in enumerate(path)])
    assert seen.summed(chance) == pytest.approx(np.log(total))


@pytest.mark.parametrize("share", [0.0, 0.12, 0.2, 0.25, 0.5, 0.83, 1.0])
def test_chances_of_calls_are_those_of_the_assay(share):
    settings = SimulationSettings(error_rate=0.05, dropout=0.1, missing=0.0, het_error_share=0.7)
    n = 40_000
    assay = Assay(settings=settings, marker_kind=np.full(n, "good"), rng=np.random.default_rng(2))
    calls, _ = assay.read(np.full((1, n), share, dtype=np.float32), np.ones(1))
    expected = call_chance(np.array(share), settings)
    assert expected.sum() == pytest.approx(1.0)
    assert np.bincount(calls[0], minlength=3) / n == pytest.approx(expected, abs=4 * 0.5 / np.sqrt(n))


def test_it_is_told_the_founders_of_the_programme():
    programme, _, _ = drawn(SMALL, 5)
    judge = InformedJudge.of(programme, 5)
    for number, name in enumerate(judge.materials.founder_names[: judge.materials.n_parents]):
        row = [str(sample) for sample in programme.samples].index(name)
        np.testing.assert_array_equal(judge.alleles[number], programme.fraction[row])
    assert sum(judge.posterior(programme.truth[0]["sample"]).values()) == pytest.approx(1.0)


@pytest.mark.accuracy
def test_the_judge_catches_what_24_snps_show(record_property):
    """Nobody who knows less than the informed judge is right more often; the judge under test not much less."""
    told, found = measured_informed(SMALL, SEEDS), measured(SMALL, SEEDS)
    for name in ("bad", "caught", "cause", "good", "passed", "ece"):
        record_property(f"informed_{name}", getattr(told, name))
    assert told.bad == found.bad
    assert is_near(found.caught, told.caught, of=told.bad)
    assert is_near(found.cause, told.cause, of=told.bad)
    assert is_near(found.passed, told.passed, of=told.good)
    assert is_near(told.cause, found.cause, of=told.bad), "nobody is right more often"
    confidence = np.array(told.confidence)
    surplus = confidence.sum() - sum(told.is_right)
    assert abs(surplus) < 3 * np.sqrt((confidence * (1 - confidence)).sum()), "its confidence is what it says"


def is_near(count: int, other: int, *, of: int) -> bool:
    """Whether a share does not lie below another of the same lines beyond chance (95 %, the upper bound)."""
    return bool(wilson(count, of)[1] >= other / of)
