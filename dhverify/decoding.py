"""Where each stretch of a line comes from: genome shares, parents' shares, segments, and tracks for pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.analysis import Analysis
from dhverify.assumptions import SEGMENT_LINE_SHARE
from dhverify.family_models import FamilyModel
from dhverify.findings_table import EXPECTED, Candidate, candidates
from dhverify.genotypes import MISSING
from dhverify.likelihood import factor_posterior, state_posterior
from dhverify.limits import Limits
from dhverify.marker_classes import MarkerClasses
from dhverify.outcome import SegmentRow
from dhverify.scoring import FamilyLines, batch_emissions
from dhverify.segments import FoundSegment, find_segments, kind_posterior

LINES_AT_ONCE: Final = 128
SEGMENT_LOG_ODDS: Final = 0.0
"""Lines whose log odds for a segment lie above this are decoded for segments."""
NOT_DECODED: Final = -1


@dataclass(frozen=True, kw_only=True, eq=False)
class Decoded:
    """What decoding gave for each judged sample.

    Attributes
    ----------
    shares
        Shares of donor, inducer and foreign alleles under the most probable finding; None where it has none.
    parent_shares
        Share of each founder of the donor.
    segments
        Segments, as rows.
    strand
        int8, shape (n_judged, n_markers). Local donor slot where both alleles come from it; ``NOT_DECODED``.
    inducer_copies
        int8, shape (n_judged, n_markers). Most probable number of inducer alleles.

    """

    shares: tuple[tuple[float, float, float] | None, ...]
    parent_shares: tuple[tuple[tuple[str, float], ...], ...]
    segments: tuple[tuple[SegmentRow, ...], ...]
    strand: NDArray[np.int8]
    inducer_copies: NDArray[np.int8]


class _Target:
    """Arrays that decoding fills."""

    def __init__(self, n_judged: int, n_markers: int) -> None:
        self.shares: list[tuple[float, float, float] | None] = [None] * n_judged
        self.parents: list[tuple[tuple[str, float], ...]] = [()] * n_judged
        self.segments: list[tuple[SegmentRow, ...]] = [()] * n_judged
        self.strand = np.full((n_judged, n_markers), NOT_DECODED, dtype=np.int8)
        self.copies = np.zeros((n_judged, n_markers), dtype=np.int8)


def decode(
    analysis: Analysis,
    chosen: Sequence[int | None],
    classes: Sequence[MarkerClasses],
    limits: Limits,
) -> Decoded:
    """Decode every judged sample under its most probable hypothesis."""
    target = _Target(len(analysis.judged), analysis.learnt.grid.n_markers)
    for number, model in enumerate(analysis.models):
        found = candidates(model.shape)
        lines = [int(k) for k in np.flatnonzero(analysis.model_of == number)]
        for index in sorted({k for line in lines if (k := chosen[line]) is not None}):
            picked = np.array([line for line in lines if chosen[line] == index])
            plain = 0 if found[index].finding == EXPECTED else index
            _decode_lines(analysis, model, found[plain], picked, target)
        clean = [line for line in lines if chosen[line] is not None and found[chosen[line] or 0].finding == EXPECTED]
        _decode_segments(analysis, model, classes[number], np.array(clean, dtype=np.int64), limits, target)
    return Decoded(
        shares=tuple(target.shares),
        parent_shares=tuple(target.parents),
        segments=tuple(target.segments),
        strand=target.strand,
        inducer_copies=target.copies,
    )


def _family_lines(analysis: Analysis, model: FamilyModel, lines: NDArray[np.int64]) -> FamilyLines:
    return FamilyLines(
        model=model,
        plant=analysis.plant_rows.get(model.donor_sample),
        samples=analysis.rows[lines],
        order=np.arange(len(lines)),
    )


def _decode_lines(
    analysis: Analysis,
    model: FamilyModel,
    candidate: Candidate,
    lines: NDArray[np.int64],
    target: _Target,
) -> None:
    pairs = list(candidate.hypothesis.pairs)
    weight = analysis.learnt.grid.weight
    donor, inducer = set(model.donor_slots), set(model.inducer_slots) - set(model.donor_slots)
    kinds = np.array([[sum(slot in group for slot in pair) / 2 for pair in pairs] for group in (donor, inducer)])
    is_plant = np.array([pair[0] == model.shape.plant for pair in pairs])
    kinds[0, is_plant] = 1.0
    slots = np.array([[sum(slot == s for slot in pair) / 2 for pair in pairs] for s in model.donor_slots])
    strand_of_pair = np.array([p[0] if p[0] == p[1] and p[0] in donor else NOT_DECODED for p in pairs])
    copies = np.array([sum(slot in inducer for slot in pair) for pair in pairs])
    for start in range(0, len(lines), LINES_AT_ONCE):
        part = lines[start : start + LINES_AT_ONCE]
        group = _family_lines(analysis, model, part)
        emissions = batch_emissions(analysis.learnt, [group], pairs, model.shape)
        here = state_posterior(candidate.hypothesis, emissions, analysis.learnt.grid)
        per_pair = np.einsum("m,mpn->pn", weight, here)
        best = here.argmax(axis=1)
        target.strand[part] = strand_of_pair[best].T
        target.copies[part] = copies[best].T
        for column, line in enumerate(part):
            given, induced = (round(float(v), 9) for v in kinds @ per_pair[:, column])
            target.shares[line] = (given, induced, max(0.0, round(1.0 - given - induced, 9)))
            target.parents[line] = _parents(model, slots @ per_pair[:, column])


def _parents(model: FamilyModel, shares: NDArray[np.float64]) -> tuple[tuple[str, float], ...]:
    total = float(shares.sum())
    is_known = all(not name.endswith((" chromosome 1", " chromosome 2")) for name in model.founder_names)
    if total <= 0 or not is_known:
        return ()
    return tuple((name, float(s) / total) for name, s in zip(model.founder_names, shares, strict=True))


def _decode_segments(
    analysis: Analysis,
    model: FamilyModel,
    classes: MarkerClasses,
    lines: NDArray[np.int64],
    limits: Limits,
    target: _Target,
) -> None:
    """Look for segments in the clean lines of a family that may have one."""
    found = candidates(model.shape)
    segmented = next(k for k, c in enumerate(found) if c.detail == "segments")
    odds = np.log(SEGMENT_LINE_SHARE / (1 - SEGMENT_LINE_SHARE))
    gain = np.array([analysis.log_likelihood[k][segmented] - analysis.log_likelihood[k][0] + odds for k in lines])
    picked = lines[gain > SEGMENT_LOG_ODDS] if len(lines) else lines
    hypothesis = found[segmented].hypothesis
    pairs = list(hypothesis.pairs)
    grid = analysis.learnt.grid
    for start in range(0, len(picked), LINES_AT_ONCE // 8):
        part = picked[start : start + LINES_AT_ONCE // 8]
        group = _family_lines(analysis, model, part)
        emissions = batch_emissions(analysis.learnt, [group], pairs, model.shape)
        kinds = kind_posterior(factor_posterior(hypothesis, emissions, grid))
        for column, line in enumerate(part):
            calls = analysis.learnt.seen.calls[analysis.rows[line]]
            inducer, foreign = _support(calls, classes)
            segments = find_segments(
                kinds[:, :, column],
                grid,
                supports_inducer=inducer,
                supports_foreign=foreign,
                min_markers=limits.min_segment_markers,
            )
            odds_here = 1 / (1 + np.exp(-np.clip(gain[np.flatnonzero(lines == line)[0]], -50, 50)))
            target.segments[line] = tuple(_row(analysis, line, segment, float(odds_here)) for segment in segments)
            _mark(target, line, segments, kinds[:, :, column], analysis)


def _support(calls: NDArray[np.int8], classes: MarkerClasses) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Markers that show an allele which only the inducer, or only outside material, can have given."""
    shows_first = (calls == 0) | (calls == 1)
    shows_second = (calls == 2) | (calls == 1)
    inducer = classes.is_diagnostic & np.where(classes.inducer_second, shows_second, shows_first)
    foreign = classes.is_alike & np.where(classes.alike_second, shows_first, shows_second)
    return inducer & (calls != MISSING), foreign & (calls != MISSING)


