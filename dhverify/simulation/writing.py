"""Writes an invented programme in the files that a check reads; the same programme gives the same bytes."""

from __future__ import annotations

import csv
import gzip
import io
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from dhverify.simulation.programme import Row, SimulatedProgramme

FILES: Final = ("genotypes.vcf.gz", "samples.csv", "counts.csv", "truth.csv", "truth_others.csv", "map.csv")
"""Names of the files that are written; the last one on request."""

_CALL_TEXT: Final = np.array(["0/0", "0/1", "1/1", "./."])
_UNPLACED: Final = "0"


def write_programme(programme: SimulatedProgramme, directory: Path | str, *, with_map: bool = False) -> None:
    """Write an invented programme into a directory, which is made if need be.

    Parameters
    ----------
    programme
        What to write.
    directory
        Where; files of the same names are replaced. Nothing is written before everything is ready.
    with_map
        Also write ``map.csv``: the true genetic place of each marker by name.

    """
    folder = Path(directory)
    files = programme_files(programme, with_map=with_map)
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in files.items():
        (folder / name).write_bytes(content)


def programme_files(programme: SimulatedProgramme, *, with_map: bool = False) -> dict[str, bytes]:
    """Return file name and content of everything that a programme is written as."""
    tables = {
        "samples.csv": programme.sheet,
        "counts.csv": programme.counts,
        "truth.csv": programme.truth,
        "truth_others.csv": programme.others,
    }
    files = {"genotypes.vcf.gz": compressed(vcf_lines(programme))}
    files |= {name: table_bytes(rows) for name, rows in tables.items()}
    return files | ({"map.csv": table_bytes(map_rows(programme))} if with_map else {})


def compressed(lines: Iterable[str]) -> bytes:
    """Gzip lines of text without a time stamp or file name."""
    buffer = io.BytesIO()
    with gzip.GzipFile(filename="", fileobj=buffer, mode="wb", compresslevel=6, mtime=0) as handle:
        for line in lines:
            handle.write(line.encode("utf-8") + b"\n")
    return buffer.getvalue()


def table_bytes(rows: Sequence[Row]) -> bytes:
    """CSV of rows of one kind: UTF-8, line feeds, a header."""
    text = io.StringIO()
    writer = csv.DictWriter(text, fieldnames=list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue().encode("utf-8")


def map_rows(programme: SimulatedProgramme) -> list[Row]:
    """Return the true map: marker, chromosome and cM."""
    markers = programme.markers
    return [
        {"marker": str(name), "chrom": str(chrom), "cm": f"{cm:.4f}"}
        for name, chrom, cm in zip(markers.name, markers.true_chrom, markers.true_cm, strict=True)
    ]


def vcf_lines(programme: SimulatedProgramme) -> Iterator[str]:
    """Lines of a VCF 4.3 file: GT, and AD where there are reads."""
    has_depths = programme.depths is not None
    yield from _header(programme, has_depths=has_depths)
    markers = programme.markers
    info = "GT:AD" if has_depths else "GT"
    for row in range(len(markers)):
        chrom, pos = str(markers.chrom[row]), int(markers.pos_bp[row])
        place = (chrom, str(pos)) if chrom else (_UNPLACED, "0")
        alleles = (str(markers.first_allele[row]), str(markers.second_allele[row]))
        fields = [*place, str(markers.name[row]), *alleles, ".", ".", ".", info]
        yield "\t".join([*fields, *_sample_fields(programme, row)])


def _header(programme: SimulatedProgramme, *, has_depths: bool) -> Iterator[str]:
    yield "##fileformat=VCFv4.3"
    yield "##source=dhverify simulate (an invented programme)"
    prefix = programme.settings.chromosome_prefix
    for chromosome in programme.settings.chromosomes:
        yield f"##contig=<ID={prefix}{chromosome.name},length={chromosome.length_bp}>"
    if (programme.markers.chrom == "").any():
        yield f"##contig=<ID={_UNPLACED}>"
    yield '##FORMAT=<ID=GT,Number=1,Type=String,Description="Genotype">'
    if has_depths:
        yield '##FORMAT=<ID=AD,Number=R,Type=Integer,Description="Reads of each allele, the reference first">'
    columns = ["#CHROM", "POS", "ID", "REF", "ALT", "QUAL", "FILTER", "INFO", "FORMAT"]
    yield "\t".join([*columns, *map(str, programme.samples)])


def _sample_fields(programme: SimulatedProgramme, row: int) -> list[str]:
    calls: list[str] = _CALL_TEXT[programme.calls[:, row]].tolist()
    if programme.depths is None:
        return calls
    depths = programme.depths[:, row].tolist()
    return [f"{call}:{first},{second}" for call, (first, second) in zip(calls, depths, strict=True)]
