"""Search for the fewest markers: greedy, then fewer by exchange; every set that is kept is computed in full.

References
----------
Glover F (1989) Tabu search, part I. ORSA J Comput 1:190-206 (exchange that may go through worse sets).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.design.marker_set_diagnostic import DiagnosticNeed
from dhverify.design.marker_set_errors import ErrorModel, Errors, excess
from dhverify.design.marker_set_gains import GainModel
from dhverify.design.marker_set_request import MarkerSetRequest
from dhverify.design.marker_set_rows import Candidates, Row
from dhverify.design.marker_set_segments import SegmentModel

SEGMENT_SCALE: Final = 60.0
"""Puts a lack of segment power beside log errors."""
SAFETY: Final = 0.02
"""The search keeps this far within the limits (log), because its grid is coarse."""
MEND: Final = 0.01
"""A mended set keeps this far within (log) what was computed in full."""
EVEN_USE: Final = 0.01
"""Weight of help that a cross no longer needs: of equal markers the one that more crosses can use is taken."""
TENURE: Final = 7
SWAPS_TRIED: Final = 3
MOVES: Final = 8000
FEWEST_MOVES, MOST_MOVES = 60, 400
STALL, PROGRESS = 16, 0.99
"""The choice stops when so many markers in turn have not brought what is missing below this share of it."""
NOTHING: Final = 1e-7

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, kw_only=True, eq=False)
class State:
    """A marker set as the search sees it.

    Attributes
    ----------
    chosen
        Markers, in the order in which they came.
    excess
        float64, shape (n_goals,): rows, then segments and diagnostic markers of each cross where asked. Above 0:
        the limit is not met, by so much.

    """

    chosen: tuple[int, ...]
    excess: NDArray[np.float64]

    @property
    def lack(self) -> float:
        """What is missing to the limits: a sum of squares, so that the worst row counts most; 0 where all are met."""
        return float((np.maximum(self.excess, 0) ** 2).sum())


class Search:
    """Looks for small marker sets.

    Parameters
    ----------
    rows
        What is to be told, with the limits in force.
    candidates
        Markers.
    request
        Goals.
    segments
        Segment places, or None.
    segment_power
        float64, shape (n_crosses,). Power to be reached.
    diagnostic
        Diagnostic markers that each cross must have, or None.
    required
        Markers that must be in the set.

    """

    def __init__(
        self,
        rows: Sequence[Row],
        candidates: Candidates,
        request: MarkerSetRequest,
        *,
        segments: SegmentModel | None = None,
        segment_power: NDArray[np.float64] | None = None,
        diagnostic: DiagnosticNeed | None = None,
        required: Sequence[int] = (),
    ) -> None:
        self.rows = rows
        self.candidates = candidates
        self.spare = request.spare
        self.segments = segments
        self.segment_power = np.zeros(0) if segment_power is None else segment_power
        self.diagnostic = diagnostic
        self.required = tuple(required)
        self.errors = ErrorModel(rows, candidates)
        self.gain_model = GainModel(rows, candidates)
        n_counted = 0 if diagnostic is None else len(diagnostic.needed)
        self.margin = np.zeros(len(rows) + len(self.segment_power) + n_counted)
        self.margin[: len(rows)] = SAFETY

    def state(self, chosen: Iterable[int]) -> State:
        """Compute a set."""
        order = tuple(chosen)
        found = self._with_failures(order) if self.spare and order else self.errors.errors(order)
        level = np.array([excess(errors, row) for errors, row in zip(found, self.rows, strict=True)])
        return State(chosen=order, excess=np.concatenate([level, *self._lacks(order)]) + self.margin)

    def _with_failures(self, chosen: Sequence[int]) -> list[Errors]:
        """Errors of every row when the assays fail that it would miss most, by their worth."""
        markers = np.array(chosen, dtype=np.int64)
        left = np.argsort(self.gain_model.losses(chosen), axis=1, kind="stable")[:, : -self.spare]
        return [self.errors.row_errors(row, np.sort(markers[keep])) for row, keep in enumerate(left)]

    def tighten(self, state: State, over: NDArray[np.float64]) -> None:
        """Ask for more in the rows that are over their limits in full, so that the set counts as lacking there."""
        plain = state.excess[: len(over)] - self.margin[: len(over)]
        asked = np.where(over > 0, over - plain + MEND, 0.0)
        self.margin[: len(over)] = np.maximum(self.margin[: len(over)], asked)

    def gains(self, chosen: Sequence[int]) -> NDArray[np.float64]:
        """Worth of each candidate in each row; float64, shape (n_goals, n_markers)."""
        gains = self.gain_model.gains(chosen).astype(np.float64)
        more = []
        if self.segments is not None:
            more.append(SEGMENT_SCALE * self.segments.gains(self.segments.counts(chosen)))
            more[0][:, list(chosen)] = 0
        if self.diagnostic is not None:
            more.append(self.diagnostic.gains(chosen))
        return np.vstack([gains, *more])

    def losses(self, chosen: Sequence[int]) -> NDArray[np.float64]:
        """Worth of each chosen marker; float64, shape (n_goals, n_chosen)."""
        losses = self.gain_model.losses(chosen).astype(np.float64)
        more = []
        if self.segments is not None:
            more.append(SEGMENT_SCALE * self.segments.losses(self.segments.counts(chosen))[:, list(chosen)])
        if self.diagnostic is not None:
            more.append(self.diagnostic.losses(chosen))
        return np.vstack([losses, *more])

    def greedy(self, start: State, size: int, progress: Progress | None = None) -> State:
        """Add the most helpful marker until the goal is met, nothing helps, or the size is reached."""
        state = better = start
        while state.lack > 0 and len(state.chosen) < size and len(state.chosen) - len(better.chosen) < STALL:
            gains = self.gains(state.chosen)
            lack = np.maximum(state.excess, 0)[:, None]
            score = (lack**2 - np.maximum(lack - gains, 0) ** 2).sum(axis=0)
            score = np.where(score > NOTHING, score + EVEN_USE * gains.mean(axis=0), 0)
            score[~self.candidates.is_allowed] = 0
            best = int(np.argmax(score))
            if score[best] <= NOTHING:
                break
            state = self.state((*state.chosen, best))
            if state.lack < PROGRESS * better.lack:
                better = state
            if progress is not None:
                progress("choosing markers", len(state.chosen), len(state.chosen) + 1)
        return better if state.lack > 0 and len(state.chosen) < size else state

    def accept(self, state: State) -> State:
        """Take what a set reaches as the goal where it lacks, because more markers hardly help."""
        self.margin -= np.maximum(state.excess, 0)
        return self.state(state.chosen)

    def pruned(self, state: State) -> State:
        """Leave out markers that the goal can do without, the least helpful first."""
        while True:
            order = np.argsort(self.losses(state.chosen).sum(axis=0), kind="stable")
            smaller = self._first_that_will_do(state, [state.chosen[place] for place in order])
            if smaller is None:
                return state
            state = smaller

    def _first_that_will_do(self, state: State, order: Sequence[int]) -> State | None:
        level = (self.losses(state.chosen) + state.excess[:, None]).max(axis=0, initial=-np.inf)
        losses = dict(zip(state.chosen, level, strict=True))
        for marker in order:
            if marker in self.required or losses[marker] > 2.0:
                continue
            smaller = self.state(m for m in state.chosen if m != marker)
            if smaller.lack == 0:
                return smaller
        return None

    def fewer(self, state: State, progress: Progress | None = None) -> State:
        """Make a set that meets its goal smaller by exchange, one marker at a time, as long as that works."""
        moves = self.n_moves
        done = 0
        while len(state.chosen) > len(self.required) + 1 and done < moves:
            worst = self._least_harm(state, frozenset())
            trial, used = self.exchanged(self.state(m for m in state.chosen if m != worst), moves - done)
            done += used
            if progress is not None:
                progress("exchanging markers", done, moves)
            if trial.lack > 0:
                break
            state = self.pruned(trial)
        return state

    @property
    def n_moves(self) -> int:
        """Exchanges that are made at most."""
        return int(np.clip(MOVES / max(len(self.margin), 1), FEWEST_MOVES, MOST_MOVES))

    def exchanged(self, state: State, moves: int) -> tuple[State, int]:
        """Exchange markers until the goal is met or the moves are used up; the best set, and the moves used."""
        best, current = state, state
        kept: dict[int, int] = {}
        barred: dict[int, int] = {}
        for move in range(moves):
            if best.lack == 0 or not current.chosen:
                return best, move
            step = self._best_swap(
                current,
                kept=frozenset(marker for marker, until in kept.items() if until > move),
                barred=frozenset(marker for marker, until in barred.items() if until > move),
            )
            if step is None:
                return best, move + 1
            current, out, new = step
            kept[new], barred[out] = move + TENURE, move + TENURE
            if current.lack < best.lack:
                best = current
        return best, moves

    def _best_swap(
        self, state: State, *, kept: frozenset[int], barred: frozenset[int]
    ) -> tuple[State, int, int] | None:
        """Best exchange of one marker: the promising ones by their worth, and those computed in full."""
        losses = self.losses(state.chosen)
        harm = (np.maximum(state.excess[:, None] + losses, 0) ** 2).sum(axis=0)
        free = [
            p
            for p in np.argsort(harm, kind="stable")
            if state.chosen[p] not in kept and not self._is_required(state.chosen[p])
        ]
        promising: list[tuple[float, int, int]] = []
        for place in free[: SWAPS_TRIED + 1]:
            out = state.chosen[place]
            rest = tuple(m for m in state.chosen if m != out)
            level = state.excess + losses[:, place]
            gains = self.gains(rest)
            lack = (np.maximum(level[:, None] - gains, 0) ** 2).sum(axis=0) - 1e-6 * gains.mean(axis=0)
            lack[~self.candidates.is_allowed] = np.inf
            lack[[*state.chosen, *barred]] = np.inf
            promising += [(float(lack[new]), out, int(new)) for new in np.argsort(lack, kind="stable")[:2]]
        promising = [option for option in sorted(promising) if np.isfinite(option[0])][:SWAPS_TRIED]
        tried = [(self.state((*(m for m in state.chosen if m != out), new)), out, new) for _, out, new in promising]
        return min(tried, key=lambda option: option[0].lack, default=None)

    def _least_harm(self, state: State, kept: frozenset[int]) -> int:
        harm = (np.maximum(state.excess[:, None] + self.losses(state.chosen), 0) ** 2).sum(axis=0)
        free = [p for p, m in enumerate(state.chosen) if m not in kept and not self._is_required(m)]
        return state.chosen[min(free, key=lambda place: (float(harm[place]), place))]

    def _is_required(self, marker: int) -> bool:
        return marker in self.required

    def _lacks(self, chosen: Sequence[int]) -> list[NDArray[np.float64]]:
        """What lacks of segments and of diagnostic markers, in the order of the goals."""
        counted = [] if self.diagnostic is None else [self.diagnostic.excess(chosen)]
        return [self._segment_lack(chosen), *counted]

    def _segment_lack(self, chosen: Sequence[int]) -> NDArray[np.float64]:
        if self.segments is None:
            return np.zeros(0)
        power = [self.segments.power(cross, chosen) for cross in range(len(self.segment_power))]
        if self.spare:
            power = [
                self.segments.power_after_failures(cross, chosen, self.spare) if seen >= aim else seen
                for cross, (seen, aim) in enumerate(zip(power, self.segment_power, strict=True))
            ]
        filled = self.segments.filled(self.segments.counts(chosen))
        lack = self.segment_power - np.array(power)
        return np.where(lack > 0, SEGMENT_SCALE * (lack + np.maximum(self.segment_power - filled, 0)) / 2, -1.0)
