"""The judge that is told everything: that it is right, and that the judge under test comes near it on small panels."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from informed_judge import InformedJudge, Seen, call_chance, measured_informed
from measuring import drawn, measured
from scenarios import FAULTS, IS_SHORT, scenarios

from dhverify.outcome import Finding
from dhverify.simulation import SEVEN_CHROMOSOMES, SimulationSettings, simulate_programme
from dhverify.simulation.assay import Assay
from dhverify.simulation.lines import Breeder, Plan
from dhverify.simulation.meiosis import CrossoverMeioses
from dhverify.simulation.programme import settings_genome
from dhverify.simulation.specimens import Label

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


def small_programme(stage):
    """Three donors and four markers on one chromosome."""
    faults = {name: value for name, value in FAULTS.items() if name.endswith("_share")}
    settings = SimulationSettings(
        **{**faults, "segment_share": 0.0, "failed_share": 0.0},
        stage=stage,
        n_donors=3,
        lines_per_donor=40,
        n_markers=4,
        chromosomes=SEVEN_CHROMOSOMES[:1],
        polymorphism=0.5,
        error_rate=0.03,
        missing=0.0,
    )
    return simulate_programme(settings, np.random.default_rng(3))


def drawn_patterns(judge, breeder, fault, label, n):
    """How often lines made in a way show each pattern of calls; shape (3 ** n_markers,)."""
    plan = Plan(label=label, cross=0, plant=0, inducer=0, fault=fault)
    total = 0.0
    for _ in range(n):
        chance = call_chance(breeder.make(plan).fraction.astype(float), judge.programme.settings)
        pattern = chance[0]
        for marker in chance[1:]:
            pattern = np.multiply.outer(pattern, marker)
        total = total + pattern.ravel()
    return total / n


def told_patterns(judge, sample):
    """Chance of each pattern of calls by the judge's stories, by finding; float64, shape (3 ** n_markers,)."""
    row = [str(name) for name in judge.programme.samples].index(sample)
    found = defaultdict(list)
    for pattern in product(range(3), repeat=4):
        calls = judge.programme.calls.copy()
        calls[row] = pattern
        stories = defaultdict(list)
        for finding, share, value in replace(judge, programme=replace(judge.programme, calls=calls))._stories(sample):
            stories[finding].append((share, share * np.exp(value)))
        for finding, told in stories.items():
            shares, chances = zip(*told, strict=True)
            found[finding].append(sum(chances) / sum(shares))
    return {finding: np.array(chances) for finding, chances in found.items()}


@pytest.mark.parametrize("stage", ["haploid", "D1"])
def test_lines_show_what_the_judge_is_told_of_their_kind(stage):
    """All patterns of calls at four linked markers, by stories and by 1,500 lines made."""
    programme = small_programme(stage)
    judge = InformedJudge.of(programme, 3)
    rng = np.random.default_rng(4)
    genome = settings_genome(programme.settings, np.random.default_rng(3))
    meioses = CrossoverMeioses(genome=genome, shape=1.0, rng=rng)
    breeder = Breeder(settings=programme.settings, genome=genome, materials=judge.materials, meioses=meioses, rng=rng)
    sample = next(row["sample"] for row in programme.sheet if row["role"] == "line" and row["donor"] == "D01")
    label = Label(sample=sample, role="line", stage=stage, donor="D01", inducer="Inducer1")
    told = told_patterns(judge, sample)
    is_d1 = stage == "D1"
    for fault, finding in {
        "": Finding.DOUBLED_HAPLOID if is_d1 else Finding.HAPLOID,
        "hybrid": Finding.SELFED_HYBRID if is_d1 else Finding.HYBRID,
        "donor": Finding.DONOR,
        "selfed_donor": Finding.SELFED_DONOR,
        "parent": Finding.PARENT,
        "outcross": Finding.OUTCROSS,
        "inducer": Finding.INDUCER,
        "other_donor": Finding.OTHER_DONOR,
        "unrelated": Finding.UNRESOLVED,
    }.items():
        made = drawn_patterns(judge, breeder, fault, label, 1500)
        assert told[finding].sum() == pytest.approx(1.0)
        assert abs(made - told[finding]).max() < 0.05, fault
        assert abs(made - told[finding]).sum() < 0.2, fault
    assert len(told) == 10


def test_a_mixture_is_a_mean_over_partners_and_shares():
    programme = small_programme("haploid")
    judge = InformedJudge.of(programme, 3)
    settings, sample = programme.settings, judge.clean_names[0]
    row = [str(name) for name in programme.samples].index(sample)
    own = judge.alleles[list(judge.materials.donors[0].parents)]
    steps = (np.arange(16) + 0.5) / 16 * (settings.mixture_high - settings.mixture_low) + settings.mixture_low
    chances = []
    for partner in judge.clean[1:]:
        for share in steps:
            total = 0.0
            for path in product(range(2), repeat=4):
                moves = [
                    r if a != b else 1 - r for r, a, b in zip(judge.recombination, path[:-1], path[1:], strict=True)
                ]
                mixed = (1 - share) * own[list(path), range(4)] + share * partner
                seen = call_chance(mixed, settings)[range(4), programme.calls[row]]
                total += 0.5 * np.prod(moves) * np.prod(seen)
            chances.append(total)
    (told,) = [value for finding, _, value in judge._stories(sample) if finding is Finding.MIXTURE]
    assert told == pytest.approx(np.log(np.mean(chances)))


def test_it_is_told_the_founders_of_the_programme():
    programme, _, _ = drawn(SMALL, 5)
    judge = InformedJudge.of(programme, 5)
    for number, name in enumerate(judge.materials.founder_names[: judge.materials.n_parents]):
        row = [str(sample) for sample in programme.samples].index(name)
        np.testing.assert_array_equal(judge.alleles[number], programme.fraction[row])


@pytest.mark.accuracy
def test_the_judge_catches_what_24_snps_show(record_property):
    """Nobody who knows less than the informed judge is right more often; the judge under test not much less."""
    told, found = measured_informed(SMALL, SEEDS), measured(SMALL, SEEDS)
    for name in ("bad", "caught", "cause", "good", "passed", "ece"):
        record_property(f"informed_{name}", getattr(told, name))
    assert told.bad == found.bad
    assert is_near(found.caught, told.caught, of=told.bad)
    assert told.cause - found.cause < 0.1 * told.bad
    assert is_near(found.passed, told.passed, of=told.good)
    assert is_near(told.cause, found.cause, of=told.bad), "nobody is right more often"
    confidence = np.array(told.confidence)
    surplus = confidence.sum() - sum(told.is_right)
    assert abs(surplus) < 3 * np.sqrt((confidence * (1 - confidence)).sum()), "its confidence is what it says"


def is_near(count: int, other: int, *, of: int) -> bool:
    """Whether no more lines are missed than by another judge, beyond chance (two standard deviations)."""
    missed, missed_by_other = of - count, of - other
    return bool(missed - missed_by_other <= 2 * np.sqrt(missed + missed_by_other + 1))
