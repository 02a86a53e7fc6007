"""Counts of a programme: kernels, sorted kernels, treated plants and ears that agree with its lines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from dhverify.simulation.lot import sorter_name, sorter_weights

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np

    from dhverify.simulation.settings import SimulationSettings
    from dhverify.simulation.specimens import Entry

_SELFED: Final = 0.95
"""Share of the surviving plants that shed pollen and are selfed."""


@dataclass(frozen=True, kw_only=True)
class CountRow:
    """Counts of one donor, inducer and sorter."""

    donor: str
    inducer: str
    sorter: str
    kernels: int
    uncoloured: int
    hybrids: int
    putative_haploids: int
    treated: int
    transplanted: int
    survived: int
    selfed: int
    d1_ears: int


def count_rows(
    entries: Sequence[Entry], settings: SimulationSettings, rng: np.random.Generator
) -> tuple[CountRow, ...]:
    """Count for each donor, inducer and sorter of the lines.

    Each step is at least as large as the number of lines sampled at it: what was sampled as haploid are all
    putative haploids; what was sampled at D1 are all ears with seed. Steps before the sample are drawn as the
    number of trials that gave it, steps after it as what is left of it.

    Parameters
    ----------
    entries
        Rows of the sheet.
    settings
        Rates.
    rng
        Source of randomness.

    """
    groups: dict[tuple[str, str, str], list[Entry]] = {}
    for entry in entries:
        label = entry.label
        if label.role == "line":
            groups.setdefault((label.donor, label.inducer, label.sorter), []).append(entry)
    weights = {sorter_name(i): float(w) for i, w in enumerate(sorter_weights(settings))}
    hybrid = settings.hybrid_share + settings.unselfed_hybrid_share
    return tuple(
        _row(key, rows, settings, false_share=min(hybrid * weights[key[2]], 1.0), rng=rng)
        for key, rows in sorted(groups.items())
    )


def _row(
    key: tuple[str, str, str],
    entries: list[Entry],
    settings: SimulationSettings,
    *,
    false_share: float,
    rng: np.random.Generator,
) -> CountRow:
    """Count one group; ``false_share`` of its putative haploids are hybrids."""
    sampled = {
        stage: len({e.label.line or e.label.sample for e in entries if e.label.stage == stage})
        for stage in ("haploid", "D0", "D1")
    }
    if "D1" in settings.stages:
        steps = _steps_before_d1(sampled, settings, rng)
    elif "D0" in settings.stages:
        steps = _steps_around_d0(sampled["D0"], settings, false_share=false_share, rng=rng)
    else:
        steps = _steps_after_seedlings(sampled["haploid"], settings, false_share=false_share, rng=rng)
    n_true = int(rng.binomial(steps.treated, 1 - false_share))
    found = settings.induction_rate * (1 - settings.missed_haploid_share)
    others = failures_before(n_true, found, rng)
    uncoloured = int(rng.binomial(others, settings.uncoloured_share))
    donor, inducer, sorter = key
    return CountRow(
        donor=donor,
        inducer=inducer,
        sorter=sorter,
        kernels=steps.treated + others,
        uncoloured=uncoloured,
        hybrids=others - uncoloured,
        putative_haploids=steps.treated,
        treated=steps.treated,
        transplanted=steps.transplanted,
        survived=steps.survived,
        selfed=steps.selfed,
        d1_ears=steps.d1_ears,
    )


@dataclass(frozen=True, kw_only=True)
class _Steps:
    treated: int
    transplanted: int
    survived: int
    selfed: int
    d1_ears: int


def _steps_before_d1(sampled: dict[str, int], settings: SimulationSettings, rng: np.random.Generator) -> _Steps:
    """Draw what it took to get the ears that were sampled."""
    d1_ears = sampled["D1"]
    selfed = d1_ears + failures_before(d1_ears, settings.doubling, rng)
    survived = max(selfed + failures_before(selfed, _SELFED, rng), sampled["D0"])
    half = settings.survival**0.5
    transplanted = survived + failures_before(survived, half, rng)
    treated = max(transplanted + failures_before(transplanted, half, rng), sampled["haploid"])
    return _Steps(treated=treated, transplanted=transplanted, survived=survived, selfed=selfed, d1_ears=d1_ears)


def _steps_around_d0(
    survived: int, settings: SimulationSettings, *, false_share: float, rng: np.random.Generator
) -> _Steps:
    """Draw what it took to get the treated plants that were sampled, and what came of them."""
    half = settings.survival**0.5
    transplanted = survived + failures_before(survived, half, rng)
    treated = transplanted + failures_before(transplanted, half, rng)
    return _ears_of(treated, transplanted, survived, settings, false_share=false_share, rng=rng)


def _steps_after_seedlings(
    treated: int, settings: SimulationSettings, *, false_share: float, rng: np.random.Generator
) -> _Steps:
    """Draw what came of the seedlings that were sampled, all being treated."""
    half = settings.survival**0.5
    transplanted = int(rng.binomial(treated, half))
    survived = int(rng.binomial(transplanted, half))
    return _ears_of(treated, transplanted, survived, settings, false_share=false_share, rng=rng)


def _ears_of(
    treated: int,
    transplanted: int,
    survived: int,
    settings: SimulationSettings,
    *,
    false_share: float,
    rng: np.random.Generator,
) -> _Steps:
    """Draw the plants that are selfed, and the ears of the true haploids among them."""
    selfed = int(rng.binomial(survived, _SELFED))
    d1_ears = int(rng.binomial(rng.binomial(selfed, 1 - false_share), settings.doubling))
    return _Steps(treated=treated, transplanted=transplanted, survived=survived, selfed=selfed, d1_ears=d1_ears)


def failures_before(successes: int, rate: float, rng: np.random.Generator) -> int:
    """Draw the trials that failed before a number of successes was reached."""
    return int(rng.negative_binomial(successes, rate)) if successes and rate < 1 else 0
