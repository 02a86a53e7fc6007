"""The result of a check for people at a keyboard: frames, folder, pictures, notebook."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, Any

from dhverify.report.counting import VerdictCounts, verdict_counts
from dhverify.report.tables import data_frame, table

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd
    from matplotlib.axes import Axes

    from dhverify.outcome import CheckOutcome


class CheckResult:
    """What a check found.

    Every table of the results folder is a pandas frame under the name of its file: ``lines``, ``donors``,
    ``references``, ``account``, ``markers``, ``segments``, ``identity``, ``plates``, ``wells``.

    Parameters
    ----------
    outcome
        The records of the check.

    """

    def __init__(self, outcome: CheckOutcome) -> None:
        self._outcome = outcome

    @property
    def outcome(self) -> CheckOutcome:
        """The records behind the frames."""
        return self._outcome

    @property
    def counts(self) -> VerdictCounts:
        """How many lines have each verdict."""
        return verdict_counts(self._outcome)

    @cached_property
    def summary(self) -> dict[str, Any]:
        """The content of ``summary.json``."""
        from dhverify.report.summary import summary

        return summary(self._outcome)

    @cached_property
    def lines(self) -> pd.DataFrame:
        """A row per sample of role ``line``, in sheet order."""
        return self._frame("lines")

    @cached_property
    def donors(self) -> pd.DataFrame:
        """A row per donor, inducer and stage."""
        return self._frame("donors")

    @cached_property
    def references(self) -> pd.DataFrame:
        """A row per genotyped parent, donor and inducer."""
        return self._frame("references")

    @cached_property
    def account(self) -> pd.DataFrame:
        """A row per measure of a group."""
        return self._frame("account")

    @cached_property
    def markers(self) -> pd.DataFrame:
        """A row per marker."""
        return self._frame("markers")

    @cached_property
    def segments(self) -> pd.DataFrame:
        """A row per inducer or foreign segment."""
        return self._frame("segments")

    @cached_property
    def identity(self) -> pd.DataFrame:
        """A row per pair of samples that are, or should be, one genotype."""
        return self._frame("identity")

    @cached_property
    def plates(self) -> pd.DataFrame:
        """A row per plate."""
        return self._frame("plates")

    @cached_property
    def wells(self) -> pd.DataFrame:
        """A row per well of the sheet."""
        return self._frame("wells")

    def write(self, directory: str | Path, *, force: bool = False, xlsx: bool = False) -> Path:
        """Write the results folder, whole or not at all.

        Parameters
        ----------
        directory
            The folder; its parents are made.
        force
            Replace a results folder that stands there.
        xlsx
            Also write all tables into one workbook.

        Returns
        -------
        pathlib.Path
            The folder.

        Raises
        ------
        OutputError
            If the folder is in use, or cannot be written.

        """
        from dhverify.report.folder import write_results

        return write_results(self._outcome, directory, force=force, xlsx=xlsx)

    def plot_line(self, sample: str, *, ax: Axes | None = None) -> Axes:
        """Draw the chromosomes of one line; see :func:`dhverify.report.figures.plot_line`."""
        from dhverify.report.figures import plot_line

        return plot_line(self._outcome, sample, ax=ax)

    def plot_plate(self, plate: str, *, ax: Axes | None = None) -> Axes:
        """Draw one plate; see :func:`dhverify.report.figures.plot_plate`."""
        from dhverify.report.figures import plot_plate

        return plot_plate(self._outcome, plate, ax=ax)

    def plot_donors(self, *, ax: Axes | None = None) -> Axes:
        """Draw the wrong share of each donor; see :func:`dhverify.report.figures.plot_donors`."""
        from dhverify.report.figures import plot_donors

        return plot_donors(self._outcome, ax=ax)

    def plot_lot(self, *, ax: Axes | None = None) -> Axes:
        """Draw all lines; see :func:`dhverify.report.figures.plot_lot`."""
        from dhverify.report.figures import plot_lot

        return plot_lot(self._outcome, ax=ax)

    def _frame(self, name: str) -> pd.DataFrame:
        return data_frame(table(self._outcome, name))

    def _repr_html_(self) -> str:
        from dhverify.report.page import notebook_text

        return notebook_text(self._outcome)

    def __repr__(self) -> str:
        counts = self.counts
        return (
            f"<CheckResult: {counts.lines} lines, {counts.passed} pass, {counts.failed} fail, {counts.retest} retest>"
        )
