"""The result of a choice of markers for people at a keyboard: frames and folder."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, Any

from dhverify.report.tables import data_frame

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

    from dhverify.design.marker_set_outcome import MarkerSetOutcome


class MarkerSetResult:
    """Which markers were chosen, and what they tell in each cross.

    Parameters
    ----------
    outcome
        The records of the choice.

    """

    def __init__(self, outcome: MarkerSetOutcome) -> None:
        self._outcome = outcome

    @property
    def outcome(self) -> MarkerSetOutcome:
        """The records behind the frames."""
        return self._outcome

    @cached_property
    def chosen(self) -> pd.DataFrame:
        """A row per chosen marker, in the order in which they add most."""
        return self._frame("chosen")

    @cached_property
    def crosses(self) -> pd.DataFrame:
        """A row per donor and inducer."""
        return self._frame("crosses")

    @cached_property
    def retests(self) -> pd.DataFrame:
        """A row per number of further markers, where an earlier check was given."""
        return self._frame("retests")

    @cached_property
    def summary(self) -> dict[str, Any]:
        """The content of ``summary.json``."""
        from dhverify.report.marker_set_folder import marker_set_summary

        return marker_set_summary(self._outcome)

    def write(self, directory: str | Path, *, force: bool = False) -> Path:
        """Write the folder, whole or not at all.

        Raises
        ------
        OutputError
            If the folder is in use, or cannot be written.

        """
        from dhverify.report.marker_set_folder import write_marker_set

        return write_marker_set(self._outcome, directory, force=force)

    def _frame(self, name: str) -> pd.DataFrame:
        from dhverify.report.marker_set_folder import marker_set_table

        return data_frame(marker_set_table(self._outcome, name))

    def _repr_html_(self) -> str:
        from dhverify.report.page.marker_set import marker_set_notebook

        return marker_set_notebook(self._outcome)

    def __repr__(self) -> str:
        outcome = self._outcome
        return (
            f"<MarkerSetResult: {len(outcome.chosen)} markers, proved lower bound {outcome.lower_bound},"
            f" {outcome.n_met} of {len(outcome.crosses)} crosses met>"
        )
