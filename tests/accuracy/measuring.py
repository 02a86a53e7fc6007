"""How well the judge does on a programme with known truth, in counts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scenarios import Scenario

from dhverify.checking import run_check
from dhverify.genotypes import Genotypes
from dhverify.outcome import CheckOutcome, Finding, LineRow, Verdict
from dhverify.pedigree import founders, parse_pedigree
from dhverify.samples import Role, SampleSheet
from dhverify.simulation import SimulatedProgramme, SimulationSettings, simulate_programme

CLEAN = ("haploid", "doubled haploid")
PROMISED_MIXTURE = {"array": 0.15, "reads": 0.10}
"""A mixture with a smaller share of another sample's DNA is below what is promised."""
INFORMATIVE = 5
ROLES = {"parents": Role.PARENT, "donors": Role.DONOR, "inducers": Role.INDUCER}
BINS = 10


@dataclass
class Tally:
    """Counts over the lines of one or several programmes.

    Good lines are clean lines of their donor without inducer segment; bad ones have another finding. Lines with
    a segment, failed wells, mixtures below what is promised and what cannot be told stand apart from both.
    """

    lines: int = 0
    retest: int = 0
    good: int = 0
    not_failed: int = 0
    passed: int = 0
    bad: int = 0
    caught: int = 0
    failed: int = 0
    cause: int = 0
    donors: int = 0
    donor_named: int = 0
    visible_segments: int = 0
    found_segments: int = 0
    false_segments: int = 0
    weak_mixtures: int = 0
    weak_mixtures_caught: int = 0
    failed_wells: int = 0
    failed_wells_retest: int = 0
    apart: Counter[tuple[str, str]] = field(default_factory=Counter)
    confused: Counter[tuple[str, str, str]] = field(default_factory=Counter)
    missed_segments: list[tuple[str, str, int]] = field(default_factory=list)
    confidence: list[float] = field(default_factory=list)
    is_right: list[bool] = field(default_factory=list)

    def merged(self, other: Tally) -> Tally:
        """Both together."""
        return Tally(**{name: getattr(self, name) + getattr(other, name) for name in vars(self)})

    @property
    def ece(self) -> float:
        """Expected calibration error of the confidence in the finding."""
        return calibration_error(np.array(self.confidence), np.array(self.is_right))

    def ece_interval(self, draws: int = 400) -> tuple[float, float]:
        """95 % bootstrap interval of the calibration error."""
        confidence, is_right = np.array(self.confidence), np.array(self.is_right)
        rng = np.random.default_rng(0)
        picks = rng.integers(0, len(confidence), (draws, len(confidence)))
        errors = [calibration_error(confidence[pick], is_right[pick]) for pick in picks]
        low, high = np.quantile(errors, [0.025, 0.975])
        return float(low), float(high)


def calibration_error(confidence: NDArray[np.float64], is_right: NDArray[np.bool_]) -> float:
    """Mean distance of confidence and share right over ten bins, weighted by their lines (Guo et al. 2017).

    >>> calibration_error(np.array([0.95, 0.95]), np.array([True, False]))
    0.45

    """
    number = np.minimum((confidence * BINS).astype(np.int64), BINS - 1)
    gap = np.bincount(number, confidence - is_right, minlength=BINS)
    return float(round(np.abs(gap).sum() / max(len(confidence), 1), 12))


def judging_conftest() -> ModuleType:
    """The module that turns a simulated programme into the judge's input."""
    path = Path(__file__).parents[1] / "judging" / "conftest.py"
    spec = spec_from_file_location("judging_conftest", path)
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def without_untyped(genotypes: Genotypes, sheet: SampleSheet, typed: Iterable[str]) -> Genotypes:
    """Genotypes without the references that the judge is not given."""
    roles = {ROLES[name] for name in ROLES if name not in typed}
    inducer_inbreds = {
        name.strip()
        for sample in sheet.with_role(Role.INDUCER)
        for name in sample.pedigree.split("/")
        if name.strip() and "inducers" in typed
    }
    is_kept = np.array(
        [
            name not in sheet or sheet[name].role not in roles or name in inducer_inbreds
            for name in map(str, genotypes.samples)
        ]
    )
    return Genotypes(
        samples=genotypes.samples[is_kept],
        markers=genotypes.markers,
        calls=genotypes.calls[is_kept],
        depths=None if genotypes.depths is None else genotypes.depths[is_kept],
        half_calls=genotypes.half_calls[is_kept],
    )


def drawn(scenario: Scenario, seed: int) -> tuple[SimulatedProgramme, Genotypes, SampleSheet]:
    """A programme of a scenario and what the judge is given of it."""
    programme = simulate_programme(SimulationSettings(**scenario.settings), np.random.default_rng(seed))
    genotypes, sheet = judging_conftest().as_input(programme)
    return programme, without_untyped(genotypes, sheet, scenario.typed), sheet


