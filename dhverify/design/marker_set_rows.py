"""What a marker set is judged by: rows of cross and finding, candidates along chains."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.design.marker_set_chains import StateModel, models
from dhverify.design.marker_set_crosses import DesignCross
from dhverify.design.marker_set_request import MarkerSetRequest
from dhverify.genetic_map import MarkerMap
from dhverify.genotypes import locked

LOOSE_PIECE: Final = 4
"""Unlinked markers are worked on in pieces of so many, for speed only."""
LOOSE: Final = -1
"""Chain of markers without a place."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Row:
    """One finding that a good line of one cross must be told from.

    Attributes
    ----------
    cross
        Index into the crosses.
    finding
        ``hybrid``, ``selfed hybrid``, ``selfed donor`` or ``sisters``.
    both
        Models of the good line and of the wrong one.
    code
        int64, shape (n_markers,). What each marker shows; 0 where it cannot help.
    miss, false_fail
        Limits in force: as asked, or what can be reached.

    """

    cross: int
    finding: str
    both: tuple[StateModel, StateModel]
    code: NDArray[np.int64]
    miss: float
    false_fail: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "code", locked(self.code))


@dataclass(frozen=True, kw_only=True, eq=False)
class Candidates:
    """Markers to choose from, in file order.

    Attributes
    ----------
    chain
        int64, shape (n_markers,). Chromosome by number; ``LOOSE`` where unplaced.
    morgan
        float64, shape (n_markers,). Position; 0 where unplaced.
    is_allowed
        bool, shape (n_markers,). Not to be avoided.
    chromosomes
        Names, by chain number.

    """

    chain: NDArray[np.int64]
    morgan: NDArray[np.float64]
    is_allowed: NDArray[np.bool_]
    chromosomes: tuple[str, ...]

    def __post_init__(self) -> None:
        for name in ("chain", "morgan", "is_allowed"):
            object.__setattr__(self, name, locked(getattr(self, name)))

    @property
    def n_markers(self) -> int:
        """Number of markers, those to be avoided included."""
        return len(self.chain)

    @cached_property
    def _rank(self) -> NDArray[np.int64]:
        """Place of each marker among all, by chain and position; int64, shape (n_markers,)."""
        return np.asarray(np.argsort(np.lexsort((np.arange(self.n_markers), self.morgan, self.chain))))

    def by_place(self, markers: Iterable[int]) -> dict[int, tuple[int, ...]]:
        """Sort markers into chains, each by position."""
        index = np.fromiter(markers, dtype=np.int64)
        index = index[np.argsort(self._rank[index])]
        chains, starts = np.unique(self.chain[index], return_index=True)
        ends = [*starts[1:], len(index)]
        return {
            int(chain): tuple(index[start:end].tolist())
            for chain, start, end in zip(chains, starts, ends, strict=False)
        }

    def pieces(self, markers: Iterable[int]) -> list[tuple[int, ...]]:
        """Sort markers into pieces that are independent of one another, each by position."""
        chains = self.by_place(markers)
        loose = chains.pop(LOOSE, ())
        parts = [loose[start : start + LOOSE_PIECE] for start in range(0, len(loose), LOOSE_PIECE)]
        return [*chains.values(), *parts]

    def gaps(self, piece: Sequence[int]) -> NDArray[np.float64]:
        """Distance of each marker of a piece to the one before, in Morgan; float64, shape (n,)."""
        index = np.asarray(piece, dtype=np.int64)
        if self.chain[index[0]] == LOOSE:
            return np.full(len(index), np.inf)
        return np.diff(self.morgan[index], prepend=-np.inf)


def candidates_of(marker_map: MarkerMap, avoided: NDArray[np.bool_]) -> Candidates:
    """Lay the candidates out along the map."""
    names = marker_map.chromosomes
    number = {name: index for index, name in enumerate(names)}
    return Candidates(
        chain=np.array([number.get(str(name), LOOSE) for name in marker_map.chrom], dtype=np.int64),
        morgan=np.nan_to_num(marker_map.cm) / 100.0,
        is_allowed=~avoided,
        chromosomes=names,
    )


def design_rows(crosses: Sequence[DesignCross], request: MarkerSetRequest) -> tuple[Row, ...]:
    """List what each cross must be told from; a fixed donor has no selfed progeny and no sisters."""
    rows = []
    for index, cross in enumerate(crosses):
        is_fixed = isinstance(cross.donor_tree, int) and not cross.is_plant
        for finding in request.findings:
            is_within = finding in {"selfed donor", "sisters"}
            if is_fixed and is_within:
                continue
            rows.append(
                Row(
                    cross=index,
                    finding=finding,
                    both=models(cross.donor_tree, cross.inducer_tree, finding, request.error_rate, request.dropout),
                    code=np.where(cross.is_segregating, cross.code, 0) if is_within else cross.code,
                    miss=request.miss,
                    false_fail=request.false_fail,
                )
            )
    return tuple(rows)
