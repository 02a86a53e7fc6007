"""The one in-memory form of genotypes: calls, allele depths, markers and samples."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

MISSING: Final = -1
"""The only sentinel for a call that is not there (int8)."""

UNKNOWN_POSITION: Final = -1
"""A marker without a base-pair position."""


def locked(array: NDArray[Any]) -> NDArray[Any]:
    """Return a copy of an array that cannot be written to."""
    copy = np.array(array)
    copy.flags.writeable = False
    return copy


@dataclass(frozen=True, kw_only=True)
class SetAsideMarker:
    """A marker that was in a file and is not used, with the reason for a person."""

    name: str
    chrom: str
    pos_bp: int
    reason: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Markers:
    """Markers in file order.

    Attributes
    ----------
    name
        str, shape (n_markers,). Unique; ``CHROM_POS`` where the file names none.
    chrom
        str, shape (n_markers,). As in the file; empty where unknown.
    pos_bp
        int64, shape (n_markers,). Base pairs, 1-based; ``UNKNOWN_POSITION`` where unknown.
    cm
        float64, shape (n_markers,). Genetic position in the genotype file itself; nan where it has none.
    first_allele, second_allele
        str, shape (n_markers,). What 0 and 2 copies stand for; empty where the coding does not tell.

    """

    name: NDArray[np.str_]
    chrom: NDArray[np.str_]
    pos_bp: NDArray[np.int64]
    cm: NDArray[np.float64]
    first_allele: NDArray[np.str_]
    second_allele: NDArray[np.str_]

    def __post_init__(self) -> None:
        for field in ("name", "chrom", "pos_bp", "cm", "first_allele", "second_allele"):
            array = getattr(self, field)
            if array.shape != self.name.shape:
                raise ValueError(f"{field} has shape {array.shape}, expected {self.name.shape}")
            object.__setattr__(self, field, locked(array))

    def __len__(self) -> int:
        return len(self.name)


@dataclass(frozen=True, kw_only=True, eq=False)
class Genotypes:
    """Genotype calls of samples at markers.

    Attributes
    ----------
    samples
        str, shape (n_samples,). Unique names, in file order.
    markers
        The markers, in file order.
    calls
        int8, shape (n_samples, n_markers). Copies of the second allele, 0, 1 or 2; ``MISSING``.
    depths
        int32, shape (n_samples, n_markers, 2), or None. Reads of the first and second allele.
    half_calls
        int64, shape (n_samples,). Calls with one allele missing, counted and set to ``MISSING``.
    set_aside
        Markers of the files that are not used.
    notes
        What the reader decided (layout, coding, turned alleles), a sentence each.
    warnings
        What a user should look at, a sentence each.
    checksums
        (file name, SHA-256) of each input.

    """

    samples: NDArray[np.str_]
    markers: Markers
    calls: NDArray[np.int8]
    depths: NDArray[np.int32] | None = None
    half_calls: NDArray[np.int64]
    set_aside: tuple[SetAsideMarker, ...] = ()
    notes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    checksums: tuple[tuple[str, str], ...] = ()

    def __post_init__(self) -> None:
        shape = (len(self.samples), len(self.markers))
        if self.calls.shape != shape or self.calls.dtype != np.int8:
            raise ValueError(f"calls are {self.calls.dtype} {self.calls.shape}, expected int8 {shape}")
        if self.depths is not None and self.depths.shape != (*shape, 2):
            raise ValueError(f"depths have shape {self.depths.shape}, expected {(*shape, 2)}")
        if self.half_calls.shape != shape[:1]:
            raise ValueError(f"half_calls have shape {self.half_calls.shape}, expected {shape[:1]}")
        for field in ("samples", "calls", "half_calls"):
            object.__setattr__(self, field, _owned(getattr(self, field)))
        if self.depths is not None:
            object.__setattr__(self, "depths", _owned(self.depths))

    @property
    def n_samples(self) -> int:
        """Number of samples."""
        return len(self.samples)

    @property
    def n_markers(self) -> int:
        """Number of markers."""
        return len(self.markers)

    def sample_index(self) -> dict[str, int]:
        """Row of each sample name."""
        return {str(name): row for row, name in enumerate(self.samples)}


def _owned(array: NDArray[Any]) -> NDArray[Any]:
    """Lock an array in place when nobody else can write to it, else lock a copy."""
    if array.flags.owndata and array.base is None:
        array.flags.writeable = False
        return array
    return locked(array)
