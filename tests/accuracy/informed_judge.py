"""A judge that is told everything: what the markers of a programme hold, and no judge can go beyond on average.

It is given what the programme was drawn with: the alleles of all founders, those outside the programme too, the map,
the rates of the assay, the shares of the faults, how mixtures and outcrosses are made, and which other lines are clean
(any may be in a mixture), with their true genotypes. It lacks only what the line itself is. Its posterior follows from
Bayes' theorem, so that nobody who knows less is right more often, on average.
Nothing of the judge under test is used, nor its recursion: states are summed over with dense matrices.

For arrays, stages haploid and D1, several F1 donors that share no parents, one inbred inducer; of faults, those of the
panels in :mod:`scenarios`: no segments, copies, leaks, bulks, wrong tissue.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import combinations
from types import SimpleNamespace
from typing import Any

import numpy as np
from measuring import Tally, drawn, tally
from numpy.typing import NDArray
from scenarios import Scenario
from scipy.stats import norm

from dhverify.limits import Limits
from dhverify.outcome import Finding, Verdict
from dhverify.simulation import SimulatedProgramme, SimulationSettings
from dhverify.simulation.lot import sorter_name, sorter_weights
from dhverify.simulation.materials import Materials, build_materials
from dhverify.simulation.meiosis import CrossoverMeioses
from dhverify.simulation.programme import settings_genome
from dhverify.simulation.settings import FAULT_SHARES

Array = NDArray[np.float64]
N_MIXTURE_SHARES = 16


def measured_informed(scenario: Scenario, seeds: Iterable[int]) -> Tally:
    """Counts over one programme a seed, of the judge that is told everything."""
    total = Tally()
    for seed in seeds:
        programme, _, sheet = drawn(scenario, seed)
        judge = InformedJudge.of(programme, seed)
        lines = [judge.line(row["sample"]) for row in programme.truth]
        outcome: Any = SimpleNamespace(lines=lines, segments=[])
        total = total.merged(tally(programme, sheet, outcome, scenario))
    return replace(total, donors=0, donor_named=0)


@dataclass(frozen=True, kw_only=True, eq=False)
class InformedJudge:
    """What it is told of one programme.

    Attributes
    ----------
    programme, materials
        As drawn.
    alleles
        float64, shape (n_founders, n_markers). Second alleles, markers in the order of the genotypes.
    recombination
        float64, shape (n_markers - 1,). Between neighbouring markers; 1/2 between chromosomes.
    clean
        float64, shape (n_clean, n_markers). Second alleles of the clean lines, which are the partners of mixtures.
    clean_names
        Their samples.

    """

    programme: SimulatedProgramme
    materials: Materials
    alleles: Array
    recombination: Array
    clean: Array
    clean_names: tuple[str, ...]

    @classmethod
    def of(cls, programme: SimulatedProgramme, seed: int) -> InformedJudge:
        """Draw genome and founders again as the programme drew them."""
        settings = programme.settings
        rng = np.random.default_rng(seed)
        genome = settings_genome(settings, rng)
        meioses = CrossoverMeioses(genome=genome, shape=settings.interference, rng=rng)
        materials = build_materials(settings, genome, meioses, rng)
        order = np.lexsort((genome.pos_bp, genome.chrom_index))
        chromosome, cm = genome.chrom_index[order], genome.cm[order]
        linked = 0.5 * (1 - np.exp(-2 * np.abs(np.diff(cm)) / 100))
        row = {str(name): k for k, name in enumerate(programme.samples)}
        names = tuple(t["sample"] for t in programme.truth if _is_clean(t))
        return cls(
            programme=programme,
            materials=materials,
            alleles=materials.alleles[:, order].astype(np.float64),
            recombination=np.where(np.diff(chromosome) == 0, linked, 0.5),
            clean=np.array([programme.fraction[row[name]] for name in names], dtype=np.float64),
            clean_names=names,
        )

    def line(self, sample: str) -> SimpleNamespace:
        """What the judge says of a line: finding, confidence, verdict by the shipped limit."""
        least = Limits().min_confidence
        share = self.posterior(sample)
        finding = Finding(max(share, key=lambda name: share[name]))
        good = share[self._expected]
        verdict = Verdict.PASS if good >= least else Verdict.FAIL if good <= 1 - least else Verdict.RETEST
        return SimpleNamespace(
            sample=sample,
            finding=finding,
            confidence=None if finding is Finding.UNRESOLVED else share[finding],
            verdict=Verdict.RETEST if finding is Finding.MIXTURE else verdict,
            best_donor="",
        )

    def posterior(self, sample: str) -> dict[str, float]:
        """Probability of each finding of a line."""
        log: dict[str, list[float]] = {}
        for finding, share, value in self._stories(sample):
            if share > 0:
                log.setdefault(str(finding), []).append(float(np.log(share)) + value)
        pooled = {name: np.logaddexp.reduce(values) for name, values in log.items()}
        total = np.logaddexp.reduce(list(pooled.values()))
        return {name: float(np.exp(value - total)) for name, value in pooled.items()}

    @property
    def _settings(self) -> SimulationSettings:
        return self.programme.settings

    @property
    def _expected(self) -> Finding:
        return Finding.DOUBLED_HAPLOID if self._settings.stage == "D1" else Finding.HAPLOID

    def _stories(self, sample: str) -> Iterator[tuple[Finding, float, float]]:
        """Finding, prior and log likelihood of every way in which a line comes about."""
        s, is_d1 = self._settings, self._settings.stage == "D1"
        row = [str(name) for name in self.programme.samples].index(sample)
        seen = Seen(calls=self.programme.calls[row], settings=s, recombination=self.recombination)
        label = next(entry for entry in self.programme.sheet if entry["sample"] == sample)
        crosses = {cross.row_names[0]: self.alleles[list(cross.parents)].T for cross in self.materials.donors}
        own = crosses.pop(label["donor"])
        inducer = self.alleles[self.materials.inducers[0].founders[0]]
        others = list(crosses.values())
        faults = sum(float(getattr(s, name)) for name in FAULT_SHARES)
        yield self._expected, 1 - faults, seen.log_likelihood(own)
        made = Finding.SELFED_HYBRID if is_d1 else Finding.HYBRID
        hybrid = _selfed_hybrid(own, inducer) if is_d1 else (own + inducer[:, None]) / 2
        yield made, s.hybrid_share * self._sorted_badly(label["sorter"]), seen.log_likelihood(hybrid)
        yield Finding.DONOR, s.donor_share, seen.log_likelihood(own.mean(axis=1, keepdims=True))
        selfed = _selfed_twice(own) if is_d1 else _crossed(own, own)
        yield Finding.SELFED_DONOR, s.selfed_donor_share, seen.log_likelihood(selfed)
        for parent in own.T:
            yield Finding.PARENT, s.parent_share / 2, seen.log_likelihood(parent[:, None])
        yield Finding.INDUCER, s.inducer_share, seen.log_likelihood(inducer[:, None])
        for other in others:
            yield Finding.OTHER_DONOR, s.other_donor_share / len(others), seen.log_likelihood(other)
        outside = self.alleles[list(self.materials.outside)]
        pairs = list(combinations(outside, 2))
        for pair in pairs:
            yield Finding.UNRESOLVED, s.unrelated_share / len(pairs), seen.log_likelihood(np.stack(pair, axis=1))
        unknown, nursery = 1 - s.nursery_pollen_share, s.nursery_pollen_share / 2
        for inbred in outside:
            share = s.outcross_share * unknown / len(outside)
            yield Finding.OUTCROSS, share, seen.log_likelihood((own + inbred[:, None]) / 2)
        for other in others:
            share = s.outcross_share * nursery / len(others)
            yield Finding.OUTCROSS, share, seen.log_likelihood(_crossed(own, other))
        yield Finding.OUTCROSS, s.outcross_share * nursery, seen.log_likelihood(_with_pollen_of_hybrid(own, inducer))
        yield Finding.MIXTURE, s.mixture_share, self._mixture(sample, seen, own)

    def _sorted_badly(self, sorter: str) -> float:
        """How often a sorter takes a hybrid for a haploid, against the mean of the programme's lines."""
        weight = {sorter_name(number): float(w) for number, w in enumerate(sorter_weights(self._settings))}
        mean = np.mean([weight[entry["sorter"]] for entry in self.programme.sheet if entry["role"] == "line"])
        return weight[sorter] / float(mean)

    def _mixture(self, sample: str, seen: Seen, own: Array) -> float:
        """Log likelihood with the DNA of any clean line, at any share."""
        low, high = self._settings.mixture_low, self._settings.mixture_high
        steps = np.linspace(low, high, 2 * N_MIXTURE_SHARES + 1)[1::2]
        partners = self.clean[[k for k, name in enumerate(self.clean_names) if name != sample]]
        alleles = np.array([0.0, 1.0])
        calls = np.arange(len(seen.calls)), own.astype(int)[None], partners.astype(int)[:, :, None]
        scores = []
        for share in steps:
            mixed = (1 - share) * alleles[:, None] + share * alleles
            table = np.stack([seen.chance(np.full((len(seen.calls), 1), value))[:, 0] for value in mixed.ravel()])
            chance = table.reshape(2, 2, -1)[calls[1], calls[2], calls[0][None, :, None]]
            scores.append(np.logaddexp.reduce(seen.summed(chance)) - np.log(len(partners)))
        return float(np.logaddexp.reduce(scores) - np.log(len(steps)))


