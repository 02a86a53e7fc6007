"""Intervals for a share: of a count, and of a count that is itself uncertain.

Wilson and Clopper-Pearson intervals are for counts of independent things (lines, wells, call errors).
They are too narrow for shares of a genome, whose alleles come in linked runs.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, overload

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from numpy.typing import NDArray

NEGLIGIBLE_WEIGHT: Final = 1e-15
"""Counts less probable than this are left out of a mixture: far below the precision of an interval."""

BISECTION_STEPS: Final = 60
"""Halvings of [0, 1]: a quantile is found to 2 ** -60."""


@overload
def wilson(count: float, of: float, confidence: float = ...) -> tuple[float, float]: ...
@overload
def wilson(
    count: NDArray[Any], of: NDArray[Any] | float, confidence: float = ...
) -> tuple[NDArray[np.float64], NDArray[np.float64]]: ...
@overload
def wilson(
    count: float, of: NDArray[Any], confidence: float = ...
) -> tuple[NDArray[np.float64], NDArray[np.float64]]: ...
def wilson(count: Any, of: Any, confidence: float = 0.95) -> tuple[Any, Any]:
    """Score interval of a share, without continuity correction.

    Parameters
    ----------
    count
        Number, or numeric array, shape (...,). Need not be whole.
    of
        Number, or numeric array that broadcasts with ``count``. Where it is 0 nothing is known: (0, 1).
    confidence
        Between 0 and 1, both excluded.

    Returns
    -------
    low, high
        float for two numbers, else float64, shape (...,).

    Raises
    ------
    ValueError
        If a count is negative, larger than ``of``, or not a number; if ``confidence`` is out of range.

    References
    ----------
    Wilson 1927, J Am Stat Assoc 22:209-212, doi:10.1080/01621459.1927.10502953;
    Newcombe 1998, Stat Med 17:857-872, method 3.

    Examples
    --------
    >>> low, high = wilson(81, 263)
    >>> round(low, 4), round(high, 4)
    (0.2553, 0.3662)

    """
    x, n = _validated(count, of, confidence)
    z2 = float(special.ndtri(0.5 + confidence / 2)) ** 2
    safe_n = np.where(n > 0, n, 1.0)
    centre = x + z2 / 2
    spread = np.sqrt(z2 * (x * (safe_n - x) / safe_n + z2 / 4))
    low = np.where(x == 0, 0.0, (centre - spread) / (safe_n + z2))
    high = np.where(x == n, 1.0, (centre + spread) / (safe_n + z2))
    return _scalar_or_array(low, high)


@overload
def clopper_pearson(count: float, of: float, confidence: float = ...) -> tuple[float, float]: ...
@overload
def clopper_pearson(
    count: NDArray[Any], of: NDArray[Any] | float, confidence: float = ...
) -> tuple[NDArray[np.float64], NDArray[np.float64]]: ...
@overload
def clopper_pearson(
    count: float, of: NDArray[Any], confidence: float = ...
) -> tuple[NDArray[np.float64], NDArray[np.float64]]: ...
def clopper_pearson(count: Any, of: Any, confidence: float = 0.95) -> tuple[Any, Any]:
    """Exact binomial interval of a share: never covers less than ``confidence``.

    Parameters
    ----------
    count
        Number, or numeric array, shape (...,).
    of
        Number, or numeric array that broadcasts with ``count``. Where it is 0 nothing is known: (0, 1).
    confidence
        Between 0 and 1, both excluded.

    Returns
    -------
    low, high
        float for two numbers, else float64, shape (...,).

    Raises
    ------
    ValueError
        If a count is negative, larger than ``of``, or not a number; if ``confidence`` is out of range.

    References
    ----------
    Clopper & Pearson 1934, Biometrika 26:404-413, doi:10.1093/biomet/26.4.404;
    Newcombe 1998, Stat Med 17:857-872, method 5.

    Examples
    --------
    >>> low, high = clopper_pearson(81, 263)
    >>> round(low, 4), round(high, 4)
    (0.2527, 0.3676)

    """
    x, n = _validated(count, of, confidence)
    tail = (1 - confidence) / 2
    low = np.where(x == 0, 0.0, special.betaincinv(np.where(x == 0, 1.0, x), n - x + 1, tail))
    high = np.where(x == n, 1.0, special.betaincinv(x + 1, np.where(x == n, 1.0, n - x), 1 - tail))
    return _scalar_or_array(low, high)


def poisson_binomial(probabilities: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distribution of the number of events among independent events with probabilities of their own.

    Parameters
    ----------
    probabilities
        float64, shape (n,), each 0 to 1.

    Returns
    -------
    numpy.ndarray
        float64, shape (n + 1,). Probability of 0, 1, ... n events, by exact convolution.

    Raises
    ------
    ValueError
        If a probability is not between 0 and 1.

    References
    ----------
    Barlow & Heidtmann 1984, IEEE Trans Reliab R-33:322-323, for the recursion.

    Examples
    --------
    >>> poisson_binomial(np.array([0.5, 0.5])).tolist()
    [0.25, 0.5, 0.25]

    """
    p = _probabilities(probabilities)
    uncertain = p[(p > 0) & (p < 1)]
    n_certain = int(np.count_nonzero(p == 1))
    weight = np.zeros(len(p) + 1)
    weight[n_certain] = 1.0
    for last, share in enumerate(uncertain, start=n_certain + 1):
        window = weight[n_certain : last + 1]
        window[1:] = window[1:] * (1 - share) + window[:-1] * share
        window[0] *= 1 - share
    return weight


