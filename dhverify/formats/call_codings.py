"""What a call in a genotype table means, in each of the four codings.

References
----------
Cornish-Bowden, A. 1985. Nomenclature for incompletely specified bases in nucleic acid sequences:
recommendations 1984. Nucleic Acids Res 13:3021-3030. doi:10.1093/nar/13.9.3021

"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from dhverify.formats.part import Alphabet
from dhverify.genotypes import MISSING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

CODINGS: Final = ("bases", "copies", "alleles", "parents")

BASES: Final = "ACGT"
IUPAC: Final = {"R": "AG", "Y": "CT", "S": "CG", "W": "AT", "K": "GT", "M": "AC"}
"""Codes of two bases (Cornish-Bowden 1985)."""

_MISSING: Final = frozenset({"", "-", "--", "N", "NN", "NA", ".", "./.", "?", "??", "-/-", "N/N", "NAN", "..", "?/?"})
_NO_ALLELE: Final = frozenset("-N.?")
_SEPARATORS: Final = "/|:"
_COPIES: Final = {"0": (0, 0), "1": (0, 1), "2": (1, 1), "-1": None, "9": None}
_PARENTS: Final = {"A": (0, 0), "B": (1, 1), "H": (0, 1)}

ALPHABETS: Final = {
    "bases": Alphabet.BASES,
    "copies": Alphabet.NONE,
    "alleles": Alphabet.NUMBERS,
    "parents": Alphabet.LETTERS,
}
ALLELES: Final = {"bases": tuple(BASES), "copies": ("", ""), "alleles": ("1", "2"), "parents": ("A", "B")}
"""Names of the alleles that a decoded pair points to."""

HALF: Final = -2
"""A call with one allele missing."""
UNKNOWN: Final = -3
"""No call of this coding."""


@dataclass(frozen=True, kw_only=True)
class Decoder:
    """A lookup from distinct texts to allele pairs.

    Attributes
    ----------
    first, second
        int8, shape (n_texts,). Index into ``ALLELES`` of the coding; ``MISSING``, ``HALF`` or ``UNKNOWN``.

    """

    first: NDArray[np.int8]
    second: NDArray[np.int8]


def decode(text: str, coding: str) -> tuple[int, int]:
    """Return the allele pair of a call, or twice ``MISSING``, ``HALF`` or ``UNKNOWN``.

    Parameters
    ----------
    text
        The call as it stands in the table.
    coding
        One of ``CODINGS``.

    Examples
    --------
    >>> decode("A/G", "bases"), decode("R", "bases"), decode("2", "copies"), decode("H", "parents")
    ((0, 2), (0, 2), (1, 1), (0, 1))

    """
    symbol = text.strip().upper()
    if symbol.replace("|", "/").replace(":", "/") in _MISSING:
        return MISSING, MISSING
    if coding == "copies":
        pair = _COPIES.get(symbol.removesuffix(".0"), (UNKNOWN, UNKNOWN))
        return pair or (MISSING, MISSING)
    if coding == "parents":
        return _PARENTS.get(symbol, (UNKNOWN, UNKNOWN))
    return _two_alleles(symbol, BASES if coding == "bases" else "12", coding)


def _two_alleles(symbol: str, alleles: str, coding: str) -> tuple[int, int]:
    if coding == "bases":
        symbol = IUPAC.get(symbol, symbol)
    if len(symbol) == 1:
        symbol *= 2
    has_separator = len(symbol) == 3 and symbol[1] in _SEPARATORS
    if has_separator:
        symbol = symbol[0] + symbol[2]
    elif coding == "alleles" and symbol[0] == "-":
        return UNKNOWN, UNKNOWN  # the missing symbol -1 of another coding
    if len(symbol) != 2 or not set(symbol) <= set(alleles) | _NO_ALLELE:
        return UNKNOWN, UNKNOWN
    if set(symbol) & _NO_ALLELE:
        is_all = set(symbol) <= _NO_ALLELE
        return (MISSING, MISSING) if is_all else (HALF, HALF)
    return alleles.index(symbol[0]), alleles.index(symbol[1])


def decoder(texts: Iterable[str], coding: str) -> Decoder:
    """Return the lookup for distinct texts in one coding."""
    pairs = np.array([decode(text, coding) for text in texts], dtype=np.int8).reshape(-1, 2)
    return Decoder(first=pairs[:, 0].copy(), second=pairs[:, 1].copy())


def is_missing(text: str) -> bool:
    """Whether a text means in every coding that there is no call."""
    return decode(text, "bases")[0] == MISSING


def fitting_codings(texts: Iterable[str]) -> tuple[str, ...]:
    """Return the codings that could have written these calls; more than one where that cannot be told.

    Parameters
    ----------
    texts
        Distinct calls of one file.

    Examples
    --------
    >>> fitting_codings(["0", "1", "2"]), fitting_codings(["1", "2"]), fitting_codings(["A", "B", "H"])
    (('copies',), ('copies', 'alleles'), ('parents',))

    """
    symbols = {text.strip().upper().removesuffix(".0") for text in texts if not is_missing(text)}
    fits = [coding for coding in CODINGS if all(decode(symbol, coding)[0] != UNKNOWN for symbol in symbols)]
    called = symbols - {"-1", "9"}
    if called and called <= {"1", "2"}:
        return "copies", "alleles"
    if called and called <= {"A", "B"}:
        return "bases", "parents"
    return tuple(fits)


def best_coding(texts: Sequence[str], counts: NDArray[np.int64]) -> str:
    """Return the coding that reads most of the calls, for a message about those it cannot read."""
    explained = [int(counts[decoder(texts, coding).first != UNKNOWN].sum()) for coding in CODINGS]
    return CODINGS[int(np.argmax(explained))]


EXPECTED: Final = {
    "bases": "two bases (AG, A/G), one base, an IUPAC code of two bases, or missing (empty, -, N, NA, ., ?)",
    "copies": "0, 1, 2, or missing (empty, -, NA, ., ?, -1, 9)",
    "alleles": "1, 2, 1/2, or missing (empty, -, NA, ., ?)",
    "parents": "A, B, H, or missing (empty, -, NA, ., ?)",
}
"""What a call of each coding looks like, for messages."""
