"""A simulated programme as the judge's input, and small lots."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from dhverify.genotypes import Genotypes, Markers
from dhverify.samples import Role, Sample, SampleSheet, Stage, Tissue
from dhverify.simulation import SimulatedProgramme, SimulationSettings, simulate_programme

COLUMNS = ("donor", "inducer", "pedigree", "line", "source", "plate", "well", "expected")
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


def as_input(programme: SimulatedProgramme) -> tuple[Genotypes, SampleSheet]:
    markers = programme.markers
    n_markers = len(markers.name)
    genotypes = Genotypes(
        samples=np.array(programme.samples),
        markers=Markers(
            name=np.array(markers.name),
            chrom=np.array(markers.chrom),
            pos_bp=np.array(markers.pos_bp, dtype=np.int64),
            cm=np.full(n_markers, np.nan),
            first_allele=np.array(markers.first_allele),
            second_allele=np.array(markers.second_allele),
        ),
        calls=np.array(programme.calls, dtype=np.int8),
        depths=None if programme.depths is None else np.array(programme.depths, dtype=np.int32),
        half_calls=np.zeros(len(programme.samples), dtype=np.int64),
    )
    inducers = [row["sample"] for row in programme.sheet if row["role"] == "inducer"]
    rows = []
    for row in programme.sheet:
        fields = {name: row.get(name) or "" for name in COLUMNS}
        if row["role"] in {"line", "control"} and not fields["inducer"] and len(inducers) == 1:
            fields["inducer"] = inducers[0]
        rows.append(
            Sample(
                name=row["sample"],
                role=Role(row["role"]),
                stage=Stage(row["stage"]) if row.get("stage") else None,
                tissue=Tissue(row.get("tissue") or "leaf"),
                plants=int(row.get("plants") or 1),
                **fields,
            )
        )
    return genotypes, SampleSheet(samples=tuple(rows))


@pytest.fixture(scope="session")
def simulated() -> Callable[..., tuple[SimulatedProgramme, Genotypes, SampleSheet]]:
    def make(*, seed: int = 1, **settings: object) -> tuple[SimulatedProgramme, Genotypes, SampleSheet]:
        programme = simulate_programme(SimulationSettings(**settings), np.random.default_rng(seed))
        return (programme, *as_input(programme))

    return make


@pytest.fixture(scope="session")
def faulty_lot(simulated):
    return simulated(stage="haploid", n_donors=3, lines_per_donor=34, n_markers=400, seed=11, **FAULTS)
