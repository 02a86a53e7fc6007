"""Parents, inducers and donors on the plate: pure, impure or mislabelled plants of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dhverify.simulation.founders import impure
from dhverify.simulation.specimens import Entry, Label, Specimen

if TYPE_CHECKING:
    from dhverify.simulation.materials import Materials
    from dhverify.simulation.settings import SimulationSettings


def reference_entries(settings: SimulationSettings, materials: Materials, rng: np.random.Generator) -> list[Entry]:
    """Rows of the sheet for all references: parents, inducers, donors."""
    return [
        *_parents(settings, materials, rng),
        *_inducer_inbreds(settings, materials),
        *_inducers(settings, materials),
        *_donors(settings, materials),
    ]


def _parents(settings: SimulationSettings, materials: Materials, rng: np.random.Generator) -> list[Entry]:
    n_wrong = min(settings.mislabelled_parents, materials.n_parents, len(materials.outside))
    wrong = {int(f) for f in rng.choice(materials.n_parents, n_wrong, replace=False)}
    outside = iter(materials.outside)
    impurity = settings.parent_impurity
    entries = []
    for founder in range(materials.n_parents):
        real = next(outside) if founder in wrong else founder
        case = f"differs from its stock at {100 * impurity:.1f} % of markers" if impurity else ""
        if real != founder:
            case = f"mislabelled: it is {materials.founder_names[real]}"
        specimen = Specimen(
            fraction=impure(materials.alleles[real], share=impurity, rng=rng),
            finding="parent",
            made_as=materials.founder_names[founder],
            genotype=materials.founder_names[real],
            case=case,
        )
        label = Label(sample=materials.founder_names[founder], role="parent")
        entries.append(Entry(label=label, specimen=specimen, is_typed="parents" in settings.typed))
    return entries


def _inducer_inbreds(settings: SimulationSettings, materials: Materials) -> list[Entry]:
    """Make rows for the inbreds that a hybrid inducer is a cross of."""
    entries = []
    for inducer in materials.inducers:
        for founder in inducer.founders if inducer.pedigree else ():
            name = materials.founder_names[founder]
            fraction = materials.alleles[founder].astype(np.float32)
            specimen = Specimen(fraction=fraction, finding="parent", made_as=name, genotype=name)
            label = Label(sample=name, role="parent")
            entries.append(Entry(label=label, specimen=specimen, is_typed="inducers" in settings.typed))
    return entries


def _inducers(settings: SimulationSettings, materials: Materials) -> list[Entry]:
    entries = []
    for inducer in materials.inducers:
        specimen = Specimen(
            fraction=materials.fraction(inducer.plant),
            finding="inducer",
            made_as=inducer.name,
            genotype=inducer.name,
        )
        label = Label(sample=inducer.name, role="inducer", pedigree=inducer.pedigree)
        entries.append(Entry(label=label, specimen=specimen, is_typed="inducers" in settings.typed))
    return entries


def _donors(settings: SimulationSettings, materials: Materials) -> list[Entry]:
    """Make a row for each cross (a bulk of its plants, if several), or for each plant of it."""
    entries = []
    for cross in materials.donors:
        rows: dict[str, list[int]] = {}
        for plant, name in enumerate(cross.row_names):
            rows.setdefault(name, []).append(plant)
        for name, plants in rows.items():
            dna = [materials.fraction(cross.plants[plant]) for plant in plants]
            specimen = Specimen(
                fraction=np.mean(dna, axis=0).astype(np.float32),
                finding="donor",
                donor=name,
                made_as=name,
                genotype=cross.plant_name(plants[0]) if len(plants) == 1 else f"bulk of {name}",
            )
            pedigree = cross.pedigree if settings.is_pedigree_known else ""
            label = Label(sample=name, role="donor", pedigree=pedigree, plants=len(plants))
            entries.append(Entry(label=label, specimen=specimen, is_typed="donors" in settings.typed))
    return entries
