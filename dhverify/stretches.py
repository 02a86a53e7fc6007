"""How many independent stretches of genome the compared markers stand for.

Two sister gametes agree in stretches, not marker by marker: linked markers say the same thing again. The variance
of the agreement of sisters tells how many coin tosses it is worth: 0.25 / variance for gametes of an F1.

References
----------
Frisch M, Melchinger AE (2007) Genetics 176:477-488, doi:10.1534/genetics.106.065433 (variance over a linked
genome; here of the agreement of two gametes, whose correlation over d Morgan is exp(-4 d)).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.genotypes import MISSING
from dhverify.marker_grid import NO_MARKER, MarkerGrid

AGREEMENT_DECAY: Final = 4.0
"""Per Morgan: exp(-2 d) for each of the two gametes (Haldane 1919, J Genet 8:299-309)."""
MIN_LINES: Final = 10
"""Lines from which the agreement of all pairs of them tells its own variance (common practice, no source)."""
MAX_LINES: Final = 200
"""Lines of one family that are compared in pairs, for speed."""
MAP_TRUST: Final = 2.5
"""The map is believed, where markers have a place, up to this many times the stretches that the lines show: sisters
of one backcross plant, or of a distorted family, vary more than the map alone says (common practice, no source)."""
NORMAL_TAIL: Final = 0.1587
"""Share of a normal distribution beyond one standard deviation."""


def map_stretches(grid: MarkerGrid, is_compared: NDArray[np.bool_]) -> float:
    """Independent stretches that the map promises for a set of markers.

    Parameters
    ----------
    grid
        Chains of markers.
    is_compared
        bool, shape (n_markers,).

    Returns
    -------
    float
        At most the number of markers; 0 without any.

    Examples
    --------
    >>> import numpy as np
    >>> from dhverify.marker_grid import lay_out
    >>> grid = lay_out(np.array(["1", "1", "2"]), np.array([10.0, 10.0, 5.0]))
    >>> round(map_stretches(grid, np.array([True, True, True])), 2)
    1.8

    """
    behind = np.zeros(grid.n_chains)
    linked = 0.0
    for step in range(grid.n_steps):
        behind *= np.exp(-AGREEMENT_DECAY * grid.gap_morgan[step])
        marker = grid.marker[step]
        here = (marker != NO_MARKER) & is_compared[np.maximum(marker, 0)]
        linked += float((1.0 + 2.0 * behind[here]).sum())
        behind += here
    n = float(is_compared.sum())
    return n * n / linked if n else 0.0


def seen_stretches(calls: NDArray[np.int8]) -> float | None:
    """Independent stretches that the spread of the agreement between lines shows.

    Parameters
    ----------
    calls
        int8, shape (n_lines, n_markers). Lines of one kind of one family, at compared markers.

    Returns
    -------
    float or None
        None with fewer than ten lines, or where all agree alike. Copies among the lines do not matter: the
        spread is read from the middle of the distribution.

    """
    if len(calls) < MIN_LINES or not calls.shape[1]:
        return None
    step = max(1, -(-len(calls) // MAX_LINES))
    agreement = _agreements(calls[::step])
    if not len(agreement):
        return None
    low, middle, high = np.quantile(agreement, [NORMAL_TAIL, 0.5, 1 - NORMAL_TAIL])
    spread = float(high - low) / 2
    if spread <= 0:
        return None
    return float(middle * (1 - middle)) / spread**2


def _agreements(calls: NDArray[np.int8]) -> NDArray[np.float64]:
    """Share of equal calls of all pairs that share at least half of the usual number of markers."""
    called = (calls != MISSING).astype(np.float32)
    compared = called @ called.T
    equal = np.zeros_like(compared)
    for genotype in range(3):
        is_it = (calls == genotype).astype(np.float32)
        equal += is_it @ is_it.T
    pair = np.triu_indices(len(calls), 1)
    compared, equal = compared[pair], equal[pair]
    is_enough = compared >= max(1.0, 0.5 * float(np.median(compared)))
    return np.asarray(equal[is_enough] / compared[is_enough], dtype=np.float64)
