"""Invented programmes on plates, analysed, for the tests of plates and leaks."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from dhverify.analysis import analyse
from dhverify.diagnosis import diagnose
from dhverify.genetic_map import place_markers
from dhverify.genotypes import Genotypes, Markers
from dhverify.limits import Limits
from dhverify.lot import assemble
from dhverify.plates import judge_plates
from dhverify.samples import Role, Sample, SampleSheet, Stage
from dhverify.simulation import SimulationSettings, simulate_programme

COLUMNS = ("donor", "inducer", "pedigree", "plate", "well", "expected")


@dataclass(frozen=True, kw_only=True, eq=False)
class PlateLot:
    """A lot on plates with its truth; ``calls`` and ``sheet`` may be changed before it is judged."""

    genotypes: Genotypes
    sheet: SampleSheet
    truth: dict[str, dict[str, str]]
    plates: dict[str, str]
    blanks: dict[str, dict[str, str]]
    limits: Limits

    def lot(self):
        return assemble(self.genotypes, self.sheet, place_markers(self.genotypes.markers, None))

    def analysed(self):
        lot = self.lot()
        analysis = analyse(lot, self.sheet)
        return analysis.lot, analysis, diagnose(analysis.lot, analysis, self.limits).evidence

    def found(self):
        lot, analysis, evidence = self.analysed()
        return judge_plates(lot, analysis, evidence, self.sheet, self.limits), evidence, lot

    def with_samples(self, **changes):
        """Change rows of the sheet: ``name=dict(column=value)``; underscores stand for dashes."""
        wanted = {name.replace("_", "-"): columns for name, columns in changes.items()}
        rows = tuple(replace(s, **wanted.get(s.name, {})) for s in self.sheet)
        return replace(self, sheet=SampleSheet(samples=rows))

    def with_calls(self, name, calls):
        table = self.genotypes.calls.copy()
        table[self.genotypes.sample_index()[name]] = calls
        return replace(self, genotypes=replace(self.genotypes, calls=table))

    def calls_of(self, name):
        return self.genotypes.calls[self.genotypes.sample_index()[name]].copy()

    def without(self, *names):
        keep = [row for row, name in enumerate(self.genotypes.samples) if name not in names]
        genotypes = replace(
            self.genotypes,
            samples=self.genotypes.samples[keep],
            calls=self.genotypes.calls[keep].copy(),
            depths=None if self.genotypes.depths is None else self.genotypes.depths[keep].copy(),
            half_calls=self.genotypes.half_calls[keep].copy(),
        )
        return replace(self, genotypes=genotypes)


def sample_of(row, only_inducer):
    fields = {name: row.get(name) or "" for name in COLUMNS}
    if row["role"] in {"line", "control"} and not fields["inducer"]:
        fields["inducer"] = only_inducer
    return Sample(
        name=row["sample"], role=Role(row["role"]), stage=Stage(row["stage"]) if row.get("stage") else None, **fields
    )


@lru_cache(maxsize=8)
def plate_lot(*, seed=1, **settings):
    programme = simulate_programme(SimulationSettings(**settings), np.random.default_rng(seed))
    markers = programme.markers
    genotypes = Genotypes(
        samples=np.array(programme.samples),
        markers=Markers(
            name=np.array(markers.name),
            chrom=np.array(markers.chrom),
            pos_bp=np.array(markers.pos_bp, dtype=np.int64),
            cm=np.full(len(markers), np.nan),
            first_allele=np.array(markers.first_allele),
            second_allele=np.array(markers.second_allele),
        ),
        calls=np.array(programme.calls, dtype=np.int8),
        depths=None if programme.depths is None else np.array(programme.depths, dtype=np.int32),
        half_calls=np.zeros(len(programme.samples), dtype=np.int64),
    )
    inducers = [row["sample"] for row in programme.sheet if row["role"] == "inducer"]
    only = inducers[0] if len(inducers) == 1 else ""
    others = {kind: {r["name"]: r for r in programme.others if r["kind"] == kind} for kind in ("plate", "blank")}
    return PlateLot(
        genotypes=genotypes,
        sheet=SampleSheet(samples=tuple(sample_of(row, only) for row in programme.sheet)),
        truth={row["sample"]: row for row in programme.truth},
        plates={name: row["case"] for name, row in others["plate"].items()},
        blanks=others["blank"],
        limits=Limits(),
    )
