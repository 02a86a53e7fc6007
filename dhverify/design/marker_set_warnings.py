"""What a user of a chosen set should look at: crosses that are not served, and what the goal does not cover."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from dhverify.design.marker_set_crosses import DesignCross
from dhverify.design.marker_set_outcome import CrossRow
from dhverify.design.marker_set_request import MarkerSetRequest
from dhverify.limits import Limits


def set_warnings(request: MarkerSetRequest, crosses: Sequence[DesignCross], rows: Sequence[CrossRow]) -> Iterator[str]:
    """Yield what is to be said of a set, crosses that are not served first."""
    for cross, row in zip(crosses, rows, strict=True):
        if not row.met:
            yield f"{cross.label}: {row.reason}"
    for cross, row in zip(crosses, rows, strict=True):
        yield from _few_diagnostic(cross.label, row, request)
    yield from dict.fromkeys(note for cross in crosses for note in cross.notes)
    yield scope(request)


def scope(request: MarkerSetRequest) -> str:
    """Say what the goal does not cover, though a check looks for it.

    Examples
    --------
    >>> "inducer segments" in scope(MarkerSetRequest())
    True
    >>> "inducer segments" in scope(MarkerSetRequest(segment_cm=20, segment_power=0.9))
    False

    """
    left_out = [
        *([] if request.goal != "haploid" else ["selfed hybrids and selfed donors"]),
        *([] if request.goal != "D1" else ["hybrids themselves"]),
        "lines of another donor",
        "outcrosses",
        "parents and donor plants themselves",
        "mixtures",
        *([] if request.segment_cm is not None else ["inducer segments"]),
        *([] if request.identity else ["lines mistaken for their sisters"]),
    ]
    return (
        f"Not covered by this goal: {', '.join(left_out)}. 'dhverify check' looks for these too, and for calls that are"
        " missing; on so few markers it may leave good lines as retest."
    )


def _few_diagnostic(label: str, row: CrossRow, request: MarkerSetRequest) -> Iterator[str]:
    """Say so where a check would find fewer diagnostic markers than it wants."""
    least = request.min_diagnostic_markers or Limits().min_diagnostic_markers
    if row.diagnostic >= least:
        return
    why = (
        f"the candidates have {row.candidate_diagnostic}"
        if row.candidate_diagnostic < least
        else f"the candidates have enough ({row.candidate_diagnostic})"
    )
    yield (
        f"{label}: {row.diagnostic} of the chosen markers are diagnostic, 'dhverify check' wants {least}"
        f" (min_diagnostic_markers); {why}. Expect lines of this cross left as retest."
    )
