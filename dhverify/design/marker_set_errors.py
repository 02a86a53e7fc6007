"""Miss and false fail of a marker set: the distribution of the likelihood ratio, and its best cut-off.

Chromosomes are independent, so the log likelihood ratio of a line is a sum. For each chromosome every call pattern
is listed with its probability under both findings, linkage included; the sums follow by convolution on a fine grid.
Chains too long to be listed are sampled from both findings with fixed seeds, each draw weighted by its probability.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.design.marker_set_chains import pattern_probabilities, sampled_patterns
from dhverify.design.marker_set_rows import Candidates, Row

LONGEST_PATTERNS: Final = 729
FEW_CHROMOSOMES: Final = 4
"""Patterns of a chain that are listed; with more the chain is thinned (in the search) or sampled (at the end). With
few chromosomes more are listed in the search too."""
LONGEST_PATTERNS_AT_THE_END: Final = 6561
COARSE_SIZE: Final = 4096
FINE_SIZE: Final = 65536
FEWEST_PIECES: Final = 12
REACH: Final = 4.0
"""Log likelihood ratios of one chromosome are followed this far beyond the stricter limit."""
N_DRAWS: Final = 4096
REPEATS: Final = 3
SEED: Final = 20240229
SMALLEST: Final = 1e-14
"""Probabilities below are lost in the rounding of the convolution."""
MOST_KEPT: Final = 6000


@dataclass(frozen=True, kw_only=True)
class Errors:
    """Errors of one row at its best cut-off, with their standard errors where chains were sampled."""

    miss: float
    false_fail: float
    miss_se: float = 0.0
    false_fail_se: float = 0.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Spectrum:
    """Log likelihood ratio of one piece under both findings, transformed."""

    first: NDArray[np.complex128]
    second: NDArray[np.complex128]


def best_cutoff(
    good: NDArray[np.float64], wrong: NDArray[np.float64], row: Row
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Errors at the cut-off that is best against the limits.

    Parameters
    ----------
    good, wrong
        float64, shape (n_cases, n_values). Probability of each value of the likelihood ratio, in rising order, of
        good and of wrong lines. A line passes above the cut-off.
    row
        Its limits.

    Returns
    -------
    tuple of ndarray
        Miss and false fail; float64, shape (n_cases,). The larger of miss / limit and false fail / limit is as
        small as can be; of equal cut-offs the one with the smaller sum.

    """
    n_cases = len(good)
    false_fail = np.hstack([np.zeros((n_cases, 1)), np.cumsum(good, axis=1)])
    miss = np.hstack([np.cumsum(wrong[:, ::-1], axis=1)[:, ::-1], np.zeros((n_cases, 1))])
    worst = np.maximum(miss / row.miss, false_fail / row.false_fail)
    low = worst.min(axis=1, keepdims=True)
    is_best = worst <= low * (1 + 1e-9) + 1e-300
    both = np.where(is_best, miss + false_fail, np.inf)
    at = np.argmin(both, axis=1)
    case = np.arange(n_cases)
    return np.clip(miss[case, at], 0, 1), np.clip(false_fail[case, at], 0, 1)


