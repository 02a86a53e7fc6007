"""What one more marker, or one fewer, is worth in every row: fast, from the chosen markers beside it.

The worth of a marker between its two chosen neighbours is the rise of the affinity (minus the log of the overlap of
the two call distributions), which bounds both errors and adds up over chromosomes. It guides the search; whether a
set meets its goal is always computed in full.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.design.marker_set_chains import StateModel, affinity
from dhverify.design.marker_set_rows import LOOSE, Candidates, Row

MOST_BLOCKS: Final = 800
NONE: Final = -1


@dataclass(frozen=True, kw_only=True, eq=False)
class _Cases:
    """Markers with the chosen ones beside them; int64, shape (n_cases,); ``NONE`` where there is none."""

    row: NDArray[np.int64]
    left: NDArray[np.int64]
    marker: NDArray[np.int64]
    right: NDArray[np.int64]


class GainModel:
    """Worth of markers; remembers chains that it has seen."""

    def __init__(self, rows: Sequence[Row], candidates: Candidates) -> None:
        self.rows = rows
        self.candidates = candidates
        self.members = candidates.by_place(range(candidates.n_markers))
        self.code = np.array([row.code for row in rows]).reshape(len(rows), candidates.n_markers)
        kinds: dict[tuple[int, int], list[int]] = {}
        for index, row in enumerate(rows):
            kinds.setdefault((id(row.both[0]), id(row.both[1])), []).append(index)
        self.kinds = [(rows[group[0]].both, np.array(group, dtype=np.int64)) for group in kinds.values()]
        self._single = self._singles()
        self._blocks: OrderedDict[tuple[int, tuple[int, ...]], NDArray[np.float32]] = OrderedDict()
        self._losses: OrderedDict[tuple[int, ...], NDArray[np.float32]] = OrderedDict()

    def gains(self, chosen: Iterable[int]) -> NDArray[np.float32]:
        """Worth of each candidate beside the chosen ones; float32, shape (n_rows, n_markers); 0 for chosen ones."""
        selected = self.candidates.by_place(chosen)
        gains = np.zeros(self.code.shape, dtype=np.float32)
        for chain, members in self.members.items():
            here = selected.get(chain, ())
            gains[:, list(members)] = self._block(chain, here)
        for markers in selected.values():
            gains[:, list(markers)] = 0
        return gains

    def losses(self, chosen: Iterable[int]) -> NDArray[np.float32]:
        """Worth of each chosen marker; float32, shape (n_rows, n_chosen), in the order given."""
        order = list(chosen)
        place = {marker: column for column, marker in enumerate(order)}
        losses = np.zeros((len(self.rows), len(order)), dtype=np.float32)
        for chain, markers in self.candidates.by_place(order).items():
            columns = [place[marker] for marker in markers]
            if chain == LOOSE:
                losses[:, columns] = self._single[:, list(markers)]
                continue
            losses[:, columns] = self._chain_losses(markers)
        return losses

    def _singles(self) -> NDArray[np.float32]:
        """Worth of each marker alone; float32, shape (n_rows, n_markers)."""
        single = np.zeros(self.code.shape, dtype=np.float32)
        for both, group in self.kinds:
            n_codes = len(both[0].show)
            worth = affinity(both, np.arange(n_codes)[:, None], np.zeros((n_codes, 1)))
            single[group] = worth[self.code[group]]
        return single

    def _block(self, chain: int, chosen: tuple[int, ...]) -> NDArray[np.float32]:
        """Worth of the members of one chain; float32, shape (n_rows, n_members)."""
        members = np.array(self.members[chain], dtype=np.int64)
        if chain == LOOSE or not chosen:
            return self._single[:, members]
        key = (chain, chosen)
        if key in self._blocks:
            self._blocks.move_to_end(key)
            return self._blocks[key]
        block = np.zeros((len(self.rows), len(members)), dtype=np.float32)
        for both, group in self.kinds:
            parts = [self._beside(int(row), members, chosen) for row in group]
            cases = _joined(parts)
            column = np.concatenate([np.flatnonzero(self.code[row, members] > 0) for row in group])
            block[cases.row, column] = self._worth(both, cases)
        self._blocks[key] = block
        if len(self._blocks) > MOST_BLOCKS:
            self._blocks.popitem(last=False)
        return block

    def _chain_losses(self, markers: tuple[int, ...]) -> NDArray[np.float32]:
        if markers in self._losses:
            self._losses.move_to_end(markers)
            return self._losses[markers]
        losses = np.zeros((len(self.rows), len(markers)), dtype=np.float32)
        here = np.array(markers, dtype=np.int64)
        for both, group in self.kinds:
            parts, columns = [], []
            for row in group:
                column = np.flatnonzero(self.code[row, here] > 0)
                useful = here[column]
                parts.append(
                    _Cases(
                        row=np.full(len(useful), row),
                        left=np.concatenate([[NONE], useful[:-1]])[: len(useful)],
                        marker=useful,
                        right=np.concatenate([useful[1:], [NONE]])[: len(useful)],
                    )
                )
                columns.append(column)
            cases = _joined(parts)
            losses[cases.row, np.concatenate(columns)] = self._worth(both, cases)
        self._losses[markers] = losses
        if len(self._losses) > MOST_BLOCKS:
            self._losses.popitem(last=False)
        return losses

    def _beside(self, row: int, members: NDArray[np.int64], chosen: tuple[int, ...]) -> _Cases:
        """Useful members of a chain with the useful chosen markers beside them."""
        useful = members[self.code[row, members] > 0]
        selected = np.array([marker for marker in chosen if self.code[row, marker] > 0], dtype=np.int64)
        rank = np.searchsorted(self.candidates.morgan[selected], self.candidates.morgan[useful], side="right")
        padded = np.concatenate([[NONE], selected, [NONE]])
        return _Cases(row=np.full(len(useful), row), left=padded[rank], marker=useful, right=padded[rank + 1])

    def _worth(self, both: tuple[StateModel, StateModel], cases: _Cases) -> NDArray[np.float64]:
        """Affinity with the marker less that without it; equal cases are worked once."""
        n = self.candidates.n_markers + 1
        codes = [np.where(side == NONE, 0, self.code[cases.row, side]) for side in (cases.left, cases.right)]
        marker_code = self.code[cases.row, cases.marker]
        key = np.stack([cases.left, cases.marker, cases.right, codes[0], marker_code, codes[1]])
        _, first, back = np.unique(_mixed(key, n), return_index=True, return_inverse=True)
        left, marker, right = cases.left[first], cases.marker[first], cases.right[first]
        triple = np.stack([codes[0][first], marker_code[first], codes[1][first]], axis=1)
        morgan = self.candidates.morgan
        before = np.where(left == NONE, 0.0, morgan[marker] - morgan[left])
        after = np.where(right == NONE, 0.0, morgan[right] - morgan[marker])
        worth = np.empty(len(first))
        for has_left in (False, True):
            for has_right in (False, True):
                is_here = ((left != NONE) == has_left) & ((right != NONE) == has_right)
                if is_here.any():
                    gaps = np.stack([np.zeros(is_here.sum()), before[is_here], after[is_here]], axis=1)
                    worth[is_here] = _rise(both, triple[is_here], gaps, has_left=has_left, has_right=has_right)
        return worth[back.ravel()]


def _rise(
    both: tuple[StateModel, StateModel],
    triple: NDArray[np.int64],
    gaps: NDArray[np.float64],
    *,
    has_left: bool,
    has_right: bool,
) -> NDArray[np.float64]:
    use = [*([0] if has_left else []), 1, *([2] if has_right else [])]
    total = affinity(both, triple[:, use], gaps[:, use])
    if has_left and has_right:
        around = np.stack([gaps[:, 0], gaps[:, 1] + gaps[:, 2]], axis=1)
        return total - affinity(both, triple[:, [0, 2]], around)
    rest = [place for place in use if place != 1]
    return total - affinity(both, triple[:, rest], np.zeros((len(triple), 1))) if rest else total


def _joined(parts: list[_Cases]) -> _Cases:
    return _Cases(
        row=np.concatenate([part.row for part in parts]),
        left=np.concatenate([part.left for part in parts]),
        marker=np.concatenate([part.marker for part in parts]),
        right=np.concatenate([part.right for part in parts]),
    )


def _mixed(key: NDArray[np.int64], n: int) -> NDArray[np.int64]:
    """One number for each case; wraps around harmlessly only where a panel exceeds a million markers."""
    left, marker, right, first, second, third = key
    place = ((left + 1) * n + marker) * n + right + 1
    return np.asarray(((place * 64 + first) * 64 + second) * 64 + third)
