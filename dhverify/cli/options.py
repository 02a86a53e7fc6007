"""Each option and argument of the commands, as a named decorator."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import click

EXISTING_FILE: Final = click.Path(exists=True, dir_okay=False, readable=True, path_type=Path)
EXISTING_FOLDER: Final = click.Path(exists=True, file_okay=False, path_type=Path)
_STAGES: Final = ("haploid", "D0", "D1", "both", "all")

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


def folder_option(content: str, *, required: bool) -> Decorator:
    """Option ``--out``, for a folder that holds what ``content`` says."""
    text = f"{content}; it appears whole or not at all."
    return click.option("--out", required=required, type=click.Path(path_type=Path), metavar="DIR", help=text)


def from_option(text: str) -> Decorator:
    """Option ``--from``, for the results folder of a check."""
    return click.option("--from", "results", type=EXISTING_FOLDER, metavar="RESULTS", help=text)


genotypes_argument = click.argument("genotypes", nargs=-1, required=True, type=EXISTING_FILE, metavar="GENOTYPES...")
sheet_file_argument = click.argument("file", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE")
directory_argument = click.argument("directory", type=click.Path(file_okay=False, path_type=Path), metavar="DIR")

samples_option = click.option(
    "--samples", required=True, type=EXISTING_FILE, metavar="SHEET", help="Sample sheet (CSV, TSV or XLSX)."
)
out_option = folder_option("Results folder", required=True)
limits_option = click.option(
    "--limits",
    "limits_file",
    type=EXISTING_FILE,
    metavar="FILE",
    help="Limits to use (TOML); 'dhverify limits' prints those shipped.",
)
map_option = click.option(
    "--map",
    "map_file",
    type=EXISTING_FILE,
    metavar="FILE",
    help="Genetic map (CSV): marker, or chrom and pos; and cm.",
)
counts_option = click.option(
    "--counts",
    "counts_file",
    type=EXISTING_FILE,
    metavar="FILE",
    help="Programme counts (CSV, TSV or XLSX): kernels, putative haploids, D1 ears and so on.",
)
by_option = click.option(
    "--by",
    multiple=True,
    metavar="COLUMN",
    help="Repeat the account for each value of a sheet column; may be given again.",
)
layout_option = click.option(
    "--layout",
    type=click.Choice(["auto", "vcf", "wide", "long"]),
    default="auto",
    show_default=True,
    help="Layout of the genotype files.",
)
coding_option = click.option(
    "--coding",
    type=click.Choice(["auto", "bases", "copies", "alleles", "parents"]),
    default="auto",
    show_default=True,
    help="How table calls are written.",
)
strict_option = click.option("--strict", is_flag=True, help="Exit with 1 if any line is not 'pass'.")
xlsx_option = click.option("--xlsx", is_flag=True, help="Also write all tables into one workbook.")
force_option = click.option("--force", is_flag=True, help="Replace results (or a sheet) that are there already.")
quiet_option = click.option("--quiet", is_flag=True, help="Print nothing unless something is wrong.")
jobs_option = click.option(
    "--jobs",
    type=click.IntRange(min=1),
    default=1,
    show_default=True,
    metavar="N",
    help="Families to work on at the same time (threads); the results are the same.",
)
idle_jobs_option = click.option(
    "--jobs",
    type=click.IntRange(min=1),
    default=1,
    show_default=True,
    metavar="N",
    expose_value=False,
    help="Taken for scripts that give it to every command; the work is one process whatever N.",
)
idle_quiet_option = click.option(
    "--quiet",
    is_flag=True,
    expose_value=False,
    help="Taken for scripts that give it to every command; what was asked for is printed all the same.",
)
debug_option = click.option(
    "--debug", is_flag=True, expose_value=False, help="Show where in dhverify a fault happened."
)

donors_option = click.option("--donors", "n_donors", type=int, default=4, show_default=True, help="Donors (crosses).")
lines_option = click.option(
    "--lines",
    "lines_per_donor",
    type=int,
    default=40,
    show_default=True,
    help="Lines of each donor at each stage.",
)
markers_option = click.option("--markers", "n_markers", type=int, default=1000, show_default=True, help="Markers.")
stage_option = click.option(
    "--stage",
    type=click.Choice(_STAGES),
    default="haploid",
    show_default=True,
    help="What is sampled; 'both' is haploid and D1.",
)
error_rate_option = click.option(
    "--error-rate", type=float, default=0.005, show_default=True, help="Share of calls that are wrong."
)
missing_option = click.option(
    "--missing", type=float, default=0.02, show_default=True, help="Share of calls that are missing."
)
depth_option = click.option(
    "--depth", type=float, default=None, help="Mean reads at a marker; allele depths are then written."
)
hybrid_share_option = click.option(
    "--hybrid-share", type=float, default=0.1, show_default=True, help="Share of lines that are hybrids."
)
seed_option = click.option("--seed", type=int, default=1, show_default=True, help="Of the random numbers.")
