"""Where samples stand on their plates, and which wells touch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.samples import Sample

TOUCHING: Final = 0.5
"""Share of the DNA that got into a sample from wells that touch its own: most of what wells hold of others is their
neighbours' (Minich et al. 2019, mSystems 4:e00186-19; the value itself is common practice, no source)."""
SAME_PLATE: Final = 0.2
"""Share that came from any well of the plate (common practice, no source)."""
ANYWHERE: Final = 0.3
"""Share that came from any sample of the lot: seed or tissue that was mixed before it came on a plate (common practice,
no source)."""
NEARNESS_SHARES: Final = (TOUCHING, SAME_PLATE, ANYWHERE)
"""How near contaminants stand."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Contaminants:
    """Possible contaminants of a well, by how near they stand.

    Attributes
    ----------
    by_nearness
        float64, shape (3, n_samples). Chance of each, given how near the DNA comes from, as in
        :data:`NEARNESS_SHARES`.
    is_there
        bool, shape (3,). Whether any stands so near.

    """

    by_nearness: NDArray[np.float64]
    is_there: NDArray[np.bool_]

    @classmethod
    def at(cls, is_touching: NDArray[np.bool_], is_same_plate: NDArray[np.bool_]) -> Contaminants:
        """Look at samples by where they stand.

        Parameters
        ----------
        is_touching, is_same_plate
            bool, shape (n_samples,). Whether a sample stands in a well that touches, and on the same plate.

        """
        near = np.stack([is_touching, is_same_plate, np.ones_like(is_same_plate)])
        number = near.sum(axis=1)
        return cls(by_nearness=near / np.maximum(number, 1)[:, None], is_there=number > 0)

    def chosen(self, numbers: NDArray[np.int64]) -> Contaminants:
        """Only some of them, by number; the others may be it, too."""
        return Contaminants(by_nearness=self.by_nearness[:, numbers], is_there=self.is_there)

    def log_weights(self, shares: NDArray[np.float64] | None = None) -> NDArray[np.float64]:
        """Log prior of each, by these shares of nearness, or the shipped ones; float64, shape (n_samples,)."""
        given = np.array(NEARNESS_SHARES) if shares is None else shares
        return np.asarray(np.log(given @ self.by_nearness / float(given @ self.is_there)))


@dataclass(frozen=True, kw_only=True, eq=False)
class Wells:
    """Where each sample stands; -1 without a well.

    Attributes
    ----------
    plate, row, column
        int64, shape (n_samples,).

    """

    plate: NDArray[np.int64]
    row: NDArray[np.int64]
    column: NDArray[np.int64]

    @classmethod
    def of(cls, everyone: Sequence[Sample]) -> Wells:
        """Look up the wells of samples."""
        plates = {name: number for number, name in enumerate(dict.fromkeys(s.plate for s in everyone))}
        places = [well_place(s.well) if s.well else (-1, -1) for s in everyone]
        return cls(
            plate=np.array([plates[s.plate] if s.well else -1 for s in everyone], dtype=np.int64),
            row=np.array([place[0] for place in places], dtype=np.int64),
            column=np.array([place[1] for place in places], dtype=np.int64),
        )

    def is_same_plate(self, sample: int, others: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Whether each of the others stands on the plate of a sample; shape (n_others,)."""
        return np.asarray((self.plate[others] == self.plate[sample]) & (self.plate[sample] >= 0))

    def is_touching(self, sample: int, others: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Whether the well of each of the others touches that of a sample, corners included; shape (n_others,)."""
        apart = np.maximum(
            np.abs(self.row[others] - self.row[sample]), np.abs(self.column[others] - self.column[sample])
        )
        return np.asarray(self.is_same_plate(sample, others) & (apart == 1))

    def contaminants(self, sample: int, others: NDArray[np.int64]) -> Contaminants:
        """Look at the others as possible contaminants of a sample."""
        return Contaminants.at(self.is_touching(sample, others), self.is_same_plate(sample, others))

    def beside(self, sample: int, others: NDArray[np.int64]) -> NDArray[np.int64]:
        """Positions among the others of the wells above, below and beside: they are always looked at."""
        apart = np.abs(self.row[others] - self.row[sample]) + np.abs(self.column[others] - self.column[sample])
        return np.flatnonzero(self.is_same_plate(sample, others) & (apart == 1))


def are_neighbours(first: Sample, second: Sample) -> bool:
    """Whether two samples stand in wells that touch, corners included."""
    if not first.well or not second.well or first.plate != second.plate:
        return False
    (r1, c1), (r2, c2) = well_place(first.well), well_place(second.well)
    return max(abs(r1 - r2), abs(c1 - c2)) == 1


def well_place(well: str) -> tuple[int, int]:
    """Row and column of a well, from 0."""
    return ord(well[0]) - ord("A"), int(well[1:]) - 1


def nearest(sample: Sample, others: Sequence[Sample]) -> Sample:
    """Return the first of the others in a well that touches, else the first on the same plate, else the first."""
    is_far = [0 if are_neighbours(sample, o) else 1 if sample.well and o.plate == sample.plate else 2 for o in others]
    return others[is_far.index(min(is_far))]
