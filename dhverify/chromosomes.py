"""Chromosome names in one spelling, and the chromosome lengths of the built-in maize map."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

NO_PLACE: Final = frozenset({"", "0", ".", "?", "na", "un", "unknown", "unmapped", "unplaced"})
"""Chromosome names (lower case) that say that the place is not known."""

CHROMOSOME_PREFIX: Final = re.compile(r"^(?:chromosome|chrom|chr)[\s_.-]*(?=.)", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True, eq=False)
class ChromosomeLengths:
    """Genetic and physical length of each chromosome of a genome.

    Attributes
    ----------
    chrom
        Canonical names.
    length_cm, length_mb
        float64, shape (n_chromosomes,), read-only.
    source
        Where the lengths are from.

    """

    chrom: tuple[str, ...]
    length_cm: NDArray[np.float64]
    length_mb: NDArray[np.float64]
    source: str

    def __post_init__(self) -> None:
        for name in ("length_cm", "length_mb"):
            lengths = np.array(getattr(self, name), dtype=np.float64)
            lengths.flags.writeable = False
            object.__setattr__(self, name, lengths)


MAIZE_MAP: Final = ChromosomeLengths(
    chrom=("1", "2", "3", "4", "5", "6", "7", "8", "9", "10"),
    length_cm=np.array([210.4, 161.2, 161.0, 150.4, 155.4, 110.8, 135.8, 136.6, 127.4, 113.0]),
    length_mb=np.array([308.45, 243.68, 238.02, 250.33, 226.35, 181.36, 185.81, 182.41, 163.00, 152.44]),
    source="Ogut et al. 2015, Heredity 114:552-563, doi:10.1038/hdy.2014.123 (consensus map lengths);"
    " physical lengths of version 5 of the reference assembly",
)
"""The built-in maize map: chromosome lengths only, positions scaled linearly between the ends."""


def canonical_chromosome(name: str) -> str:
    """One spelling of a chromosome: no ``chr`` in front, no leading zeros; empty where it says unknown.

    Examples
    --------
    >>> [canonical_chromosome(name) for name in ("10", "chr10", "Chr010", "1H", "chr0")]
    ['10', '10', '10', '1H', '']

    """
    bare = CHROMOSOME_PREFIX.sub("", name.strip())
    bare = bare.lstrip("0") or bare[:1]
    return "" if bare.lower() in NO_PLACE else bare


def canonical_chromosomes(names: NDArray[np.str_]) -> NDArray[np.str_]:
    """One spelling for each chromosome name, str, shape (n,)."""
    unique, index = np.unique(np.asarray(names, dtype=np.str_), return_inverse=True)
    return np.array([canonical_chromosome(str(name)) for name in unique], dtype=np.str_)[index]


def natural_order(name: str) -> tuple[bool, int, str]:
    """Sort key that puts numbered chromosomes first, in order of number."""
    is_number = name.isascii() and name.isdigit()
    return (not is_number, int(name) if is_number else 0, name)
