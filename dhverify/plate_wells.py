"""What is seen of wells: which hold DNA, and how well a well holds a given sample of the sheet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.genotypes import MISSING
from dhverify.lot import Lot
from dhverify.plate_layout import Move, PlateLayout, moved
from dhverify.plate_profiles import Profiles
from dhverify.samples import Role, Sample, SampleSheet

MOST_MARKERS: Final = 300
"""Markers that are compared: those that differ most among the samples, spread over the panel."""
STRAY: Final = 0.05
"""Chance that a well holds something else of its plate, whatever the story (common practice, no source)."""
FAILED: Final = 0.05
"""Chance that a sample fails (common practice, no source)."""
DIRTY: Final = 0.08
"""Chance that a sample fails, and that a blank holds DNA (common practice, no source)."""
MISFIT: Final = -1.5
"""Log likelihood against anything of the plate below which a well does not fit the sheet (common practice, no
source)."""
FULL_SHARE: Final = 0.4
"""A well holds DNA when it is called at more than this share of the median sample's markers."""


@dataclass(frozen=True, kw_only=True, eq=False)
class SeenWells:
    """Calls at the markers compared, and which wells hold DNA.

    Attributes
    ----------
    samples
        The row of the sheet that each row of calls is named after.
    row
        Row of each sample, by name.
    calls
        int8, shape (n_samples, n_markers).
    is_full
        bool, shape (n_samples,). Whether a well holds DNA.

    """

    samples: tuple[Sample, ...]
    row: Mapping[str, int]
    calls: NDArray[np.int8]
    is_full: NDArray[np.bool_]

    @classmethod
    def of(cls, lot: Lot) -> SeenWells:
        """Choose the markers to compare."""
        calls = lot.seen.calls
        rate = (calls != MISSING).mean(axis=1) if calls.shape[1] else np.zeros(len(calls))
        holds = np.array([s.role is not Role.BLANK for s in lot.samples], dtype=bool)
        typical = float(np.median(rate[holds])) if holds.any() else 1.0
        is_full = rate > FULL_SHARE * typical
        chosen = informative_markers(calls[is_full], MOST_MARKERS)
        return cls(samples=lot.samples, row=lot.row, calls=calls[:, chosen], is_full=is_full)


def informative_markers(calls: NDArray[np.int8], most: int) -> NDArray[np.int64]:
    """Markers that differ most among samples, at most one in each of ``most`` stretches of the panel.

    Parameters
    ----------
    calls
        int8, shape (n_samples, n_markers).
    most
        How many at most.

    Returns
    -------
    ndarray
        int64, ascending.

    """
    is_called = calls != MISSING
    n = np.maximum(is_called.sum(axis=0), 1)
    second = np.where(is_called, calls, 0).sum(axis=0) / (2 * n)
    worth = second * (1 - second) * is_called.mean(axis=0) if len(calls) else np.zeros(calls.shape[1])
    stretches = np.array_split(np.arange(calls.shape[1]), min(most, max(calls.shape[1], 1)))
    picked = [part[int(np.argmax(worth[part]))] for part in stretches if len(part)]
    return np.array([k for k in picked if worth[k] > 0], dtype=np.int64)


def donors_on(layout: PlateLayout, shares: Mapping[str, Mapping[str, float]]) -> frozenset[str]:
    """Donors that a plate has anything to do with; parents bring all their donors.

    Parameters
    ----------
    layout
        The plate.
    shares
        Share of each founder in each donor whose pedigree is known.

    """
    names = {s.donor for s in layout.at.values()} | {s.name for s in layout.at.values()}
    parents = {s.name for s in layout.at.values() if s.role is Role.PARENT}
    near = {donor for donor, founders in shares.items() if parents & set(founders)}
    return frozenset((names | near) - {""})


def contents(layouts: Sequence[PlateLayout], moves: Mapping[str, Move], sheet: SampleSheet) -> dict[str, Sample | None]:
    """What each sample of the sheet really holds when plates have moved.

    Parameters
    ----------
    layouts
        The plates.
    moves
        How each came out of place, by its name.
    sheet
        The sample sheet.

    """
    holds: dict[str, Sample | None] = {sample.name: sample for sample in sheet}
    for layout in layouts:
        for sample, origin, is_around in moved(layout, moves[layout.plate]):
            holds[sample.name] = None if is_around else origin
    return holds


def named_well(origin: Sample, row: int, is_full: bool, anything: float, profiles: Profiles) -> float:
    """Log likelihood of a well that should hold a sample of the sheet, against anything of its plate.

    Parameters
    ----------
    origin
        What it should hold.
    row
        The row of calls of what is there.
    is_full
        Whether there is DNA.
    anything
        Log likelihood that it is something of the plate.
    profiles
        What everything on the sheet looks like.

    """
    if origin.role is Role.BLANK:
        return float(np.log(DIRTY) if is_full else np.log1p(-DIRTY))
    if not is_full:
        return float(np.log(FAILED))
    own = profiles.of(origin, row)
    if own is None:
        return float(np.log1p(-FAILED))
    told = min(own - anything, -np.log(STRAY) * 4)
    return float(np.log1p(-FAILED) + np.logaddexp(np.log1p(-STRAY) + told, np.log(STRAY)))
