"""A lot: the genotyped samples of one sheet at the markers that can be used."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from dhverify.genetic_map import MarkerMap
from dhverify.genotypes import MISSING, Genotypes
from dhverify.marker_grid import MarkerGrid, lay_out
from dhverify.marker_quality import MarkerQuality, judge_markers, sample_heterozygosity
from dhverify.observation import Observations
from dhverify.samples import Role, Sample, SampleSheet

INFORMATIVE_MINOR_READS = 0.15
"""Share of reads of the rarer allele from which a call derived from reads is heterozygous."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Places:
    """Names and places of usable markers; shape (n_markers,) each."""

    name: NDArray[np.str_]
    chrom: NDArray[np.str_]
    pos_bp: NDArray[np.int64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Lot:
    """The genotyped samples of a sheet, at all markers and at the usable ones.

    Attributes
    ----------
    samples
        Rows of the sheet that were genotyped, in sheet order.
    row
        Row of each of them in the arrays.
    all_calls
        int8, shape (n_samples, n_all_markers).
    quality
        Of all markers.
    usable
        int64. Indices of the usable markers among all.
    seen
        Observations at usable markers.
    grid
        Chains of usable markers.
    places
        Names and places of usable markers.
    marker_map
        Of all markers.
    evidence
        Which evidence is used and why, a sentence.
    warnings
        What a user should look at.
    notes
        What was seen of single markers that are used all the same, by index among all.

    """

    samples: tuple[Sample, ...]
    row: dict[str, int]
    all_calls: NDArray[np.int8]
    quality: MarkerQuality
    usable: NDArray[np.int64]
    seen: Observations
    grid: MarkerGrid
    places: Places
    marker_map: MarkerMap
    evidence: str
    warnings: tuple[str, ...] = ()
    notes: Mapping[int, str] = field(default_factory=dict)

    def rows(self, names: Sequence[str]) -> NDArray[np.int64]:
        """Array rows of samples by name."""
        return np.array([self.row[name] for name in names], dtype=np.int64)

    def heterozygosity(self) -> dict[str, float]:
        """Share of heterozygous calls at usable markers of every sample; 0 where nothing is called."""
        shares = np.nan_to_num(sample_heterozygosity(self.seen.calls))
        return {sample.name: float(share) for sample, share in zip(self.samples, shares, strict=True)}


def assemble(genotypes: Genotypes, sheet: SampleSheet, marker_map: MarkerMap) -> Lot:
    """Bring genotypes and sheet together, and decide which markers can be used."""
    index = genotypes.sample_index()
    samples = tuple(sample for sample in sheet if sample.name in index)
    pick = np.array([index[sample.name] for sample in samples], dtype=np.int64)
    calls = genotypes.calls[pick]
    depths = None if genotypes.depths is None else genotypes.depths[pick]
    calls, depths, evidence = _choose_evidence(calls, depths)
    inbred_roles = (Role.LINE, Role.PARENT, Role.KNOWN)
    is_inbred = np.array([sample.role in inbred_roles for sample in samples], dtype=bool)
    quality = judge_markers(calls, is_inbred)
    lot = Lot(
        samples=samples,
        row={sample.name: row for row, sample in enumerate(samples)},
        all_calls=calls,
        quality=quality,
        usable=np.flatnonzero(quality.is_usable),
        seen=Observations(calls=calls, depths=depths),
        grid=lay_out(marker_map.chrom, marker_map.cm),
        places=Places(name=genotypes.markers.name, chrom=marker_map.chrom, pos_bp=genotypes.markers.pos_bp),
        marker_map=marker_map,
        evidence=evidence,
    )
    return restricted(lot, quality, depths)


def without_markers(lot: Lot, faults: Mapping[int, str]) -> Lot:
    """Return the lot without some of its usable markers, each with its reason."""
    if not faults:
        return lot
    reason = list(lot.quality.reason)
    is_usable = lot.quality.is_usable.copy()
    for marker, text in faults.items():
        where = int(lot.usable[marker])
        is_usable[where] = False
        reason[where] = text
    keep = np.setdiff1d(np.arange(len(lot.usable)), list(faults))
    usable = lot.usable[keep]
    seen = Observations(
        calls=np.ascontiguousarray(lot.seen.calls[:, keep]),
        depths=None if lot.seen.depths is None else np.ascontiguousarray(lot.seen.depths[:, keep]),
    )
    return replace(
        lot,
        quality=replace(lot.quality, is_usable=is_usable, reason=tuple(reason)),
        usable=usable,
        seen=seen,
        grid=lay_out(lot.places.chrom[keep], lot.grid.cm[keep]),
        places=Places(name=lot.places.name[keep], chrom=lot.places.chrom[keep], pos_bp=lot.places.pos_bp[keep]),
    )


def with_loose_markers(lot: Lot, loose: NDArray[np.int64], note: str, warning: str) -> Lot:
    """Return the lot with some usable markers taken as unlinked."""
    if not len(loose):
        return lot
    chrom = lot.places.chrom.copy()
    chrom[loose] = ""
    notes = {**lot.notes, **{int(lot.usable[m]): note for m in loose}} if note else lot.notes
    return replace(
        lot,
        grid=lay_out(chrom, np.where(chrom == "", np.nan, lot.grid.cm)),
        places=replace(lot.places, chrom=chrom),
        warnings=(*lot.warnings, warning) if warning else lot.warnings,
        notes=notes,
    )


def restricted(lot: Lot, quality: MarkerQuality, depths: NDArray[np.int32] | None) -> Lot:
    """Return the lot at the markers that a quality calls usable."""
    usable = np.flatnonzero(quality.is_usable)
    return replace(
        lot,
        quality=quality,
        usable=usable,
        seen=Observations(
            calls=np.ascontiguousarray(lot.all_calls[:, usable]),
            depths=None if depths is None else np.ascontiguousarray(depths[:, usable]),
        ),
        grid=lay_out(lot.marker_map.chrom[usable], lot.marker_map.cm[usable]),
        places=Places(name=lot.places.name[usable], chrom=lot.places.chrom[usable], pos_bp=lot.places.pos_bp[usable]),
    )


def _choose_evidence(
    calls: NDArray[np.int8], depths: NDArray[np.int32] | None
) -> tuple[NDArray[np.int8], NDArray[np.int32] | None, str]:
    """Use reads where there are any: they carry what a call has thrown away."""
    if depths is None:
        return calls, None, "Genotype calls are used; the files hold no allele depths."
    total = depths.sum(axis=2)
    has_reads = total > 0
    if has_reads.sum() < 0.5 * (calls != MISSING).sum():
        return calls, None, "Genotype calls are used; most of them come without allele depths."
    derived = _calls_from_reads(depths, total)
    mean = float(total[has_reads].mean()) if has_reads.any() else 0.0
    text = (
        f"Allele depths are used (mean {mean:.1f} reads where there are any): they keep what a call from few"
        " reads throws away. Call rates and heterozygosity are counted on the reads."
    )
    return derived, depths, text


def _calls_from_reads(depths: NDArray[np.int32], total: NDArray[np.int32]) -> NDArray[np.int8]:
    share = depths[..., 1] / np.maximum(total, 1)
    low, high = INFORMATIVE_MINOR_READS, 1 - INFORMATIVE_MINOR_READS
    called = np.where(share < low, 0, np.where(share > high, 2, 1))
    return np.where(total == 0, MISSING, called).astype(np.int8)
