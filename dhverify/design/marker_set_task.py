"""The task of choosing markers: crosses, rows, candidates, and what can be reached at all."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dhverify.design.marker_set_bound import Condition, LowerBound, lower_bound, row_condition, segment_condition
from dhverify.design.marker_set_crosses import DesignCross
from dhverify.design.marker_set_diagnostic import DiagnosticNeed, diagnostic_need
from dhverify.design.marker_set_reach import NEAR_REACH, Reach, in_force, reachable
from dhverify.design.marker_set_request import MarkerSetRequest
from dhverify.design.marker_set_rows import Candidates, Row, candidates_of, design_rows
from dhverify.design.marker_set_segments import SegmentModel
from dhverify.errors import Defect, InputError
from dhverify.genetic_map import MarkerMap
from dhverify.genotypes import Genotypes


@dataclass(frozen=True, kw_only=True, eq=False)
class Task:
    """Everything that the choice rests on.

    Attributes
    ----------
    crosses, rows
        What is to be served; rows with the limits in force.
    reach
        Best errors of each row with every candidate, and whether the limits asked for can be reached.
    candidates
        Markers and their places.
    request
        What was asked.
    segments, segment_reach
        Segment places, and the power with every candidate; None and empty where not asked.
    diagnostic
        Diagnostic markers that each cross must have; None where not asked.
    required
        Markers by number.

    """

    crosses: tuple[DesignCross, ...]
    rows: tuple[Row, ...]
    reach: tuple[Reach, ...]
    candidates: Candidates
    request: MarkerSetRequest
    segments: SegmentModel | None
    segment_reach: NDArray[np.float64]
    diagnostic: DiagnosticNeed | None
    required: tuple[int, ...]

    @property
    def segment_goal(self) -> NDArray[np.float64]:
        """Power to be reached in each cross: as asked, or nearly what can be had; float64, shape (n_crosses,)."""
        asked = self.request.segment_power or 0.0
        return np.where(self.segment_reach >= asked, asked, NEAR_REACH * self.segment_reach)

    @property
    def errors_only(self) -> Task:
        """The same task where nothing but miss and false fail is asked."""
        return replace(self, segments=None, segment_reach=np.zeros(0), diagnostic=None)


def make_task(
    genotypes: Genotypes,
    crosses: tuple[DesignCross, ...],
    marker_map: MarkerMap,
    request: MarkerSetRequest,
    known_bad: frozenset[str],
) -> Task:
    """Lay out candidates, rows and what can be reached.

    Raises
    ------
    InputError
        If a marker name is unknown, or more markers are required than may be chosen.

    """
    required, avoided = _named(genotypes, request)
    is_avoided = np.array([str(name) in known_bad for name in genotypes.markers.name], dtype=bool)
    is_avoided[list(avoided)] = True
    is_avoided[list(required)] = False
    candidates = candidates_of(marker_map, is_avoided)
    rows = design_rows(crosses, request)
    reach = reachable(rows, candidates)
    segments = SegmentModel(crosses, candidates, request.segment_cm / 100) if request.segment_cm is not None else None
    allowed = np.flatnonzero(candidates.is_allowed).tolist()
    segment_reach = [segments.power(index, allowed) for index in range(len(crosses))] if segments else []
    return Task(
        crosses=crosses,
        rows=tuple(in_force(row, best) for row, best in zip(rows, reach, strict=True)),
        reach=reach,
        candidates=candidates,
        request=request,
        segments=segments,
        segment_reach=np.array(segment_reach, dtype=np.float64),
        diagnostic=diagnostic_need(crosses, candidates, request),
        required=required,
    )


def bound_of(task: Task) -> LowerBound:
    """Bound the number of markers over what can be reached."""
    conditions = [
        row_condition(row, task.crosses[row.cross], task.request.error_rate, task.request.dropout)
        for row, best in zip(task.rows, task.reach, strict=True)
        if best.is_reached
    ]
    if task.segments is not None and task.request.segment_power is not None:
        asked, reach = task.request.segment_power, task.segments.reach()
        conditions += [
            segment_condition(is_diagnostic, reach, asked)
            for is_diagnostic, best in zip(task.segments.diagnostic, task.segment_reach, strict=True)
            if best >= asked
        ]
    if task.diagnostic is not None:
        conditions += [
            Condition(weight=is_diagnostic.astype(np.float64), least=float(task.request.min_diagnostic_markers))
            for is_diagnostic in task.diagnostic.is_diagnostic[task.diagnostic.can_be_had]
        ]
    return lower_bound(conditions, task.candidates, task.required, task.request.spare)


def _named(genotypes: Genotypes, request: MarkerSetRequest) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Numbers of the markers that are required, and of those to be avoided; all names that are unknown are said."""
    number = {str(name): index for index, name in enumerate(genotypes.markers.name)}
    defects = [
        Defect(where=f"{option}, marker {name}", found="no such name", expected="a marker of the genotype files")
        for option, names in (("--require", request.require), ("--avoid", request.avoid))
        for name in dict.fromkeys(names)
        if name not in number
    ]
    required = tuple(dict.fromkeys(request.require))
    if request.size is not None and len(required) > request.size:
        found, expected = f"{len(required)} required markers", "no more markers in --require than --size"
        defects.append(Defect(where=f"--size {request.size}", found=found, expected=expected))
    if defects:
        raise InputError("markers", defects)
    return tuple(number[name] for name in required), tuple(number[name] for name in dict.fromkeys(request.avoid))
