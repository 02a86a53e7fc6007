"""Errors when some assays fail."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from math import comb
from typing import Final

import numpy as np

from dhverify.design.marker_set_errors import ErrorModel, Errors, excess

MOST_TRIED: Final = 2500
"""Sets of failures of one row that are all computed; with more, the worst single failures are taken in turn."""


def after_failures(model: ErrorModel, chosen: Sequence[int], n_failures: int) -> tuple[Errors, ...]:
    """Errors of every row when the failures that harm it most have happened.

    Parameters
    ----------
    model
        Computes errors.
    chosen
        Markers.
    n_failures
        Assays that fail.

    Returns
    -------
    tuple of Errors
        One a row; the errors of the whole set where nothing fails.

    """
    return tuple(_row_after(model, index, tuple(chosen), n_failures) for index in range(len(model.rows)))


def _row_after(model: ErrorModel, index: int, chosen: tuple[int, ...], n_failures: int) -> Errors:
    row = model.rows[index]
    useful = tuple(marker for marker in chosen if row.code[marker] > 0)
    n_failures = min(n_failures, len(useful))
    if comb(len(useful), n_failures) <= MOST_TRIED:
        tries = [_without(model, index, useful, gone) for gone in combinations(useful, n_failures)]
        return max(tries, key=lambda errors: excess(errors, row))
    for _ in range(n_failures):
        left = [(excess(_without(model, index, useful, (gone,)), row), -gone) for gone in useful]
        worst = -max(left)[1]
        useful = tuple(marker for marker in useful if marker != worst)
    return _without(model, index, useful, ())


def _without(model: ErrorModel, index: int, useful: Sequence[int], gone: Sequence[int]) -> Errors:
    return model.row_errors(index, np.array(sorted(set(useful) - set(gone)), dtype=np.int64))