@dataclass(frozen=True, kw_only=True, eq=False)
class Seen:
    """The calls of one sample and what is known of how they come about."""

    calls: NDArray[np.int8]
    settings: SimulationSettings
    recombination: Array

    def log_likelihood(self, fraction: Array) -> float:
        """Sum over all states, of share of the second allele in them; float64, shape (n_markers, n_states)."""
        return float(self.summed(self.chance(fraction)))

    def chance(self, fraction: Array) -> Array:
        """Chance of the calls at shares of the second allele; same shape, the first axis being the markers'."""
        called = self.calls >= 0
        column = np.where(called, self.calls, 0).astype(int)
        table = call_chance(fraction, self.settings)
        return np.where(called[:, None], table[np.arange(len(column)), :, column], 1.0)

    def summed(self, chance: Array) -> Any:
        """Log likelihood, summed over states that are bits, each one a meiosis; from shape (..., markers, states)."""
        n_states = chance.shape[-1]
        apart = np.array([[(one ^ two).bit_count() for two in range(n_states)] for one in range(n_states)])
        n_bits = n_states.bit_length() - 1
        forward, total = chance[..., 0, :] / n_states, 0.0
        for marker, rate in enumerate(self.recombination, start=1):
            moved = rate**apart * (1 - rate) ** (n_bits - apart)
            forward = (forward @ moved) * chance[..., marker, :]
            here = forward.sum(axis=-1, keepdims=True)
            total = total + np.log(here[..., 0])
            forward = forward / here
        return total + np.log(forward.sum(axis=-1))


