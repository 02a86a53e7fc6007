"""Where samples stand on their plates, and which wells touch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.samples import Sample

TOUCHING: Final = 0.5
SAME_PLATE: Final = 0.35
ELSEWHERE: Final = 0.15
"""Where DNA that got into a well comes from: mostly neighbouring wells (Minich et al. 2019, mSystems 4:e00186-19); the
weights are common practice, no source."""


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

    def log_weights(self, sample: int, others: NDArray[np.int64]) -> NDArray[np.float64]:
        """Log prior of each of the others as the source of DNA in the well of a sample; shape (n_others,)."""
        return source_log_weights(self.is_touching(sample, others), self.is_same_plate(sample, others))

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


def source_log_weights(is_touching: NDArray[np.bool_], is_same_plate: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Log prior of possible sources of DNA in a well, by where they stand; the weights of all add to 1.

    Parameters
    ----------
    is_touching, is_same_plate
        bool, shape (n_sources,). Whether a source stands in a well that touches, and on the same plate.

    """
    kinds = (is_touching, is_same_plate & ~is_touching, ~is_same_plate & ~is_touching)
    weight = np.zeros(len(is_touching))
    for kind, share in zip(kinds, (TOUCHING, SAME_PLATE, ELSEWHERE), strict=True):
        weight[kind] = share / max(int(kind.sum()), 1)
    return np.asarray(np.log(weight / max(float(weight.sum()), 1e-300)))


def nearest(sample: Sample, others: Sequence[Sample]) -> Sample:
    """Return the first of the others in a well that touches, else the first on the same plate, else the first."""
    is_far = [0 if are_neighbours(sample, o) else 1 if sample.well and o.plate == sample.plate else 2 for o in others]
    return others[is_far.index(min(is_far))]
