"""The door for genotypes: one or several files of any format into one `Genotypes`."""

from __future__ import annotations

from enum import Enum
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Final

from dhverify.errors import Defect, FormatError
from dhverify.formats.call_codings import CODINGS
from dhverify.formats.joining import join
from dhverify.formats.opening import checksum, container_named, first_bytes, is_utf16_without_mark
from dhverify.formats.parent_letters import letters_said, parents_of_letters, with_parents
from dhverify.formats.part import Alphabet, Part
from dhverify.formats.table_reader import read_table
from dhverify.formats.vcf_reader import read_bcf, read_vcf

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from dhverify.genotypes import Genotypes
    from dhverify.samples import SampleSheet

LAYOUTS: Final = ("auto", "vcf", "wide", "long")

AnyPath = str | PathLike[str]


def read_genotypes(
    paths: AnyPath | Iterable[AnyPath],
    *,
    layout: str = "auto",
    coding: str = "auto",
    first_parent: str | None = None,
    sheet: SampleSheet | None = None,
) -> Genotypes:
    r"""Read genotypes from VCF, VCF.gz, BCF or tables, and join them.

    Parameters
    ----------
    paths
        One file or several: other markers of the same samples, other samples at the same markers, or both.
    layout
        ``auto``, ``vcf`` (BCF too), ``wide`` or ``long``.
    coding
        Of tables: ``auto``, ``bases``, ``copies``, ``alleles`` or ``parents``.
    first_parent
        In the coding ``parents``, the parent that is A; taken from the sheet's pedigree if it is None.
    sheet
        The sample sheet; tells which way round a wide table lies, and who A and B are.

    Returns
    -------
    Genotypes
        Calls are copies of the second allele. Reads that are not given count as 0.

    Raises
    ------
    FormatError
        A file cannot be read as what it claims to be; all that is wrong in it is named.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from pathlib import Path
    >>> with TemporaryDirectory() as folder:
    ...     file = Path(folder) / "calls.csv"
    ...     _ = file.write_text("sample,m1,m2,m3\nL1,0,2,1\nL2,2,2,-\n")
    ...     genotypes = read_genotypes(file)
    >>> genotypes.calls.tolist()
    [[0, 2, 1], [2, 2, -1]]
    >>> genotypes.notes[-1]
    'calls.csv: calls read as copies.'

    """
    files = [Path(path) for path in ([paths] if isinstance(paths, str | PathLike) else paths)]
    _check_options(files, layout, coding)
    checksums = tuple((path.name, checksum(path)) for path in files)
    parts = [_read_part(path, layout=layout, coding=coding, sheet=sheet) for path in files]
    return _joined(parts, checksums, first_parent, sheet)


def _joined(
    parts: Sequence[Part],
    checksums: tuple[tuple[str, str], ...],
    first_parent: str | None,
    sheet: SampleSheet | None,
) -> Genotypes:
    lettered = [part for part in parts if part.alphabet is Alphabet.LETTERS]
    if not lettered:
        return join(parts, checksums=checksums)
    letters = parents_of_letters(lettered[0].source, sheet, first_parent)
    said = [letters_said(part, letters) if part in lettered else part for part in parts]
    return with_parents(join(said, checksums=checksums), letters, sheet)


def _check_options(files: list[Path], layout: str, coding: str) -> None:
    choices = (("layout", layout, LAYOUTS), ("coding", coding, ("auto", *CODINGS)))
    for name, value, allowed in choices:
        if value not in allowed:
            expected = "one of " + ", ".join(allowed)
            raise FormatError(name, [Defect(where=f"--{name}", found=value, expected=expected)])
    if not files:
        raise FormatError("genotypes", [Defect(where="genotypes", found="no file", expected="at least one")])
    resolved = [path.resolve() for path in files]
    for path, place in zip(files, resolved, strict=True):
        if resolved.count(place) > 1:
            raise FormatError(
                str(path), [Defect(where="the file", found="the same file twice", expected="each file once")]
            )


class Kind(Enum):
    """What a genotype file is."""

    VCF = "VCF"
    BCF = "BCF"
    TABLE = "table"


def kind_of(path: Path, layout: str) -> Kind:
    """Find out what a genotype file is, by its first bytes.

    Raises
    ------
    FormatError
        The file is empty, is a container that cannot be read, or is not what the layout says.

    """
    start = first_bytes(path)
    expected = "VCF, VCF.gz, BCF, or a CSV or TSV table"
    container = container_named(start)
    if container:
        raise FormatError(str(path), [Defect(where="the file", found=container, expected=expected)])
    if is_utf16_without_mark(start) and not start.startswith(b"BCF"):
        found = "UTF-16 text without its byte-order mark"
        raise FormatError(str(path), [Defect(where="the file", found=found, expected=f"{expected}, saved as UTF-8")])
    if start.startswith(b"BCF"):
        kind = Kind.BCF
    elif start.startswith((b"##", b"#CHROM\tPOS")):
        kind = Kind.VCF
    else:
        kind = Kind.VCF if layout == "vcf" else Kind.TABLE
    if layout in {"wide", "long"} and kind is not Kind.TABLE:
        expected = "a table; or leave --layout out"
        raise FormatError(str(path), [Defect(where="the file", found=f"a {kind.value}", expected=expected)])
    return kind


def _read_part(path: Path, *, layout: str, coding: str, sheet: SampleSheet | None) -> Part:
    kind = kind_of(path, layout)
    if kind is Kind.TABLE:
        return read_table(path, layout=layout, coding=coding, sheet=sheet)
    return read_bcf(path) if kind is Kind.BCF else read_vcf(path)
