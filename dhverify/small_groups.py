"""Small groups, shrunk toward the lot: a rate of a few lines says little by itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from dhverify.outcome import AccountRow

SMALL_GROUP: Final = 30
"""Groups of fewer lines (or kernels, plants) than this are also shown shrunk toward the lot (common practice, no
source: with 30 the interval of a share of one half still spans .33 to .67)."""
FEWEST_GROUPS: Final = 3
"""Groups from which the spread between groups can be learnt: two tell nothing of it beyond chance."""
MOST_WEIGHT: Final = 1000.0
"""Weight of the lot's rate where groups do not differ beyond chance; any larger one gives the same digits."""


def with_shrinkage(rows: list[AccountRow], column: str) -> list[AccountRow]:
    """Add to the small groups of a column what they are when shrunk toward the lot.

    Parameters
    ----------
    rows
        Rows of all groups of one column.
    column
        What the groups are of; nothing is shrunk where that is the lot as a whole.

    """
    if column == "all":
        return rows
    measures = dict.fromkeys(row.measure for row in rows)
    weights = {measure: _learnt([r for r in rows if r.measure == measure]) for measure in measures}
    return [_shrunk(row, weights[row.measure]) for row in rows]


def _learnt(rows: Sequence[AccountRow]) -> tuple[float, float] | None:
    """Mean and weight of the beta distribution of a rate between groups, by moments; None if too few groups.

    References
    ----------
    Kleinman JC (1973) Proportions with extraneous variance: single and independent samples. J Am Stat Assoc
    68:46-54.

    """
    able = [(row.count, row.of) for row in rows if row.count is not None and row.of]
    if len(able) < FEWEST_GROUPS:
        return None
    x, n = np.array(able, dtype=np.float64).T
    x = np.minimum(x, n)
    mean = float(x.sum() / n.sum())
    if not 0 < mean < 1:
        return mean, MOST_WEIGHT
    spread = float((n * (x / n - mean) ** 2).sum())
    spare = float(n.sum() - (n**2).sum() / n.sum())
    between = (spread / (mean * (1 - mean)) - (len(n) - 1)) / max(spare - (len(n) - 1), 1e-9)
    weight = MOST_WEIGHT if between <= 0 else min(1 / min(between, 1.0) - 1, MOST_WEIGHT)
    return mean, weight


def _shrunk(row: AccountRow, learnt: tuple[float, float] | None) -> AccountRow:
    if learnt is None or row.of is None or row.count is None or row.of >= SMALL_GROUP:
        return row
    mean, weight = learnt
    rate = (min(row.count, row.of) + weight * mean) / (row.of + weight)
    counts = f"which counts as much as {weight:,.0f} more"
    if weight >= MOST_WEIGHT:
        counts = "from which no group differs beyond chance"
    note = f"few ({row.of:.0f}): shrunk toward the rate of all groups together ({mean:.3f}), {counts}"
    return replace(row, shrunk_rate=rate, note=note)
