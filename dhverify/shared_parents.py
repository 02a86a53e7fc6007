"""Untyped parents that several donors share: which of a donor's two chromosome sets is whose.

Phasing the lines of one family tells its two chromosome sets apart, chromosome by chromosome, and cannot say which
set is which parent's. A parent of another family can: on every chromosome the sets that families give to a parent
they share are to agree.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from dhverify.marker_grid import NO_MARKER, MarkerGrid

SURE_LOG_ODDS: Final = 4.6
"""Log odds of an allele, .99 to .01, beyond which families that agree make a strand no surer to start from."""
TOLD: Final = 2.0
"""Log odds of an allele from which it is compared with what others tell (common practice, no source)."""
FEWEST_COMPARED: Final = 30
"""Markers from which a donor is compared with others (common practice, no source)."""
LEAST_AGREEING: Final = 0.8
"""A donor whose set shows what others show of that parent at fewer markers has another parent (common practice, no
source)."""
MOST_SWEEPS: Final = 20
"""Rounds in which families are turned one after the other; a few do (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class PhasedDonor:
    """The two chromosome sets of a donor, told apart along each chromosome, and the strands they stand for.

    Attributes
    ----------
    name
        The donor.
    strands
        The strands of the two parents.
    second
        float64, shape (2, n_markers). Probability of the second allele on each set.

    """

    name: str
    strands: tuple[int, int]
    second: NDArray[np.float64]


def oriented(
    donors: Sequence[PhasedDonor], known_second: NDArray[np.float64], grid: MarkerGrid
) -> list[NDArray[np.float64]]:
    """Give the two sets of each donor to its parents, chromosome by chromosome, as all families agree best.

    Parameters
    ----------
    donors
        Donors with two untyped parents.
    known_second
        float64, shape (n_strands, n_markers). What other families tell of each strand; 0.5 where nothing.
    grid
        The chains.

    Returns
    -------
    list of ndarray
        For each donor float64, shape (2, n_markers): its sets in the order of its strands.

    """
    found = [donor.second.copy() for donor in donors]
    for markers in _linked(grid):
        signed = [2 * donor.second[:, markers] - 1 for donor in donors]
        for number, turn in enumerate(_turns(donors, signed, 2 * known_second[:, markers] - 1)):
            if turn:
                found[number][:, markers] = donors[number].second[::-1, markers]
    return found


def _linked(grid: MarkerGrid) -> Iterator[NDArray[np.int64]]:
    """Yield markers whose phase hangs together: those of a chromosome, and each one without a place by itself."""
    for chain, chrom in enumerate(grid.chain_chrom):
        markers = grid.marker[:, chain]
        markers = markers[markers != NO_MARKER]
        yield from [markers] if chrom else markers[:, None]


def _turns(
    donors: Sequence[PhasedDonor], signed: Sequence[NDArray[np.float64]], known: NDArray[np.float64]
) -> NDArray[np.int64]:
    """Tell for each donor whether its sets are to be turned on one chain (1) or not (0).

    Donors join one after the other or two at once, the surest first, and are then looked at again in turn.
    """
    alone, together = _agreements(donors, signed, known)
    turn = np.zeros(len(donors), dtype=np.int64)
    is_open = np.ones(len(donors), dtype=bool)
    pairs = _pair_scores(alone, together)
    pair_margin = -np.diff(-np.partition(-pairs, 1, axis=2)[..., :2])[..., 0]
    while is_open.any():
        score = _given_others(alone, together, turn, ~is_open)
        margin = np.where(is_open, np.abs(score[:, 1] - score[:, 0]), -1.0)
        both = np.where(is_open[:, None] & is_open[None, :], pair_margin, -1.0)
        first, second = np.unravel_index(int(both.argmax()), both.shape)
        if both[first, second] > margin.max():
            turn[[first, second]] = np.unravel_index(int(pairs[first, second].argmax()), (2, 2))
            is_open[[first, second]] = False
        else:
            best = int(margin.argmax())
            turn[best] = int(score[best].argmax())
            is_open[best] = False
    return _settled(alone, together, turn)


def _settled(alone: NDArray[np.float64], together: NDArray[np.float64], turn: NDArray[np.int64]) -> NDArray[np.int64]:
    """Turn donors one by one as long as all agree better for it."""
    everyone = np.ones(len(turn), dtype=bool)
    for _ in range(MOST_SWEEPS * len(turn)):
        score = _given_others(alone, together, turn, everyone)
        gain = np.take_along_axis(score, 1 - turn[:, None], 1) - np.take_along_axis(score, turn[:, None], 1)
        best = int(gain[:, 0].argmax())
        if gain[best, 0] <= 0:
            break
        turn[best] = 1 - turn[best]
    return turn


def _given_others(
    alone: NDArray[np.float64],
    together: NDArray[np.float64],
    turn: NDArray[np.int64],
    is_told: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """Agreement of each donor, straight and turned, with what is known and the donors told so far; shape (n, 2)."""
    others = np.flatnonzero(is_told)
    return np.asarray(alone + together[:, :, others, turn[others]].sum(axis=2))


def _pair_scores(alone: NDArray[np.float64], together: NDArray[np.float64]) -> NDArray[np.float64]:
    """Agreement of every two donors, in the four ways to turn them; float64, shape (n, n, 4)."""
    n = len(alone)
    shares = (together != 0).any(axis=(1, 3))
    scores = together.transpose(0, 2, 1, 3) + alone[:, None, :, None] + alone[None, :, None, :]
    return np.where(shares[..., None, None], scores, 0.0).reshape(n, n, 4)


def _agreements(
    donors: Sequence[PhasedDonor], signed: Sequence[NDArray[np.float64]], known: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Markers that agree less those that do not, with what is known and with each other.

    Returns
    -------
    ndarray, ndarray
        float64, shape (n, 2) and (n, 2, n, 2); the axes of length 2 are straight and turned.

    """
    n = len(donors)
    alone, together = np.zeros((n, 2)), np.zeros((n, 2, n, 2))
    seats: dict[int, list[tuple[int, int]]] = {}
    for number, donor in enumerate(donors):
        for side, strand in enumerate(donor.strands):
            seats.setdefault(strand, []).append((number, side))
    for strand, seated in seats.items():
        numbers = np.array([number for number, _ in seated])
        sets = np.array([[signed[number][side], signed[number][1 - side]] for number, side in seated])
        alone[numbers] += sets @ known[strand]
        told = np.einsum("iom,jpm->iojp", sets, sets, optimize=True)
        for position, number in enumerate(numbers):
            together[number][:, numbers] += told[position]
    together[np.arange(n), :, np.arange(n)] = 0.0
    return alone, together


def joined(
    donors: Sequence[PhasedDonor], sets: Sequence[NDArray[np.float64]], known_second: NDArray[np.float64]
) -> dict[int, NDArray[np.float64]]:
    """What all donors and other families tell of each parent together, by strand; float64, shape (n_markers,)."""
    told = _told(donors, sets, known_second)
    return {s: expit(np.clip(odds, -SURE_LOG_ODDS, SURE_LOG_ODDS)) for s, odds in told.items()}


def contradicting(donors: Sequence[PhasedDonor], known_second: NDArray[np.float64], grid: MarkerGrid) -> list[int]:
    """Donors that have other parents than they are said to share, by number, the worst first.

    Whatever set is given to a parent, it does not show the alleles that other families show of that parent, at
    markers with a place. Donors are left out one by one until the others agree.
    """
    is_placed = np.isfinite(grid.cm)
    left = list(range(len(donors)))
    out: list[int] = []
    while left:
        kept = [donors[number] for number in left]
        agrees, compared = _agreement(kept, oriented(kept, known_second, grid), known_second, is_placed)
        mean = agrees.sum(axis=1) / np.maximum(compared.sum(axis=1), 1)
        is_low = (compared & (agrees < LEAST_AGREEING)).any(axis=1)
        lowest = np.where(is_low, mean, np.inf)
        worst = int(lowest.argmin())
        if not np.isfinite(lowest[worst]):
            break
        out.append(left.pop(worst))
    return out


def _agreement(
    donors: Sequence[PhasedDonor],
    sets: Sequence[NDArray[np.float64]],
    known_second: NDArray[np.float64],
    is_placed: NDArray[np.bool_],
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Share of placed markers at which each donor's sets show what all others tell of its parents.

    Returns
    -------
    ndarray, ndarray
        float64 and bool, shape (n_donors, 2), by parent: the share, 0 where hardly anything can be compared; and
        whether it can.

    """
    told = _told(donors, sets, known_second)
    found, compared = np.zeros((len(donors), 2)), np.zeros((len(donors), 2), dtype=bool)
    for number, (donor, second) in enumerate(zip(donors, sets, strict=True)):
        for side, strand in enumerate(donor.strands):
            own = logit(second[side])
            rest = told[strand] - own
            is_sure = is_placed & (np.abs(own) > TOLD) & (np.abs(rest) > TOLD)
            if is_sure.sum() >= FEWEST_COMPARED:
                compared[number, side] = True
                found[number, side] = ((own > 0) == (rest > 0))[is_sure].mean()
    return found, compared


def _told(
    donors: Sequence[PhasedDonor], sets: Sequence[NDArray[np.float64]], known_second: NDArray[np.float64]
) -> dict[int, NDArray[np.float64]]:
    """Log odds of the second allele on each strand from all donors and other families together."""
    told: dict[int, NDArray[np.float64]] = {}
    for donor, second in zip(donors, sets, strict=True):
        for strand, values in zip(donor.strands, second, strict=True):
            told[strand] = told.get(strand, logit(known_second[strand])) + logit(values)
    return told