class ErrorModel:
    """Errors of marker sets in every row; remembers pieces and rows that it has seen.

    Parameters
    ----------
    rows
        What is to be told.
    candidates
        Where the markers are.
    is_final
        Work on a fine grid and keep every marker, rather than fast.
    draws
        Patterns drawn from each finding for a chain too long to be listed.
    repeats
        Times that all draws are made anew, for the standard error.

    """

    def __init__(
        self,
        rows: Sequence[Row],
        candidates: Candidates,
        *,
        is_final: bool = False,
        draws: int = N_DRAWS,
        repeats: int = REPEATS,
    ) -> None:
        self.rows = rows
        self.candidates = candidates
        self.is_final = is_final
        self.draws = draws
        self.repeats = repeats
        self.size = FINE_SIZE if is_final else COARSE_SIZE
        strictest = min([min(row.miss, row.false_fail) for row in rows], default=0.5)
        is_small = len(candidates.chromosomes) <= FEW_CHROMOSOMES
        self._longest = LONGEST_PATTERNS_AT_THE_END if is_small else LONGEST_PATTERNS
        self._n_pieces = max(FEWEST_PIECES, len(candidates.chromosomes))
        self.step = 2 * self._n_pieces * (REACH + float(np.log(1 / strictest))) / self.size
        self._pieces: OrderedDict[tuple[int, tuple[int, ...], int], Spectrum] = OrderedDict()
        self._errors: dict[tuple[int, tuple[int, ...]], Errors] = {}

    def errors(self, chosen: Iterable[int]) -> list[Errors]:
        """Errors of every row."""
        markers = np.array(sorted(chosen), dtype=np.int64)
        return [self.row_errors(index, markers) for index in range(len(self.rows))]

    def row_errors(self, index: int, markers: NDArray[np.int64]) -> Errors:
        """Errors of one row."""
        row = self.rows[index]
        useful = tuple(int(marker) for marker in markers[row.code[markers] > 0])
        key = (index, useful)
        if key not in self._errors:
            if len(self._errors) > 20 * MOST_KEPT:
                self._errors.clear()
            self._errors[key] = self._row_errors(index, useful)
        return self._errors[key]

    def distribution(
        self, index: int, useful: Sequence[int], seed: int = SEED
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Distribution of the log likelihood ratio of good to wrong.

        Returns
        -------
        tuple of ndarray
            Values in rising order, and their probability for good and for wrong lines; float64, shape (n_values,).

        """
        pieces = self.candidates.pieces(useful)
        first = np.ones(self.size // 2 + 1, dtype=np.complex128)
        second = first.copy()
        for piece in pieces:
            spectrum = self._piece(index, piece, seed, len(pieces))
            first *= spectrum.first
            second *= spectrum.second
        good, wrong = (np.fft.fftshift(np.fft.irfft(part, self.size)) for part in (first, second))
        value = np.asarray((np.arange(self.size) - self.size // 2) * self.step, dtype=np.float64)
        return value, _cleaned(good), _cleaned(wrong)

    def _row_errors(self, index: int, useful: tuple[int, ...]) -> Errors:
        row = self.rows[index]
        if not useful:
            return _undecided(row)
        _, good, wrong = self.distribution(index, useful)
        miss, false_fail = best_cutoff(good[None], wrong[None], row)
        if not self._is_sampled(row, useful) or self.repeats < 2:
            return Errors(miss=float(miss[0]), false_fail=float(false_fail[0]))
        tries = [(float(miss[0]), float(false_fail[0]))]
        for more in range(1, self.repeats):
            _, good, wrong = self.distribution(index, useful, SEED + more)
            again = best_cutoff(good[None], wrong[None], row)
            tries.append((float(again[0][0]), float(again[1][0])))
        mean, spread = np.mean(tries, axis=0), np.std(tries, axis=0, ddof=1) / np.sqrt(self.repeats)
        return Errors(
            miss=float(mean[0]),
            false_fail=float(mean[1]),
            miss_se=float(spread[0]),
            false_fail_se=float(spread[1]),
        )

    def _is_sampled(self, row: Row, useful: Sequence[int]) -> bool:
        longest = max(len(piece) for piece in self.candidates.pieces(useful))
        return self.is_final and row.both[0].n_outcomes ** longest > LONGEST_PATTERNS_AT_THE_END

    def _piece(self, index: int, piece: tuple[int, ...], seed: int, n_pieces: int) -> Spectrum:
        row = self.rows[index]
        n_outcomes = row.both[0].n_outcomes
        if not self.is_final:
            piece = _thinned(piece, n_outcomes, self._longest)
        is_sampled = n_outcomes ** len(piece) > LONGEST_PATTERNS_AT_THE_END
        n_pieces = self._n_pieces * -(-n_pieces // self._n_pieces)
        key = (index, piece, n_pieces)
        if key in self._pieces and not is_sampled:
            self._pieces.move_to_end(key)
            return self._pieces[key]
        code, gaps = row.code[list(piece)], self.candidates.gaps(piece)
        if is_sampled:
            rng = np.random.default_rng([seed, index, piece[0], len(piece)])
            ratio, good, wrong = _weighted(*sampled_patterns(row.both, code, gaps, self.draws, rng))
        else:
            good, wrong = (pattern_probabilities(model, code[None], gaps[None])[0] for model in row.both)
            ratio = np.log(np.maximum(good, 1e-300)) - np.log(np.maximum(wrong, 1e-300))
        spectrum = self._transformed(ratio, good, wrong, n_pieces)
        if not is_sampled:
            self._pieces[key] = spectrum
            if len(self._pieces) > (MOST_KEPT if not self.is_final else 100):
                self._pieces.popitem(last=False)
        return spectrum

    def _transformed(
        self, ratio: NDArray[np.float64], good: NDArray[np.float64], wrong: NDArray[np.float64], n_pieces: int
    ) -> Spectrum:
        """Bin the values; far values are brought in so that no sum leaves the grid."""
        reach = (self.size // 2 - 1) * self.step / n_pieces
        place = np.rint(np.clip(ratio, -reach, reach) / self.step).astype(np.int64) % self.size
        first, second = (np.bincount(place, weights=weight, minlength=self.size) for weight in (good, wrong))
        return Spectrum(first=np.fft.rfft(first), second=np.fft.rfft(second))


def _undecided(row: Row) -> Errors:
    """Errors without any useful marker: all lines pass or all fail, whichever is nearer to the limits."""
    if 1 / row.miss <= 1 / row.false_fail:
        return Errors(miss=1.0, false_fail=0.0)
    return Errors(miss=0.0, false_fail=1.0)


def _cleaned(chance: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.where(chance < SMALLEST, 0.0, chance)


def _thinned(piece: tuple[int, ...], n_outcomes: int, longest: int) -> tuple[int, ...]:
    """Keep evenly spaced markers of a long chain: fewer markers never tell more, so errors are not understated."""
    most = int(np.log(longest * 1.001) / np.log(n_outcomes))
    if len(piece) <= most:
        return piece
    keep = np.unique(np.rint(np.linspace(0, len(piece) - 1, most)).astype(int))
    return tuple(piece[place] for place in keep)


def _weighted(
    first: NDArray[np.float64], second: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Log ratio of drawn patterns, and their weights under either finding, given that half came from each."""
    ratio = np.asarray(first - second)
    good = 2 / (1 + np.exp(-np.clip(ratio, -700, 700)))
    wrong = 2 / (1 + np.exp(np.clip(ratio, -700, 700)))
    return ratio, good / good.sum(), wrong / wrong.sum()


def excess(errors: Errors, row: Row) -> float:
    """Log of how far the worse error is above its limit; 0 or less where both are within."""
    return float(np.log(max(errors.miss / row.miss, errors.false_fail / row.false_fail, 1e-12)))
