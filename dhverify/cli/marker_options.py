"""Each option of the command ``markers``, as a named decorator."""

from __future__ import annotations

import click

from dhverify.cli import options

marker_set_out_option = options.folder_option(
    "Folder for chosen.csv, crosses.csv, summary.json, report.html (and retests.csv)", required=True
)
goal_option = click.option(
    "--goal",
    type=click.Choice(["haploid", "D1", "both"]),
    default="both",
    show_default=True,
    help="Tell hybrids (haploid), selfed hybrids and selfed donors (D1), or all of them.",
)
miss_option = click.option(
    "--miss", type=float, default=0.001, show_default=True, metavar="P", help="A wrong line passes, at most."
)
false_fail_option = click.option(
    "--false-fail", type=float, default=0.001, show_default=True, metavar="P", help="A good line fails, at most."
)
segment_cm_option = click.option(
    "--segment-cm", type=float, metavar="L", help="Also see inducer segments of L cM (with --segment-power)."
)
segment_power_option = click.option(
    "--segment-power", type=float, metavar="P", help="Share of places where such a segment must be seen."
)
identity_option = click.option("--identity", is_flag=True, help="Also tell sister lines apart.")
size_option = click.option("--size", type=int, metavar="N", help="At most N markers; the best reachable is said.")
spare_option = click.option(
    "--spare",
    type=int,
    default=0,
    show_default=True,
    metavar="K",
    help="The goal still holds when any K assays fail.",
)
require_option = click.option(
    "--require", type=options.EXISTING_FILE, metavar="FILE", help="Markers that must be chosen, a name a line."
)
avoid_option = click.option(
    "--avoid", type=options.EXISTING_FILE, metavar="FILE", help="Markers that must not be chosen, a name a line."
)
assay_error_option = click.option(
    "--error-rate", type=float, metavar="E", help="Share of calls that are wrong.  [default: 0.01]"
)
dropout_option = click.option(
    "--dropout", type=float, metavar="D", help="Share of heterozygotes that lose an allele.  [default: 0.03]"
)
from_option = options.from_option("Results folder of a check: error rates, bad markers, and undecided lines to settle.")
