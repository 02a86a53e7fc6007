"""Families as pedigrees over founder strands, each strand shared by all families that it stands in."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.findings_table import MAX_MEIOSES, FamilyShape, Tree, n_meioses
from dhverify.pedigree import Founder, Node, founders, parse_pedigree
from dhverify.samples import Family, Role, SampleSheet

HETEROZYGOUS_INDUCER: Final = 0.08
"""An inducer that is heterozygous at more of its markers is taken as a cross of two strands."""


@dataclass(frozen=True, kw_only=True)
class StrandInfo:
    """A founder strand: its name, the sample that was typed of it (or empty), and what kind it is."""

    name: str
    sample: str
    is_anonymous: bool = False


@dataclass(frozen=True, kw_only=True, eq=False)
class FamilyModel:
    """A family with its pedigree over strands.

    Attributes
    ----------
    family
        Donor and inducer by name.
    shape
        The structure over local slots.
    slots
        int64, shape (n_slots,). Global strand of each local slot.
    founder_names
        Names of the donor's founders, in the order of the local slots.
    inducer_slots
        Local slots of the inducer.
    donor_sample
        The typed donor plant, or empty.
    inducer_sample
        The typed inducer, or empty.
    is_unphased
        Whether the donor is two strands that must be told apart from its lines.
    basis
        What the model rests on, a sentence for a person.

    """

    family: Family
    shape: FamilyShape
    slots: NDArray[np.int64]
    founder_names: tuple[str, ...]
    donor_slots: tuple[int, ...]
    inducer_slots: tuple[int, ...]
    donor_sample: str
    inducer_sample: str
    is_unphased: bool
    basis: str


@dataclass(kw_only=True, eq=False)
class StrandRegistry:
    """Collects strands by name while families are built."""

    infos: list[StrandInfo] = field(default_factory=list)
    number: dict[str, int] = field(default_factory=dict)

    def strand(self, name: str, *, sample: str, is_anonymous: bool = False) -> int:
        """Return the number of a strand, adding it when new."""
        if name not in self.number:
            self.number[name] = len(self.infos)
            self.infos.append(StrandInfo(name=name, sample=sample, is_anonymous=is_anonymous))
        return self.number[name]

    def typed(self, strands: Iterable[int]) -> list[bool]:
        """Whether each strand was typed."""
        return [bool(self.infos[strand].sample) for strand in strands]


@dataclass(frozen=True, kw_only=True)
class _Typed:
    """Which samples were genotyped, and how heterozygous they are."""

    heterozygosity: dict[str, float]
    bulks: frozenset[str]
    silent: frozenset[str]
    apart: frozenset[str]

    def plant(self, name: str) -> str:
        """The sample if it was typed and is a single plant."""
        return "" if name in self.bulks else self.sample(name)

    def sample(self, name: str) -> str:
        return name if name in self.heterozygosity and name not in self.silent else ""

    def lack(self, names: Iterable[str]) -> str:
        """Say why some samples tell nothing."""
        return "not genotyped or out of place" if self.silent.intersection(names) else "not genotyped"


def build_families(
    sheet: SampleSheet,
    families: Iterable[tuple[Family, bool]],
    heterozygosity: dict[str, float],
    silent: frozenset[str] = frozenset(),
    apart: frozenset[str] = frozenset(),
) -> tuple[StrandRegistry, tuple[FamilyModel, ...]]:
    """Build the strands and the pedigrees of all families.

    Parameters
    ----------
    sheet
        The sample sheet.
    families
        Families to build, and whether their samples are bulks.
    heterozygosity
        Share of heterozygous calls of each genotyped sample, by name.
    silent
        Genotyped samples that do not hold what the sheet says; they are taken as not typed.
    apart
        Donors that do not have the parents that the sheet names; they are taken as of unknown pedigree.

    """
    registry = StrandRegistry()
    bulks = frozenset(sample.name for sample in sheet if sample.plants > 1)
    typed = _Typed(heterozygosity=heterozygosity, bulks=bulks, silent=silent, apart=apart)
    models = tuple(_family(family, sheet, registry, typed, is_bulk) for family, is_bulk in families)
    return registry, models


def _family(
    family: Family,
    sheet: SampleSheet,
    registry: StrandRegistry,
    typed: _Typed,
    is_bulk: bool,
) -> FamilyModel:
    donor_tree, names, is_unphased, donor_basis = _donor(family.donor, sheet, registry, typed)
    inducer_tree, inducer_basis = _inducer(family.inducer, sheet, registry, typed)
    plant = typed.plant(family.donor)
    donor_global = _leaves(donor_tree)
    used = tuple(dict.fromkeys(donor_global + _leaves(inducer_tree)))
    local = {strand: slot for slot, strand in enumerate(used)}
    shape = FamilyShape(
        donor=_renumbered(donor_tree, local),
        inducer=_renumbered(inducer_tree, local),
        n_slots=len(used),
        has_plant=bool(plant),
        is_unphased=is_unphased,
        is_bulk=is_bulk,
    )
    return FamilyModel(
        family=family,
        shape=shape,
        slots=np.array(used, dtype=np.int64),
        founder_names=tuple(names),
        donor_slots=tuple(local[s] for s in donor_global),
        inducer_slots=tuple(local[s] for s in _leaves(inducer_tree)),
        donor_sample=plant,
        inducer_sample=typed.sample(family.inducer),
        is_unphased=is_unphased,
        basis=f"{donor_basis} {inducer_basis}",
    )


def _donor(
    donor: str, sheet: SampleSheet, registry: StrandRegistry, typed: _Typed
) -> tuple[Tree, list[str], bool, str]:
    """Pedigree of a donor over global strands, its founders' names, whether it is unphased, and its basis."""
    text = sheet[donor].pedigree if donor in sheet and donor not in typed.apart else ""
    node = parse_pedigree(text, source=f"pedigree of {donor}") if text else None
    names = list(founders(node)) if node is not None else []
    untyped = [name for name in names if not typed.sample(name)]
    is_plant_better = bool(typed.plant(donor)) and bool(untyped) and len(names) > 2
    if node is None or is_plant_better or (len(untyped) > 1 and len(names) > 2 and _is_too_deep(node)):
        return _anonymous_donor(donor, registry, typed)
    strands = {name: registry.strand(name, sample=typed.sample(name)) for name in names}
    tree = _tree(node, strands)
    if n_meioses(tree) + 1 > MAX_MEIOSES:
        return _anonymous_donor(donor, registry, typed)
    if untyped:
        seen = "its typed plant and its own lines" if typed.plant(donor) else "its own lines"
        basis = f"Donor {donor}: {', '.join(untyped)} {typed.lack(untyped)}, inferred from {seen}."
    else:
        basis = f"Donor {donor}: all parents genotyped."
    return tree, names, len(names) == 2 and len(untyped) == 2, basis


