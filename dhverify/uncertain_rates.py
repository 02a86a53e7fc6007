"""Products and quotients of rates that are each known with uncertainty, as posteriors on a fixed grid.

Nothing is drawn at random: each posterior is laid out as equally probable values, and a product or quotient of
two independent ones is the table of all pairs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import special

from dhverify.genotypes import locked
from dhverify.intervals import poisson_binomial

if TYPE_CHECKING:
    from numpy.typing import NDArray

N_VALUES: Final = 200
"""Equally probable values of one posterior; the outermost stand at 1/400, far outside a 95 % interval."""
N_PLACES: Final = 600
"""Places at which the distribution of a mixture is evaluated."""
NEGLIGIBLE_WEIGHT: Final = 1e-7
CERTAIN: Final = 1e-7
"""Probabilities nearer to 0 or 1 than this are taken as 0 or 1."""


@dataclass(frozen=True, kw_only=True, eq=False)
class UncertainRate:
    """A rate as equally probable values.

    Attributes
    ----------
    values
        float64, shape (n_values,), ascending, 0 to 1.

    """

    values: NDArray[np.float64]

    def __post_init__(self) -> None:
        object.__setattr__(self, "values", locked(self.values))

    def interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """Equal-tailed interval."""
        return _interval(self.values, confidence)


def rate_of_count(count: float, of: float) -> UncertainRate:
    """Rate behind a plain count: the Jeffreys posterior Beta(count + 1/2, of - count + 1/2).

    Parameters
    ----------
    count, of
        ``count`` events among ``of`` independent ones.

    Raises
    ------
    ValueError
        If ``count`` is negative or larger than ``of``.

    References
    ----------
    Brown, Cai & DasGupta 2001, Stat Sci 16:101-133, doi:10.1214/ss/1009213286.

    Examples
    --------
    >>> low, high = rate_of_count(81, 263).interval()
    >>> round(low, 3), round(high, 3)
    (0.254, 0.366)

    """
    if not 0 <= count <= of:
        raise ValueError(f"{count} of {of} is no count")
    return UncertainRate(values=special.betaincinv(count + 0.5, of - count + 0.5, _levels()))


def rate_of_lines(probabilities: NDArray[np.float64]) -> UncertainRate:
    """Rate behind lines of which each is an event with a probability of its own.

    The number of events follows the Poisson-binomial distribution; the rate has the mixture of the Jeffreys
    posteriors of all those numbers.

    Parameters
    ----------
    probabilities
        float64, shape (n_lines,). Calibrated posterior probabilities of independent lines.

    Examples
    --------
    >>> low, high = rate_of_lines(np.array([1.0] * 81 + [0.0] * 182)).interval()
    >>> round(low, 3), round(high, 3)
    (0.254, 0.366)

    """
    n = len(probabilities)
    weight = poisson_binomial(rounded(probabilities))
    count = np.flatnonzero(weight > NEGLIGIBLE_WEIGHT)
    share = weight[count] / weight[count].sum()
    if len(count) == 1:
        return rate_of_count(float(count[0]), n)
    a, b = count + 0.5, n - count + 0.5
    low = float(special.betaincinv(a, b, 1e-4).min())
    high = float(special.betaincinv(a, b, 1 - 1e-4).max())
    place = np.linspace(low, high, N_PLACES)
    below = share @ special.betainc(a[:, None], b[:, None], place)
    return UncertainRate(values=np.interp(_levels(), below, place))


def rounded(probabilities: NDArray[np.float64]) -> NDArray[np.float64]:
    """Probabilities with those that are certain for every purpose set to 0 and 1."""
    p = np.asarray(probabilities, dtype=np.float64)
    return np.where(p < CERTAIN, 0.0, np.where(p > 1 - CERTAIN, 1.0, p))


def product_interval(first: UncertainRate, second: UncertainRate, confidence: float = 0.95) -> tuple[float, float]:
    """Interval of a product of two independent rates.

    Examples
    --------
    >>> low, high = product_interval(rate_of_count(30, 300), rate_of_count(45, 50))
    >>> round(low, 3), round(high, 3)
    (0.061, 0.124)

    """
    return _interval(np.outer(first.values, second.values).ravel(), confidence)


def quotient_interval(
    above: UncertainRate, below: UncertainRate, confidence: float = 0.95, *, most: float | None = 1.0
) -> tuple[float, float]:
    """Interval of a quotient of two independent rates; a quotient that is itself a share is at most 1.

    Examples
    --------
    >>> low, high = quotient_interval(rate_of_count(15, 100), rate_of_count(45, 50))
    >>> round(low, 3), round(high, 3)
    (0.101, 0.261)

    """
    values = np.divide.outer(above.values, np.maximum(below.values, 1e-12)).ravel()
    return _interval(values if most is None else np.minimum(values, most), confidence)


def _levels() -> NDArray[np.float64]:
    return (np.arange(N_VALUES) + 0.5) / N_VALUES


def _interval(values: NDArray[np.float64], confidence: float) -> tuple[float, float]:
    tail = (1 - confidence) / 2
    low, high = np.quantile(values, [tail, 1 - tail], method="hazen")
    return float(low), float(high)