def rate_interval(probabilities: NDArray[np.float64], confidence: float = 0.95) -> tuple[float, float, float]:
    """Rate behind a group of lines of which each is wrong with a probability of its own.

    The count of wrong lines is not known, only its distribution (Poisson-binomial). Given a count ``x`` of
    ``n``, the rate has the Jeffreys posterior Beta(x + 1/2, n - x + 1/2). The interval is the equal-tailed
    one of the mixture of these posteriors, so it carries both: what the verdicts leave open, and that the
    lines are a sample. As usual for the Jeffreys interval a count of 0 has its lower end at 0, and a count
    of ``n`` its upper end at 1: in the mixture those components lie wholly at the end, which keeps the
    interval a continuous function of the probabilities. With probabilities of 0 and 1 only, it is the
    Jeffreys interval.

    Parameters
    ----------
    probabilities
        float64, shape (n_lines,), each 0 to 1: calibrated posterior probabilities of independent lines.
    confidence
        Between 0 and 1, both excluded.

    Returns
    -------
    rate, low, high
        ``rate`` is the mean of the probabilities; for no lines it is nan, and the interval (0, 1).

    Raises
    ------
    ValueError
        If a probability or the confidence is out of range.

    References
    ----------
    Brown, Cai & DasGupta 2001, Stat Sci 16:101-133, doi:10.1214/ss/1009213286, for the Jeffreys interval
    and its ends.

    Examples
    --------
    >>> decided = np.array([1.0] * 5 + [0.0] * 45)
    >>> [round(value, 4) for value in rate_interval(decided)]
    [0.1, 0.0392, 0.2054]
    >>> [round(value, 4) for value in rate_interval(np.where(decided == 1, 0.6, 0.04))]
    [0.096, 0.0199, 0.2266]

    """
    p = _probabilities(probabilities)
    _check_confidence(confidence)
    n = len(p)
    if n == 0:
        return float("nan"), 0.0, 1.0
    weight = poisson_binomial(p)
    tail = (1 - confidence) / 2
    low = _mixture_quantile(weight, at_the_end=float(weight[0]), tail=tail)
    high = 1 - _mixture_quantile(weight[::-1], at_the_end=float(weight[n]), tail=tail)
    return float(p.mean()), low, high


def _mixture_quantile(weight: NDArray[np.float64], *, at_the_end: float, tail: float) -> float:
    """Lower ``tail`` quantile of the mixture of Jeffreys posteriors, its component of count 0 lying at 0."""
    if at_the_end >= tail:
        return 0.0
    n = len(weight) - 1
    counts = np.flatnonzero(weight > NEGLIGIBLE_WEIGHT)
    counts = counts[counts > 0]
    shares = weight[counts]
    below, above = 0.0, 1.0
    for _ in range(BISECTION_STEPS):
        middle = (below + above) / 2
        mass = at_the_end + float(shares @ special.betainc(counts + 0.5, n - counts + 0.5, middle))
        below, above = (middle, above) if mass < tail else (below, middle)
    return (below + above) / 2


def _validated(count: Any, of: Any, confidence: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    _check_confidence(confidence)
    x, n = np.broadcast_arrays(np.asarray(count, dtype=np.float64), np.asarray(of, dtype=np.float64))
    if not np.all((x >= 0) & (x <= n) & np.isfinite(n)):
        raise ValueError("each count must be a number from 0 to what it is counted of")
    return x, n


def _check_confidence(confidence: float) -> None:
    if not 0 < confidence < 1:
        raise ValueError(f"confidence is {confidence}, expected a number between 0 and 1")


def _probabilities(probabilities: NDArray[np.float64]) -> NDArray[np.float64]:
    p = np.asarray(probabilities, dtype=np.float64).ravel()
    if not np.all((p >= 0) & (p <= 1)):
        raise ValueError("each probability must be a number from 0 to 1")
    return p


def _scalar_or_array(low: NDArray[np.float64], high: NDArray[np.float64]) -> tuple[Any, Any]:
    return (float(low), float(high)) if low.ndim == 0 else (low, high)
