"""The crosses that a marker set must serve, from typed parents and inducers: donor and inducer over founder strands."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.errors import Defect, SheetError
from dhverify.findings_table import Tree, n_meioses, tree_slots
from dhverify.genotypes import MISSING, Genotypes, locked
from dhverify.pedigree import Cross, Founder, Node, parse_pedigree
from dhverify.samples import Role, Sample, SampleSheet

MAX_DESIGN_MEIOSES: Final = 7
"""Meioses of donor gamete and inducer gamete that are followed; a selfing adds two, and each doubles the states."""


@dataclass(frozen=True, kw_only=True, eq=False)
class DesignCross:
    """A donor induced by an inducer.

    Attributes
    ----------
    donor, inducer
        Names.
    donor_tree, inducer_tree
        Pedigrees over local slots, the donor's founders first.
    allele
        int8, shape (n_slots, n_markers). 0 or 1; ``MISSING`` where the founder's call is missing or heterozygous.
    is_plant
        Whether the donor has no pedigree and stands for itself: what it segregates for is then not known.
    notes
        What a user should know of this cross.

    """

    donor: str
    inducer: str
    donor_tree: Tree
    inducer_tree: Tree
    allele: NDArray[np.int8]
    is_plant: bool = False
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "allele", locked(self.allele))

    @property
    def label(self) -> str:
        """Both names, for people."""
        return f"{self.donor} x {self.inducer}"

    @property
    def code(self) -> NDArray[np.int64]:
        """int64, shape (n_markers,). Which slots differ from the first one, as bits; 0 where nothing can be told."""
        differs = (self.allele != self.allele[0]).astype(np.int64)
        code = (differs << np.arange(len(self.allele))[:, None]).sum(axis=0)
        code[(self.allele == MISSING).any(axis=0)] = 0
        return np.asarray(code >> 1, dtype=np.int64)

    @property
    def is_diagnostic(self) -> NDArray[np.bool_]:
        """bool, shape (n_markers,). An allele of the inducer cannot come from this donor."""
        donor = self.allele[list(tree_slots(self.donor_tree))]
        inducer = self.allele[list(tree_slots(self.inducer_tree))]
        is_fixed = np.asarray((donor == donor[0]).all(axis=0))
        return np.asarray((self.code != 0) & is_fixed & (inducer != donor[0]).any(axis=0))

    @property
    def is_segregating(self) -> NDArray[np.bool_]:
        """bool, shape (n_markers,). Parents of the donor differ."""
        donor = self.allele[list(tree_slots(self.donor_tree))]
        return np.asarray((self.code != 0) & (donor != donor[0]).any(axis=0))


def design_crosses(genotypes: Genotypes, sheet: SampleSheet) -> tuple[DesignCross, ...]:
    """Build every cross of a sheet: each donor with each inducer, or with the one that its row names.

    Raises
    ------
    SheetError
        If the sheet names no donor or no inducer, or no parent of any cross was typed.

    """
    donors, inducers = sheet.with_role(Role.DONOR), sheet.with_role(Role.INDUCER)
    for role, rows in (("donor", donors), ("inducer", inducers)):
        if not rows:
            where, expected = f"role {role}", "at least one donor and one inducer, to make crosses of"
            raise SheetError(sheet.source, [Defect(where=where, found="no row", expected=expected)])
    typed = _Typed(genotypes=genotypes, row=genotypes.sample_index(), sheet=sheet)
    wanted = [
        (donor, inducer)
        for donor in donors
        for inducer in ([donor.inducer] if donor.inducer else [sample.name for sample in inducers])
    ]
    crosses = tuple(typed.cross(donor, inducer) for donor, inducer in wanted)
    if all((cross.allele == MISSING).all(axis=1).any() for cross in crosses):
        missing = sorted({name for donor, inducer in wanted for name in typed.untyped(donor, inducer)})
        found = f"not typed: {', '.join(missing)}" if missing else "no call of a parent or inducer"
        expected = "the parents of a donor and its inducer in the genotype files"
        raise SheetError(sheet.source, [Defect(where="crosses", found=found, expected=expected)])
    return crosses


@dataclass(frozen=True, kw_only=True, eq=False)
class _Typed:
    """Samples that were genotyped, and the sheet that says what they are."""

    genotypes: Genotypes
    row: dict[str, int]
    sheet: SampleSheet

    def cross(self, donor: Sample, inducer: str) -> DesignCross:
        """Build one cross."""
        notes: list[str] = []
        donor_node = self._node(donor.name, notes)
        inducer_node = self._node(inducer, notes)
        names = list(dict.fromkeys((*_tips(donor_node), *_tips(inducer_node))))
        number = {name: slot for slot, name in enumerate(names)}
        trees = _tree(donor_node, number), _tree(inducer_node, number)
        allele = np.array([self._strand(name) for name in names])
        if n_meioses(trees[0]) + n_meioses(trees[1]) + 1 > MAX_DESIGN_MEIOSES:
            notes.append(f"{donor.name} x {inducer}: its pedigree is too deep to be followed; it is not served.")
            allele[...] = MISSING
        untyped = self.untyped(donor, inducer)
        if untyped:
            notes.append(f"{donor.name} x {inducer}: {', '.join(untyped)} not typed; no marker can be judged.")
        return DesignCross(
            donor=donor.name,
            inducer=inducer,
            donor_tree=trees[0],
            inducer_tree=trees[1],
            allele=allele,
            is_plant=not donor.pedigree,
            notes=tuple(notes),
        )

    def untyped(self, donor: Sample, inducer: str) -> list[str]:
        """Founders of a cross that no genotype file holds."""
        nodes = self._node(donor.name, []), self._node(inducer, [])
        return [name for node in nodes for name in _tips(node) if name not in self.row]

    def _node(self, name: str, notes: list[str]) -> Node:
        """Pedigree of a donor or inducer; a plant of its own where none is given or an inducer's is not typed."""
        row = self.sheet[name] if name in self.sheet else None  # noqa: SIM401 (a sheet is no dict)
        text = row.pedigree if row is not None else ""
        if text:
            node = parse_pedigree(text, source=f"pedigree of {name}")
            is_known = all(tip in self.row for tip in _tips(node))
            if is_known or name not in self.row or (row is not None and row.role is Role.DONOR):
                return node
        if row is not None and row.role is Role.DONOR:
            notes.append(f"{name}: no pedigree; only markers at which the donor itself is homozygous can serve.")
        return Founder(name)

    def _strand(self, name: str) -> NDArray[np.int8]:
        """Alleles of an inbred; int8, shape (n_markers,)."""
        if name not in self.row:
            return np.full(self.genotypes.n_markers, MISSING, dtype=np.int8)
        calls = self.genotypes.calls[self.row[name]]
        return np.where((calls == 0) | (calls == 2), calls // 2, MISSING).astype(np.int8)


def _tips(node: Node) -> Iterator[str]:
    if isinstance(node, Founder):
        yield node.name
        return
    yield from _tips(node.female)
    yield from _tips(node.male)


def _tree(node: Node, number: dict[str, int]) -> Tree:
    if isinstance(node, Cross):
        return (_tree(node.female, number), _tree(node.male, number))
    return number[node.name]
