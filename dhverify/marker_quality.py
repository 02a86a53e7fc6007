"""Which markers can be used: a bad marker is set aside and never fails a line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom

from dhverify.genotypes import MISSING

LOWEST_RELATIVE_CALL_RATE: Final = 0.4
"""A marker called in less than this share of the lot's median marker is set aside (common practice, no source)."""
CLEAN_QUANTILE: Final = 0.4
"""Heterozygosity of a marker is looked at among this share of the samples, the least heterozygous ones."""
SUSPECT_PROBABILITY: Final = 1e-6
"""Chance that a sound marker of the lot shows so many heterozygotes (computed; bounds false alarms in 20,000
markers)."""
SUSPECT_HETEROZYGOSITY: Final = 0.012
"""Least share of heterozygotes among clean samples for a marker to be suspect (common practice, no source)."""
SUSPECT_RATIO: Final = 4.0
"""A marker is suspect when its heterozygotes among clean samples are at least 1.2 %, four times the lot's rate, and
more than chance allows at 1e-6 (common practice, no source: the probability bounds false alarms in 20,000
markers)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class MarkerQuality:
    """How good each marker is.

    Attributes
    ----------
    marker_call_rate
        float64, shape (n_markers,). Among samples that are called at all.
    marker_heterozygosity
        float64, shape (n_markers,). Heterozygotes among the clean samples called there; nan where none is.
    is_usable
        bool, shape (n_markers,).
    reason
        Why a marker is set aside; empty for usable ones.

    """

    marker_call_rate: NDArray[np.float64]
    marker_heterozygosity: NDArray[np.float64]
    is_usable: NDArray[np.bool_]
    reason: tuple[str, ...]


def sample_call_rate(calls: NDArray[np.int8]) -> NDArray[np.float64]:
    """Share of markers called; float64, shape (n_samples,), from int8 calls, shape (n_samples, n_markers)."""
    return (calls != MISSING).mean(axis=1) if calls.shape[1] else np.zeros(len(calls))


def sample_heterozygosity(calls: NDArray[np.int8]) -> NDArray[np.float64]:
    """Share of called markers that are heterozygous; nan where nothing is called; shape (n_samples,)."""
    called = (calls != MISSING).sum(axis=1)
    het = (calls == 1).sum(axis=1)
    return np.divide(het, called, out=np.full(len(calls), np.nan), where=called > 0)


def judge_markers(calls: NDArray[np.int8], is_inbred: NDArray[np.bool_]) -> MarkerQuality:
    """Judge markers against the lot.

    Parameters
    ----------
    calls
        int8, shape (n_samples, n_markers).
    is_inbred
        bool, shape (n_samples,). Samples that should be homozygous: lines, parents.

    Returns
    -------
    MarkerQuality
        A marker is set aside when it fails in most samples, or shows heterozygotes in clean samples far more
        often than other markers do.

    """
    n_markers = calls.shape[1]
    working = calls[sample_call_rate(calls) > 0.02]
    call_rate = (working != MISSING).mean(axis=0) if len(working) else np.zeros(n_markers)
    clean = _clean_samples(calls, is_inbred)
    called = (calls[clean] != MISSING).sum(axis=0)
    het = (calls[clean] == 1).sum(axis=0)
    heterozygosity = np.divide(het, called, out=np.full(n_markers, np.nan), where=called > 0)
    median = float(np.median(call_rate)) if n_markers else 0.0
    is_failing = (call_rate < LOWEST_RELATIVE_CALL_RATE * median) | (call_rate == 0)
    is_suspect = _suspect(het, called)
    reasons = [
        _reason(bool(fails), bool(suspect), float(rate), float(share), median)
        for fails, suspect, rate, share in zip(is_failing, is_suspect, call_rate, heterozygosity, strict=True)
    ]
    return MarkerQuality(
        marker_call_rate=call_rate,
        marker_heterozygosity=heterozygosity,
        is_usable=~(is_failing | is_suspect),
        reason=tuple(reasons),
    )


def _clean_samples(calls: NDArray[np.int8], is_inbred: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Rows of the least heterozygous inbred samples, at least two fifths of them."""
    rows = np.flatnonzero(is_inbred & (sample_call_rate(calls) > 0.02))
    if not len(rows):
        return rows
    heterozygosity = sample_heterozygosity(calls[rows])
    cut = np.nanquantile(heterozygosity, CLEAN_QUANTILE)
    spread = 1.5 * cut + 0.01
    return rows[heterozygosity <= spread]


def _suspect(het: NDArray[np.int64], called: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Markers with far more heterozygotes among clean samples than the other markers."""
    rate = np.divide(het, called, out=np.zeros(len(het)), where=called > 0)
    usual = float(np.clip(_trimmed_rate(het, called), 1e-4, 0.5))
    is_more = (rate >= SUSPECT_HETEROZYGOSITY) & (rate >= SUSPECT_RATIO * usual)
    chance = binom.sf(het - 1, np.maximum(called, 1), usual)
    is_always: NDArray[np.bool_] = (rate > 0.8) & (usual < 0.2) & (called >= 4)
    return (is_more & (chance < SUSPECT_PROBABILITY)) | is_always


def _trimmed_rate(het: NDArray[np.int64], called: NDArray[np.int64]) -> float:
    """Rate of heterozygotes over all markers but the worst tenth."""
    rate = np.divide(het, called, out=np.zeros(len(het)), where=called > 0)
    keep = rate <= np.quantile(rate, 0.9) if len(rate) else np.zeros(0, dtype=bool)
    total = int(called[keep].sum())
    return float(het[keep].sum() / total) if total else 0.0


def _reason(fails: bool, suspect: bool, rate: float, share: float, median: float) -> str:
    if fails:
        return f"called in {100 * rate:.0f} % of the samples; the median marker in {100 * median:.0f} %"
    if suspect:
        return f"heterozygous in {100 * share:.0f} % of clean samples: the probe does not tell homozygotes apart"
    return ""
