"""Blanks: whether a no-template control holds DNA, and whose it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.genotypes import MISSING
from dhverify.lot import Lot
from dhverify.observation import AssayModel
from dhverify.samples import Role, Sample

NOISE_SHARES: Final = (0.02, 0.15, 0.4)
"""Shares of the calls of a blank that are noise rather than DNA (common practice, no source)."""
CARRIES: Final = 1000.0
"""Odds, after correcting for the number of samples, from which a blank carries one sample's genotype."""
SAME: Final = 3.0
"""Samples within this log likelihood of the best one cannot be told apart by what the blank holds."""


@dataclass(frozen=True, kw_only=True)
class BlankFinding:
    """What a blank holds.

    Attributes
    ----------
    sample
        Its row of the sheet.
    call_rate
        Share of usable markers called; None where it was not genotyped.
    is_dirty
        Whether it is called too often, or carries a sample's genotype.
    owners
        Samples whose genotype it carries: the best first, then those that cannot be told from it.
    log_odds
        Natural log odds for the best sample's genotype against noise and against DNA of nobody here.

    """

    sample: Sample
    call_rate: float | None
    is_dirty: bool
    owners: tuple[str, ...] = ()
    log_odds: float = 0.0


def judge_blanks(lot: Lot, assay: AssayModel, blanks: Sequence[Sample], most: float) -> tuple[BlankFinding, ...]:
    """Judge blanks.

    Parameters
    ----------
    lot
        The genotyped samples.
    assay
        How the assay errs.
    blanks
        Rows of the sheet with role ``blank``.
    most
        Call rate above which a blank is dirty.

    Returns
    -------
    tuple of BlankFinding
        In the order of ``blanks``.

    """
    if not lot.seen.n_markers:
        return tuple(BlankFinding(sample=b, call_rate=None, is_dirty=False) for b in blanks)
    others = _others(lot)
    return tuple(_judge(lot, assay, blank, others, most) for blank in blanks)


def _others(lot: Lot) -> NDArray[np.int64]:
    """Rows of samples that can have got into a blank."""
    rate = (lot.seen.calls != MISSING).mean(axis=1)
    able = [row for row, s in enumerate(lot.samples) if s.role is not Role.BLANK]
    typical = float(np.median(rate[able])) if able else 0.0
    return np.array([row for row in able if rate[row] > 0.3 * typical], dtype=np.int64)


def _judge(lot: Lot, assay: AssayModel, blank: Sample, others: NDArray[np.int64], most: float) -> BlankFinding:
    if blank.name not in lot.row:
        return BlankFinding(sample=blank, call_rate=None, is_dirty=False)
    row = lot.row[blank.name]
    call_rate = float((lot.seen.calls[row] != MISSING).mean())
    odds = owner_log_odds(lot, assay, row, others)
    order = np.argsort(-odds, kind="stable")
    best = float(odds[order[0]]) if len(order) else -np.inf
    is_carrier = best > np.log(CARRIES)
    owners = tuple(lot.samples[int(others[k])].name for k in order if odds[k] > best - SAME) if is_carrier else ()
    return BlankFinding(
        sample=blank,
        call_rate=call_rate,
        is_dirty=call_rate > most or is_carrier,
        owners=owners,
        log_odds=best if is_carrier else 0.0,
    )


def owner_log_odds(lot: Lot, assay: AssayModel, row: int, others: NDArray[np.int64]) -> NDArray[np.float64]:
    """Log odds that a blank carries each sample's genotype, against noise and against DNA of nobody here.

    The number of samples is corrected for: each has the prior of one in all.

    Returns
    -------
    ndarray
        float64, shape (n_others,).

    """
    calls = lot.seen.calls
    told = np.flatnonzero(calls[row] != MISSING)
    if not len(told) or not len(others):
        return np.full(len(others), -np.inf)
    likelihood = assay.genotype_likelihood(lot.seen, np.array([row]))[told, 0]
    noise = likelihood.mean(axis=1)
    held = calls[np.ix_(others, told)]
    pool = _pool(held)
    unknown = (likelihood * pool).sum(axis=1)
    rest = np.logaddexp(np.log(noise).sum(), np.log(unknown).sum()) - np.log(2)
    scores = []
    for share in NOISE_SHARES:
        log_chance = np.log((1 - share) * (0.99 * likelihood + 0.01 * noise[:, None]) + share * noise[:, None])
        blank = np.log((1 - share) * unknown + share * noise)
        total = sum((held == g).astype(np.float64) @ (log_chance[:, g] - blank) for g in range(3))
        scores.append(total + blank.sum())
    best = np.logaddexp.reduce(np.array(scores), axis=0) - np.log(len(scores))
    return np.asarray(best - rest - np.log(len(others)))


def _pool(calls: NDArray[np.int8]) -> NDArray[np.float64]:
    """Genotype frequencies among samples; float64, shape (n_markers, 3)."""
    counts = np.stack([(calls == g).sum(axis=0) for g in range(3)], axis=1) + 0.5
    return np.asarray(counts / counts.sum(axis=1, keepdims=True))
