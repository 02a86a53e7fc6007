"""The lines of a lot: which of them go wrong, and how those of a later stage descend from earlier ones."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from dhverify.simulation.genome import shared_out
from dhverify.simulation.lines import Breeder, Plan
from dhverify.simulation.settings import FAULT_SHARES, SimulationSettings
from dhverify.simulation.specimens import Entry, Label, Specimen

if TYPE_CHECKING:
    from numpy.typing import NDArray

STAGE_LETTER: Final = {"haploid": "H", "D0": "T", "D1": "L"}
SORTERS: Final = ("Ama", "Bruno", "Cleo", "Dario", "Edda", "Falk", "Gerda", "Hugo", "Ines", "Jost")

_DESCENDING: Final = ("", "hybrid", "selfed_donor", "source")
"""Faults of lines that a later stage may descend from."""

Made = list[tuple[Plan, Specimen]]


def sorter_weights(settings: SimulationSettings) -> NDArray[np.float64]:
    """How often each sorter takes a hybrid for a haploid, against the mean of all; shape (n_sorters,)."""
    spread = settings.sorter_spread if settings.n_sorters > 1 else 0.0
    return np.linspace(1 - spread, 1 + spread, settings.n_sorters)


def sorter_name(number: int) -> str:
    """Name of a sorter.

    Examples
    --------
    >>> sorter_name(0), sorter_name(12)
    ('Ama', 'Cleo2')

    """
    return SORTERS[number % 10] + (str(number // 10 + 1) if number >= 10 else "")


@dataclass(frozen=True, kw_only=True, eq=False)
class Lot:
    """Makes the lines of every stage of a programme."""

    settings: SimulationSettings
    breeder: Breeder
    rng: np.random.Generator

    def lines(self) -> list[Entry]:
        """Lines of every stage in the order of the sheet."""
        entries: list[Entry] = []
        earlier: Made = []
        for stage in self.settings.stages:
            plans = self._with_faults(self._with_sources(self._plans(stage), earlier))
            sources = {plan.label.sample: specimen for plan, specimen in earlier}
            earlier = self._with_duplicates([(plan, self._make(plan, sources)) for plan in plans])
            entries += [Entry(label=p.label, specimen=specimen, fault=p.fault) for p, specimen in earlier]
        return entries

    def _plans(self, stage: str) -> list[Plan]:
        return [
            self._plan(stage, cross, number)
            for cross in range(self.settings.n_donors)
            for number in range(self.settings.lines_per_donor)
        ]

    def _plan(self, stage: str, cross: int, number: int) -> Plan:
        settings, donor = self.settings, self.breeder.materials.donors[cross]
        plant = int(self.rng.integers(len(donor.plants)))
        inducer = (cross + number) % settings.n_inducers
        label = Label(
            sample=f"{donor.name}-{STAGE_LETTER[stage]}{number + 1:03d}",
            role="line",
            stage=stage,
            donor=donor.row_names[plant],
            inducer=self.breeder.materials.inducers[inducer].name,
            sorter=sorter_name(int(self.rng.integers(settings.n_sorters))),
            ear=f"{donor.name}-{plant + 1}-{int(self.rng.integers(1, 6))}",
            season=f"season {int(self.rng.integers(1, settings.n_seasons + 1))}",
            plants=settings.plants_per_sample if stage == "D1" else 1,
        )
        return Plan(label=label, cross=cross, plant=plant, inducer=inducer)

    # descent

    def _with_sources(self, plans: list[Plan], earlier: Made) -> list[Plan]:
        """Let a share of the lines of a later stage descend from lines of the earlier one."""
        per_cross: dict[int, list[Plan]] = {}
        for plan, specimen in earlier:
            if plan.fault in _DESCENDING and specimen.copy_of == "":
                per_cross.setdefault(plan.cross, []).append(plan)
        n_wanted = round(self.settings.descent_share * self.settings.lines_per_donor)
        seen: dict[int, int] = {}
        done = []
        for plan in plans:
            number = seen[plan.cross] = seen.get(plan.cross, 0) + 1
            candidates = per_cross.get(plan.cross, [])
            if number <= n_wanted and candidates:
                done.append(_descended(plan, candidates.pop(int(self.rng.integers(len(candidates))))))
            else:
                done.append(plan)
        return done

    def _make(self, plan: Plan, sources: dict[str, Specimen]) -> Specimen:
        if plan.fault != "source":
            return self.breeder.make(plan)
        return self.breeder.descended(plan, sources[plan.label.source])

    # faults

    def _with_faults(self, plans: list[Plan]) -> list[Plan]:
        """Plant the faults on lines without a source."""
        free = [i for i, plan in enumerate(plans) if plan.fault != "source"]
        shares = [float(getattr(self.settings, name)) for name in FAULT_SHARES]
        numbers = shared_out(len(free), [*shares, max(1 - sum(shares), 0.0)])
        done = list(plans)
        for name, number in zip(FAULT_SHARES, numbers, strict=False):
            chosen = self._chosen([plans[i] for i in free], name, number)
            for i in (free[c] for c in chosen):
                done[i] = self._faulty(plans[i], name.removesuffix("_share"))
            free = [i for row, i in enumerate(free) if row not in chosen]
        return done

    def _chosen(self, plans: list[Plan], name: str, number: int) -> list[int]:
        """Rows of the lines that get a fault: hybrids by the sorters' own rates, others at random."""
        if number == 0:
            return []
        chance = np.ones(len(plans))
        if name in ("hybrid_share", "unselfed_hybrid_share"):
            weights = {sorter_name(i): w for i, w in enumerate(sorter_weights(self.settings))}
            chance = np.array([weights[plan.label.sorter] for plan in plans]) + 1e-9
        return sorted(int(i) for i in self.rng.choice(len(plans), number, replace=False, p=chance / chance.sum()))

    def _faulty(self, plan: Plan, fault: str) -> Plan:
        if fault != "wrong_tissue":
            return replace(plan, fault=fault)
        is_seedling = plan.label.stage == "haploid"
        tissue = "endosperm" if is_seedling and self.rng.random() < 0.5 else "pericarp"
        return replace(plan, fault=fault, label=replace(plan.label, tissue=tissue))

    def _with_duplicates(self, made: Made) -> Made:
        """Turn planned duplicates into copies of a clean sister."""
        models: dict[str, Made] = {}
        for plan, specimen in made:
            if plan.fault in ("", "source") and specimen.is_clean:
                models.setdefault(plan.label.donor, []).append((plan, specimen))
        done = []
        for plan, own in made:
            sisters = models.get(plan.label.donor, [])
            if plan.fault != "duplicate" or not sisters:
                done.append((plan, own))
                continue
            sister, model = sisters[int(self.rng.integers(len(sisters)))]
            copy = replace(model, made_as=plan.label.sample, copy_of=sister.label.sample, case="duplicate")
            done.append((plan, copy))
        return done


def _descended(plan: Plan, source: Plan) -> Plan:
    """Plan a line that descends from a line of an earlier stage."""
    label = replace(
        source.label,
        sample=plan.label.sample,
        stage=plan.label.stage,
        plants=plan.label.plants,
        source=source.label.sample,
    )
    return replace(source, label=label, fault="source")