def _is_too_deep(node: Node) -> bool:
    return len(founders(node)) > 4


def _anonymous_donor(donor: str, registry: StrandRegistry, typed: _Typed) -> tuple[Tree, list[str], bool, str]:
    names = [f"{donor} chromosome {number}" for number in (1, 2)]
    first, second = (registry.strand(name, sample="", is_anonymous=True) for name in names)
    seen = "its typed plant and its own lines" if typed.plant(donor) else "its own lines"
    lack = "other donors show other alleles of its parents, " if donor in typed.apart else ""
    return (first, second), names, True, f"Donor {donor}: {lack}two chromosome sets inferred from {seen}."


def _inducer(inducer: str, sheet: SampleSheet, registry: StrandRegistry, typed: _Typed) -> tuple[Tree, str]:
    """Pedigree of an inducer over global strands, and its basis."""
    name = inducer or "unknown inducer"
    sample = typed.sample(inducer)
    text = sheet[inducer].pedigree if inducer in sheet else ""
    if text:
        node = parse_pedigree(text, source=f"pedigree of {inducer}")
        names = founders(node)
        known = [n for n in names if typed.sample(n)]
        if known or not sample:
            strands = {n: registry.strand(n, sample=typed.sample(n)) for n in names}
            tree = _tree(node, strands)
            if n_meioses(tree) <= 2:
                return tree, f"Inducer {inducer}: a cross of {' and '.join(names)}."
    if sample and typed.heterozygosity[sample] > HETEROZYGOUS_INDUCER:
        pair = tuple(registry.strand(f"{name} chromosome {number}", sample="", is_anonymous=True) for number in (1, 2))
        return (pair[0], pair[1]), f"Inducer {inducer}: heterozygous, two chromosome sets."
    strand = registry.strand(name, sample=sample)
    if sample:
        return strand, f"Inducer {inducer}: genotyped."
    return strand, f"Inducer {name}: {typed.lack([name])}, inferred from hybrids where there are any."


def _tree(node: Node, strands: dict[str, int]) -> Tree:
    if isinstance(node, Founder):
        return strands[node.name]
    return (_tree(node.female, strands), _tree(node.male, strands))


def _leaves(tree: Tree) -> tuple[int, ...]:
    if isinstance(tree, int):
        return (tree,)
    return tuple(dict.fromkeys(_leaves(tree[0]) + _leaves(tree[1])))


def _renumbered(tree: Tree, local: dict[int, int]) -> Tree:
    if isinstance(tree, int):
        return local[tree]
    return (_renumbered(tree[0], local), _renumbered(tree[1], local))


def role_samples(sheet: SampleSheet, *roles: Role) -> list[str]:
    """Names of the samples of some roles, in sheet order."""
    return [sample.name for sample in sheet if sample.role in roles]