def call_chance(fraction: Array, settings: SimulationSettings) -> Array:
    """Chance of each call (0, 1, 2) at a share of the second allele, as the settings define it; shape (..., 3)."""
    minor = np.minimum(fraction, 1 - fraction)
    shows = norm.cdf((minor - settings.visible_fraction) / settings.visible_fraction_sd)
    shows = np.where(minor >= 0.499, 1.0, np.where(minor < 0.001, 0.0, shows))
    is_second = fraction > 0.5
    genotype = np.stack([(1 - shows) * ~is_second, shows, (1 - shows) * is_second], axis=-1)
    drop, wrong, to_het = settings.dropout, settings.error_rate, settings.het_error_share
    dropped = np.array([[1, 0, 0], [drop / 2, 1 - drop, drop / 2], [0, 0, 1]])
    erring = np.array(
        [
            [1 - wrong, wrong * to_het, wrong * (1 - to_het)],
            [wrong / 2, 1 - wrong, wrong / 2],
            [wrong * (1 - to_het), wrong * to_het, 1 - wrong],
        ]
    )
    return np.asarray(genotype @ dropped @ erring)


def _bits(n: int) -> NDArray[np.int64]:
    """Value of each of n bits in every state; shape (n, 2 ** n)."""
    return np.indices((2,) * n).reshape(n, -1)


def _crossed(first: Array, second: Array) -> Array:
    """Second-allele share in the union of a gamete of each plant; plants have shape (n_markers, 2)."""
    one, two = _bits(2)
    return np.asarray((first[:, one] + second[:, two]) / 2)


def _selfed_hybrid(own: Array, inducer: Array) -> Array:
    gamete, *picks = _bits(3)
    return np.mean([np.where(pick == 0, own[:, gamete], inducer[:, None]) for pick in picks], axis=0)


def _selfed_twice(own: Array) -> Array:
    one, two, *picks = _bits(4)
    return np.mean([np.where(pick == 0, own[:, one], own[:, two]) for pick in picks], axis=0)


def _with_pollen_of_hybrid(own: Array, inducer: Array) -> Array:
    gamete, of_hybrid, side = _bits(3)
    return np.asarray((own[:, gamete] + np.where(side == 0, own[:, of_hybrid], inducer[:, None])) / 2)


def _is_clean(truth: dict[str, str]) -> bool:
    return truth["finding"] in ("haploid", "doubled haploid") and not (truth["case"] or truth["contaminant"])
