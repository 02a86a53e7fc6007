"""All pairs of samples that agree at nearly all markers: found exactly, without counting every pair.

A pair agrees at a share of the markers called in both. One matrix product over the most informative markers gives
every pair a lower bound on its unequal calls; a pair whose bound is above what the asked share allows is out. The
others are counted on bits. A missing call counts as possibly equal in the bound, so that no pair is lost.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from dhverify.genotypes import MISSING, locked

ROWS_PER_BLOCK: Final = 1024
PAIRS_PER_BLOCK: Final = 4096
ROUNDING: Final = 0.01
"""Slack of the bound: products of small whole numbers are exact in float32, thresholds are not."""
BOUND_FACTOR: Final = 3.0
"""Markers in the bound show this many unequal calls in an ordinary pair for each one that is allowed: linked
markers of sisters vary widely around the mean."""
SPARSE_MISSING: Final = 0.1
"""Where more calls are missing, the bound counts the markers called in both instead of assuming the worst."""


@dataclass(frozen=True, kw_only=True, eq=False)
class AgreeingPairs:
    """Pairs of samples that agree, in order of the first and then of the second row.

    Attributes
    ----------
    first, second
        int64, shape (n_pairs,). Rows, ``first < second``.
    equal
        int64, shape (n_pairs,). Markers with equal calls.
    compared
        int64, shape (n_pairs,). Markers called in both.

    """

    first: NDArray[np.int64]
    second: NDArray[np.int64]
    equal: NDArray[np.int64]
    compared: NDArray[np.int64]

    def __post_init__(self) -> None:
        for field in ("first", "second", "equal", "compared"):
            object.__setattr__(self, field, locked(getattr(self, field)))

    def __len__(self) -> int:
        return len(self.first)

    @property
    def agreement(self) -> NDArray[np.float64]:
        """Share of equal calls; float64, shape (n_pairs,)."""
        return np.asarray(self.equal / np.maximum(self.compared, 1))


def agreeing_pairs(calls: NDArray[np.int8], *, min_agreement: float, min_compared: int = 1) -> AgreeingPairs:
    """All pairs of samples with at least a share of equal calls over at least a number of markers.

    Parameters
    ----------
    calls
        int8, shape (n_samples, n_markers). 0, 1, 2 or ``MISSING``; a marker that is not to be compared in a
        sample is set to ``MISSING`` there.
    min_agreement
        Share of equal calls among the markers called in both, above 0 and at most 1.
    min_compared
        Markers called in both, at least 1.

    Returns
    -------
    AgreeingPairs
        The same pairs and counts as counting every pair would give.

    Raises
    ------
    ValueError
        If the share or the number is out of range.

    Examples
    --------
    >>> import numpy as np
    >>> calls = np.array([[0, 2, 2, 0], [0, 2, 2, -1], [2, 0, 2, 0]], dtype=np.int8)
    >>> found = agreeing_pairs(calls, min_agreement=0.9, min_compared=3)
    >>> found.first.tolist(), found.second.tolist(), found.compared.tolist()
    ([0], [1], [3])

    """
    if not 0 < min_agreement <= 1 or min_compared < 1:
        raise ValueError("min_agreement must be above 0 and at most 1, min_compared at least 1")
    bits = CallBits(calls)
    bound = _Bound(calls, min_agreement)
    found: list[NDArray[np.int64]] = [np.zeros((4, 0), dtype=np.int64)]
    for start in range(0, len(calls), ROWS_PER_BLOCK):
        first, second = bound.survivors(start, min(start + ROWS_PER_BLOCK, len(calls)))
        for begin in range(0, len(first), PAIRS_PER_BLOCK):
            part = slice(begin, begin + PAIRS_PER_BLOCK)
            equal, compared = bits.count(first[part], second[part])
            is_alike = (compared >= min_compared) & (equal >= min_agreement * compared - 1e-9)
            rows = np.stack([first[part], second[part], equal, compared])
            found.append(rows[:, is_alike])
    pairs = np.concatenate(found, axis=1)
    return AgreeingPairs(first=pairs[0], second=pairs[1], equal=pairs[2], compared=pairs[3])


class CallBits:
    """Calls as bits, three planes of one bit a marker: 0, 1 and 2 copies of the second allele.

    Parameters
    ----------
    calls
        int8, shape (n_samples, n_markers).

    """

    def __init__(self, calls: NDArray[np.int8]) -> None:
        self.planes = [packed(calls == genotype) for genotype in range(3)]
        self.called = packed(calls != MISSING)

    def count(
        self,
        first: NDArray[np.int64],
        second: NDArray[np.int64],
        mask: NDArray[np.uint64] | None = None,
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Count equal calls and markers called in both.

        Parameters
        ----------
        first, second
            int64, shape (n_pairs,). Rows.
        mask
            uint64, shape (n_pairs, n_words) or (n_words,). Markers to compare, as :func:`packed` gives them; all
            if left out.

        Returns
        -------
        equal, compared
            int64, shape (n_pairs,).

        """
        both = self.called[first] & self.called[second]
        equal = np.zeros_like(both)
        for plane in self.planes:
            equal |= plane[first] & plane[second]
        if mask is not None:
            both &= mask
            equal &= mask
        return bit_count(equal), bit_count(both)


