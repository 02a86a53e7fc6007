"""The calls behind the commands: read, check, simulate, choose markers, plan a budget."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from dhverify.formats import read_counts, read_genotypes, read_limits, read_map, read_samples
from dhverify.report.budget_result import BudgetResult
from dhverify.report.marker_set_result import MarkerSetResult
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
    "BudgetResult",
    "CheckResult",
    "MarkerSetResult",
    "check",
    "choose_markers",
    "plan_budget",
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
        Threads that work on families at the same time; the results are the same.
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


def choose_markers(
    genotypes: Genotypes,
    samples: SampleSheet,
    *,
    genetic_map: GeneticMap | None = None,
    results: str | PathLike[str] | None = None,
    progress: Progress | None = None,
    goal: str | None = None,
    miss: float | None = None,
    false_fail: float | None = None,
    segment_cm: float | None = None,
    segment_power: float | None = None,
    identity: bool | None = None,
    size: int | None = None,
    spare: int | None = None,
    error_rate: float | None = None,
    dropout: float | None = None,
    require: tuple[str, ...] = (),
    avoid: tuple[str, ...] = (),
    min_diagnostic_markers: int | None = None,
) -> MarkerSetResult:
    """Choose the fewest markers that can verify the crosses of a sheet.

    Parameters
    ----------
    genotypes
        Typed parents and inducers at the candidate markers.
    samples
        Donors with pedigrees, and inducers; no lines are needed.
    genetic_map
        As for ``check``.
    results
        The results folder of an earlier check: its error rates are used, its bad markers avoided, and further
        markers are chosen that would settle its undecided lines.
    progress
        Called with what is being done, how much is done, and of how much.
    goal
        ``haploid`` (tell hybrids), ``D1`` (tell selfed hybrids and selfed donors), or ``both``, as if None.
    miss, false_fail
        Highest probability that a wrong line passes, and that a good one fails; 0.001 if None.
    segment_cm, segment_power
        Length of inducer segments to be seen, and the share of places where they must be; not asked if None.
    identity
        Whether sister lines must be told apart, too.
    size
        At most so many markers; as many as it takes if None.
    spare
        Assays that may fail while the goal still holds; 0 if None.
    error_rate, dropout
        Calls that are wrong; heterozygotes that lose an allele. Those of the earlier check, or shipped, if None.
    require, avoid
        Names of markers that must, or must not, be chosen.
    min_diagnostic_markers
        Diagnostic markers that each cross must have as far as there are candidates; the limit of the earlier check,
        or the shipped one, if None; 0 asks for none.

    Returns
    -------
    MarkerSetResult
        ``chosen`` and ``crosses`` as pandas frames, ``summary``, and ``write``.

    Raises
    ------
    InputError
        If a setting is wrong, no parent is typed, a marker is unknown, or the folder holds no check.

    """
    from dhverify.design.marker_set import choose_marker_set
    from dhverify.design.marker_set_request import MarkerSetRequest
    from dhverify.report.marker_results import read_marker_results, request_settings

    settings = {
        "goal": goal,
        "miss": miss,
        "false_fail": false_fail,
        "segment_cm": segment_cm,
        "segment_power": segment_power,
        "identity": identity,
        "size": size,
        "spare": spare,
        "error_rate": error_rate,
        "dropout": dropout,
        "require": require,
        "avoid": avoid,
        "min_diagnostic_markers": min_diagnostic_markers,
    }
    earlier = None if results is None else read_marker_results(results)
    outcome = choose_marker_set(
        genotypes,
        samples,
        MarkerSetRequest(**request_settings(settings, earlier)),
        genetic_map=genetic_map,
        known_bad=() if earlier is None else earlier.bad_markers,
        retests=None if earlier is None else earlier.retests,
        rates_source="as given, or as shipped" if earlier is None else "of the earlier check, unless given",
        progress=progress,
    )
    return MarkerSetResult(outcome)


def plan_budget(
    lines: int,
    *,
    sure: float = 0.9,
    results: str | PathLike[str] | None = None,
    costs: str | PathLike[str] | Mapping[str, object] | None = None,
    induction_rate: float | None = None,
    false_haploid_rate: float | None = None,
    missed_haploid_rate: float | None = None,
    survival: float | None = None,
    doubling: float | None = None,
    hybrid_survival: float | None = None,
    rogued: float | None = None,
) -> BudgetResult:
    """Work out what a season needs for a number of true lines, and where to genotype.

    Parameters
    ----------
    lines
        True lines wanted.
    sure
        Probability of reaching them.
    results
        The results folder of a check that had counts: its rates are used, with their uncertainty.
    costs
        TOML file, or mapping, with ``kernel``, ``seedling``, ``plant``, ``assay`` and ``unit``.
    induction_rate, false_haploid_rate, missed_haploid_rate
        Share of kernels with a haploid embryo; of hybrid kernels sorted as haploid; of haploid ones sorted as hybrid.
        Each rate replaces what was observed; None is not given.
    survival, doubling
        Share of treated seedlings that survive; of surviving haploids that give D1 seed.
    hybrid_survival, rogued
        Share of treated hybrids that survive, as ``survival`` if None; of hybrids removed by eye, 0 if None.

    Returns
    -------
    BudgetResult
        ``budget``, ``plans``, ``sensitivity``, ``flips``, ``rates`` and ``needs`` as pandas frames, ``summary``,
        ``plot_sensitivity`` and ``write``.

    Raises
    ------
    InputError
        If a number is out of range, a rate is lacking, a cost is unknown, or no line is possible.

    Examples
    --------
    >>> season = plan_budget(
    ...     50, induction_rate=0.1, false_haploid_rate=0.02, missed_haploid_rate=0.05, survival=0.8, doubling=0.2
    ... )
    >>> season.kernels
    3893

    """
    from dhverify.design.budget import plan_programme
    from dhverify.design.budget_costs import Costs
    from dhverify.design.budget_request import BudgetRequest
    from dhverify.formats.costs_file import read_cost_values
    from dhverify.report.budget_results import read_observed_programme

    request = BudgetRequest(
        lines=lines,
        sure=sure,
        induction_rate=induction_rate,
        false_haploid_rate=false_haploid_rate,
        missed_haploid_rate=missed_haploid_rate,
        survival=survival,
        doubling=doubling,
        hybrid_survival=hybrid_survival,
        rogued=rogued,
    )
    if isinstance(costs, Mapping):
        prices = Costs.from_mapping(costs)
    else:
        prices = Costs() if costs is None else Costs.from_mapping(read_cost_values(costs), source=str(costs))
    observed = None if results is None else read_observed_programme(results)
    return BudgetResult(plan_programme(request, costs=prices, observed=observed))


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
