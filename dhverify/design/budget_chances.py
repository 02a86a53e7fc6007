"""Chances of a programme: how many units must start so that enough of them end as lines.

Each unit ends as a line on its own with one rate, so the number of lines is binomial; where the rate is known
from counts only, it is a mixture of binomials over the posterior of the rate (beta-binomial for one count). The
mixture is summed with Gauss quadrature of the beta distribution; there is no normal approximation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import linalg, special

from dhverify.genotypes import locked

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

NODES: Final = MappingProxyType({1: 800, 2: 150, 3: 40, 4: 16})
"""Quadrature nodes of each rate, by how many uncertain rates a product has: at most about 65,000 in all."""
NEGLIGIBLE_WEIGHT: Final = 1e-15
"""Nodes of less weight are left out: all of them together are far below the precision of a chance."""
MOST_UNITS: Final = 10**12
"""More units than this are not searched."""


@dataclass(frozen=True, kw_only=True)
class Rate:
    """A rate: known exactly, or as a beta distribution.

    Attributes
    ----------
    mean
        Its expectation.
    weight
        Sum of the two parameters of the beta distribution; None where the rate is known exactly.

    """

    mean: float
    weight: float | None = None

    @property
    def is_known(self) -> bool:
        """Whether the rate is known exactly."""
        return self.weight is None

    @property
    def is_nothing_seen(self) -> bool:
        """Whether the count behind the rate is 0."""
        return self.weight is not None and self.mean * self.weight < 0.5 + 1e-9

    def interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """Equal-tailed interval."""
        if self.weight is None:
            return self.mean, self.mean
        a = self.mean * self.weight
        tail = (1 - confidence) / 2
        low, high = special.betaincinv(a, self.weight - a, [tail, 1 - tail])
        return float(low), float(high)


@dataclass(frozen=True, kw_only=True, eq=False)
class Spread:
    """Values that a rate can have, each with its probability.

    Attributes
    ----------
    values
        float64, shape (n_values,), 0 to 1.
    weights
        float64, shape (n_values,), adding to 1.

    """

    values: NDArray[np.float64]
    weights: NDArray[np.float64]

    def __post_init__(self) -> None:
        object.__setattr__(self, "values", locked(self.values))
        object.__setattr__(self, "weights", locked(self.weights))

    @property
    def mean(self) -> float:
        """Expectation."""
        return float(self.weights @ self.values)

    def interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """Equal-tailed interval, interpolated between the values."""
        order = np.argsort(self.values)
        weight = self.weights[order]
        below = np.cumsum(weight) - weight / 2
        tail = (1 - confidence) / 2
        low, high = np.interp([tail, 1 - tail], below, self.values[order])
        return float(low), float(high)


def known_rate(value: float) -> Rate:
    """Return a rate that is known exactly."""
    return Rate(mean=float(value))


def counted_rate(count: float, of: float) -> Rate:
    """Return the rate behind a count: the Jeffreys posterior Beta(count + 1/2, of - count + 1/2).

    Parameters
    ----------
    count, of
        ``count`` events among ``of`` independent ones; need not be whole.

    References
    ----------
    Brown, Cai & DasGupta 2001, Stat Sci 16:101-133, doi:10.1214/ss/1009213286.

    Examples
    --------
    >>> [round(end, 4) for end in counted_rate(5, 50).interval()]
    [0.0392, 0.2054]

    """
    return Rate(mean=(count + 0.5) / (of + 1.0), weight=of + 1.0)


def spread(above: Sequence[Rate], below: Sequence[Rate] = ()) -> Spread:
    """Distribution of a product of independent rates, divided by others; at most 1.

    Parameters
    ----------
    above, below
        Factors and divisors; at most four of them uncertain.

    Returns
    -------
    Spread
        Exact in the known rates; the uncertain ones stand as Gauss nodes of their beta distributions.

    Examples
    --------
    >>> spread([known_rate(0.5), known_rate(0.2)]).values.tolist()
    [0.1]

    """
    n_nodes = NODES.get(sum(not rate.is_known for rate in (*above, *below)), 1)
    values, weights = np.ones(1), np.ones(1)
    for rate in above:
        value, weight = _nodes(rate, n_nodes)
        values, weights = np.outer(values, value).ravel(), np.outer(weights, weight).ravel()
    for rate in below:
        value, weight = _nodes(rate, n_nodes)
        values, weights = np.divide.outer(values, value).ravel(), np.outer(weights, weight).ravel()
    return Spread(values=np.minimum(values, 1.0), weights=weights / weights.sum())


def chance(n_lines: int, n_units: int, rate: Spread) -> float:
    """Probability that at least ``n_lines`` of ``n_units`` end as lines.

    Parameters
    ----------
    n_lines
        Wanted, at least 1.
    n_units
        Started.
    rate
        Of a unit to end as a line.

    Examples
    --------
    >>> even = spread([known_rate(0.5)])
    >>> round(chance(2, 3, even), 12)
    0.5

    """
    if n_units < n_lines:
        return 0.0
    at_least = special.betainc(float(n_lines), float(n_units - n_lines + 1), rate.values)
    return min(float(rate.weights @ at_least), 1.0)


def fewest_units(n_lines: int, sure: float, rate: Spread) -> int | None:
    """Smallest number of units of which at least ``n_lines`` end as lines with probability ``sure``.

    Returns
    -------
    int or None
        None where it would be more than ``MOST_UNITS``.

    Examples
    --------
    >>> fewest_units(1, 0.95, spread([known_rate(0.01)])), fewest_units(1, 0.99, spread([known_rate(0.01)]))
    (299, 459)

    """
    if rate.mean <= 0:
        return None
    low, high = n_lines - 1, max(n_lines, math.ceil(n_lines / rate.mean))
    while chance(n_lines, high, rate) < sure:
        low, high = high, 2 * high
        if high > 2 * MOST_UNITS:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if chance(n_lines, middle, rate) >= sure else (middle, high)
    return high if high <= MOST_UNITS else None


def least_known(rates: Iterable[Rate]) -> Rate | None:
    """Return the uncertain rate with the widest interval for its size; None where all are known."""
    uncertain = [rate for rate in rates if not rate.is_known]
    return max(uncertain, key=_relative_variance, default=None)


def _relative_variance(rate: Rate) -> float:
    return math.inf if rate.weight is None else (1 - rate.mean) / (rate.mean * (rate.weight + 1))


def _nodes(rate: Rate, n_nodes: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Gauss nodes and weights of a beta distribution: exact for polynomials up to degree 2 n - 1.

    References
    ----------
    Golub GH, Welsch JH (1969) Calculation of Gauss quadrature rules. Math Comp 23:221-230,
    doi:10.1090/S0025-5718-69-99647-1.

    """
    if rate.weight is None:
        return np.array([rate.mean]), np.ones(1)
    alpha = (1 - rate.mean) * rate.weight - 1
    beta = rate.mean * rate.weight - 1
    total = alpha + beta
    k = np.arange(1, n_nodes, dtype=np.float64)
    middle = np.empty(n_nodes)
    middle[0] = (beta - alpha) / (total + 2)
    middle[1:] = (beta**2 - alpha**2) / ((2 * k + total) * (2 * k + total + 2))
    beside = np.empty(n_nodes - 1)
    beside[0] = 4 * (1 + alpha) * (1 + beta) / ((2 + total) ** 2 * (3 + total))
    k = k[1:]
    beside[1:] = 4 * k * (k + alpha) * (k + beta) * (k + total) / ((2 * k + total) ** 2 * ((2 * k + total) ** 2 - 1))
    place, vectors = linalg.eigh_tridiagonal(middle, np.sqrt(beside))
    weight = vectors[0] ** 2
    kept = weight > NEGLIGIBLE_WEIGHT
    return np.clip((1 + place[kept]) / 2, 0.0, 1.0), weight[kept]
