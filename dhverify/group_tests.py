"""Whether a group differs from the others by more than chance, many groups being looked at."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.stats import hypergeom, norm

if TYPE_CHECKING:
    from collections.abc import Sequence

HALF_95: Final = float(norm.ppf(0.975))


@dataclass(frozen=True, kw_only=True)
class Stratum:
    """Events in a group and in the others, within one stratum (a donor)."""

    count: int
    of: int
    others_count: int
    others_of: int


def excess_probability(strata: Sequence[Stratum]) -> float:
    """Probability of at least as many events in the group, were its rate that of the others in every stratum.

    The exact conditional test: within a stratum the number is hypergeometric, and the sum over strata has the
    convolution of these distributions. With one stratum it is Fisher's exact test, one-sided.

    References
    ----------
    Fisher RA (1935) J R Stat Soc 98:39-54; Mantel N, Haenszel W (1959) J Natl Cancer Inst 22:719-748.

    Examples
    --------
    >>> tea = Stratum(count=3, of=4, others_count=1, others_of=4)
    >>> round(excess_probability([tea]), 4)
    0.2429

    """
    chance = np.ones(1)
    for stratum in strata:
        total, events = stratum.of + stratum.others_of, stratum.count + stratum.others_count
        if total:
            chance = np.convolve(chance, hypergeom.pmf(np.arange(stratum.of + 1), total, events, stratum.of))
    observed = sum(stratum.count for stratum in strata)
    return float(min(max(chance[observed:].sum(), 0.0), 1.0))


def rate_ratio(strata: Sequence[Stratum]) -> tuple[float, float, float] | None:
    """Ratio of the group's rate to that of the others, with its 95 % interval; None where it is not defined.

    References
    ----------
    Greenland S, Robins JM (1985) Biometrics 41:55-68, for the variance of the logarithm of the Mantel-Haenszel
    ratio.

    Examples
    --------
    >>> ratio = rate_ratio([Stratum(count=30, of=100, others_count=20, others_of=200)])
    >>> [round(value, 2) for value in ratio]
    [3.0, 1.8, 5.01]

    """
    above = below = spread = 0.0
    for s in strata:
        total = s.of + s.others_of
        if not s.of or not s.others_of:
            continue
        above += s.count * s.others_of / total
        below += s.others_count * s.of / total
        events = s.count + s.others_count
        spread += (events * s.of * s.others_of - s.count * s.others_count * total) / total**2
    if above <= 0 or below <= 0:
        return None
    ratio, half = above / below, HALF_95 * (spread / (above * below)) ** 0.5
    return ratio, float(ratio * np.exp(-half)), float(ratio * np.exp(half))


def holm(probabilities: Sequence[float]) -> list[float]:
    """Probabilities corrected for their number, in the same order.

    References
    ----------
    Holm S (1979) A simple sequentially rejective multiple test procedure. Scand J Stat 6:65-70.

    Examples
    --------
    >>> [round(p, 3) for p in holm([0.01, 0.04, 0.03])]
    [0.03, 0.06, 0.06]

    """
    corrected = [1.0] * len(probabilities)
    largest = 0.0
    for rank, place in enumerate(sorted(range(len(probabilities)), key=lambda k: probabilities[k])):
        largest = max(largest, min(1.0, probabilities[place] * (len(probabilities) - rank)))
        corrected[place] = largest
    return corrected
