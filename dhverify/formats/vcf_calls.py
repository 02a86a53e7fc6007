"""What a genotype field of a VCF means, and which two alleles of a site are kept.

A haploid call ``1`` is one allele seen once: homozygous alternate for an inbred or haploid plant. A half call
``0/.`` is missing. Calls of three and more alleles are missing. ``|`` and ``/`` mean the same here (VCF 4.3,
hts-specs).
"""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING, Final

import numpy as np

from dhverify.genotypes import MISSING

if TYPE_CHECKING:
    from numpy.typing import NDArray

_SEPARATORS: Final = bytes.maketrans(b"|", b"/")


class CallKind(IntEnum):
    """What a genotype field is."""

    CALL = 0
    MISSING = 1
    HALF = 2
    POLYPLOID = 3
    BAD = 4


def parse_genotype(text: bytes) -> tuple[CallKind, int, int]:
    """Return kind and the two allele numbers of a genotype field (-1 where it is no call).

    Examples
    --------
    >>> parse_genotype(b"1"), parse_genotype(b"0|1"), parse_genotype(b"0/.")
    ((<CallKind.CALL: 0>, 1, 1), (<CallKind.CALL: 0>, 0, 1), (<CallKind.HALF: 2>, -1, -1))

    """
    alleles = text.strip().translate(_SEPARATORS).lstrip(b"/").split(b"/")
    if not all(allele in {b".", b""} or allele.isdigit() for allele in alleles):
        return CallKind.BAD, MISSING, MISSING
    known = [int(allele) for allele in alleles if allele.isdigit()]
    if not known:
        return CallKind.MISSING, MISSING, MISSING
    if len(alleles) > 2:
        return CallKind.POLYPLOID, MISSING, MISSING
    if len(known) < len(alleles):
        return CallKind.HALF, MISSING, MISSING
    return CallKind.CALL, known[0], known[-1]


def parse_genotypes(
    fields: NDArray[np.bytes_],
) -> tuple[NDArray[np.int8], NDArray[np.int16], NDArray[np.int16]]:
    """Return kinds and both allele numbers of many genotype fields.

    Parameters
    ----------
    fields
        bytes, any shape.

    Returns
    -------
    kind : int8, first, second : int16, shape of the fields

    """
    codes, texts = _factorise(fields)
    parsed = np.array([parse_genotype(text) for text in texts], dtype=np.int16).reshape(-1, 3)
    kind, first, second = (parsed[:, column][codes].reshape(fields.shape) for column in range(3))
    return kind.astype(np.int8), first, second


def _factorise(fields: NDArray[np.bytes_]) -> tuple[NDArray[np.intp], list[bytes]]:
    """Return the code of each field and the distinct fields; by hashing where eight bytes hold a field."""
    flat = np.ascontiguousarray(fields).ravel()
    if flat.dtype.itemsize != 8:
        texts, codes = np.unique(flat, return_inverse=True)
        return codes, [bytes(text) for text in texts]
    import pandas as pd

    codes, numbers = pd.factorize(flat.view(np.int64))
    return codes, [bytes(text) for text in np.asarray(numbers, dtype=np.int64).view("S8")]


def kept_alleles(
    first: NDArray[np.int16], second: NDArray[np.int16], n_alleles: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Return the two alleles of each site that its calls are told in.

    Parameters
    ----------
    first, second
        int16, shape (n_sites, n_samples). Allele numbers; -1 where there is no call.
    n_alleles
        int64, shape (n_sites,). Reference and alternate alleles of the site.

    Returns
    -------
    kept : int64, shape (n_sites, 2)
        Numbers of the first and second allele; (0, 1) where there are only two; the second is -1 where it
        cannot be told; (-1, -1) where more than two alleles occur among the samples.

    """
    kept = np.tile(np.array([0, 1]), (len(n_alleles), 1))
    kept[n_alleles < 2, 1] = -1
    for site in np.flatnonzero(n_alleles > 2):
        kept[site] = _kept_of_many(np.unique(np.concatenate([first[site], second[site]])))
    return kept


def _kept_of_many(seen: NDArray[np.int16]) -> tuple[int, int]:
    alleles = [int(allele) for allele in seen if allele >= 0]
    if len(alleles) > 2:
        return -1, -1
    if len(alleles) == 2:
        return alleles[0], alleles[1]
    return (0, alleles[0]) if alleles and alleles[0] > 0 else (0, -1)


def copies_of_second(first: NDArray[np.int16], second: NDArray[np.int16], kept: NDArray[np.int64]) -> NDArray[np.int8]:
    """Return the copies of the second kept allele.

    Returns
    -------
    copies : int8, shape (n_sites, n_samples)
        0, 1 or 2; ``MISSING`` where there is no call.

    """
    alternate = kept[:, 1:].astype(np.int16)
    copies: NDArray[np.int8] = (first == alternate).astype(np.int8)
    copies += second == alternate
    copies[first < 0] = MISSING
    return copies
