"""VCF and BCF into calls: scikit-allel reads the fields, `vcf_calls` says what they mean."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from dhverify.errors import Defect, FormatError
from dhverify.formats.bcf_source import BcfRecords
from dhverify.formats.defects import MOST_LISTED, capped, counted
from dhverify.formats.opening import is_bgzf_without_end, reading
from dhverify.formats.part import Alphabet, Part, set_aside_warning
from dhverify.formats.vcf_calls import CallKind, copies_of_second, kept_alleles, parse_genotypes
from dhverify.formats.vcf_source import RepairedVcf, Site, VcfIndex, VcfSource, VcfText, index_vcf
from dhverify.genotypes import MISSING, Markers, SetAsideMarker

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

_CHUNK_BYTES: Final = 64_000_000
_SHORT_FIELD: Final = 8
_LONG_FIELD: Final = 64
_THREE_ALLELES: Final = "more than two alleles among the samples"


def read_vcf(path: Path) -> Part:
    """Read a VCF, plain or compressed.

    Raises
    ------
    FormatError
        The file is damaged, has no header, samples or records, or holds genotypes that are none.

    """
    return _read(VcfText(path=path))


def read_bcf(path: Path) -> Part:
    """Read a BCF; needs the extra ``bcf``.

    Raises
    ------
    FormatError
        As for a VCF; or the extra is not installed.

    """
    return _read(BcfRecords(path=path))


def _read(source: VcfSource) -> Part:
    index = index_vcf(source)
    if not index.has_genotypes:
        found = "no record with the field GT"
        raise FormatError(str(source.path), [Defect(where="column FORMAT", found=found, expected="genotypes (GT)")])
    with reading(source.path):
        reader = _CallReader(source, index, field_bytes=_SHORT_FIELD)
        if reader.is_too_narrow:
            reader = _CallReader(source, index, field_bytes=_LONG_FIELD)
    return reader.part()


class _CallReader:
    """The second pass: fills calls and depths chunk by chunk."""

    def __init__(self, source: VcfSource, index: VcfIndex, *, field_bytes: int) -> None:
        self.source = source
        self.index = index
        self.field_bytes = field_bytes
        self.is_too_narrow = False
        shape = (len(index.samples), len(index.sites))
        self.calls = np.full(shape, MISSING, dtype=np.int8)
        self.depths = np.zeros((*shape, 2), dtype=np.int32) if index.has_depths else None
        self.kept = np.zeros((shape[1], 2), dtype=np.int64)
        self.n_alleles = np.array([len(site.alleles) for site in index.sites], dtype=np.int64)
        self.half_calls = np.zeros(shape[0], dtype=np.int64)
        self.n_polyploid = 0
        self.n_bad = 0
        self.defects: list[Defect] = []
        start = 0
        for chunk in self._chunks():
            start += self._take(chunk, start)
            if self.is_too_narrow:
                return
        if start != shape[1]:  # pragma: no cover - the first pass has counted the same lines
            raise RuntimeError(f"{start} records read, {shape[1]} counted")

    def _chunks(self) -> Iterator[dict[str, NDArray[Any]]]:
        import allel

        n_depths = int(self.n_alleles.max())
        n_bytes = len(self.index.samples) * (self.field_bytes + (4 * n_depths if self.depths is not None else 0))
        fields = ["calldata/GT"] + (["calldata/AD"] if self.depths is not None else [])
        with warnings.catch_warnings():
            # scikit-allel warns of each AD value like "."; reads that are no number count as none
            warnings.simplefilter("ignore")
            *_, chunks = allel.iter_vcf_chunks(
                RepairedVcf(self.source),
                fields=fields,
                types={"calldata/GT": f"S{self.field_bytes}", "calldata/AD": "i4"},
                numbers={"calldata/GT": 1, "calldata/AD": n_depths},
                chunk_length=max(1, min(65_536, _CHUNK_BYTES // n_bytes)),
            )
            for chunk, *_ in chunks:
                yield chunk

    def _take(self, chunk: dict[str, NDArray[Any]], start: int) -> int:
        fields = chunk["calldata/GT"]
        n_sites = len(fields)
        here = slice(start, start + n_sites)
        if np.any(fields.view(np.uint8).reshape(-1, self.field_bytes)[:, -1]):
            self.is_too_narrow = self.field_bytes == _SHORT_FIELD
        kind, first, second = parse_genotypes(fields)
        is_bad = (kind == CallKind.BAD) | (np.maximum(first, second) >= self.n_alleles[here, None])
        self._note_bad(fields, is_bad, start)
        first[is_bad] = MISSING
        second[is_bad] = MISSING
        self.kept[here] = kept_alleles(first, second, self.n_alleles[here])
        self.calls[:, here] = copies_of_second(first, second, self.kept[here]).T
        self.half_calls += np.sum(kind == CallKind.HALF, axis=0)
        self.n_polyploid += int(np.sum(kind == CallKind.POLYPLOID))
        if self.depths is not None:
            self.depths[:, here] = _kept_depths(chunk["calldata/AD"], self.kept[here])
        return n_sites

    def _note_bad(self, fields: NDArray[np.bytes_], is_bad: NDArray[np.bool_], start: int) -> None:
        self.n_bad += int(np.sum(is_bad))
        for site, sample in np.argwhere(is_bad)[: MOST_LISTED - len(self.defects)]:
            record = self.index.sites[start + site]
            self.defects.append(
                Defect(
                    where=f"line {record.row}, sample {self.index.samples[sample]}",
                    found=f"genotype {fields[site, sample].decode(errors='replace')}",
                    expected=f"allele numbers from 0 to {len(record.alleles) - 1}, or .",
                )
            )

    def part(self) -> Part:
        """Put together what was read.

        Raises
        ------
        FormatError
            Naming the genotypes that are none.

        """
        if self.defects:
            raise FormatError(str(self.source.path), capped(self.defects, n_found=self.n_bad))
        is_kept = self.kept[:, 0] >= 0
        set_aside = tuple(
            SetAsideMarker(name=site_name(site), chrom=site.chrom, pos_bp=site.pos_bp, reason=_THREE_ALLELES)
            for site, keep in zip(self.index.sites, is_kept, strict=True)
            if not keep
        )
        source = self.source.path.name
        is_whole = bool(np.all(is_kept))
        return Part(
            source=source,
            samples=self.index.samples,
            markers=_markers(self.index.sites, self.kept, is_kept),
            calls=self.calls if is_whole else self.calls[:, is_kept],
            depths=self.depths if is_whole or self.depths is None else self.depths[:, is_kept],
            half_calls=self.half_calls,
            alphabet=Alphabet.BASES,
            is_ordered=True,
            is_place_the_identity=True,
            set_aside=set_aside,
            warnings=(*set_aside_warning(source, set_aside), *self._warnings(source)),
        )

    def _warnings(self, source: str) -> Iterator[str]:
        if self.n_polyploid:
            calls = counted(self.n_polyploid, "call")
            yield f"{source}: {calls} of three or more alleles set to missing."
        n_half = int(self.half_calls.sum())
        if n_half:
            yield f"{source}: {counted(n_half, 'half call')} (one allele missing) set to missing."
        if is_bgzf_without_end(self.source.path):
            yield f"{source}: the block that ends a complete file is missing; it may have been cut off."


def site_name(site: Site) -> str:
    """Return the name of a record, ``CHROM_POS`` where it has none."""
    return site.name or f"{site.chrom}_{site.pos_bp}"


def _kept_depths(depths: NDArray[np.int32], kept: NDArray[np.int64]) -> NDArray[np.int32]:
    """Return reads of the two kept alleles, shape (n_samples, n_sites, 2); 0 where they were not counted."""
    if depths.ndim == 2:
        depths = depths[:, :, None]
    pairs = np.take_along_axis(depths, np.maximum(kept, 0)[:, None, :], axis=2)
    pairs = np.where((pairs < 0) | (kept[:, None, :] < 0), 0, pairs)
    return pairs.transpose(1, 0, 2).astype(np.int32)


def _markers(sites: tuple[Site, ...], kept: NDArray[np.int64], is_kept: NDArray[np.bool_]) -> Markers:
    used = [(site, *pair) for site, pair, keep in zip(sites, kept.tolist(), is_kept, strict=True) if keep]
    return Markers(
        name=np.array([site.name for site, *_ in used], dtype=np.str_),
        chrom=np.array([site.chrom for site, *_ in used], dtype=np.str_),
        pos_bp=np.array([site.pos_bp for site, *_ in used], dtype=np.int64),
        cm=np.full(len(used), np.nan),
        first_allele=np.array([site.alleles[first] for site, first, _ in used], dtype=np.str_),
        second_allele=np.array(
            [site.alleles[second] if second >= 0 else "" for site, _, second in used], dtype=np.str_
        ),
    )
