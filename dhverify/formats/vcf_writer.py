"""A small VCF writer."""

from __future__ import annotations

import gzip
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator
    from os import PathLike

    from dhverify.genotypes import Genotypes

_GENOTYPES: Final = np.array(["0/0", "0/1", "1/1", "./."])
"""By copies of the second allele; the last, index -1, is missing."""


def write_vcf(genotypes: Genotypes, path: str | PathLike[str]) -> None:
    """Write genotypes as VCF 4.3; compressed where the name ends in ``.gz``.

    Alleles without a name are written as ``N`` and ``<2>``, a chromosome without one as ``0``, a position
    that is not known as 0; the genetic position is not written.

    Parameters
    ----------
    genotypes
        What to write; the reads of each allele too, if it has any.
    path
        The file; it is replaced if it is there.

    """
    text = "".join(_lines(genotypes)).encode()
    file = Path(path)
    file.write_bytes(gzip.compress(text, compresslevel=6, mtime=0) if file.suffix == ".gz" else text)


def _lines(genotypes: Genotypes) -> Iterator[str]:
    yield "##fileformat=VCFv4.3\n"
    for chrom in dict.fromkeys(genotypes.markers.chrom.tolist()):
        yield f"##contig=<ID={chrom or '0'}>\n"
    yield '##FORMAT=<ID=GT,Number=1,Type=String,Description="Genotype">\n'
    if genotypes.depths is not None:
        yield '##FORMAT=<ID=AD,Number=R,Type=Integer,Description="Reads of each allele">\n'
    fixed = ["#CHROM", "POS", "ID", "REF", "ALT", "QUAL", "FILTER", "INFO", "FORMAT"]
    yield "\t".join([*fixed, *genotypes.samples.tolist()]) + "\n"
    for marker in range(genotypes.n_markers):
        yield _record(genotypes, marker)


def _record(genotypes: Genotypes, marker: int) -> str:
    markers = genotypes.markers
    calls = _GENOTYPES[genotypes.calls[:, marker]].tolist()
    first, second = str(markers.first_allele[marker]), str(markers.second_allele[marker])
    has_second = bool(np.any(genotypes.calls[:, marker] > 0))
    alternate = second or ("<2>" if has_second or genotypes.depths is not None else ".")
    if genotypes.depths is not None:
        reads = genotypes.depths[:, marker].tolist()
        calls = [f"{call}:{a},{b}" for call, (a, b) in zip(calls, reads, strict=True)]
    fixed = [
        str(markers.chrom[marker]) or "0",
        str(max(0, int(markers.pos_bp[marker]))),
        str(markers.name[marker]),
        first or "N",
        alternate,
        *(".", ".", "."),
        "GT" if genotypes.depths is None else "GT:AD",
    ]
    return "\t".join([*fixed, *calls]) + "\n"
