"""The calls behind the commands: read, check, simulate."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from dhverify.formats import read_counts, read_genotypes, read_limits, read_map, read_samples
from dhverify.report.result import CheckResult

if TYPE_CHECKING:
    from os import PathLike

    from dhverify.counts import Counts
    from dhverify.genetic_map import GeneticMap
    from dhverify.genotypes import Genotypes
    from dhverify.limits import Limits
    from dhverify.samples import SampleSheet
    from dhverify.simulation import SimulatedProgramme

Progress = Callable[[str, int, int], None]
"""Told what is being done, how much is done, and of how much."""

SIMULATED_FILES: Final = frozenset(
    {"genotypes.vcf.gz", "samples.csv", "counts.csv", "truth.csv", "truth_others.csv", "map.csv"}
)
"""What a simulation may write: a folder with any other file is never replaced."""

__all__ = [
    "CheckResult",
    "check",
    "read_counts",
    "read_genotypes",
    "read_limits",
    "read_map",
    "read_samples",
    "simulate",
]


def check(
    genotypes: Genotypes,
    samples: SampleSheet,
    *,
    limits: Limits | None = None,
    genetic_map: GeneticMap | None = None,
    counts: Counts | None = None,
    by: Iterable[str] = (),
    jobs: int = 1,
    progress: Progress | None = None,
) -> CheckResult:
    """Verify every line of a sample sheet.

    Parameters
    ----------
    genotypes
        From ``read_genotypes``.
    samples
        From ``read_samples``.
    limits
        What decides; as shipped if None.
    genetic_map
        From ``read_map``; without one the genotype files, the built-in maize map or 1 cM/Mb serve.
    counts
        Programme counts from ``read_counts``, for the rates of the programme.
    by
        Sheet columns that the account is repeated for.
    jobs
        Processes to use.
    progress
        Called with what is being done, how much is done, and of how much.

    Returns
    -------
    CheckResult
        Tables as pandas frames, pictures, and ``write``.

    Raises
    ------
    InputError
        If the sheet and the genotypes do not fit together, or ``by`` names no column.

    """
    from dhverify.checking import run_check

    outcome = run_check(
        genotypes,
        samples,
        limits=limits,
        genetic_map=genetic_map,
        counts=counts,
        by=tuple(by),
        jobs=jobs,
        progress=progress,
    )
    return CheckResult(outcome)


def simulate(
    directory: str | PathLike[str] | None = None,
    *,
    seed: int = 1,
    force: bool = False,
    depth: float | None = None,
    **settings: Any,
) -> SimulatedProgramme:
    """Invent a programme with known truth, and write it in the files that ``check`` reads.

    Parameters
    ----------
    directory
        Where ``genotypes.vcf.gz``, ``samples.csv``, ``counts.csv`` and ``truth.csv`` go; nothing is written
        if None.
    seed
        Of the random numbers; the same seed and settings give the same files.
    force
        Replace an earlier simulation that stands in the directory.
    depth
        Mean number of reads at a marker; calls then come from reads, and allele depths are written.
    **settings
        Fields of :class:`dhverify.simulation.SimulationSettings`.

    Returns
    -------
    SimulatedProgramme
        What was invented, with its truth.

    Raises
    ------
    InputError
        If a setting is wrong.
    OutputError
        If the directory is in use, or cannot be written.
    TypeError
        If there is no setting of that name.

    Examples
    --------
    >>> programme = simulate(n_donors=1, lines_per_donor=5, n_markers=100)
    >>> programme.calls.shape[1]
    100

    """
    import numpy as np

    from dhverify.report.whole_folder import check_target, write_whole
    from dhverify.simulation import SimulationSettings, simulate_programme, write_programme

    if depth is not None:
        settings = {"platform": "reads", **settings, "depth": depth}
    chosen = SimulationSettings(**settings)
    if directory is None:
        return simulate_programme(chosen, np.random.default_rng(seed))
    target = check_target(
        Path(directory),
        force=force,
        is_replaceable=_is_simulated,
        content="the files of an earlier simulation",
    )
    programme = simulate_programme(chosen, np.random.default_rng(seed))
    write_whole(target, lambda folder: write_programme(programme, folder))
    return programme


def _is_simulated(folder: Path) -> bool:
    names = {file.name for file in folder.iterdir()}
    return "truth.csv" in names and names <= SIMULATED_FILES
