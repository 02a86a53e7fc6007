"""Marker classes of a family: which markers tell the inducer, and which segregate in the donor.

With two alleles a marker whose donor strands differ can show no allele of the inducer that the donor lacks, so
no marker is both, unless strands are known only in part; such a marker counts as neither.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.family_models import FamilyModel
from dhverify.genotypes import locked

SURE: Final = 0.1
"""A strand is taken to carry an allele when the other one is less probable than this."""


@dataclass(frozen=True, kw_only=True, eq=False)
class MarkerClasses:
    """Classes of all usable markers in one family; bool, shape (n_markers,).

    Attributes
    ----------
    is_diagnostic
        No strand of the donor carries an allele that the inducer can give.
    is_segregating
        Strands of the donor carry different alleles.
    is_alike
        Donor and inducer all carry one allele: the other one is foreign.
    inducer_second
        Whether the inducer's diagnostic allele is the second one.
    alike_second
        Whether the allele of donor and inducer is the second one.

    """

    is_diagnostic: NDArray[np.bool_]
    is_segregating: NDArray[np.bool_]
    is_alike: NDArray[np.bool_]
    inducer_second: NDArray[np.bool_]
    alike_second: NDArray[np.bool_]

    def __post_init__(self) -> None:
        for name in ("is_diagnostic", "is_segregating", "is_alike", "inducer_second", "alike_second"):
            object.__setattr__(self, name, locked(getattr(self, name)))


def classify(
    model: FamilyModel, strand_second: NDArray[np.float64], typed_second: NDArray[np.float64] | None = None
) -> MarkerClasses:
    """Classify markers in a family.

    Markers at which two typed parents differ segregate, also where offspring show one of them to be impure.

    Parameters
    ----------
    model
        The family.
    strand_second
        float64, shape (n_strands, n_markers). Probability of the second allele on each strand.
    typed_second
        The same from the founders' own genotypes alone.

    """
    slots = model.slots[list(model.donor_slots)]
    parted = _part(strand_second[slots])
    if typed_second is not None:
        parted |= _part(typed_second[slots])
    donor = strand_second[slots]
    inducer = strand_second[model.slots[list(model.inducer_slots)]]
    is_first, is_second = donor < SURE, donor > 1 - SURE
    donor_first, donor_second = np.asarray(is_first.all(axis=0)), np.asarray(is_second.all(axis=0))
    some_first = np.asarray((inducer < SURE).any(axis=0))
    some_second = np.asarray((inducer > 1 - SURE).any(axis=0))
    all_first = np.asarray((inducer < SURE).all(axis=0))
    all_second = np.asarray((inducer > 1 - SURE).all(axis=0))
    is_diagnostic = (donor_first & some_second) | (donor_second & some_first)
    return MarkerClasses(
        is_diagnostic=is_diagnostic,
        is_segregating=parted,
        is_alike=(donor_first & all_first) | (donor_second & all_second),
        inducer_second=donor_first & some_second,
        alike_second=donor_second & all_second,
    )


def _part(second: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Markers at which some strands surely carry the first allele and others the second."""
    return np.asarray((second < SURE).any(axis=0) & (second > 1 - SURE).any(axis=0))