def measured(scenario: Scenario, seeds: Iterable[int]) -> Tally:
    """Counts over one programme a seed."""
    total = Tally()
    for seed in seeds:
        programme, genotypes, sheet = drawn(scenario, seed)
        outcome = run_check(genotypes, sheet, jobs=2)
        total = total.merged(tally(programme, sheet, outcome, scenario))
    return total


def tally(
    programme: SimulatedProgramme, sheet: SampleSheet, outcome: CheckOutcome, scenario: Scenario | None = None
) -> Tally:
    """Compare an outcome with the truth, line by line."""
    apart: Mapping[str, str] = scenario.apart if scenario else {}
    truth = {row["sample"]: row for row in programme.truth}
    counts = Tally()
    for line in outcome.lines:
        _count(counts, line, truth[line.sample], programme, apart)
    _count_segments(counts, programme, sheet, outcome)
    return counts


def _count(
    counts: Tally, line: LineRow, truth: Mapping[str, str], programme: SimulatedProgramme, apart: Mapping[str, str]
) -> None:
    finding = truth["finding"]
    if truth["case"] == "failed well":
        counts.failed_wells += 1
        counts.failed_wells_retest += line.verdict is Verdict.RETEST
        return
    if truth["contaminant"] and float(truth["contaminant_share"]) < PROMISED_MIXTURE[programme.settings.platform]:
        counts.weak_mixtures += 1
        counts.weak_mixtures_caught += line.verdict is not Verdict.PASS
        return
    if finding in apart:
        counts.apart[finding, str(line.verdict)] += 1
        return
    counts.lines += 1
    counts.retest += line.verdict is Verdict.RETEST
    is_right = line.finding.value == finding
    if line.confidence is not None:
        counts.confidence.append(line.confidence)
        counts.is_right.append(is_right)
    if not is_right:
        counts.confused[finding, str(line.finding), str(line.verdict)] += 1
    if finding not in CLEAN:
        _count_bad(counts, line, truth, is_right=is_right)
    elif not truth["segments"]:
        counts.good += 1
        counts.not_failed += line.verdict is not Verdict.FAIL
        counts.passed += line.verdict is Verdict.PASS


def _count_bad(counts: Tally, line: LineRow, truth: Mapping[str, str], *, is_right: bool) -> None:
    counts.bad += 1
    counts.caught += line.verdict is not Verdict.PASS
    counts.failed += line.verdict is Verdict.FAIL
    counts.cause += is_right
    if line.finding is Finding.OTHER_DONOR and is_right:
        counts.donors += 1
        counts.donor_named += line.best_donor == truth["donor"]


def _count_segments(counts: Tally, programme: SimulatedProgramme, sheet: SampleSheet, outcome: CheckOutcome) -> None:
    found: dict[str, list[Any]] = {}
    for row in outcome.segments:
        found.setdefault(row.sample, []).append(row)
    for truth in programme.truth:
        if truth["finding"] not in CLEAN or truth["case"] == "failed well" or truth["contaminant"]:
            continue
        name = truth["sample"]
        if not truth["segments"]:
            counts.false_segments += len(found.get(name, []))
            continue
        chrom, place, copies = truth["segments"].split(":")
        start, end = map(int, place.split("-"))
        n_informative = informative_markers(programme, sheet, name, chrom, start, end)
        if n_informative < INFORMATIVE:
            continue
        counts.visible_segments += 1
        is_found = any(r.chrom == chrom and r.start_bp <= end and r.end_bp >= start for r in found.get(name, []))
        counts.found_segments += is_found
        if not is_found:
            counts.missed_segments.append((name, copies, n_informative))


def informative_markers(
    programme: SimulatedProgramme, sheet: SampleSheet, line: str, chrom: str, start: int, end: int
) -> int:
    """Called markers of a true segment at which it shows: no founder of the donor has the allele that it brings."""
    row_of = {str(name): row for row, name in enumerate(programme.samples)}
    donor = sheet[sheet[line].donor]
    mothers = programme.fraction[[row_of[name] for name in (donor.name, *founders(parse_pedigree(donor.pedigree)))]]
    row = row_of[line]
    own = programme.fraction[row]
    markers = programme.markers
    is_there = (markers.chrom == chrom) & (markers.pos_bp >= start) & (markers.pos_bp <= end) & (markers.kind == "good")
    is_fixed = np.isin(mothers[0], (0, 1)) & (mothers == mothers[0]).all(axis=0)
    is_called = programme.calls[row] >= 0 if programme.depths is None else programme.depths[row].sum(axis=1) > 0
    return int((is_there & is_fixed & (own != mothers[0]) & is_called).sum())
