"""How many chosen markers of each cross are diagnostic, against what a check wants called in every line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.design.marker_set_crosses import DesignCross
from dhverify.design.marker_set_request import MarkerSetRequest
from dhverify.design.marker_set_rows import Candidates
from dhverify.genotypes import locked

A_MARKER: Final = 1.0
"""Puts a diagnostic marker that lacks beside log errors."""


@dataclass(frozen=True, kw_only=True, eq=False)
class DiagnosticNeed:
    """Diagnostic markers that each cross must have.

    Attributes
    ----------
    is_diagnostic
        bool, shape (n_crosses, n_markers). Candidates only.
    asked, needed
        Spare assays included; ``needed``, int64, shape (n_crosses,), is no more than the candidates have.

    """

    is_diagnostic: NDArray[np.bool_]
    asked: int
    needed: NDArray[np.int64]

    def __post_init__(self) -> None:
        for name in ("is_diagnostic", "needed"):
            object.__setattr__(self, name, locked(getattr(self, name)))

    @property
    def can_be_had(self) -> NDArray[np.bool_]:
        """bool, shape (n_crosses,). Whether the candidates have as many as asked."""
        return np.asarray(self.needed >= self.asked)

    def excess(self, chosen: Sequence[int]) -> NDArray[np.float64]:
        """Above 0: so much lacks; float64, shape (n_crosses,)."""
        return np.asarray(A_MARKER * (self.needed - self.is_diagnostic[:, list(chosen)].sum(axis=1)), dtype=np.float64)

    def gains(self, chosen: Sequence[int]) -> NDArray[np.float64]:
        """Worth of each marker; float64, shape (n_crosses, n_markers)."""
        gains = np.where(self.is_diagnostic, A_MARKER, 0.0)
        gains[:, list(chosen)] = 0.0
        return gains

    def losses(self, chosen: Sequence[int]) -> NDArray[np.float64]:
        """Worth of each chosen marker; float64, shape (n_crosses, n_chosen)."""
        return np.where(self.is_diagnostic[:, list(chosen)], A_MARKER, 0.0)


def diagnostic_need(
    crosses: Sequence[DesignCross], candidates: Candidates, request: MarkerSetRequest
) -> DiagnosticNeed | None:
    """Lay out what each cross needs; None where nothing is asked."""
    if not request.min_diagnostic_markers:
        return None
    is_diagnostic = np.array([cross.is_diagnostic & candidates.is_allowed for cross in crosses])
    asked = request.min_diagnostic_markers + request.spare
    return DiagnosticNeed(
        is_diagnostic=is_diagnostic, asked=asked, needed=np.minimum(asked, is_diagnostic.sum(axis=1)).astype(np.int64)
    )
