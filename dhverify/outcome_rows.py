"""Rows of the result tables, from what the rooms below found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from dhverify import assumptions
from dhverify.analysis import Analysis
from dhverify.diagnosis import Diagnosis
from dhverify.evidence import NO_MEASURES, LineEvidence
from dhverify.genotypes import Genotypes
from dhverify.identity_findings import IdentityFindings
from dhverify.judging import FINDING_ORDER
from dhverify.limits import Limits
from dhverify.lot import Lot
from dhverify.outcome import AssayRates, LineRow, MarkerRow, SegmentRow, Track, Verdict
from dhverify.plates import PlateFindings
from dhverify.reasons import explain
from dhverify.references import ReferenceFindings
from dhverify.samples import Sample, SampleSheet
from dhverify.verdicts import Judgement

MAX_TRACKS: Final = 2500
"""Lines whose stretches are kept for pictures; in a larger lot only those that do not pass."""


@dataclass(frozen=True, kw_only=True, eq=False)
class FoundLot:
    """Everything that the rooms below found of a lot."""

    genotypes: Genotypes
    sheet: SampleSheet
    limits: Limits
    lot: Lot
    analysis: Analysis
    diagnosis: Diagnosis
    references: ReferenceFindings
    identity: IdentityFindings
    plates: PlateFindings
    evidence: Mapping[str, LineEvidence]


def line_row(found: FoundLot, sample: Sample, judgement: Judgement) -> LineRow:
    """Row of one line."""
    evidence = found.evidence[sample.name]
    measures = evidence.measures or NO_MEASURES
    has = evidence.measures is not None
    inducer_segments = [s for s in evidence.segments if s.origin == "inducer"]
    is_told = evidence.finding is evidence.expected and evidence.can_show_segments
    return LineRow(
        sample=sample.name,
        line=sample.line,
        stage=sample.stage.value if sample.stage else "",
        donor=sample.donor,
        inducer=sample.inducer,
        verdict=judgement.verdict,
        finding=evidence.finding,
        confidence=evidence.confidence,
        flags=judgement.flags,
        reasons=explain(evidence, judgement, found.limits),
        call_rate=measures.call_rate if has else None,
        called_markers=measures.called_markers,
        heterozygosity=measures.heterozygosity.value,
        heterozygosity_low=measures.heterozygosity.low,
        heterozygosity_high=measures.heterozygosity.high,
        segregating_markers=measures.segregating_markers,
        heterozygosity_segregating=measures.heterozygosity_segregating,
        diagnostic_markers=measures.diagnostic_markers,
        inducer_share=measures.inducer.value,
        inducer_share_low=measures.inducer.low,
        inducer_share_high=measures.inducer.high,
        donor_share=measures.donor_share,
        foreign_share=measures.foreign.value,
        parent_shares=measures.parent_shares,
        best_donor=evidence.best_donor,
        best_donor_fit=evidence.best_donor_fit,
        inducer_segments=len(inducer_segments) if is_told else None,
        inducer_segment_mb=_megabases(inducer_segments) if is_told else None,
        duplicate_group=evidence.duplicate_group,
        contaminant=evidence.contaminant,
        contaminant_share=evidence.contaminant_share,
        plate=sample.plate,
        well=sample.well,
        source=sample.source,
        tissue=sample.tissue.value,
        plants=sample.plants,
        extra=sample.extra,
    )


def _megabases(segments: Sequence[SegmentRow]) -> float | None:
    lengths = [(s.end_bp - s.start_bp) / 1e6 for s in segments if s.start_bp is not None and s.end_bp is not None]
    return float(sum(lengths)) if len(lengths) == len(segments) else None


def segment_rows(found: FoundLot) -> tuple[SegmentRow, ...]:
    """Segments of all lines, in sheet order."""
    return tuple(row for line in found.sheet.lines for row in found.evidence[line.name].segments)


def marker_rows(found: FoundLot) -> tuple[MarkerRow, ...]:
    """Rows of all markers, those that the readers set aside last."""
    markers, quality = found.genotypes.markers, found.lot.quality
    errors = np.full(len(markers), np.nan)
    errors[found.lot.usable] = found.analysis.learnt.assay.calls.marker_hom_to_het
    has_errors = found.analysis.learnt.seen.depths is None
    rows = [
        MarkerRow(
            marker=str(markers.name[k]),
            chrom=str(found.lot.marker_map.chrom[k]),
            pos=int(markers.pos_bp[k]) if markers.pos_bp[k] >= 0 else None,
            cm=_known(found.lot.marker_map.cm[k]),
            call_rate=float(quality.marker_call_rate[k]),
            heterozygosity=_known(quality.marker_heterozygosity[k]),
            usable=bool(quality.is_usable[k]),
            reason=quality.reason[k] or found.lot.notes.get(k, ""),
            error_rate=_known(errors[k]) if has_errors else None,
        )
        for k in range(len(markers))
    ]
    aside = [
        MarkerRow(
            marker=m.name,
            chrom=m.chrom,
            pos=m.pos_bp if m.pos_bp >= 0 else None,
            cm=None,
            call_rate=None,
            heterozygosity=None,
            usable=False,
            reason=m.reason,
            error_rate=None,
        )
        for m in found.genotypes.set_aside
    ]
    return tuple(rows + aside)


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def rates(found: FoundLot) -> AssayRates:
    """Error rates as learnt."""
    learnt = found.analysis.learnt
    calls = found.lot.seen.calls[found.analysis.rows]
    hom_to_het = learnt.assay.calls.marker_hom_to_het
    return AssayRates(
        hom_to_het=float(np.mean(hom_to_het)) if len(hom_to_het) else assumptions.HOM_TO_HET.mean,
        hom_to_other_hom=learnt.assay.calls.hom_to_other_hom,
        dropout=learnt.assay.calls.dropout,
        missing=float((calls < 0).mean()) if calls.size else 0.0,
        read_error=learnt.assay.reads.read_error if learnt.seen.depths is not None else None,
        source="learnt from the clean lines and hybrids of this lot, shrunk to what is usual",
    )


def priors(found: FoundLot) -> tuple[tuple[str, tuple[tuple[str, float], ...]], ...]:
    """Shares of the findings at the stages of the sheet."""
    stages = {line.stage for line in found.sheet.lines if line.stage}
    return tuple(
        (
            stage.value,
            tuple(zip(FINDING_ORDER, (float(p) for p in prior), strict=True)),
        )
        for stage, prior in found.diagnosis.priors.items()
        if stage in stages
    )


def tracks(found: FoundLot, judgements: Mapping[str, Judgement]) -> tuple[Track, ...]:
    """What each line shows along the map, for pictures."""
    decoded, analysis = found.diagnosis.decoded, found.analysis
    is_large = len(analysis.judged) > MAX_TRACKS
    tracks = []
    for number, sample in enumerate(analysis.judged):
        if is_large and judgements[sample.name].verdict is Verdict.PASS:
            continue
        model = analysis.models[int(analysis.model_of[number])]
        classes = found.diagnosis.classes[int(analysis.model_of[number])]
        calls = found.lot.seen.calls[analysis.rows[number]]
        foreign = np.where(classes.alike_second, calls < 2, calls > 0) & classes.is_alike & (calls >= 0)
        tracks.append(
            Track(
                sample=sample.name,
                strands=model.founder_names,
                marker_index=found.lot.usable,
                strand=decoded.strand[number].astype(np.int16),
                copies_of_inducer=decoded.inducer_copies[number],
                call=calls,
                is_foreign=foreign,
                is_informative=classes.is_diagnostic | classes.is_segregating,
            )
        )
    return tuple(tracks)
