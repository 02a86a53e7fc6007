"""From a finished choice to the rows of its tables."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from dhverify.design.marker_set_errors import Errors
from dhverify.design.marker_set_outcome import ChosenRow, CrossRow, PlacedMarker
from dhverify.design.marker_set_task import Task
from dhverify.genetic_map import MarkerMap
from dhverify.genotypes import UNKNOWN_POSITION, Genotypes

SISTERS = "sisters"


def chosen_rows(genotypes: Genotypes, marker_map: MarkerMap, task: Task, order: Sequence[int]) -> list[ChosenRow]:
    """Rows of ``chosen.csv``, in the order in which the markers add most."""
    helps: dict[int, dict[str, None]] = {marker: {} for marker in order}
    for row in task.rows:
        for marker in order:
            if row.code[marker] > 0:
                helps[marker][task.crosses[row.cross].label] = None
    rows = []
    for place, marker in enumerate(order, start=1):
        pos = int(genotypes.markers.pos_bp[marker])
        cm = float(marker_map.cm[marker])
        rows.append(
            ChosenRow(
                marker=str(genotypes.markers.name[marker]),
                chrom=str(marker_map.chrom[marker] or genotypes.markers.chrom[marker]),
                pos=None if pos == UNKNOWN_POSITION else pos,
                order=place,
                crosses=len(helps[marker]),
                cm=cm if np.isfinite(cm) else None,
                helps=tuple(helps[marker]),
            )
        )
    return rows


def cross_row(
    task: Task, index: int, order: Sequence[int], final: Sequence[Errors], failed: Sequence[Errors]
) -> CrossRow:
    """Return the row of one cross in ``crosses.csv``."""
    cross = task.crosses[index]
    here = [number for number, row in enumerate(task.rows) if row.cross == index]
    told = [number for number in here if task.reach[number].errors is not None]
    worst = _worst(task, [number for number in here if task.rows[number].finding != SISTERS], final) if told else None
    sisters = _worst(task, [number for number in here if task.rows[number].finding == SISTERS], final)
    best = None if worst is None else task.reach[worst].errors
    has_se = worst is not None and final[worst].miss_se + final[worst].false_fail_se > 0
    has_spare = worst is not None and task.request.spare > 0
    chosen = list(order)
    segments = task.segments
    return CrossRow(
        donor=cross.donor,
        inducer=cross.inducer,
        diagnostic=int(cross.is_diagnostic[chosen].sum()),
        segregating=int(cross.is_segregating[chosen].sum()),
        miss=None if worst is None else final[worst].miss,
        false_fail=None if worst is None else final[worst].false_fail,
        segment_power=None if segments is None else segments.power(index, order),
        met=is_met(task, index, order, final, failed),
        finding="" if worst is None else task.rows[worst].finding,
        miss_se=final[worst].miss_se if has_se and worst is not None else None,
        false_fail_se=final[worst].false_fail_se if has_se and worst is not None else None,
        miss_spare=max(failed[n].miss for n in here) if has_spare else None,
        false_fail_spare=max(failed[n].false_fail for n in here) if has_spare else None,
        sisters_miss=None if sisters is None or not told else final[sisters].miss,
        sisters_false_fail=None if sisters is None or not told else final[sisters].false_fail,
        best_miss=None if best is None else best.miss,
        best_false_fail=None if best is None else best.false_fail,
        best_segment_power=None if segments is None else float(task.segment_reach[index]),
        candidate_diagnostic=int((cross.is_diagnostic & task.candidates.is_allowed).sum()),
        candidate_segregating=int((cross.is_segregating & task.candidates.is_allowed).sum()),
        reason=_reason(task, index, order, final, failed),
    )


def is_met(task: Task, index: int, order: Sequence[int], final: Sequence[Errors], failed: Sequence[Errors]) -> bool:
    """Whether one cross has what was asked, spare assays included."""
    return not any(True for _ in _shortfalls(task, index, order, final, failed))


def _worst(task: Task, here: Sequence[int], final: Sequence[Errors]) -> int | None:
    """Row of a cross whose errors are worst against the limits asked for."""
    return max(here, key=lambda number: _asked_excess(task, final[number]), default=None)


def _asked_excess(task: Task, errors: Errors) -> float:
    worse = max(errors.miss / task.request.miss, errors.false_fail / task.request.false_fail)
    return float(np.log(max(worse, 1e-300)))


def _shortfalls(
    task: Task, index: int, order: Sequence[int], final: Sequence[Errors], failed: Sequence[Errors]
) -> Iterator[str]:
    """Yield a sentence for everything that one cross lacks."""
    for number, row in enumerate(task.rows):
        if row.cross != index:
            continue
        best = task.reach[number].errors
        if best is None:
            yield f"No candidate tells {_told(row.finding)}."
        elif _asked_excess(task, final[number]) > 0:
            reached = final[number]
            text = f"Telling {_told(row.finding)}: {_errors_text(reached)}"
            nearly = f"; all candidates together come to {_errors_text(best)}"
            yield text + ("" if task.reach[number].is_reached else nearly) + "."
        elif task.request.spare and _asked_excess(task, failed[number]) > 0:
            assays = "an assay fails" if task.request.spare == 1 else f"{task.request.spare} assays fail"
            yield f"Telling {_told(row.finding)}, the limits do not hold when {assays}."
    yield from _segment_shortfall(task, index, order)


def _segment_shortfall(task: Task, index: int, order: Sequence[int]) -> Iterator[str]:
    asked = task.request.segment_power
    if task.segments is None or asked is None:
        return
    seen = task.segments.power_after_failures(index, order, task.request.spare)
    if seen < asked:
        yield (
            f"Segments of {task.request.segment_cm:g} cM are seen at {100 * seen:.1f} % of all places;"
            f" all candidates together see {100 * task.segment_reach[index]:.1f} %."
        )


def _reason(task: Task, index: int, order: Sequence[int], final: Sequence[Errors], failed: Sequence[Errors]) -> str:
    cross = task.crosses[index]
    if not (cross.code > 0).any():
        return "Parents and inducer are alike at every marker that was typed in all of them: nothing can be told."
    return " ".join(_shortfalls(task, index, order, final, failed))


def _told(finding: str) -> str:
    return "sister lines from one line twice" if finding == SISTERS else f"a {finding} from a clean line"


def _errors_text(errors: Errors) -> str:
    return f"miss {errors.miss:.2g}, false fail {errors.false_fail:.2g}"


def picture(genotypes: Genotypes, marker_map: MarkerMap, task: Task, order: Sequence[int]) -> list[PlacedMarker]:
    """Candidates with a place on the map."""
    chosen = set(order)
    return [
        PlacedMarker(
            chrom=str(marker_map.chrom[marker]),
            cm=float(marker_map.cm[marker]),
            marker=str(genotypes.markers.name[marker]),
            is_chosen=marker in chosen,
        )
        for chrom in marker_map.chromosomes
        for marker in marker_map.markers_of(chrom).tolist()
        if task.candidates.is_allowed[marker]
    ]