def _row(analysis: Analysis, line: int, segment: FoundSegment, odds: float) -> SegmentRow:
    where = analysis.places
    first, last = segment.first, segment.last
    cm = analysis.learnt.grid.cm
    return SegmentRow(
        sample=analysis.judged[line].name,
        chrom=str(where.chrom[first]),
        start_bp=int(where.pos_bp[first]) if where.pos_bp[first] >= 0 else None,
        end_bp=int(where.pos_bp[last]) if where.pos_bp[last] >= 0 else None,
        start_cm=float(cm[first]),
        end_cm=float(cm[last]),
        origin=segment.origin,
        copies=segment.copies,
        markers=segment.markers,
        confidence=segment.confidence * odds,
    )


def _mark(
    target: _Target,
    line: int,
    segments: Sequence[FoundSegment],
    kinds: NDArray[np.float64],
    analysis: Analysis,
) -> None:
    """Write the copies of the inducer within its segments onto the track."""
    if not any(segment.origin == "inducer" for segment in segments):
        return
    inside = kinds[:, 1:3].sum(axis=1) > 0.5
    target.copies[line, inside] = np.where(kinds[inside, 2] > kinds[inside, 1], 2, 1)
    target.strand[line, inside & (target.copies[line] == 2)] = NOT_DECODED
    extra = round(float(analysis.learnt.grid.weight[inside] @ target.copies[line, inside]) / 2, 9)
    given = max(0.0, 1.0 - extra)
    target.shares[line] = (given, extra, 0.0)
