"""The result of a budget for people at a keyboard: frames, picture and folder."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, Any

from dhverify.report.tables import data_frame

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd
    from matplotlib.axes import Axes

    from dhverify.design.budget_outcome import BudgetOutcome


class BudgetResult:
    """What a season needs under each plan.

    Parameters
    ----------
    outcome
        The records.

    """

    def __init__(self, outcome: BudgetOutcome) -> None:
        self._outcome = outcome

    @property
    def outcome(self) -> BudgetOutcome:
        """The records behind the frames."""
        return self._outcome

    @property
    def kernels(self) -> int:
        """Kernels to sort."""
        return self._outcome.kernels

    @cached_property
    def budget(self) -> pd.DataFrame:
        """A row per plan and step."""
        return self._frame("budget")

    @cached_property
    def plans(self) -> pd.DataFrame:
        """A row per plan."""
        return self._frame("plans")

    @cached_property
    def sensitivity(self) -> pd.DataFrame:
        """A row per rate of false haploids and plan."""
        return self._frame("sensitivity")

    @cached_property
    def flips(self) -> pd.DataFrame:
        """A row per rate at which another plan becomes the cheapest."""
        return self._frame("flips")

    @cached_property
    def rates(self) -> pd.DataFrame:
        """A row per rate that the plans rest on."""
        return self._frame("rates")

    @cached_property
    def needs(self) -> pd.DataFrame:
        """A row per later step: confirmed haploids that are enough from there on."""
        return self._frame("needs")

    @cached_property
    def summary(self) -> dict[str, Any]:
        """The content of ``summary.json``."""
        from dhverify.report.budget_folder import budget_summary

        return budget_summary(self._outcome)

    def plot_sensitivity(self, *, ax: Axes | None = None) -> Axes:
        """Draw what each plan costs against the rate of false haploids.

        Parameters
        ----------
        ax
            Where to draw; a new figure if None.

        """
        from dhverify.report.budget_figure import plot_sensitivity

        return plot_sensitivity(self._outcome, ax=ax)

    def write(self, directory: str | Path, *, force: bool = False) -> Path:
        """Write the folder, whole or not at all.

        Raises
        ------
        OutputError
            If the folder is in use, or cannot be written.

        """
        from dhverify.report.budget_folder import write_budget

        return write_budget(self._outcome, directory, force=force)

    def _frame(self, name: str) -> pd.DataFrame:
        from dhverify.report.budget_folder import budget_table

        return data_frame(budget_table(self._outcome, name))

    def _repr_html_(self) -> str:
        from dhverify.report.page.budget import budget_notebook

        return budget_notebook(self._outcome)

    def __repr__(self) -> str:
        outcome = self._outcome
        return (
            f"<BudgetResult: {outcome.kernels:,} kernels for {outcome.request.lines:,} lines with probability"
            f" {outcome.probability:.3g}, cheapest plan: {outcome.best}>"
        )
