"""The judge against programmes with known truth; opt in with ``-m accuracy``."""

from __future__ import annotations

from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binomtest

from dhverify.checking import run_check


def by_path(name):
    spec = spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


suite = by_path("scenarios")
NAMES = suite.IN_SHORT if suite.IS_SHORT else list(suite.SCENARIOS)
SEEDS = (101,) if suite.IS_SHORT else (101, 102, 103)


def high_end(count: int, of: int) -> float:
    return float(binomtest(count, of).proportion_ci(method="wilson").high)


@pytest.mark.accuracy
@pytest.mark.parametrize("name", NAMES)
def test_no_share_lies_below_its_target_beyond_chance(name, record_property):
    tally = suite.measured(name, SEEDS)
    targets = suite.SCENARIOS[name][1]
    shares = {
        "caught": (tally.caught, tally.bad),
        "not_failed": (tally.not_failed, tally.good),
        "cause": (tally.cause, tally.bad),
    }
    for key, (count, of) in shares.items():
        record_property(key, f"{count}/{of}")
        assert high_end(count, of) >= targets.get(key, 0.0), (name, key, count, of, tally.confused)
    assert tally.false_segments <= 1 + 0.005 * tally.good
    assert sum(tally.donors) >= targets.get("donors", 0.9) * len(tally.donors)
    allowance = 2 * np.sqrt(0.25 * 0.02 / max(len(tally.chance), 1))
    assert tally.ece <= targets.get("ece", 0.06) + allowance, (name, tally.ece, tally.confused)


@pytest.mark.accuracy
def test_meioses_of_another_program_are_judged_as_well():
    """Gametes of a fixed pedigree by msprime (Baumdicker et al. 2022, Genetics 220:iyab229), not by the simulation."""
    programme = by_path("msprime_programme").msprime_programme(seed=3)
    genotypes, sheet = suite.loader()(programme)
    outcome = run_check(genotypes, sheet)
    truth = {row["sample"]: row["finding"] for row in programme.truth}
    right = sum(line.finding.value == truth[line.sample] for line in outcome.lines)
    assert high_end(right, len(outcome.lines)) >= 0.98
    assert right >= 0.95 * len(outcome.lines)
