"""What the lot says of its markers once it is learnt: impure parents, faulty markers, distorted segregation.

A marker at which a typed inbred's offspring show both alleles is a fault of the marker or of the parent's seed. It
is set aside, and no line is failed for it. Distorted segregation is a property of a region and is only noted.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom, binomtest

from dhverify.family_models import FamilyModel, StrandRegistry
from dhverify.findings_table import Tree
from dhverify.genotypes import MISSING
from dhverify.strands import StrandCounts

FEWEST_COPIES: Final = 8.0
"""Copies of a founder's strand seen at a marker for it to be judged (common practice, no source)."""
IMPURE: Final = 0.08
"""A founder is impure at a marker when its rarer allele is shown by this share of its copies in offspring."""
IMPURE_PROBABILITY: Final = 1e-6
"""Chance that assay errors alone show the rarer allele so often (computed; bounds false alarms over 20,000 markers
and many founders)."""
MOST_IMPURE: Final = 0.15
"""Where more of the markers look impure than this, it is the pedigree that does not hold, not the markers."""
DISTORTED_PROBABILITY: Final = 1e-7
"""Chance that a marker without distortion segregates so far from 1:1 (computed; bounds false notes over 20,000
markers and many families)."""


def impure_markers(
    registry: StrandRegistry,
    models: Sequence[FamilyModel],
    strand_second: NDArray[np.float64],
    typed_second: NDArray[np.float64],
    counts: StrandCounts,
    error: float,
) -> tuple[dict[int, str], dict[int, str]]:
    """Markers at which the offspring of a typed inbred show both of its alleles.

    Where the other founders of the family carry the first one too, no crossover can explain it: such a marker is
    at fault. Where they differ, it is only noted.

    Parameters
    ----------
    registry
        The strands.
    models
        Families.
    strand_second
        float64, shape (n_strands, n_markers). As learnt.
    typed_second
        float64, shape (n_strands, n_markers). As the founders' own genotypes have it.
    counts
        Copies of each strand seen with either allele.
    error
        Homozygotes that the assay shows as the other homozygote.

    Returns
    -------
    faults, notes
        Reason by marker.

    """
    faults: dict[int, str] = {}
    notes: dict[int, str] = {}
    for strand, info in enumerate(registry.infos):
        if not info.sample:
            continue
        total = counts.values[strand].sum(axis=1)
        rarer = counts.values[strand].min(axis=1)
        p = strand_second[strand]
        by_chance = binom.sf(np.ceil(rarer) - 1, np.ceil(total), 2 * error)
        is_impure = (total >= FEWEST_COPIES) & (np.minimum(p, 1 - p) > IMPURE) & (by_chance < IMPURE_PROBABILITY)
        if is_impure.sum() > MOST_IMPURE * len(p):
            continue
        for marker in np.flatnonzero(is_impure):
            text = (
                f"offspring of {info.name} show both alleles ({rarer[marker]:.0f} of {total[marker]:.0f} copies the"
                " rarer one): the marker errs or this parent's seed is not pure here"
            )
            target = faults if _all_alike(models, typed_second[:, marker], strand) else notes
            target.setdefault(int(marker), text)
    return faults, notes


def _all_alike(models: Sequence[FamilyModel], second: NDArray[np.float64], strand: int) -> bool:
    """Whether in some family of a strand all founders were typed with one allele."""
    for model in models:
        founders = model.slots[list(model.donor_slots)]
        if strand in founders and len(set((second[founders] > 0.5).tolist())) == 1:
            return True
    return False


def distorted_markers(
    models: Sequence[FamilyModel], family_calls: Sequence[NDArray[np.int8]], strand_second: NDArray[np.float64]
) -> dict[int, str]:
    """Markers that segregate other than 1:1 among the clean lines of donors that are an F1.

    Parameters
    ----------
    models
        Families.
    family_calls
        Calls of the clean lines of each; int8, shape (n_lines, n_markers).
    strand_second
        float64, shape (n_strands, n_markers).

    Returns
    -------
    dict
        Note by marker.

    """
    n_markers = strand_second.shape[1]
    agreeing, total = np.zeros(n_markers, dtype=np.int64), np.zeros(n_markers, dtype=np.int64)
    for model, calls in zip(models, family_calls, strict=True):
        if not is_single_cross(model.shape.donor) or not len(calls):
            continue
        first, second = (strand_second[model.slots[slot]] for slot in model.donor_slots)
        is_split = ((first < 0.1) & (second > 0.9)) | ((first > 0.9) & (second < 0.1))
        is_called = (calls != MISSING) & (calls != 1) & is_split
        total += is_called.sum(axis=0)
        agreeing += (is_called & (calls == np.where(first > 0.5, 2, 0))).sum(axis=0)
    notes = {}
    for marker in np.flatnonzero(total >= 20):
        n, x = int(total[marker]), int(agreeing[marker])
        if abs(x - n / 2) > 2.5 * np.sqrt(n) and binomtest(x, n).pvalue < DISTORTED_PROBABILITY:
            notes[int(marker)] = f"segregates {x}:{n - x} in clean lines of single crosses, not 1:1 (no line is blamed)"
    return notes


def is_single_cross(tree: Tree) -> bool:
    """Whether a donor is a cross of two inbreds."""
    return not isinstance(tree, int) and all(isinstance(side, int) for side in tree)
