"""What ``dhverify check`` does: read, check, write, tell."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from dhverify.api import check, read_counts, read_genotypes, read_limits, read_map, read_samples
from dhverify.cli.messages import closing_lines, fitted, screen_width, warning_lines
from dhverify.cli.progress import progress_bars
from dhverify.report.folder import RESULTS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path


def run(
    genotypes: Sequence[Path],
    *,
    samples: Path,
    out: Path,
    limits_file: Path | None,
    map_file: Path | None,
    counts_file: Path | None,
    by: Sequence[str],
    layout: str,
    coding: str,
    strict: bool,
    xlsx: bool,
    jobs: int,
    force: bool,
    quiet: bool,
) -> int:
    """Run a check with the options of the command line; return the exit status."""
    RESULTS.check_target(out, force=force)
    limits = read_limits(limits_file) if limits_file else None
    sheet = read_samples(samples)
    counts = read_counts(counts_file) if counts_file else None
    genetic_map = read_map(map_file) if map_file else None
    calls = read_genotypes(list(genotypes), layout=layout, coding=coding, sheet=sheet)
    with progress_bars(is_wanted=not quiet) as progress:
        result = check(
            calls,
            sheet,
            limits=limits,
            genetic_map=genetic_map,
            counts=counts,
            by=by,
            jobs=jobs,
            progress=progress,
        )
    result.write(out, force=force, xlsx=xlsx)
    if not quiet:
        for line in warning_lines(result.outcome):
            click.echo(line, err=True)
        for line in fitted(closing_lines(result.outcome, out), screen_width()):
            click.echo(line)
    counts_of = result.counts
    return int(strict and counts_of.passed < counts_of.lines)
