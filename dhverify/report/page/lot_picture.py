"""The lot at one glance: a mark for every line (or for every few), crosses, rings and dots."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from dhverify.outcome import Verdict

if TYPE_CHECKING:
    from dhverify.report.counting import VerdictCounts

PER_ROW: Final = 48
MOST_MARKS: Final = 960
PITCH: Final = 15

_SHAPES: Final = {
    Verdict.FAIL: "M{x} {y}m-4-4l8 8m0-8l-8 8",
    Verdict.RETEST: "M{x} {y}m-4 0a4 4 0 1 0 8 0a4 4 0 1 0-8 0",
    Verdict.PASS: "M{x} {y}h0",
}


@dataclass(frozen=True, kw_only=True)
class LotPicture:
    """Path data of the marks of each verdict, and the size of the drawing."""

    width: int
    height: int
    lines_a_mark: int
    paths: tuple[tuple[str, str], ...]


def lot_picture(counts: VerdictCounts) -> LotPicture:
    """Lay out the marks: those that fail first, then those to test again, then those that pass."""
    of = {Verdict.FAIL: counts.failed, Verdict.RETEST: counts.retest, Verdict.PASS: counts.passed}
    per_mark = max(1, -(-counts.lines // MOST_MARKS))
    place = 0
    paths = []
    for verdict, number in of.items():
        n_marks = -(-number // per_mark)
        marks = (_mark(verdict, place + k) for k in range(n_marks))
        paths.append((str(verdict), "".join(marks)))
        place += n_marks
    n_rows = max(1, -(-place // PER_ROW))
    return LotPicture(
        width=min(max(place, 1), PER_ROW) * PITCH,
        height=n_rows * PITCH,
        lines_a_mark=per_mark,
        paths=tuple(paths),
    )


def _mark(verdict: Verdict, place: int) -> str:
    row, column = divmod(place, PER_ROW)
    return _SHAPES[verdict].format(x=column * PITCH + PITCH // 2, y=row * PITCH + PITCH // 2)
