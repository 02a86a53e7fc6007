"""VCF text as clean lines, whatever it comes from, and a first pass that checks every record.

The calls are read by scikit-allel from a stream that this module feeds: records as they are, below a header
of our own, because scikit-allel skips fields that the file's header does not declare, and pads records that
are too short.
"""

from __future__ import annotations

import io
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol

from dhverify.errors import Defect, FormatError
from dhverify.formats.defects import capped, whole_number
from dhverify.formats.opening import open_bytes, reading
from dhverify.formats.table_columns import exchanged_places

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from _typeshed import WriteableBuffer

_FIXED: Final = ("#CHROM", "POS", "ID", "REF", "ALT", "QUAL", "FILTER", "INFO", "FORMAT")
_REPAIRED_HEADER: Final = (
    b"##fileformat=VCFv4.3\n"
    b'##FORMAT=<ID=GT,Number=1,Type=String,Description="Genotype">\n'
    b'##FORMAT=<ID=AD,Number=R,Type=Integer,Description="Reads of each allele">\n'
)


class VcfSource(Protocol):
    """Anything that yields the lines of a VCF, again and again."""

    @property
    def path(self) -> Path:
        """The file."""
        ...

    def lines(self) -> Iterator[bytes]:
        """Yield the lines without their ends, header first."""
        ...


@dataclass(frozen=True, kw_only=True)
class VcfText:
    """A VCF file, plain or compressed."""

    path: Path

    def lines(self) -> Iterator[bytes]:
        """Yield the lines without their ends, header first."""
        with open_bytes(self.path) as stream:
            for line in stream:
                yield line.rstrip(b"\r\n")


@dataclass(frozen=True, kw_only=True)
class Site:
    """The fixed fields of one record."""

    chrom: str
    pos_bp: int
    name: str
    alleles: tuple[str, ...]
    row: int


@dataclass(frozen=True, kw_only=True)
class VcfIndex:
    """What the first pass over a VCF found.

    Attributes
    ----------
    samples
        Names, in file order.
    sites
        The records, in file order.
    has_genotypes, has_depths
        Whether any record has the field GT, AD.

    """

    samples: tuple[str, ...]
    sites: tuple[Site, ...]
    has_genotypes: bool
    has_depths: bool


def index_vcf(source: VcfSource) -> VcfIndex:
    """Read the fixed fields of every record and check the shape of the file.

    Raises
    ------
    FormatError
        Naming every line that is wrong: no or a wrong header line, no samples, sample names given twice, no
        records, records with too few columns, positions that are no numbers; or a damaged file.

    """
    with reading(source.path):
        return _Indexer(source).run()


def header_samples(source: VcfSource) -> tuple[str, ...]:
    """Return the sample names of a VCF from its header alone.

    Raises
    ------
    FormatError
        There is no header line, or it names no samples.

    """
    return _Indexer(source).header()


