"""Each option of the command ``markers``, as a named decorator."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import click

_EXISTING_FILE: Final = click.Path(exists=True, dir_okay=False, readable=True, path_type=Path)
_EXISTING_FOLDER: Final = click.Path(exists=True, file_okay=False, path_type=Path)

marker_set_out_option = click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Folder for chosen.csv, crosses.csv, summary.json and report.html; it appears whole or not at all.",
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
    "--require", type=_EXISTING_FILE, metavar="FILE", help="Markers that must be chosen, a name a line."
)
avoid_option = click.option(
    "--avoid", type=_EXISTING_FILE, metavar="FILE", help="Markers that must not be chosen, a name a line."
)
assay_error_option = click.option(
    "--error-rate", type=float, metavar="E", help="Share of calls that are wrong.  [default: 0.01]"
)
dropout_option = click.option(
    "--dropout", type=float, metavar="D", help="Share of heterozygotes that lose an allele.  [default: 0.03]"
)
from_option = click.option(
    "--from",
    "results",
    type=_EXISTING_FOLDER,
    metavar="RESULTS",
    help="Results folder of a check: error rates, bad markers, and undecided lines to settle.",
)
