"""Programmes that the judge knows nothing of, and how well it does on them."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import numpy as np

from dhverify.checking import run_check
from dhverify.outcome import Verdict
from dhverify.simulation import SEVEN_CHROMOSOMES, Distortion, SimulationSettings, simulate_programme

IS_SHORT = os.environ.get("DHVERIFY_ACCURACY", "") == "short"
GOOD = {"haploid", "doubled haploid"}
FAULTS = {
    "hybrid_share": 0.08,
    "donor_share": 0.015,
    "selfed_donor_share": 0.03,
    "parent_share": 0.015,
    "outcross_share": 0.03,
    "inducer_share": 0.015,
    "other_donor_share": 0.03,
    "mixture_share": 0.03,
    "unrelated_share": 0.015,
    "segment_share": 0.05,
    "failed_share": 0.01,
    "mixture_low": 0.15,
}
ARRAY = {"caught": 0.995, "not_failed": 0.995, "cause": 0.98, "ece": 0.01}
NOISY = {"caught": 0.99, "not_failed": 0.99, "cause": 0.97, "ece": 0.015}
SNP96 = {"caught": 0.985, "not_failed": 0.99, "cause": 0.97}
SNP24 = {"caught": 0.995, "not_failed": 0.97, "donors": 0.6}

SCENARIOS = {
    "array, haploids": ({"stage": "haploid"}, ARRAY),
    "array, D1": ({"stage": "D1"}, ARRAY),
    "noisy array": ({"stage": "D1", "error_rate": 0.03, "dropout": 0.1, "missing": 0.25}, NOISY),
    "reads 2x": ({"stage": "D1", "platform": "reads", "depth": 2.0}, ARRAY),
    "96 SNPs, D1": ({"stage": "D1", "n_markers": 96}, SNP96),
    "24 SNPs, haploids": ({"stage": "haploid", "n_markers": 24, "parent_share": 0.0}, SNP24),
    "four-way donors": ({"stage": "haploid", "donor_type": "four-way"}, ARRAY),
    "no inducer typed": ({"stage": "haploid", "typed": ("parents", "donors")}, ARRAY),
    "no parents typed": ({"stage": "D1", "typed": ("inducers",)}, ARRAY),
    "20,000 markers": ({"stage": "D1", "n_markers": 20000}, ARRAY),
    "reads 0.5x": ({"stage": "haploid", "platform": "reads", "depth": 0.5}, {}),
    "F2 donors": ({"stage": "haploid", "donor_type": "F2"}, {}),
    "backcross donors": ({"stage": "D1", "donor_type": "BC1"}, {}),
    "three-way donors": ({"stage": "D1", "donor_type": "three-way"}, ARRAY),
    "crossed inducer": ({"stage": "D1", "inducer_type": "hybrid"}, ARRAY),
    "only donors typed": ({"stage": "haploid", "typed": ("donors",)}, ARRAY),
    "many small families": ({"stage": "haploid", "n_donors": 40, "lines_per_donor": 5}, ARRAY),
    "shared parent": ({"stage": "D1", "parent_sharing": "common"}, ARRAY),
    "impure parents": ({"stage": "D1", "parent_impurity": 0.04}, ARRAY),
    "interference": ({"stage": "haploid", "interference": 4.0}, ARRAY),
    "distortion": ({"stage": "haploid", "distortions": (Distortion(chrom="3", cm=60.0, share=0.9),)}, ARRAY),
    "seven chromosomes": ({"stage": "D1", "chromosomes": SEVEN_CHROMOSOMES}, ARRAY),
    "10 % unplaced": ({"stage": "D1", "unplaced_share": 0.1}, ARRAY),
    "low polymorphism": ({"stage": "haploid", "polymorphism": 0.12}, ARRAY),
    "both stages": ({"stage": "both"}, ARRAY),
    "2 % bad": ({"stage": "D1", **dict.fromkeys(FAULTS, 0.0), "hybrid_share": 0.01, "selfed_donor_share": 0.01}, ARRAY),
    "40 % bad": ({"stage": "haploid", "hybrid_share": 0.3}, ARRAY),
}
IN_SHORT = list(SCENARIOS)[:9]


@dataclass
class Tally:
    """Counts of one scenario."""

    good: int = 0
    not_failed: int = 0
    passed: int = 0
    bad: int = 0
    caught: int = 0
    cause: int = 0
    lines: int = 0
    retest: int = 0
    donors: list[bool] = field(default_factory=list)
    false_segments: int = 0
    chance: list[float] = field(default_factory=list)
    right: list[bool] = field(default_factory=list)
    confused: dict[tuple[str, str], int] = field(default_factory=dict)

    def add(self, line, truth) -> None:
        finding = truth["finding"]
        if truth["case"] == "failed well":
            return
        self.lines += 1
        self.retest += line.verdict is Verdict.RETEST
        is_right = line.finding.value == finding
        if line.confidence is not None:
            self.chance.append(line.confidence)
            self.right.append(is_right)
        if finding in GOOD:
            self.good += 1
            is_segment = line.inducer_segments and not truth["segments"]
            self.false_segments += bool(is_segment)
            self.not_failed += line.verdict is not Verdict.FAIL or bool(truth["segments"]) or bool(is_segment)
            self.passed += line.verdict is Verdict.PASS or bool(truth["segments"])
        else:
            self.bad += 1
            self.caught += line.verdict is not Verdict.PASS
            self.cause += is_right
            if not is_right:
                key = (finding, line.finding.value)
                self.confused[key] = self.confused.get(key, 0) + 1
            if finding == "other donor" and is_right:
                self.donors.append(line.best_donor == truth["donor"])

    @property
    def ece(self) -> float:
        """Expected calibration error over ten bins."""
        chance, right = np.array(self.chance), np.array(self.right)
        bins = np.minimum((chance * 10).astype(int), 9)
        return float(
            sum(
                (bins == b).mean() * abs(chance[bins == b].mean() - right[bins == b].mean())
                for b in range(10)
                if (bins == b).any()
            )
        )


def loader():
    path = Path(__file__).parents[1] / "judging" / "conftest.py"
    spec = spec_from_file_location("judging_conftest", path)
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.as_input


def measured(name: str, seeds) -> Tally:
    as_input = loader()
    tally = Tally()
    for seed in seeds:
        settings = SimulationSettings(**{**FAULTS, **SCENARIOS[name][0]})
        programme = simulate_programme(settings, np.random.default_rng(seed))
        genotypes, sheet = as_input(programme)
        outcome = run_check(genotypes, sheet, jobs=2)
        truth = {row["sample"]: row for row in programme.truth}
        for line in outcome.lines:
            tally.add(line, truth[line.sample])
    return tally
