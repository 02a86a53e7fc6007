"""The smallest marker set that can verify some crosses: candidates in, chosen markers and their errors out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.design.marker_set_crosses import design_crosses
from dhverify.design.marker_set_errors import ErrorModel, Errors, excess
from dhverify.design.marker_set_failures import after_failures
from dhverify.design.marker_set_outcome import MarkerSetOutcome
from dhverify.design.marker_set_request import MarkerSetRequest
from dhverify.design.marker_set_retests import Retests, Settled, settle_retests
from dhverify.design.marker_set_search import Progress, Search, State
from dhverify.design.marker_set_tables import chosen_rows, cross_row, picture
from dhverify.design.marker_set_task import Task, bound_of, make_task
from dhverify.design.marker_set_warnings import set_warnings
from dhverify.genetic_map import GeneticMap, place_markers
from dhverify.genotypes import Genotypes
from dhverify.samples import SampleSheet

RATES_GIVEN: Final = "as given, or as shipped"
REPAIRS: Final = 8
"""Times that a set is mended after it was computed in full."""


def choose_marker_set(
    genotypes: Genotypes,
    sheet: SampleSheet,
    request: MarkerSetRequest,
    *,
    genetic_map: GeneticMap | None = None,
    known_bad: Iterable[str] = (),
    retests: Retests | None = None,
    rates_source: str = RATES_GIVEN,
    progress: Progress | None = None,
) -> MarkerSetOutcome:
    """Choose the fewest markers that serve every cross of a sheet.

    Parameters
    ----------
    genotypes
        Calls of parents and inducers at the candidates.
    sheet
        Donors with pedigrees, and inducers.
    request
        Goals and limits.
    genetic_map
        As for a check.
    known_bad
        Names of markers that an earlier check set aside; names that are no candidates are passed over.
    retests
        Lines that an earlier check left undecided, to be settled by further markers.
    rates_source
        Where the error rates come from, for people.
    progress
        Told what is being done.

    Returns
    -------
    MarkerSetOutcome
        Chosen markers, errors in each cross, and a proved lower bound.

    Raises
    ------
    InputError
        If the sheet makes no crosses, no parent is typed, or a marker name is unknown.

    """
    crosses = design_crosses(genotypes, sheet)
    marker_map = place_markers(genotypes.markers, genetic_map)
    task = make_task(genotypes, crosses, marker_map, request, frozenset(known_bad))
    state, final = _found(task, progress)
    order = _ordered(task, state)
    failed = after_failures(ErrorModel(task.rows, task.candidates), order, request.spare)
    rows = tuple(cross_row(task, index, order, final, failed) for index in range(len(crosses)))
    bound = bound_of(task)
    settled = _settled(genotypes, task, retests)
    return MarkerSetOutcome(
        chosen=tuple(chosen_rows(genotypes, marker_map, task, order)),
        crosses=rows,
        lower_bound=bound.markers,
        lower_bound_proof=bound.proof,
        request=request,
        n_candidates=int(task.candidates.is_allowed.sum()),
        map_description=marker_map.description,
        warnings=(
            *set_warnings(request, crosses, rows),
            *(*genotypes.warnings, *sheet.warnings, *marker_map.warnings),
        ),
        inputs=(*genotypes.checksums, *([(sheet.source, sheet.checksum)] if sheet.checksum else [])),
        retests=settled.rows,
        notes=settled.notes,
        picture=tuple(picture(genotypes, marker_map, task, order)),
        rates_source=rates_source,
    )


def _settled(genotypes: Genotypes, task: Task, retests: Retests | None) -> Settled:
    """Further markers for undecided lines: every wrong finding is looked at, whatever the goal."""
    if retests is None:
        return Settled(rows=(), notes=())
    names = [str(name) for name in genotypes.markers.name]
    return settle_retests(retests, task.crosses, task.candidates, task.request, names)


def search_of(task: Task, rows: Sequence[int]) -> Search:
    """Return a search that looks at some rows."""
    return Search(
        [task.rows[index] for index in rows],
        task.candidates,
        task.request,
        segments=task.segments,
        segment_power=task.segment_goal,
        diagnostic=task.diagnostic,
        required=task.required,
    )


def _told(task: Task) -> list[int]:
    """Rows in which something can be told, equal ones once."""
    kept: dict[tuple[int, bytes, float, float], int] = {}
    for index, (row, best) in enumerate(zip(task.rows, task.reach, strict=True)):
        if best.errors is not None:
            kept.setdefault((id(row.both), row.code.tobytes(), row.miss, row.false_fail), index)
    return list(kept.values())


def _hardest(task: Task, told: Sequence[int]) -> list[int]:
    """Rows without hybrids of crosses whose selfed hybrids are to be told too: those are harder."""
    selfed = {task.rows[index].cross for index in told if task.rows[index].finding == "selfed hybrid"}
    return [i for i in told if task.rows[i].finding != "hybrid" or task.rows[i].cross not in selfed]


def _found(task: Task, progress: Progress | None) -> tuple[State, list[Errors]]:
    """Search, with miss and false fail first where the size is not enough for everything, and compute in full."""
    state = _searched(task, progress)
    if state.lack > 0 and task.request.size is not None and (task.segments is not None or task.diagnostic is not None):
        state = _spent(task, _searched(task.errors_only, progress), progress)
    return state, ErrorModel(task.rows, task.candidates, is_final=True).errors(state.chosen)


def _spent(task: Task, first: State, progress: Progress | None) -> State:
    """Spend what is left of the size on the other goals, beside the markers that miss and false fail need."""
    search = search_of(replace(task, required=first.chosen), _told(task))
    state = search.greedy(search.state(first.chosen), _size(task), progress)
    return search.exchanged(state, search.n_moves)[0]


def _size(task: Task) -> int:
    """Markers that may be chosen."""
    return task.candidates.n_markers if task.request.size is None else task.request.size


def _searched(task: Task, progress: Progress | None) -> State:
    """Search, compute the set in full, and mend it until the full reckoning agrees."""
    told = _told(task)
    rows = _hardest(task, told)
    search = search_of(task, rows)
    size = _size(task)
    state = search.greedy(search.state(task.required), size, progress)
    full, fast = ErrorModel(task.rows, task.candidates, is_final=True), ErrorModel(task.rows, task.candidates)
    if state.lack > 0 and len(state.chosen) == size:
        return search.exchanged(state, search.n_moves)[0]
    state = search.accept(state)
    state = search.fewer(search.pruned(state), progress)
    for _ in range(REPAIRS):
        over = _over(task, full.errors(state.chosen), after_failures(fast, state.chosen, task.request.spare))
        if not (over[told] > 0).any():
            break
        if not (over[rows] > 0).any():  # only rows that were left out as easier
            rows = told
            search = search_of(task, rows)
        search.tighten(search.state(state.chosen), over[rows])
        mended = search.greedy(search.state(state.chosen), size, progress)
        if mended.chosen == state.chosen:
            break
        state = mended
    return state


def _over(task: Task, errors: Sequence[Errors], failed: Sequence[Errors]) -> NDArray[np.float64]:
    """How far (log) each row is above its limits, with failures if any are to be borne; float64, shape (n_rows,)."""
    over = [excess(found, row) for found, row in zip(errors, task.rows, strict=True)]
    if not task.request.spare:
        return np.array(over)
    return np.maximum(over, [excess(found, row) for found, row in zip(failed, task.rows, strict=True)])


def _ordered(task: Task, state: State) -> tuple[int, ...]:
    """Order the markers of a set by how much each adds to those before it; required ones first."""
    search = search_of(task, _told(task))
    left = set(state.chosen) - set(task.required)
    order = tuple(task.required)
    while left:
        now = search.state(order)
        gains = search.gains(order)
        score = np.minimum(gains, np.maximum(now.excess, 0)[:, None]).sum(axis=0) + 1e-6 * gains.sum(axis=0)
        best = max(sorted(left), key=lambda marker: float(score[marker]))
        order = (*order, best)
        left.discard(best)
    return order
