"""Plates: wells, blanks, controls, leaks between neighbours, turned and shifted plates."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from dhverify.simulation.lines import Breeder, Plan
from dhverify.simulation.specimens import Entry, Label, blank_dna, mixed, under_label

if TYPE_CHECKING:
    import numpy as np

    from dhverify.simulation.settings import SimulationSettings


_Wells = dict[tuple[str, str], Entry]


@dataclass(frozen=True, kw_only=True)
class PlateTruth:
    """What was done to a plate."""

    plate: str
    is_turned: bool = False
    is_shifted: bool = False


def well_name(row: int, column: int) -> str:
    """Name of a well.

    Examples
    --------
    >>> well_name(0, 0), well_name(7, 11)
    ('A01', 'H12')

    """
    return f"{chr(ord('A') + row)}{column + 1:02d}"


def well_place(well: str) -> tuple[int, int]:
    """Row and column of a well, from 0.

    Examples
    --------
    >>> well_place("H12")
    (7, 11)

    """
    return ord(well[0]) - ord("A"), int(well[1:]) - 1


@dataclass(frozen=True, kw_only=True, eq=False)
class Plating:
    """Puts the samples of a lot on plates."""

    settings: SimulationSettings
    breeder: Breeder
    rng: np.random.Generator

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of a plate."""
        return (8, 12) if self.settings.plate_wells == 96 else (16, 24)

    def plated(self, entries: list[Entry]) -> tuple[list[Entry], tuple[PlateTruth, ...]]:
        """Give every typed sample a well, add blanks and controls, and do what goes wrong on plates."""
        if not self.settings.has_plates:
            return entries, ()
        typed = [entry for entry in entries if entry.is_typed]
        n_extra = self.settings.blanks_per_plate + self.settings.controls_per_plate
        capacity = self.settings.plate_wells - n_extra
        n_plates = -(-len(typed) // capacity)
        placed = {}
        extra: list[Entry] = []
        for number in range(n_plates):
            part = typed[number * capacity : (number + 1) * capacity]
            for entry in self._plate(f"P{number + 1}", part):
                placed[entry.label.sample] = entry
                extra += [entry] if entry.label.role in ("blank", "control") else []
        rows = [placed.get(entry.label.sample, entry) for entry in entries] + extra
        rows = self._with_wrong_controls(rows)
        rows = self._with_dirty_blanks(self._with_leaks(rows))
        return self._with_moved_plates(rows, [f"P{number + 1}" for number in range(n_plates)])

    def _plate(self, plate: str, entries: list[Entry]) -> list[Entry]:
        """Fill one plate: a blank in the last corner, further ones and controls at random, then samples."""
        n_rows, n_columns = self.shape
        wells = [well_name(row, column) for column in range(n_columns) for row in range(n_rows)]
        settings = self.settings
        extra = [self._blank(plate, i) for i in range(settings.blanks_per_plate)]
        extra += [self._control(plate, i) for i in range(settings.controls_per_plate)]
        n_inner = max(len(extra) - 1, 0)
        inner = self.rng.permutation(min(len(entries) + n_inner, len(wells) - 1))[:n_inner]
        taken = [wells[-1], *(wells[int(i)] for i in inner)][: len(extra)]
        free = [well for well in wells if well not in taken]
        pairs = [*zip(extra, taken, strict=True), *zip(entries, free, strict=False)]
        return [replace(entry, plate=plate, well=well) for entry, well in pairs]

    def _blank(self, plate: str, number: int) -> Entry:
        name = f"{plate}-blank{number + 1}"
        specimen = blank_dna(self.breeder.genome.n_markers, made_as=name, rng=self.rng)
        return Entry(label=Label(sample=name, role="blank"), specimen=specimen)

    def _control(self, plate: str, number: int) -> Entry:
        """Make a known hybrid of a donor and the inducer."""
        plan = self._control_plan(f"{plate}-control{number + 1}", cross=number % self.settings.n_donors)
        return Entry(label=plan.label, specimen=self.breeder.unselfed_hybrid(plan))

    def _control_plan(self, name: str, *, cross: int) -> Plan:
        materials = self.breeder.materials
        label = Label(
            sample=name,
            role="control",
            donor=materials.donors[cross].row_names[0],
            inducer=materials.inducers[0].name,
            expected="hybrid",
        )
        return Plan(label=label, cross=cross, plant=0, inducer=0)

    def _with_wrong_controls(self, entries: list[Entry]) -> list[Entry]:
        """Put a clean line where a hybrid control should be."""
        done = list(entries)
        rows = [i for i, entry in enumerate(entries) if entry.label.role == "control"]
        for row in rows[: self.settings.wrong_controls]:
            label = entries[row].label
            plan = self._control_plan(label.sample, cross=rows.index(row) % self.settings.n_donors)
            specimen = self.breeder.clean(plan)
            done[row] = replace(entries[row], specimen=replace(specimen, case="wrong control: a clean line"))
        return done

    # DNA where it should not be

    def _neighbours(self, wells: _Wells, entry: Entry) -> list[Entry]:
        """Return the samples beside, above and below a well that hold good DNA of one plant."""
        row, column = well_place(entry.well)
        around = [(row - 1, column), (row + 1, column), (row, column - 1), (row, column + 1)]
        there = [wells.get((entry.plate, well_name(r, c))) for r, c in around if r >= 0 and c >= 0]
        return [
            e
            for e in there
            if e is not None
            and e.specimen.dna_yield == 1.0
            and not e.specimen.contaminant
            and e.specimen.genotype != entry.specimen.genotype
        ]

    def _with_leaks(self, entries: list[Entry]) -> list[Entry]:
        """Let some clean lines receive a share of a neighbour's DNA."""
        done, wells = list(entries), _by_well(entries)
        rows = [i for i, e in enumerate(done) if e.is_clean and self._neighbours(wells, e)]
        number = min(self.settings.leaks, len(rows))
        for row in self.rng.choice(rows, number, replace=False) if number else ():
            around = self._neighbours(wells, done[row])
            other = around[int(self.rng.integers(len(around)))]
            share = round(float(self.rng.uniform(self.settings.leak_low, self.settings.leak_high)), 3)
            own = done[row].specimen
            leaked = mixed(own, other.specimen, name=other.label.sample, share=share, case="leak")
            done[row] = replace(done[row], specimen=leaked)
        return done

    def _with_dirty_blanks(self, entries: list[Entry]) -> list[Entry]:
        """Let some blanks hold a neighbour's DNA."""
        done, wells = list(entries), _by_well(entries)
        rows = [i for i, e in enumerate(done) if e.label.role == "blank" and self._neighbours(wells, e)]
        number = min(self.settings.dirty_blanks, len(rows))
        for row in self.rng.choice(rows, number, replace=False) if number else ():
            around = self._neighbours(wells, done[row])
            other = around[int(self.rng.integers(len(around)))]
            specimen = replace(
                done[row].specimen,
                fraction=other.specimen.fraction,
                dna_yield=round(float(self.rng.uniform(0.3, 0.8)), 3),
                genotype=other.specimen.genotype,
                contaminant=other.label.sample,
                contaminant_share=1.0,
                case="dirty blank",
            )
            done[row] = replace(done[row], specimen=specimen)
        return done

    # plates that were turned or shifted

    def _with_moved_plates(self, entries: list[Entry], plates: list[str]) -> tuple[list[Entry], tuple[PlateTruth, ...]]:
        """Turn some plates by 180 degrees and shift others by a row or column."""
        n_turned = min(self.settings.turned_plates, len(plates))
        n_shifted = min(self.settings.shifted_plates, len(plates) - n_turned)
        order = [plates[int(i)] for i in self.rng.permutation(len(plates))]
        turned, shifted = order[:n_turned], order[n_turned : n_turned + n_shifted]
        moved, wells = {*turned, *shifted}, _by_well(entries)
        done = [
            self._moved(entry, wells, is_turned=entry.plate in turned) if entry.plate in moved else entry
            for entry in entries
        ]
        truth = tuple(PlateTruth(plate=p, is_turned=p in turned, is_shifted=p in shifted) for p in plates)
        return done, truth

    def _moved(self, entry: Entry, wells: _Wells, *, is_turned: bool) -> Entry:
        """Read the DNA of the well that came to stand in this one's place."""
        row, column = well_place(entry.well)
        n_rows, n_columns = self.shape
        what = "turned plate" if is_turned else "shifted plate"
        if is_turned:
            row, column = n_rows - 1 - row, n_columns - 1 - column
        elif self.settings.shift == "row":
            row = (row - 1) % n_rows
        else:
            column = (column - 1) % n_columns
        other = wells.get((entry.plate, well_name(row, column)))
        parents = self.breeder.materials.parent_names(entry.label.donor)
        if other is None:
            nothing = blank_dna(self.breeder.genome.n_markers, made_as="an empty well", rng=self.rng)
            return replace(entry, specimen=under_label(nothing, entry.label, case=f"{what}: an empty well"))
        case = f"{what}: DNA of {other.label.sample}"
        return replace(entry, specimen=under_label(other.specimen, entry.label, case=case, parents=parents))


def _by_well(entries: list[Entry]) -> _Wells:
    """Return the samples by plate and well."""
    return {(entry.plate, entry.well): entry for entry in entries if entry.well}
