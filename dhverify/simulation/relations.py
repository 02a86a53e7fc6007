"""What relates the samples of a lot: known lines, exchanged labels, replicates and mixtures."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from dhverify.simulation.lines import Breeder, Plan
from dhverify.simulation.specimens import Entry, Label, mixed, under_label

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np

    from dhverify.simulation.settings import SimulationSettings


@dataclass(frozen=True, kw_only=True, eq=False)
class Relations:
    """Changes the made lines of a lot: each method takes rows and gives rows."""

    settings: SimulationSettings
    breeder: Breeder
    rng: np.random.Generator

    def known(self) -> list[Entry]:
        """Lines that were verified earlier."""
        entries = []
        for i in range(self.settings.known_lines):
            cross = i % self.settings.n_donors
            donor = self.breeder.materials.donors[cross]
            label = Label(sample=f"K{i + 1:03d}", role="known", donor=donor.row_names[0])
            plan = Plan(label=replace(label, stage="D1"), cross=cross, plant=0, inducer=0)
            entries.append(Entry(label=label, specimen=self.breeder.clean(plan)))
        return entries

    def with_known_copies(self, lines: list[Entry], known: list[Entry]) -> list[Entry]:
        """Put a known line's DNA under the label of lines of the same donor."""
        done = list(lines)
        for i in range(self.settings.known_copies):
            model = known[i % len(known)]
            donor, name = model.label.donor, model.label.sample
            rows = [r for r in self._clean_rows(done, is_sourced=False) if done[r].label.donor == donor]
            if rows:
                row = int(self.rng.choice(rows))
                label = done[row].label
                specimen = under_label(model.specimen, label, case="copy of a known line")
                done[row] = replace(done[row], specimen=replace(specimen, copy_of=name, made_as=label.sample))
        return done

    def with_exchanges(self, lines: list[Entry]) -> list[Entry]:
        """Make source mismatches, and exchange labels between sisters or between donors."""
        done = list(lines)
        for _ in range(self.settings.source_mismatches):
            rows = self._clean_rows(done, is_sourced=True)
            if rows:
                row = int(self.rng.choice(rows))
                done[row] = self._stranger(done[row], "source mismatch: from an untyped sister")
        for _ in range(self.settings.exchanged_sisters):
            self._exchange(done, self._are_sisters, is_sourced=True)
        for _ in range(self.settings.exchanged_pairs):
            self._exchange(done, self._are_of_two_donors, is_sourced=None)
        return done

    def with_replicates(self, lines: list[Entry]) -> list[Entry]:
        """Add further samples of some lines; in some of them a sister stands instead."""
        rows = self._clean_rows(lines, is_sourced=None)
        number = min(round(self.settings.replicate_share * len(lines)), len(rows))
        chosen = sorted(int(r) for r in self.rng.choice(rows, number, replace=False)) if number else []
        wrong = set(chosen[: self.settings.wrong_replicates])
        done: list[Entry] = []
        for row, entry in enumerate(lines):
            done += self._replicates(entry, is_wrong=row in wrong) if row in chosen else [entry]
        return done

    def with_mixtures(self, lines: list[Entry], references: list[Entry]) -> list[Entry]:
        """Mix the lines planned for it with another line of the lot (or, where none is left, a reference)."""
        partners = [e for e in lines if e.is_clean] or [e for e in references if e.is_typed]
        done = []
        for entry in lines:
            others = [e for e in partners if e.specimen.genotype != entry.specimen.genotype]
            if entry.fault != "mixture" or not others:
                done.append(entry)
                continue
            other = others[int(self.rng.integers(len(others)))]
            share = round(float(self.rng.uniform(self.settings.mixture_low, self.settings.mixture_high)), 3)
            dna = mixed(entry.specimen, other.specimen, name=other.label.sample, share=share, case="mixture")
            done.append(replace(entry, specimen=dna))
        return done

    # parts

    def _clean_rows(self, entries: list[Entry], *, is_sourced: bool | None) -> list[int]:
        """Rows of clean lines from which none descends; with a source, without one, or either (None)."""
        sources = {e.label.source for e in entries}
        return [
            row
            for row, e in enumerate(entries)
            if e.is_clean and e.label.sample not in sources and is_sourced in (None, bool(e.label.source))
        ]

    def _cross(self, label: Label) -> int:
        donors = self.breeder.materials.donors
        return next(i for i, donor in enumerate(donors) if label.donor in donor.row_names)

    def _are_sisters(self, one: Entry, two: Entry) -> bool:
        return one.label.donor == two.label.donor

    def _are_of_two_donors(self, one: Entry, two: Entry) -> bool:
        return self._cross(one.label) != self._cross(two.label)

    def _exchange(self, done: list[Entry], fits: Callable[[Entry, Entry], bool], *, is_sourced: bool | None) -> None:
        """Exchange the labels of two clean lines of one stage, in place."""
        rows = self._clean_rows(done, is_sourced=is_sourced)
        self.rng.shuffle(rows)
        for a in rows:
            for b in rows:
                one, two = done[a], done[b]
                if a != b and one.label.stage == two.label.stage and fits(one, two):
                    case = "label exchanged with {}"
                    first = under_label(two.specimen, one.label, case=case.format(two.label.sample))
                    second = under_label(one.specimen, two.label, case=case.format(one.label.sample))
                    done[a], done[b] = replace(one, specimen=first), replace(two, specimen=second)
                    return

    def _replicates(self, entry: Entry, *, is_wrong: bool) -> list[Entry]:
        """Return a line's samples, the last one of a sister where it is wrong."""
        label = replace(entry.label, line=f"{entry.label.sample}-line")
        samples = [replace(entry, label=label)]
        for number in range(2, self.settings.samples_per_replicate + 1):
            name = f"{entry.label.sample}-{number}"
            specimen = replace(entry.specimen, made_as=name)
            samples.append(replace(entry, label=replace(label, sample=name), specimen=specimen))
        if is_wrong:
            samples[-1] = self._stranger(samples[-1], "replicate of another line")
        return samples

    def _stranger(self, entry: Entry, case: str) -> Entry:
        """Put a new sister's DNA in place of a line's own."""
        cross = self._cross(entry.label)
        plant = self.breeder.materials.donors[cross].row_names.index(entry.label.donor)
        plan = Plan(label=entry.label, cross=cross, plant=plant, inducer=0)
        specimen = replace(self.breeder.clean(plan), genotype=f"untyped sister in {entry.label.sample}", case=case)
        return replace(entry, specimen=specimen)
