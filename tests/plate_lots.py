"""Invented programmes on plates, analysed, for the tests of plates and leaks."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from simulated_lots import as_input, programme_of

from dhverify.analysis import analyse
from dhverify.diagnosis import diagnose
from dhverify.genetic_map import place_markers
from dhverify.genotypes import MISSING, Genotypes
from dhverify.limits import Limits
from dhverify.lot import assemble
from dhverify.plate_layout import moved, plate_layouts, well_of
from dhverify.plates import judge_plates
from dhverify.samples import Role, SampleSheet


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

    def with_wells(self, wells):
        """The same with samples in other wells, ``{sample: well}``; those that are not named have none."""
        rows = [replace(s, well=wells.get(s.name, ""), plate=s.plate if s.name in wells else "") for s in self.sheet]
        return replace(self, sheet=SampleSheet(samples=tuple(rows)))

    def moved(self, plate, move):
        """The same where a plate came out of place: each of its wells holds what stands elsewhere by the sheet."""
        index, calls = self.genotypes.sample_index(), self.genotypes.calls.copy()
        layout = next(layout for layout in plate_layouts(self.sheet) if layout.plate == plate)
        for sample, origin, _ in moved(layout, move):
            if sample.name in index:
                is_there = origin is not None and origin.name in index
                calls[index[sample.name]] = self.genotypes.calls[index[origin.name]] if is_there else MISSING
        return replace(self, genotypes=replace(self.genotypes, calls=calls))

    def holding(self, holds):
        """The same where labels hold the DNA of others, ``{label: other}``; of nobody where the other is empty."""
        index, calls = self.genotypes.sample_index(), self.genotypes.calls.copy()
        for label, other in holds.items():
            if label in index:
                calls[index[label]] = self.genotypes.calls[index[other]] if other in index else MISSING
        return replace(self, genotypes=replace(self.genotypes, calls=calls))

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


@lru_cache(maxsize=8)
def plate_lot(*, seed=1, **settings):
    programme = programme_of(seed=seed, **settings)
    genotypes, sheet = as_input(programme)
    others = {kind: {r["name"]: r for r in programme.others if r["kind"] == kind} for kind in ("plate", "blank")}
    return PlateLot(
        genotypes=genotypes,
        sheet=sheet,
        truth={row["sample"]: row for row in programme.truth},
        plates={name: row["case"] for name, row in others["plate"].items()},
        blanks=others["blank"],
        limits=Limits(),
    )


def laid_out(lot, kind, seed=1):
    """A lot of which every plate is filled in another way: ``at random``, ``by row`` or with ``corners`` first.

    The last two put blanks and controls in the corners.
    """
    rng, wells = np.random.default_rng(seed), {}
    for layout in plate_layouts(lot.sheet):
        n_rows, n_columns = layout.shape
        places = [(row, column) for column in range(n_columns) for row in range(n_rows)]
        extra = [s for s in layout.at.values() if s.role in {Role.BLANK, Role.CONTROL}]
        others = [s for s in layout.at.values() if s not in extra]
        if kind == "at random":
            places = [places[k] for k in rng.permutation(len(places))]
        else:
            corners = [(0, 0), (n_rows - 1, n_columns - 1), (0, n_columns - 1), (n_rows - 1, 0)][: len(extra)]
            rest = sorted(places) if kind == "by row" else places
            places = corners + [place for place in rest if place not in corners]
        wells |= {s.name: well_of(place) for s, place in zip([*extra, *others], places, strict=False)}
    return lot.with_wells(wells)
