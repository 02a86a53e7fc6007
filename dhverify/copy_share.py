"""How many lines have a copy among the others, and the log odds from which two are one genotype."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

COPY_SHARE: Final = 0.04
"""Share of lines that have an undeclared copy among the lines of their donor, before the lot is looked at: 8 of 378
in maize (Bauer et al. 2013, Genome Biol 14:R103), 10 of 218 in wheat and 27 of 326 in barley (Taylor & Butler 2017,
J Stat Softw 79(6):1-29), 2 of 150 in barley (Hayes et al. 1993, Theor Appl Genet 87:392-401)."""
COPY_WEIGHT: Final = 100.0
"""Lines that this share counts for beside what the lot shows (common practice, no source)."""
COPY_ROUNDS: Final = 6
"""Times that the share and the copies are found in turn (common practice, no source)."""
MOST_COPIES: Final = 0.3
"""Most that the lot can raise it to (common practice, no source)."""
ACROSS_SHARE: Final = 0.01
"""The same among the lines of other donors (common practice, no source)."""
EXCHANGED_SHARE: Final = 0.5
"""Share of samples that break the sheet whose place another one takes that breaks it too (common practice, no
source)."""


def copy_threshold(n_samples: int, confidence: float, *, copy_share: float = COPY_SHARE) -> float:
    """Log odds from which an undeclared pair is one genotype with a given probability.

    Parameters
    ----------
    n_samples
        Samples that a sample could be a copy of.
    confidence
        Probability that is asked for.
    copy_share
        Share of samples that have a copy among them.

    Examples
    --------
    >>> round(copy_threshold(100, 0.95), 1)
    10.8

    """
    return logit(confidence) + float(np.log(max(n_samples, 2) / copy_share))


def learnt_copy_share(log_odds: NDArray[np.float64], n_others: NDArray[np.float64], n_lines: int) -> float:
    """Share of lines that have a copy among those of their donor, as the lot shows it, shrunk to :data:`COPY_SHARE`.

    Empirical Bayes: the share of copies given their probabilities, and these given the share, in turn.

    Parameters
    ----------
    log_odds
        float64, shape (n_pairs,). Natural log odds of one genotype, of pairs of lines of one donor.
    n_others
        float64, shape (n_pairs,). Lines of that donor.
    n_lines
        Lines of the lot.

    Examples
    --------
    >>> round(learnt_copy_share(np.array([30.0, -50.0]), np.array([40.0, 40.0]), 100), 2)
    0.03

    """
    share = COPY_SHARE
    for _ in range(COPY_ROUNDS):
        posterior = expit(log_odds - np.log(np.maximum(n_others, 2) / share))
        share = (COPY_WEIGHT * COPY_SHARE + 2 * float(posterior.sum())) / (COPY_WEIGHT + n_lines)
        share = min(share, MOST_COPIES)
    return share


def logit(confidence: float) -> float:
    """Log odds of a probability, of at least one half."""
    bounded = min(max(confidence, 0.5), 1 - 1e-9)
    return float(np.log(bounded / (1 - bounded)))
