"""The coding `parents`: who is A and who is B, from the pedigrees of the sample sheet."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from dhverify.errors import Defect, FormatError
from dhverify.genotypes import MISSING, Genotypes
from dhverify.pedigree import founders, parse_pedigree
from dhverify.samples import Role, SampleSheet

if TYPE_CHECKING:
    from dhverify.formats.part import Part


@dataclass(frozen=True, kw_only=True)
class Letters:
    """The parents that A and B stand for; empty where no sheet says it."""

    first: str = ""
    second: str = ""


def parents_of_letters(source: str, sheet: SampleSheet | None, first_parent: str | None = None) -> Letters:
    """Return the two parents that the donors of a sheet descend from; A is the first in the pedigree.

    Raises
    ------
    FormatError
        The sheet's donors do not have exactly two parents, or do not agree which is the first.

    """
    if sheet is None:
        return Letters(first=first_parent or "")
    pedigrees = [sample.pedigree for sample in sheet.with_role(Role.DONOR) if sample.pedigree]
    orders = [founders(parse_pedigree(text, source=sheet.source)) for text in pedigrees]
    names = list(dict.fromkeys(name for order in orders for name in order))
    if len(names) != 2:
        found = "the pedigrees name " + (", ".join(names) or "nobody")
        raise _error(source, found, "exactly two parents over all donors of the sheet")
    first = first_parent or names[0]
    if first not in names:
        raise _error(source, f"{first} as first parent", " or ".join(names))
    if first_parent is None and any(order[0] != first for order in orders):
        raise _error(source, "pedigrees with different first parents", "the same first parent in every pedigree")
    return Letters(first=first, second=next(name for name in names if name != first))


def _error(source: str, found: str, expected: str) -> FormatError:
    return FormatError(source, [Defect(where="coding parents", found=found, expected=expected)])


def letters_said(part: Part, letters: Letters) -> Part:
    """Add a note that says who A and B are."""
    if letters.second:
        note = f"{part.source}: A is {letters.first}, B is {letters.second}, H is both."
    else:
        note = f"{part.source}: A is the first parent, B the second, H is both; no sheet says who they are."
    return replace(part, notes=(*part.notes, note))


def with_parents(genotypes: Genotypes, letters: Letters, sheet: SampleSheet | None) -> Genotypes:
    """Add the parents that have a row in the sheet and are in no file: A is A at every lettered marker."""
    if sheet is None:
        return genotypes
    held = set(genotypes.samples.tolist())
    pair = ((letters.first, 0), (letters.second, 2))
    added = [(name, copies) for name, copies in pair if name in sheet and name not in held]
    if not added:
        return genotypes
    is_lettered = genotypes.markers.second_allele == "B"
    calls = [np.where(is_lettered, copies, MISSING) for _, copies in added]
    depths = genotypes.depths
    if depths is not None:
        depths = np.concatenate([depths, np.zeros((len(added), *depths.shape[1:]), dtype=np.int32)])
    names = [name for name, _ in added]
    return replace(
        genotypes,
        samples=np.array([*genotypes.samples.tolist(), *names], dtype=np.str_),
        calls=np.vstack([genotypes.calls, np.array(calls, dtype=np.int8)]),
        depths=depths,
        half_calls=np.concatenate([genotypes.half_calls, np.zeros(len(added), dtype=np.int64)]),
        notes=(
            *genotypes.notes,
            f"The calls of {' and '.join(names)} follow from the coding parents and were added.",
        ),
    )
