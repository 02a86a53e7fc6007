"""Recombination fraction and map distance: Haldane, without interference, and Kosambi, with some."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, overload

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


@overload
def haldane(distance_cm: float) -> float: ...
@overload
def haldane(distance_cm: NDArray[Any]) -> NDArray[np.float64]: ...
def haldane(distance_cm: Any) -> Any:
    """Recombination fraction of a map distance, without interference.

    Parameters
    ----------
    distance_cm
        Number, or numeric array, shape (...,); 0 or more, infinity allowed.

    Returns
    -------
    r
        float, or float64 array, shape (...,): 0 to 0.5.

    Raises
    ------
    ValueError
        If a distance is negative or not a number.

    References
    ----------
    Haldane 1919, J Genet 8:299-309.

    Examples
    --------
    >>> round(haldane(10.0), 5)
    0.09063

    """
    return _like(distance_cm, -np.expm1(-_distance(distance_cm) / 50) / 2)


@overload
def kosambi(distance_cm: float) -> float: ...
@overload
def kosambi(distance_cm: NDArray[Any]) -> NDArray[np.float64]: ...
def kosambi(distance_cm: Any) -> Any:
    """Recombination fraction of a map distance, with Kosambi's interference.

    Parameters
    ----------
    distance_cm
        Number, or numeric array, shape (...,); 0 or more, infinity allowed.

    Returns
    -------
    r
        float, or float64 array, shape (...,): 0 to 0.5.

    Raises
    ------
    ValueError
        If a distance is negative or not a number.

    References
    ----------
    Kosambi 1944, Ann Eugen 12:172-175, doi:10.1111/j.1469-1809.1943.tb02321.x.

    Examples
    --------
    >>> round(kosambi(10.0), 5)
    0.09869

    """
    return _like(distance_cm, np.tanh(_distance(distance_cm) / 50) / 2)


@overload
def haldane_inverse(r: float) -> float: ...
@overload
def haldane_inverse(r: NDArray[Any]) -> NDArray[np.float64]: ...
def haldane_inverse(r: Any) -> Any:
    """Map distance in cM of a recombination fraction, without interference; infinite at 0.5.

    Parameters
    ----------
    r
        Number, or numeric array, shape (...,); 0 to 0.5.

    Returns
    -------
    distance_cm
        float, or float64 array, shape (...,).

    Raises
    ------
    ValueError
        If a fraction is out of range.

    References
    ----------
    Haldane 1919, J Genet 8:299-309.

    Examples
    --------
    >>> round(haldane_inverse(haldane(10.0)), 9)
    10.0

    """
    with np.errstate(divide="ignore"):
        return _like(r, -50 * np.log1p(-2 * _fraction(r)))


@overload
def kosambi_inverse(r: float) -> float: ...
@overload
def kosambi_inverse(r: NDArray[Any]) -> NDArray[np.float64]: ...
def kosambi_inverse(r: Any) -> Any:
    """Map distance in cM of a recombination fraction, with Kosambi's interference; infinite at 0.5.

    Parameters
    ----------
    r
        Number, or numeric array, shape (...,); 0 to 0.5.

    Returns
    -------
    distance_cm
        float, or float64 array, shape (...,).

    Raises
    ------
    ValueError
        If a fraction is out of range.

    References
    ----------
    Kosambi 1944, Ann Eugen 12:172-175, doi:10.1111/j.1469-1809.1943.tb02321.x.

    Examples
    --------
    >>> round(kosambi_inverse(kosambi(10.0)), 9)
    10.0

    """
    with np.errstate(divide="ignore"):
        return _like(r, 50 * np.arctanh(2 * _fraction(r)))


def _distance(distance_cm: Any) -> NDArray[np.float64]:
    distance = np.asarray(distance_cm, dtype=np.float64)
    if not np.all(distance >= 0):
        raise ValueError("each map distance must be a number of at least 0")
    return distance


def _fraction(r: Any) -> NDArray[np.float64]:
    fraction = np.asarray(r, dtype=np.float64)
    if not np.all((fraction >= 0) & (fraction <= 0.5)):
        raise ValueError("each recombination fraction must be a number from 0 to 0.5")
    return fraction


def _like(asked: Any, answer: NDArray[np.float64]) -> Any:
    return answer if np.ndim(asked) else float(answer)
