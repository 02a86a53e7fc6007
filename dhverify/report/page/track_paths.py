"""The picture of a line as SVG path data in whole drawing units; the fixed parts are shared by all lines."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from dhverify.report.tracks import Picture, Stretch, picture, stage

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dhverify.outcome import CheckOutcome, Track

LEFT: Final = 72
WIDTH: Final = 640
ROW: Final = 30
"""Height of a chromosome in drawing units: strands from 4 to 18, ticks at 24."""
TOP_STRAND: Final = 5
BOTTOM_STRAND: Final = 17
TICKS: Final = 24
NARROWEST: Final = 2


class TrackPaths:
    """Turns tracks into path data; knows the layout that all of them share."""

    def __init__(self, outcome: CheckOutcome) -> None:
        self._stage = stage(outcome.markers)
        lengths = [c.end_cm - c.start_cm for c in self._stage.chromosomes]
        self._scale = WIDTH / max([*lengths, 1.0])
        self._ticks: dict[str, int] = {}
        self._strands: dict[tuple[str, ...], int] = {}

    def of(self, track: Track) -> list[Any]:
        """Return one picture: strands and ticks by number; paths of steps, het boxes, inducer, foreign."""
        drawn = picture(track, self._stage)
        return [
            self._strands.setdefault(drawn.strands, len(self._strands)),
            self._ticks.setdefault(self._tick_path(drawn), len(self._ticks)),
            self._step_path(drawn.steps, max(len(drawn.strands), 1)),
            self._blocks(drawn.heterozygous, TOP_STRAND, BOTTOM_STRAND),
            self._inducer_path(drawn.inducer),
            self._blocks(drawn.foreign, 2, 20),
        ]

    def layout(self) -> dict[str, Any]:
        """Return what the pictures share; call it after the last ``of``."""
        return {
            "left": LEFT,
            "row": ROW,
            "width": WIDTH,
            "top": TOP_STRAND,
            "bottom": BOTTOM_STRAND,
            "tick": TICKS,
            "left_out": self._stage.n_left_out,
            "chromosomes": [
                [
                    c.name,
                    self._x_of(c.start_cm, c.start_cm),
                    self._x_of(c.end_cm, c.start_cm),
                    round(c.end_cm - c.start_cm),
                ]
                for c in self._stage.chromosomes
            ],
            "ticks": list(self._ticks),
            "strands": [list(names) for names in self._strands],
        }

    def _x_of(self, cm: float, start_cm: float) -> int:
        return LEFT + round((cm - start_cm) * self._scale)

    def _x(self, row: int, cm: float) -> int:
        return self._x_of(cm, self._stage.chromosomes[row].start_cm)

    def _step_path(self, steps: Sequence[Stretch], n_strands: int) -> str:
        parts = []
        for step in steps:
            y = step.row * ROW + strand_height(step.level, n_strands)
            x = self._x(step.row, step.start_cm)
            parts.append(f"V{y}" if step.joins_previous else f"M{x} {y}")
            parts.append(f"H{max(self._x(step.row, step.end_cm), x)}")
        return "".join(parts)

    def _inducer_path(self, stretches: Sequence[Stretch]) -> str:
        middle = (TOP_STRAND + BOTTOM_STRAND) // 2
        one = self._blocks([s for s in stretches if s.level == 1], middle, BOTTOM_STRAND + 1)
        two = self._blocks([s for s in stretches if s.level > 1], TOP_STRAND - 1, BOTTOM_STRAND + 1)
        return one + two

    def _blocks(self, stretches: Sequence[Stretch], top: int, bottom: int) -> str:
        """Rectangles, at least a hair wide; those that touch become one."""
        merged: list[list[int]] = []
        for stretch in stretches:
            left, right = self._x(stretch.row, stretch.start_cm), self._x(stretch.row, stretch.end_cm)
            right = max(right, left + NARROWEST)
            if merged and merged[-1][0] == stretch.row and left <= merged[-1][2]:
                merged[-1][2] = max(right, merged[-1][2])
            else:
                merged.append([stretch.row, left, right])
        return "".join(
            f"M{left} {row * ROW + top}h{right - left}v{bottom - top}h{left - right}z" for row, left, right in merged
        )

    def _tick_path(self, drawn: Picture) -> str:
        """Dashes one unit wide at informative markers, neighbours merged."""
        if not len(drawn.tick_row):
            return ""
        starts = np.array([c.start_cm for c in self._stage.chromosomes])
        x = np.rint((drawn.tick_cm - starts[drawn.tick_row]) * self._scale).astype(np.int64) + LEFT
        place = np.unique(drawn.tick_row * (LEFT + WIDTH + ROW) + x)
        begin = np.concatenate([[True], np.diff(place) > 1])
        first = place[begin]
        length = np.diff(np.concatenate([np.flatnonzero(begin), [len(place)]]))
        row, at = np.divmod(first, LEFT + WIDTH + ROW)
        return "".join(
            f"M{a} {r * ROW + TICKS}h{n}" for r, a, n in zip(row.tolist(), at.tolist(), length.tolist(), strict=True)
        )


def strand_height(level: int, n_strands: int) -> int:
    """Return the height of a strand below the top of its chromosome; halfway for one that is not traced.

    Examples
    --------
    >>> [strand_height(level, 2) for level in (0, 1, -1)]
    [5, 17, 11]

    """
    if level < 0 or n_strands == 1:
        return (TOP_STRAND + BOTTOM_STRAND) // 2
    return TOP_STRAND + round(level * (BOTTOM_STRAND - TOP_STRAND) / (n_strands - 1))
