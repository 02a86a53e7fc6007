"""Where each stretch of a line comes from: genome shares, parents' shares, segments, and tracks for pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.analysis import Analysis
from dhverify.assumptions import PRIOR_WEIGHT, SEGMENT_LINE_SHARE
from dhverify.family_models import FamilyModel
from dhverify.findings_table import EXPECTED, Candidate, candidates
from dhverify.likelihood import factor_posterior, marker_emissions, state_posterior
from dhverify.limits import Limits
from dhverify.marker_classes import SURE, MarkerClasses
from dhverify.marker_grid import NO_MARKER
from dhverify.outcome import SegmentRow
from dhverify.scoring import FamilyLines, batch_emissions
from dhverify.segments import FoundSegment, find_segments, kind_posterior, kind_support

LINES_AT_ONCE: Final = 128
"""Lines that are decoded together, for memory only: it changes no result."""
SEGMENT_ODDS: Final = 1.0
"""Clean lines whose odds for a segment lie above this are searched for it."""
SHARE_ROUNDS: Final = 5
"""Times that the share of lines with a segment is found from the odds, and they from it (common practice, no
source)."""
MOST_LOG_ODDS: Final = 50.0
"""Log odds beyond which exp would overflow; no decision lies near it."""
NOT_DECODED: Final = -1
"""In place of a strand where a line was not decoded."""


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
    segment_probability
        float64, shape (n_judged,). Probability that a clean line carries a stretch that its donor did not give.
    strand
        int8, shape (n_judged, n_markers). Local donor slot where both alleles come from it; ``NOT_DECODED``.
    inducer_copies
        int8, shape (n_judged, n_markers). Most probable number of inducer alleles.

    """

    shares: tuple[tuple[float, float, float] | None, ...]
    parent_shares: tuple[tuple[tuple[str, float], ...], ...]
    segments: tuple[tuple[SegmentRow, ...], ...]
    segment_probability: NDArray[np.float64]
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
    segment_odds = _segment_odds(analysis, chosen)
    for number, model in enumerate(analysis.models):
        found = candidates(model.shape)
        lines = [int(k) for k in np.flatnonzero(analysis.model_of == number)]
        for index in sorted({k for line in lines if (k := chosen[line]) is not None}):
            picked = np.array([line for line in lines if chosen[line] == index])
            plain = 0 if found[index].finding == EXPECTED else index
            _decode_lines(analysis, model, found[plain], picked, target)
        clean = [line for line in lines if chosen[line] is not None and found[chosen[line] or 0].finding == EXPECTED]
        likely = np.array([line for line in clean if segment_odds[line] > SEGMENT_ODDS], dtype=np.int64)
        _decode_segments(analysis, model, classes[number], likely, segment_odds, limits, target)
    return Decoded(
        shares=tuple(target.shares),
        parent_shares=tuple(target.parents),
        segments=tuple(target.segments),
        segment_probability=segment_odds / (1 + segment_odds),
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
    grid = analysis.learnt.grid
    weight = grid.weight
    tells_parents = _tells_parents(analysis, model)
    donor, inducer = set(model.donor_slots), set(model.inducer_slots) - set(model.donor_slots)
    founder = dict(zip(model.shape.parents, model.donor_slots, strict=False))
    founders = [(founder.get(one, one), founder.get(two, two)) for one, two in pairs]
    kinds = np.array([[sum(slot in group for slot in pair) / 2 for pair in founders] for group in (donor, inducer)])
    is_plant = np.array([pair[0] == model.shape.plant for pair in pairs])
    kinds[0, is_plant] = 1.0
    slots = np.array([[sum(slot == s for slot in pair) / 2 for pair in founders] for s in model.donor_slots])
    strand_of_pair = np.array([p[0] if p[0] == p[1] and p[0] in donor else NOT_DECODED for p in founders])
    copies = np.array([sum(slot in inducer for slot in pair) for pair in pairs])
    for start in range(0, len(lines), LINES_AT_ONCE):
        part = lines[start : start + LINES_AT_ONCE]
        group = _family_lines(analysis, model, part)
        emissions = batch_emissions(analysis.learnt, [group], pairs)
        here = state_posterior(candidate.hypothesis, emissions, analysis.learnt.grid)
        per_pair = np.einsum("m,mpn->pn", weight, here)
        of_parents = np.einsum("m,mpn->pn", weight * tells_parents, here)
        best = here.argmax(axis=1)
        target.strand[part] = strand_of_pair[best].T
        target.copies[part] = copies[best].T
        for column, line in enumerate(part):
            given, induced = (round(float(v), 9) for v in kinds @ per_pair[:, column])
            target.shares[line] = (given, induced, max(0.0, round(1.0 - given - induced, 9)))
            target.parents[line] = _parents(model, slots @ of_parents[:, column])


def _tells_parents(analysis: Analysis, model: FamilyModel) -> NDArray[np.bool_]:
    """Markers that tell the parents of a donor apart, by themselves or by their neighbours; shape (n_markers,)."""
    grid = analysis.learnt.grid
    linked = grid.marker[:, grid.chain_chrom != ""]
    is_linked = np.isin(np.arange(grid.n_markers), linked[linked != NO_MARKER])
    second = analysis.learnt.strand_second[model.slots[list(model.donor_slots)]]
    return np.asarray(is_linked | (np.ptp(second, axis=0) > 0.5))


def _parents(model: FamilyModel, shares: NDArray[np.float64]) -> tuple[tuple[str, float], ...]:
    total = float(shares.sum())
    if total <= 0 or model.is_unphased:
        return ()
    return tuple((name, float(s) / total) for name, s in zip(model.founder_names, shares, strict=True))


def _segment_odds(analysis: Analysis, chosen: Sequence[int | None]) -> NDArray[np.float64]:
    """Odds of each clean line for a segment, 0 for other lines; the share of such lines is learnt from the lot."""
    gain = np.full(len(chosen), -np.inf)
    for line, index in enumerate(chosen):
        found = candidates(analysis.models[int(analysis.model_of[line])].shape)
        if index is not None and found[index].finding == EXPECTED:
            segmented = _segmented(found)
            gain[line] = analysis.log_likelihood[line][segmented] - analysis.log_likelihood[line][0]
    ratio = np.exp(np.clip(analysis.learnt.weight * gain, -MOST_LOG_ODDS, MOST_LOG_ODDS))
    ratio[~np.isfinite(gain)] = 0.0
    n_clean = int(np.isfinite(gain).sum())
    share = SEGMENT_LINE_SHARE
    for _ in range(SHARE_ROUNDS):
        probability = share * ratio / (1 - share + share * ratio)
        share = float((SEGMENT_LINE_SHARE * PRIOR_WEIGHT + probability.sum()) / (PRIOR_WEIGHT + n_clean))
    return np.asarray(share / (1 - share) * ratio)


def _segmented(found: Sequence[Candidate]) -> int:
    return next(k for k, c in enumerate(found) if c.detail == "segments")


def _decode_segments(
    analysis: Analysis,
    model: FamilyModel,
    classes: MarkerClasses,
    lines: NDArray[np.int64],
    segment_odds: NDArray[np.float64],
    limits: Limits,
    target: _Target,
) -> None:
    """Look for segments in the clean lines of a family that may have one."""
    found = candidates(model.shape)
    segmented = _segmented(found)
    hypothesis = found[segmented].hypothesis
    pairs = list(hypothesis.pairs)
    grid = analysis.learnt.grid
    is_sure = _sure_inducer(analysis, model) & classes.is_diagnostic.any()
    for start in range(0, len(lines), LINES_AT_ONCE // 8):
        part = lines[start : start + LINES_AT_ONCE // 8]
        group = _family_lines(analysis, model, part)
        emissions = batch_emissions(analysis.learnt, [group], pairs)
        states = factor_posterior(hypothesis, emissions, grid)
        kinds = kind_posterior(states)
        support = kind_support(states, marker_emissions(emissions, hypothesis, grid))
        for column, line in enumerate(part):
            probability = float(segment_odds[line] / (1 + segment_odds[line]))
            segments = find_segments(
                kinds[:, :, column],
                grid,
                supports_inducer=support[:, 0, column] & is_sure,
                supports_foreign=support[:, 1, column],
                min_markers=limits.min_segment_markers,
                min_confidence=limits.min_confidence,
                line_probability=probability,
            )
            target.segments[line] = tuple(_row(analysis, line, segment) for segment in segments)
            _mark(target, line, segments, kinds[:, :, column], analysis)


def _sure_inducer(analysis: Analysis, model: FamilyModel) -> NDArray[np.bool_]:
    """Markers at which the alleles of the inducer are known; bool, shape (n_markers,)."""
    second = analysis.learnt.strand_second[model.slots[list(model.inducer_slots)]]
    return np.asarray((np.minimum(second, 1 - second) < SURE).all(axis=0))


def _row(analysis: Analysis, line: int, segment: FoundSegment) -> SegmentRow:
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
        confidence=segment.confidence,
    )


def _mark(
    target: _Target,
    line: int,
    segments: Sequence[FoundSegment],
    kinds: NDArray[np.float64],
    analysis: Analysis,
) -> None:
    """Write the copies of the inducer within its segments onto the track, and both kinds into the shares."""
    origins = {segment.origin for segment in segments}
    weight = analysis.learnt.grid.weight
    induced = foreign = 0.0
    if "inducer" in origins:
        inside = kinds[:, 1:3].sum(axis=1) > 0.5
        target.copies[line, inside] = np.where(kinds[inside, 2] > kinds[inside, 1], 2, 1)
        target.strand[line, inside & (target.copies[line] == 2)] = NOT_DECODED
        induced = round(float(weight[inside] @ target.copies[line, inside]) / 2, 9)
    if "foreign" in origins:
        inside = kinds[:, 3:5].sum(axis=1) > 0.5
        both = kinds[inside, 4] > kinds[inside, 3]
        target.strand[line, np.flatnonzero(inside)[both]] = NOT_DECODED
        foreign = round(float(weight[inside] @ np.where(both, 1.0, 0.5)), 9)
    if origins:
        target.shares[line] = (max(0.0, 1.0 - induced - foreign), induced, foreign)
