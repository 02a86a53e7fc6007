"""The sample names of genotype files, without reading the calls."""

from __future__ import annotations

from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING

from dhverify.formats.bcf_source import BcfRecords
from dhverify.formats.genotype_reader import Kind, kind_of
from dhverify.formats.opening import reading
from dhverify.formats.table_reader import table_samples
from dhverify.formats.vcf_source import VcfText, header_samples

if TYPE_CHECKING:
    from collections.abc import Iterable


def read_sample_names(
    paths: str | PathLike[str] | Iterable[str | PathLike[str]], *, layout: str = "auto"
) -> tuple[str, ...]:
    """Return the sample names of genotype files, each once, in order of first appearance.

    Parameters
    ----------
    paths
        VCF, VCF.gz, BCF or tables.
    layout
        ``auto``, ``vcf``, ``wide`` or ``long``.

    Raises
    ------
    FormatError
        A file cannot be read as what it claims to be.

    """
    files = [Path(path) for path in ([paths] if isinstance(paths, str | PathLike) else paths)]
    return tuple(dict.fromkeys(name for path in files for name in _names(path, layout)))


def _names(path: Path, layout: str) -> tuple[str, ...]:
    kind = kind_of(path, layout)
    if kind is Kind.TABLE:
        return table_samples(path, layout=layout)
    with reading(path):
        return header_samples(BcfRecords(path=path) if kind is Kind.BCF else VcfText(path=path))
