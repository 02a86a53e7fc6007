"""What one genotype file holds, before files are joined."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from dhverify.formats.defects import a_few, counted

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from dhverify.genotypes import Markers, SetAsideMarker


class Alphabet(StrEnum):
    """What the allele names of a file are; names of different alphabets cannot be compared."""

    BASES = "bases"
    NUMBERS = "1 and 2"
    LETTERS = "parents A and B"
    NONE = "copies"


@dataclass(frozen=True, kw_only=True, eq=False)
class Part:
    """The content of one genotype file.

    Attributes
    ----------
    source
        File name, for notes and warnings.
    samples
        Unique names, in file order.
    markers
        In file order; the name is empty where the file names none, and need not be unique.
    calls
        int8, shape (n_samples, n_markers). Copies of the second allele.
    depths
        int32, shape (n_samples, n_markers, 2), or None.
    half_calls
        int64, shape (n_samples,).
    alphabet
        What the allele names are.
    is_ordered
        Whether the file itself says which allele is the first (a VCF, a table with allele columns).
    is_place_the_identity
        Whether a record is known by its place, its name being a remark (a VCF).
    set_aside, notes, warnings
        As in ``Genotypes``.

    """

    source: str
    samples: tuple[str, ...]
    markers: Markers
    calls: NDArray[np.int8]
    depths: NDArray[np.int32] | None = None
    half_calls: NDArray[np.int64]
    alphabet: Alphabet
    is_ordered: bool
    is_place_the_identity: bool = False
    set_aside: tuple[SetAsideMarker, ...] = ()
    notes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def set_aside_warning(source: str, markers: tuple[SetAsideMarker, ...]) -> list[str]:
    """One warning for each reason for which markers were set aside."""
    by_reason: dict[str, list[str]] = {}
    for marker in markers:
        by_reason.setdefault(marker.reason, []).append(marker.name)
    return [_sentence(source, reason, names) for reason, names in by_reason.items()]


def _sentence(source: str, reason: str, names: list[str]) -> str:
    return f"{source}: {counted(len(names), 'marker')} set aside, {reason}: {a_few(names)}."
