"""Where samples stand on their plates, and which wells touch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.samples import Sample

TOUCHING: Final = 0.5
SAME_PLATE: Final = 0.2
ANYWHERE: Final = 0.3
PLACE_SHARES: Final = (TOUCHING, SAME_PLATE, ANYWHERE)
"""Where DNA that got into a sample comes from: mostly neighbouring wells (Minich et al. 2019, mSystems 4:e00186-19),
else any well of the plate, or, where seed or tissue was mixed before it came on a plate, any sample of the lot; the
weights are common practice, no source."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Sources:
    """Possible sources of DNA in a well.

    Attributes
    ----------
    by_place
        float64, shape (3, n_sources). Chance of each, given the place that the DNA comes from, places as in
        :data:`PLACE_SHARES`.
    is_there
        bool, shape (3,). Places where any sample stands.

    """

    by_place: NDArray[np.float64]
    is_there: NDArray[np.bool_]

    @classmethod
    def at(cls, is_touching: NDArray[np.bool_], is_same_plate: NDArray[np.bool_]) -> Sources:
        """Look at samples by where they stand.

        Parameters
        ----------
        is_touching, is_same_plate
            bool, shape (n_sources,). Whether a source stands in a well that touches, and on the same plate.

        """
        places = np.stack([is_touching, is_same_plate, np.ones_like(is_same_plate)])
        number = places.sum(axis=1)
        return cls(by_place=places / np.maximum(number, 1)[:, None], is_there=number > 0)

    def chosen(self, numbers: NDArray[np.int64]) -> Sources:
        """Only some of the sources, by number; the others may be it, too."""
        return Sources(by_place=self.by_place[:, numbers], is_there=self.is_there)

    def joint(self, shares: NDArray[np.float64]) -> NDArray[np.float64]:
        """Probability of each place and source, where the places have these shares; float64, shape (3, n_sources)."""
        return np.asarray(shares[:, None] * self.by_place / float(shares @ self.is_there))

    def log_weights(self, shares: NDArray[np.float64] | None = None) -> NDArray[np.float64]:
        """Log prior of each source, by the shipped shares of the places where none are given; shape (n_sources,)."""
        return np.asarray(np.log(self.joint(np.array(PLACE_SHARES) if shares is None else shares).sum(axis=0)))


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

    def sources(self, sample: int, others: NDArray[np.int64]) -> Sources:
        """Look at the others as possible sources of DNA in the well of a sample."""
        return Sources.at(self.is_touching(sample, others), self.is_same_plate(sample, others))

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
