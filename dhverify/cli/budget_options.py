"""Each option of the command ``budget``, as a named decorator."""

from __future__ import annotations

import click

from dhverify.cli import options


def _rate_option(name: str, text: str, *, metavar: str = "RATE") -> options.Decorator:
    return click.option(name, type=float, metavar=metavar, help=text)


wanted_lines_option = click.option("--lines", type=int, required=True, metavar="N", help="True lines wanted.")
sure_option = click.option(
    "--sure", type=float, default=0.9, show_default=True, metavar="P", help="Probability of reaching them."
)
induction_rate_option = _rate_option("--induction-rate", "Share of kernels with a haploid embryo.")
false_haploid_rate_option = _rate_option("--false-haploid-rate", "Share of hybrid kernels that are sorted as haploid.")
missed_haploid_rate_option = _rate_option(
    "--missed-haploid-rate", "Share of haploid kernels that are sorted as hybrid."
)
survival_option = _rate_option("--survival", "Share of treated seedlings that survive.")
doubling_option = _rate_option("--doubling", "Share of surviving haploids that give D1 seed.")
hybrid_survival_option = _rate_option(
    "--hybrid-survival", "Share of treated hybrids that survive.  [default: as survival]"
)
rogued_option = _rate_option(
    "--rogued", "Share of hybrids removed by eye in the nursery.  [default: 0]", metavar="SHARE"
)
rates_from_option = options.from_option("Results folder of a check with counts: observed rates; options replace them.")
costs_option = click.option(
    "--costs",
    type=options.EXISTING_FILE,
    metavar="FILE",
    help="Costs (TOML): kernel, seedling, plant, assay; unit names money or hours.",
)
budget_out_option = options.folder_option(
    "Folder for budget.csv, plans.csv, the sensitivity and report.html", required=False
)
