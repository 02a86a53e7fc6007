"""The command ``budget``: read, plan, write, tell."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from dhverify.cautions import DOUBLING_CAUTION
from dhverify.cli import budget_options, options

if TYPE_CHECKING:
    from pathlib import Path

    from dhverify.report.budget_result import BudgetResult


@click.command(epilog=f"Caution: {DOUBLING_CAUTION}")
@budget_options.wanted_lines_option
@budget_options.sure_option
@budget_options.induction_rate_option
@budget_options.false_haploid_rate_option
@budget_options.missed_haploid_rate_option
@budget_options.survival_option
@budget_options.doubling_option
@budget_options.hybrid_survival_option
@budget_options.rogued_option
@budget_options.rates_from_option
@budget_options.costs_option
@budget_options.budget_out_option
@options.idle_jobs_option
@options.force_option
@options.quiet_option
@options.debug_option
def budget(*, out: Path | None, force: bool, quiet: bool, **chosen: Any) -> int:
    """Plan a season: kernels, seedlings and assays for N lines, and where to genotype.

    Rates are given as options, or read from the results folder of a check that had counts.

    \b
    Example:
      dhverify budget --lines 50 --from results --costs costs.toml --out plan
    """
    from dhverify.api import plan_budget
    from dhverify.report.budget_folder import BUDGET

    if out is not None:
        BUDGET.check_target(out, force=force)
    result = plan_budget(**chosen)
    if out is not None:
        result.write(out, force=force)
    if not quiet:
        tell(result, out)
    return 0


def tell(result: BudgetResult, folder: Path | None) -> None:
    """Print the answer, the plans, what they rest on, and where the report is."""
    from dhverify.cli.messages import printable
    from dhverify.report.page.budget import closing_lines

    for warning in result.outcome.warnings:
        click.echo(f"warning: {printable(warning)}", err=True)
    for line in closing_lines(result.outcome):
        click.echo(printable(line))
    if folder is not None:
        click.echo(printable(f"Report: {folder / 'report.html'}"))
