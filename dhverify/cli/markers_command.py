"""The command ``markers``: read, choose, write, tell."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from dhverify.cli import marker_options, options

if TYPE_CHECKING:
    from pathlib import Path

    from dhverify.design.marker_set_outcome import MarkerSetOutcome


@click.command()
@options.genotypes_argument
@options.samples_option
@marker_options.marker_set_out_option
@options.map_option
@marker_options.goal_option
@marker_options.miss_option
@marker_options.false_fail_option
@marker_options.segment_cm_option
@marker_options.segment_power_option
@marker_options.identity_option
@marker_options.size_option
@marker_options.spare_option
@marker_options.require_option
@marker_options.avoid_option
@marker_options.assay_error_option
@marker_options.dropout_option
@marker_options.from_option
@options.layout_option
@options.coding_option
@options.idle_jobs_option
@options.force_option
@options.quiet_option
@options.debug_option
def markers(genotypes: tuple[Path, ...], **chosen: Any) -> int:
    """Choose the fewest markers that can verify the crosses of a sheet.

    GENOTYPES hold parents and inducers, typed at the candidate markers; no lines are needed.

    \b
    Example:
      dhverify markers parents.vcf.gz --samples samples.csv --out panel --spare 1
    """
    return run(genotypes, **chosen)


def run(
    genotypes: tuple[Path, ...],
    *,
    samples: Path,
    out: Path,
    map_file: Path | None,
    require: Path | None,
    avoid: Path | None,
    layout: str,
    coding: str,
    force: bool,
    quiet: bool,
    **settings: Any,
) -> int:
    """Choose markers with the options of the command line; return the exit status."""
    from dhverify.api import choose_markers, read_genotypes, read_map, read_samples
    from dhverify.cli.progress import progress_bars
    from dhverify.formats.marker_names import read_marker_names
    from dhverify.report.marker_set_folder import MARKER_SET

    MARKER_SET.check_target(out, force=force)
    sheet = read_samples(samples)
    genetic_map = read_map(map_file) if map_file else None
    calls = read_genotypes(list(genotypes), layout=layout, coding=coding, sheet=sheet)
    with progress_bars(is_wanted=not quiet) as progress:
        result = choose_markers(
            calls,
            sheet,
            genetic_map=genetic_map,
            progress=progress,
            require=read_marker_names(require) if require else (),
            avoid=read_marker_names(avoid) if avoid else (),
            **settings,
        )
    result.write(out, force=force)
    if not quiet:
        tell(result.outcome, out)
    return 0


def tell(outcome: MarkerSetOutcome, folder: Path) -> None:
    """Print the answer, what cannot be had, and where the report is; warnings on the error stream."""
    from dhverify.cli.messages import printable
    from dhverify.report.page.marker_set import closing_lines

    said = list(closing_lines(outcome))
    for warning in outcome.warnings:
        if warning not in said:
            click.echo(f"warning: {printable(warning)}", err=True)
    for line in (*said, f"Report: {folder / 'report.html'}"):
        click.echo(printable(line))
