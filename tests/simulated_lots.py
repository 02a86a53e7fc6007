"""Simulated programmes as the judge's input: genotypes and sheet, without a detour over files."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from dhverify.genotypes import Genotypes, Markers
from dhverify.samples import Role, Sample, SampleSheet, Stage, Tissue
from dhverify.simulation import SimulatedProgramme, SimulationSettings, simulate_programme

COLUMNS = ("donor", "inducer", "pedigree", "line", "source", "plate", "well", "expected")


def programme_of(*, seed: int = 1, **settings: object) -> SimulatedProgramme:
    """A programme drawn with a seed."""
    return simulate_programme(SimulationSettings(**settings), np.random.default_rng(seed))  # type: ignore[arg-type]


def as_input(programme: SimulatedProgramme) -> tuple[Genotypes, SampleSheet]:
    """Genotypes and sheet of a programme; a sheet with one inducer names it for every line, as a reader does."""
    inducers = [row["sample"] for row in programme.sheet if row["role"] == "inducer"]
    only = inducers[0] if len(inducers) == 1 else ""
    return genotypes_of(programme), SampleSheet(samples=tuple(_sample(row, only) for row in programme.sheet))


def genotypes_of(programme: SimulatedProgramme) -> Genotypes:
    """Calls and depths of a programme."""
    markers = programme.markers
    return Genotypes(
        samples=np.array(programme.samples),
        markers=Markers(
            name=np.array(markers.name),
            chrom=np.array(markers.chrom),
            pos_bp=np.array(markers.pos_bp, dtype=np.int64),
            cm=np.full(len(markers.name), np.nan),
            first_allele=np.array(markers.first_allele),
            second_allele=np.array(markers.second_allele),
        ),
        calls=np.array(programme.calls, dtype=np.int8),
        depths=None if programme.depths is None else np.array(programme.depths, dtype=np.int32),
        half_calls=np.zeros(len(programme.samples), dtype=np.int64),
    )


def _sample(row: dict[str, str], only_inducer: str) -> Sample:
    fields = {name: row.get(name) or "" for name in COLUMNS}
    if row["role"] in {"line", "control"} and not fields["inducer"]:
        fields["inducer"] = only_inducer
    return Sample(
        name=row["sample"],
        role=Role(row["role"]),
        stage=Stage(row["stage"]) if row.get("stage") else None,
        tissue=Tissue(row.get("tissue") or "leaf"),
        plants=int(row.get("plants") or 1),
        **fields,
    )


def disguised(genotypes: Genotypes, sheet: SampleSheet, seed: int) -> tuple[Genotypes, SampleSheet, dict[str, str]]:
    """The same lot with rows in another order and names that say nothing; also the new name of each old one."""
    rng = np.random.default_rng(seed)
    numbers = rng.permutation(len(sheet.samples))
    new = {
        s.name: s.name if s.role is Role.PARENT else f"{'zZ9_q'[k % 5]} {k}.x-{k % 7}"
        for s, k in zip(sheet, numbers, strict=True)
    }
    order = rng.permutation(len(genotypes.samples))
    shuffled = replace(
        genotypes,
        samples=np.array([new[str(genotypes.samples[k])] for k in order]),
        calls=genotypes.calls[order],
        depths=None if genotypes.depths is None else genotypes.depths[order],
        half_calls=genotypes.half_calls[order],
    )
    rows = [_renamed(sheet.samples[k], new) for k in rng.permutation(len(sheet.samples))]
    return shuffled, replace(sheet, samples=tuple(rows)), new


def _renamed(sample: Sample, new: dict[str, str]) -> Sample:
    """Everything of a sample that names another one; parents keep their names, which pedigrees spell."""
    return replace(
        sample,
        name=new[sample.name],
        donor=new.get(sample.donor, sample.donor),
        inducer=new.get(sample.inducer, sample.inducer),
        source=new.get(sample.source, sample.source),
    )


def displaced(
    genotypes: Genotypes, sheet: SampleSheet, plate: str, origin: Callable[[int, int], tuple[int, int]]
) -> Genotypes:
    """Genotypes of a lot where a well of a plate holds what stands in the well of its ``origin`` by the sheet.

    A well that holds nothing then has no genotype.
    """
    at = {(ord(s.well[0]) - ord("A"), int(s.well[1:]) - 1): s.name for s in sheet if s.well and s.plate == plate}
    holds = {name: at.get(origin(*place), "") for place, name in at.items()}
    row = genotypes.sample_index()
    kept = [str(name) for name in genotypes.samples if holds.get(str(name), str(name)) in row]
    rows = [row[holds.get(name, name)] for name in kept]
    return replace(
        genotypes,
        samples=np.array(kept),
        calls=genotypes.calls[rows],
        depths=None if genotypes.depths is None else genotypes.depths[rows],
        half_calls=genotypes.half_calls[rows],
    )
