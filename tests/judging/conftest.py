"""A simulated programme as the judge's input, and small lots."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from dhverify.genotypes import Genotypes
from dhverify.samples import SampleSheet
from dhverify.simulation import SimulatedProgramme

sys.path.insert(0, str(Path(__file__).parents[1]))
from simulated_lots import as_input, programme_of

FAULTS = {
    "hybrid_share": 0.1,
    "selfed_donor_share": 0.04,
    "outcross_share": 0.04,
    "other_donor_share": 0.04,
    "donor_share": 0.02,
    "parent_share": 0.02,
    "inducer_share": 0.02,
    "unrelated_share": 0.02,
    "segment_share": 0.06,
}


@pytest.fixture(scope="session")
def simulated() -> Callable[..., tuple[SimulatedProgramme, Genotypes, SampleSheet]]:
    def make(*, seed: int = 1, **settings: object) -> tuple[SimulatedProgramme, Genotypes, SampleSheet]:
        programme = programme_of(seed=seed, **settings)
        return (programme, *as_input(programme))

    return make


@pytest.fixture(scope="session")
def faulty_lot(simulated):
    return simulated(stage="haploid", n_donors=3, lines_per_donor=34, n_markers=400, seed=11, **FAULTS)