def packed(is_set: NDArray[np.bool_]) -> NDArray[np.uint64]:
    """Pack truth values into words of 64 bits; uint64, shape (n_rows, n_words), from bool (n_rows, n_columns)."""
    n_rows, n_columns = is_set.shape
    n_words = max(1, -(-n_columns // 64))
    octets = np.zeros((n_rows, n_words * 8), dtype=np.uint8)
    octets[:, : -(-n_columns // 8)] = np.packbits(is_set, axis=1)
    return octets.view(np.uint64)


_BITS_OF_OCTET: Final = np.unpackbits(np.arange(256, dtype=np.uint8)[:, None], axis=1).sum(axis=1, dtype=np.uint8)


def bit_count(words: NDArray[np.uint64]) -> NDArray[np.int64]:
    """Bits set in each row of words; int64, shape (n_rows,)."""
    counter = getattr(np, "bitwise_count", None)
    counted = counter(words) if counter is not None else _BITS_OF_OCTET[words.view(np.uint8)]
    return np.asarray(counted.sum(axis=1, dtype=np.int64))


class _Bound:
    """Which pairs may agree: a lower bound on the unequal calls of every pair, from some of the markers.

    With x = call - 1 and 0 for a missing call, an unequal pair of calls has (x - y)^2 of 1 or 4, and a missing
    call adds at most 1. So the unequal calls are at least a quarter of the sum of (x - y)^2 less the missing calls
    of the two. Where many calls are missing, opposite homozygotes are counted instead.
    """

    def __init__(self, calls: NDArray[np.int8], min_agreement: float) -> None:
        n_called = (calls != MISSING).sum(axis=1)
        self.allowed = ((1 - min_agreement) * n_called + ROUNDING).astype(np.float32)
        allowed = float(np.median(self.allowed)) if len(calls) else 0.0
        chosen = calls[:, informative_markers(calls, BOUND_FACTOR * max(allowed, 8.0))]
        is_called = chosen != MISSING
        value = np.where(is_called, chosen - np.int8(1), np.int8(0)).astype(np.float32)
        if not is_called.size or is_called.mean() >= 1 - SPARSE_MISSING:
            own = ((np.einsum("sm,sm->s", value, value) - (~is_called).sum(axis=1)) / 4)[:, None]
            one = np.ones_like(own)
            self.left: NDArray[Any] = np.concatenate([value, own, one], axis=1, dtype=np.float32)
            self.right: NDArray[Any] = np.concatenate([value / -2, one, own], axis=1, dtype=np.float32)
        else:
            size = np.abs(value)
            self.left = np.concatenate([size, value], axis=1)
            self.right = np.concatenate([size, -value], axis=1) / 2

    def survivors(self, start: int, stop: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Pairs of the rows of a block with later rows that may agree."""
        bound = self.left[start:stop] @ self.right[start:].T
        allowed = np.minimum(self.allowed[start:stop, None], self.allowed[None, start:])
        first, second = np.nonzero(bound <= allowed)
        is_later = second > first
        return first[is_later] + start, second[is_later] + start


def informative_markers(calls: NDArray[np.int8], n_unequal: float) -> NDArray[np.int64]:
    """Fewest markers at which two random samples are expected to show a number of opposite homozygotes.

    Returns
    -------
    ndarray
        int64. Markers, most informative first; all of them where even they do not show so many.

    """
    n_samples = max(len(calls), 1)
    opposite = 2 * (calls == 0).sum(axis=0) / n_samples * (calls == 2).sum(axis=0) / n_samples
    order = np.argsort(-opposite, kind="stable")
    reached = np.cumsum(opposite[order]) >= n_unequal
    return order[: int(reached.argmax()) + 1] if reached.any() else order
