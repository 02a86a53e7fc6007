"""The command ``dhverify``: its group, and what each exit status means.

0 ran; 1 ran, and with ``--strict`` a line is not ``pass``; 2 the command line or an input is wrong; 3 a
fault of dhverify itself.
"""

from __future__ import annotations

import sys
import traceback
import warnings
from typing import TYPE_CHECKING, Any, Final

import click

from dhverify.cli import options
from dhverify.cli.budget_command import budget
from dhverify.cli.markers_command import markers
from dhverify.cli.usage import usage_message
from dhverify.errors import DhverifyError
from dhverify.version import __version__

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

EXIT_OK: Final = 0
EXIT_NOT_ALL_PASS: Final = 1
EXIT_WRONG_INPUT: Final = 2
EXIT_FAULT: Final = 3
EXIT_STOPPED: Final = 130


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="dhverify")
def cli() -> None:
    """Tell which plants and lines of a doubled-haploid programme are what their labels say.

    \b
    A first run from a genotype file alone:
      dhverify sheet calls.vcf.gz samples.csv
      (look over samples.csv, correct what was guessed)
      dhverify check calls.vcf.gz --samples samples.csv --out results

    Exit status: 0 ran; 1 ran, and with --strict a line is not 'pass'; 2 the command line or an input is
    wrong; 3 a fault of dhverify itself.
    """


@cli.command()
@options.genotypes_argument
@options.samples_option
@options.out_option
@options.limits_option
@options.map_option
@options.counts_option
@options.by_option
@options.layout_option
@options.coding_option
@options.strict_option
@options.xlsx_option
@options.jobs_option
@options.force_option
@options.quiet_option
@options.debug_option
def check(genotypes: tuple[Path, ...], **chosen: Any) -> int:
    """Verify every line of a sample sheet and write the results folder.

    GENOTYPES are VCF, VCF.gz, BCF, CSV or TSV files; several are joined.

    \b
    Example:
      dhverify check plate1.vcf.gz plate2.vcf.gz --samples samples.csv --out results
    """
    from dhverify.cli.checking_run import run

    return run(genotypes, **chosen)


@cli.command()
@options.genotypes_argument
@options.sheet_file_argument
@options.layout_option
@options.idle_jobs_option
@options.force_option
@options.quiet_option
@options.debug_option
def sheet(genotypes: tuple[Path, ...], file: Path, *, layout: str, force: bool, quiet: bool) -> int:
    """Write a sample sheet to fill in, from the sample names of GENOTYPES.

    Roles, stages, donors and wells are guessed from the names and marked as guesses: look over each.

    \b
    Example:
      dhverify sheet calls.vcf.gz samples.csv
    """
    from dhverify.cli.messages import sheet_message
    from dhverify.formats import sheet_from_genotypes

    rows = sheet_from_genotypes(genotypes, file, layout=layout, force=force)
    if not quiet:
        click.echo(sheet_message(rows, file, genotypes))
    return EXIT_OK


@cli.command()
@options.limits_option
@options.idle_jobs_option
@options.idle_quiet_option
@options.debug_option
def limits(limits_file: Path | None) -> int:
    """Print every limit as TOML: value, unit, range, reason and source.

    \b
    Example:
      dhverify limits > limits.toml
    """
    from dhverify.formats import limits_text, read_limits

    click.echo(limits_text(read_limits(limits_file) if limits_file else None), nl=False)
    return EXIT_OK


@cli.command()
@options.directory_argument
@options.donors_option
@options.lines_option
@options.markers_option
@options.stage_option
@options.error_rate_option
@options.missing_option
@options.depth_option
@options.hybrid_share_option
@options.seed_option
@options.idle_jobs_option
@options.force_option
@options.quiet_option
@options.debug_option
def simulate(directory: Path, *, quiet: bool, **settings: Any) -> int:
    """Invent a programme with known truth, in the files that 'check' reads.

    \b
    Example:
      dhverify simulate demo --donors 2 --lines 30 --seed 7
    """
    from dhverify.api import simulate as simulate_files
    from dhverify.cli.messages import simulation_message

    simulate_files(directory, **settings)
    if not quiet:
        click.echo(simulation_message(directory))
    return EXIT_OK


cli.add_command(markers)
cli.add_command(budget)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command and return its exit status; nothing that a user can do ends in a traceback."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    with warnings.catch_warnings():
        if "--debug" not in given:
            warnings.simplefilter("ignore")
        return _run(given)


def _run(given: list[str]) -> int:
    try:
        status = cli.main(args=given, prog_name="dhverify", standalone_mode=False)
    except click.exceptions.NoArgsIsHelpError as error:
        error.show()
        return EXIT_WRONG_INPUT
    except click.UsageError as error:
        return _wrong(usage_message(error))
    except (click.Abort, KeyboardInterrupt):
        click.echo("Stopped; nothing was written.", err=True)
        return EXIT_STOPPED
    except DhverifyError as error:
        return _wrong(str(error))
    except BrokenPipeError:
        sys.stdout = None
        return EXIT_OK
    except OSError as error:
        if error.filename is None:
            return _fault(error, given)
        return _wrong(f"{error.filename}: {error.strerror}")
    except Exception as error:  # noqa: BLE001
        return _fault(error, given)
    return status if isinstance(status, int) else EXIT_OK


def _wrong(message: str) -> int:
    from dhverify.cli.messages import printable

    click.echo(f"dhverify: {printable(message)}", err=True)
    return EXIT_WRONG_INPUT


def _fault(error: BaseException, given: Sequence[str]) -> int:
    from dhverify.cli.messages import printable

    if "--debug" in given:
        traceback.print_exception(error)
    what = printable(f"{type(error).__name__}: {error}")
    more = "" if "--debug" in given else " Run the command again with --debug added and send what it shows."
    click.echo(
        f"dhverify {__version__} has a fault; this is not your doing, and nothing was written.\n{what}\n"
        f"Please report it with the command that you ran.{more}",
        err=True,
    )
    return EXIT_FAULT
