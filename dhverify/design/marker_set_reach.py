"""What can be had at all: the errors with every candidate, and limits that are relaxed where they cannot be reached."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.design.marker_set_errors import ErrorModel, Errors, excess
from dhverify.design.marker_set_rows import LOOSE, Candidates, Row

MOST_A_CHAIN: Final = 12
"""Markers of a chromosome that are looked at: evenly spaced, more tell little more."""
DRAWS: Final = 2048
SURE: Final = -0.25
"""A row that is so far (log) within its limits in the fast reckoning is taken as reachable."""
RELAXED: Final = 1.15
"""Where a limit cannot be reached, the set comes within this factor of the best that can be."""
NEAR_REACH: Final = 0.98
"""Likewise for the power to find segments."""


@dataclass(frozen=True, kw_only=True)
class Reach:
    """Best errors of a row with every candidate.

    Attributes
    ----------
    errors
        None where no marker helps.
    is_reached
        Whether the limits asked for can be met.
    level
        Log of how far above the limits the search, which thins long chromosomes, comes; 0 where they can be met.

    """

    errors: Errors | None
    is_reached: bool
    level: float = 0.0


def reachable(rows: Sequence[Row], candidates: Candidates) -> tuple[Reach, ...]:
    """Reckon with (nearly) all candidates what each row can reach."""
    allowed = np.flatnonzero(candidates.is_allowed)
    fast, full = ErrorModel(rows, candidates), ErrorModel(rows, candidates, is_final=True, draws=DRAWS, repeats=1)
    found = []
    for index, row in enumerate(rows):
        useful = allowed[row.code[allowed] > 0]
        if not len(useful):
            found.append(Reach(errors=None, is_reached=False))
            continue
        few = _thinned(useful, candidates)
        quick = errors = fast.row_errors(index, few)
        if excess(quick, row) > SURE:
            errors = full.row_errors(index, few)
        is_reached = excess(errors, row) <= 0
        found.append(Reach(errors=errors, is_reached=is_reached, level=0.0 if is_reached else excess(quick, row)))
    return tuple(found)


def in_force(row: Row, reach: Reach) -> Row:
    """Return the row with limits that can be met."""
    if reach.is_reached or reach.errors is None:
        return row
    factor = RELAXED * float(np.exp(max(reach.level, excess(reach.errors, row))))
    return replace(row, miss=row.miss * factor, false_fail=row.false_fail * factor)


def _thinned(useful: NDArray[np.int64], candidates: Candidates) -> NDArray[np.int64]:
    kept: list[int] = []
    for chain, piece in candidates.by_place(useful.tolist()).items():
        most = MOST_A_CHAIN if chain != LOOSE else 4 * MOST_A_CHAIN
        places = np.unique(np.rint(np.linspace(0, len(piece) - 1, min(most, len(piece)))).astype(int))
        kept += [piece[place] for place in places]
    return np.array(sorted(kept), dtype=np.int64)
