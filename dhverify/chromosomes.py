"""Chromosome names in one spelling, the chromosome lengths of the built-in maize map, and what fits them."""

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

FIT_TOLERANCE: Final = 1.02
"""Positions may pass the built-in chromosome lengths by this factor, as versions of an assembly differ a little
(common practice, no source)."""

LEAST_CHANCE: Final = 1e-6
"""Positions that reach so short a way along the maize chromosomes are taken to be of another genome if markers
spread evenly would do so with less than this probability (computed: share reached ** number of markers; the value
itself is common practice, no source)."""

LEAST_REACH: Final = 0.5
"""Where no position reaches this share of its chromosome, too few markers tell which genome it is, and the choice
is said as a warning (common practice, no source)."""


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
    digits = name.lstrip("0")
    return (not is_number, len(digits) if is_number else 0, digits if is_number else name)


def misfit_to_maize(chrom: NDArray[np.str_], pos_bp: NDArray[np.int64]) -> str:
    """Why positions cannot be those of the maize genome; empty if they can.

    Parameters
    ----------
    chrom
        str, shape (n,). Canonical names.
    pos_bp
        int64, shape (n,). At least one.

    Examples
    --------
    >>> misfit_to_maize(np.array(["1", "11"]), np.array([5, 5]))
    'chromosome 11 is none of 1 to 10'

    """
    for name in sorted({str(n) for n in chrom}, key=natural_order):
        if name not in MAIZE_MAP.chrom:
            return f"chromosome {name} is none of 1 to 10"
        length_mb = float(MAIZE_MAP.length_mb[MAIZE_MAP.chrom.index(name)])
        last_mb = float(pos_bp[chrom == name].max()) / 1e6
        if last_mb > FIT_TOLERANCE * length_mb:
            return f"a position at {last_mb:.1f} Mb passes the {length_mb:.1f} Mb of maize chromosome {name}"
    if _reach(chrom, pos_bp) ** len(pos_bp) < LEAST_CHANCE:
        return f"all {len(pos_bp)} positions lie within the first {pos_bp.max() / 1e6:.3g} Mb of a chromosome"
    return ""


def doubt_of_maize(chrom: NDArray[np.str_], pos_bp: NDArray[np.int64]) -> str:
    """Say that positions might be of maize or not; empty if they reach far enough.

    Parameters
    ----------
    chrom
        str, shape (n,). Canonical names, 1 to 10.
    pos_bp
        int64, shape (n,). At least one.

    """
    reach = _reach(chrom, pos_bp)
    if reach >= LEAST_REACH:
        return ""
    return (
        f"Taken to be of maize, which so few positions ({len(pos_bp)}) cannot tell: they reach no further than"
        f" {100 * reach:.0f} % of any maize chromosome. If that is not so, hand in a map."
    )


def _reach(chrom: NDArray[np.str_], pos_bp: NDArray[np.int64]) -> float:
    """Largest share of a maize chromosome that positions reach, from its start."""
    length_mb = dict(zip(MAIZE_MAP.chrom, MAIZE_MAP.length_mb, strict=True))
    return float(np.max(pos_bp / 1e6 / np.array([length_mb[str(name)] for name in chrom])))


def maize_rate(chrom: NDArray[np.str_]) -> NDArray[np.float64]:
    """CM per Mb of the built-in map, float64, shape (n,); nan where the name is none of its chromosomes."""
    rates = dict(zip(MAIZE_MAP.chrom, MAIZE_MAP.length_cm / MAIZE_MAP.length_mb, strict=True))
    return np.array([rates.get(str(name), np.nan) for name in chrom], dtype=np.float64)
