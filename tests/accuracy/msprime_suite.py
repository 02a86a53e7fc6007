"""The programme whose meioses come from msprime, measured like the others."""

from __future__ import annotations

from collections.abc import Iterable

from measuring import Tally, judging_conftest, tally
from msprime_programme import msprime_programme
from scenarios import ARRAY, FAULTS, Scenario

from dhverify.checking import run_check
from dhverify.simulation import SimulationSettings

MSPRIME = Scenario(
    name="meioses by msprime, D1",
    settings={**FAULTS, "stage": "D1", "n_donors": 4, "lines_per_donor": 40},
    targets=ARRAY,
    is_in_short=True,
)


def measured_msprime(seeds: Iterable[int]) -> Tally:
    """Counts over one programme a seed (Baumdicker et al. 2022, Genetics 220:iyab229)."""
    total = Tally()
    for seed in seeds:
        programme = msprime_programme(SimulationSettings(**MSPRIME.settings), seed=seed)
        genotypes, sheet = judging_conftest().as_input(programme)
        total = total.merged(tally(programme, sheet, run_check(genotypes, sheet, jobs=2), MSPRIME))
    return total
