"""What a mixture of a line with each of its possible partners comes to, and how near the partners of a lot stand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.judging import Option, learn_shares
from dhverify.outcome import Finding
from dhverify.wells import NEARNESS_SHARES, Contaminants

SHARES: Final = (0.06, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6)
"""Shares of the DNA that are tried for a contaminant (common practice, no source)."""
SURE_SHARE_SD: Final = 0.12
"""The share of a contaminant is told when its posterior standard deviation is at most this (common practice, no
source)."""
LARGEST_SHARE_IN_CALLS: Final = 0.27
"""Calls tell the share of a contaminant only while some of them still hide it (computed from the curve of
:func:`dhverify.mixed_assay.shown_genotype`: .85 of them show it there)."""
LARGER_CHANCE: Final = 0.05
"""Calls tell no share where one that they cannot tell is more probable than this (common practice, no source)."""
NEARNESS_WEIGHT: Final = 5.0
"""Mixtures that the shipped shares of nearness count for, against the lot's own (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class MixtureFit:
    """One sample as a mixture with each of several partners, the most probable partner first.

    Attributes
    ----------
    partners
        Their names.
    scores
        float64, shape (n_partners, n_shares). Log likelihood at every one of :data:`SHARES`.
    contaminants
        How near the partners stand.
    log_weights
        float64, shape (n_partners,). Log prior of each as the contaminant.
    weight
        What the log likelihoods count for (:attr:`dhverify.scoring.LearntLot.weight`).
    pollen_or_copies
        What else the partners may be: pollen parents, copies of the sample.
    all_count
        Whether all partners count, as on few markers; else the first alone.

    """

    partners: tuple[str, ...]
    scores: NDArray[np.float64]
    contaminants: Contaminants
    log_weights: NDArray[np.float64]
    weight: float = 1.0
    pollen_or_copies: tuple[Option, ...] = ()
    all_count: bool = False

    @classmethod
    def of(
        cls,
        partners: Sequence[str],
        scores: NDArray[np.float64],
        contaminants: Contaminants,
        *,
        weight: float = 1.0,
        pollen_or_copies: tuple[Option, ...] = (),
        all_count: bool = False,
    ) -> MixtureFit:
        """Put partners in order, by the shipped shares of nearness."""
        unordered = cls(
            partners=tuple(partners),
            scores=scores,
            contaminants=contaminants,
            log_weights=contaminants.log_weights(),
            weight=weight,
            pollen_or_copies=pollen_or_copies,
            all_count=all_count,
        )
        return unordered.in_order()

    def weighed(self, shares: NDArray[np.float64]) -> MixtureFit:
        """The same by these shares of nearness; float64, shape (3,)."""
        return replace(self, log_weights=self.contaminants.log_weights(shares)).in_order()

    def in_order(self) -> MixtureFit:
        """The same with the most probable partner first."""
        order = np.argsort(-(self.weight * self.at_any_share + self.log_weights), kind="stable")
        return replace(
            self,
            partners=tuple(self.partners[int(k)] for k in order),
            scores=self.scores[order],
            contaminants=self.contaminants.chosen(order),
            log_weights=self.log_weights[order],
        )

    @property
    def at_any_share(self) -> NDArray[np.float64]:
        """Log likelihood of each partner with equal weight of all shares; float64, shape (n_partners,)."""
        return np.asarray(np.logaddexp.reduce(self.scores, axis=1) - np.log(self.scores.shape[1]))

    @property
    def partner(self) -> str:
        """The most probable partner."""
        return self.partners[0]

    @property
    def options(self) -> list[Option]:
        """For the posterior: mixtures, then what else the partners may be."""
        mixtures = [
            Option(finding=Finding.MIXTURE, log_likelihood=float(value), log_weight=float(weight), name=name)
            for name, value, weight in zip(self.partners, self.at_any_share, self.log_weights, strict=True)
        ]
        return [*(mixtures if self.all_count else mixtures[:1]), *self.pollen_or_copies]

    def told_share(self, *, has_reads: bool) -> float | None:
        """Share of the most probable partner where the data tell it."""
        return told_share(self.scores[0], has_reads=has_reads)


def told_share(scores: NDArray[np.float64], *, has_reads: bool) -> float | None:
    """Posterior mean of the share of a contaminant where the data tell it; None else.

    Calls show it no further once nearly all markers that differ are heterozygous, so that a share is told by them
    only where larger ones are excluded.

    Parameters
    ----------
    scores
        float64, shape (n_shares,). Log likelihood at every one of :data:`SHARES`.
    has_reads
        Whether they come from reads.

    Examples
    --------
    >>> sure, open_above = -100.0 * (np.array(SHARES) != 0.25), -100.0 * (np.array(SHARES) < 0.25)
    >>> told_share(sure, has_reads=False), told_share(open_above, has_reads=False)
    (0.25, None)

    """
    shares = np.array(SHARES)
    weight = np.exp(scores - scores.max())
    weight /= weight.sum()
    mean = float(weight @ shares)
    is_hidden = not has_reads and float(weight[shares > LARGEST_SHARE_IN_CALLS].sum()) > LARGER_CHANCE
    is_wide = float(np.sqrt(weight @ (shares - mean) ** 2)) > SURE_SHARE_SD
    return None if is_hidden or is_wide else mean


def learnt_nearness(fits: Mapping[int, MixtureFit], mixture_share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Shares of how near contaminants stand in this lot, shrunk to the shipped ones.

    A line without others on its plate tells nothing.

    Parameters
    ----------
    fits
        By judged sample, with the shipped shares.
    mixture_share
        float64, shape (n_judged,). Posterior of a mixture with the shipped shares.

    Returns
    -------
    ndarray
        float64, shape (3,), as :data:`dhverify.wells.NEARNESS_SHARES`; adds to 1.

    """
    shown = np.empty((len(fits), len(NEARNESS_SHARES)))
    for row, fit in enumerate(fits.values()):
        values = fit.weight * fit.at_any_share
        shown[row] = fit.contaminants.by_nearness @ np.exp(values - values.max())
    is_there = np.array([fit.contaminants.is_there for fit in fits.values()], dtype=bool).reshape(shown.shape)
    return learn_shares(np.array(NEARNESS_SHARES), NEARNESS_WEIGHT, shown, is_there, mixture_share[list(fits)])