class _Indexer:
    """The first pass: collects sites and defects."""

    def __init__(self, source: VcfSource) -> None:
        self.source = source
        self.defects: list[Defect] = []
        self.sites: list[Site] = []
        self.formats: set[bytes] = set()

    def header(self) -> tuple[str, ...]:
        for row, line in enumerate(self.source.lines(), start=1):
            if not line.startswith(b"##"):
                samples = self._samples(line, row)
                if self.defects:
                    raise self._error(self.defects)
                return samples
        raise self._error([_no_header()])

    def run(self) -> VcfIndex:
        samples: tuple[str, ...] | None = None
        for row, line in enumerate(self.source.lines(), start=1):
            if samples is None:
                if line.startswith(b"##"):
                    continue
                samples = self._samples(line, row)
            elif line:
                self._record(line, row, 8 + len(samples))
        if samples is None:
            raise self._error([_no_header()])
        exchanged = exchanged_places([s.chrom for s in self.sites], [s.pos_bp for s in self.sites], ("CHROM", "POS"))
        if self.defects or exchanged:
            raise self._error([*self.defects, *filter(None, [exchanged])])
        if not self.sites:
            found = "a header and no records"
            raise self._error([Defect(where="the file", found=found, expected="at least one marker")])
        keys = {key for text in self.formats for key in text.split(b":")}
        return VcfIndex(
            samples=samples,
            sites=tuple(self.sites),
            has_genotypes=b"GT" in keys,
            has_depths=b"AD" in keys,
        )

    def _error(self, defects: list[Defect]) -> FormatError:
        return FormatError(str(self.source.path), capped(defects))

    def _samples(self, line: bytes, row: int) -> tuple[str, ...]:
        stray = _stray_byte(line)
        if stray:
            raise self._error([_no_text(row, stray)])
        columns = line.decode().split("\t")
        where = f"line {row}"
        if tuple(columns[:8]) != _FIXED[:8]:
            raise self._error([_no_header(where, columns[0])])
        if len(columns) < 10 or columns[8] != "FORMAT":
            found = "sites without samples"
            raise self._error([Defect(where=where, found=found, expected="FORMAT and at least one sample")])
        names = tuple(name.strip() for name in columns[9:])
        doubled = [name for name, times in Counter(names).items() if times > 1]
        self.defects += [
            Defect(where=where, found=f"sample {name} twice", expected="each sample once") for name in doubled
        ]
        if "" in names:
            self.defects.append(Defect(where=where, found="a sample without a name", expected="a name"))
        return names

    def _record(self, line: bytes, row: int, n_tabs: int) -> None:
        stray = _stray_byte(line)
        if stray:
            self.defects.append(_no_text(row, stray))
            return
        n_found = line.count(b"\t")
        if n_found != n_tabs:
            found = f"{n_found + 1} columns"
            self.defects.append(Defect(where=f"line {row}", found=found, expected=f"{n_tabs + 1} columns"))
            return
        fields = line.split(b"\t", 9)
        self.formats.add(fields[8])
        chrom, pos, name, reference, alternate = (field.decode() for field in fields[:5])
        pos_bp = whole_number(pos)
        if pos_bp is None:
            self.defects.append(Defect(where=f"line {row}, POS", found=pos, expected="a whole number"))
            return
        alleles = (reference, *(() if alternate in {".", ""} else alternate.split(",")))
        name = "" if name == "." else name
        self.sites.append(Site(chrom=chrom, pos_bp=pos_bp, name=name, alleles=alleles, row=row))


def _stray_byte(line: bytes) -> str:
    """Return what a line holds that ends or splits it for scikit-allel; empty if nothing."""
    if b"\0" in line:
        return "a zero byte"
    return "a carriage return within the line" if b"\r" in line else ""


def _no_text(row: int, found: str) -> Defect:
    return Defect(where=f"line {row}", found=found, expected="text: copy or download the file again")


def _no_header(where: str = "the file", found: str = "no line that begins #CHROM") -> Defect:
    expected = "a header line of " + " ".join(_FIXED) + " and the sample names, separated by tabs"
    return Defect(where=where, found=found, expected=expected)


class RepairedVcf(io.RawIOBase):
    """A byte stream of a VCF below a header that declares GT and AD.

    Parameters
    ----------
    source
        Where the lines come from.

    """

    def __init__(self, source: VcfSource) -> None:
        super().__init__()
        self._blocks = self._cleaned(source)
        self._rest = b""

    def readable(self) -> bool:
        """Tell that the stream can be read."""
        return True

    def readinto(self, buffer: WriteableBuffer, /) -> int:
        """Fill the buffer with the next bytes; 0 at the end."""
        view = memoryview(buffer)
        if not self._rest:
            self._rest = next(self._blocks, b"")
        count = min(len(view), len(self._rest))
        view[:count] = self._rest[:count]
        self._rest = self._rest[count:]
        return count

    @staticmethod
    def _cleaned(source: VcfSource) -> Iterator[bytes]:
        yield _REPAIRED_HEADER
        for line in source.lines():
            if line and not line.startswith(b"##"):
                yield line + b"\n"
