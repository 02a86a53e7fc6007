"""The simulate command as a plain function: a realistic lot from a few options."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from dhverify.errors import Defect, InputError, OutputError
from dhverify.simulation.programme import SimulatedProgramme, simulate_programme
from dhverify.simulation.settings import SimulationSettings
from dhverify.simulation.writing import FILES, write_programme

OPTION_OF: Final = {
    "n_donors": "--donors",
    "lines_per_donor": "--lines",
    "n_markers": "--markers",
    "stage": "--stage",
    "error_rate": "--error-rate",
    "missing": "--missing",
    "depth": "--depth",
    "hybrid_share": "--hybrid-share",
}
"""Option of the command for the setting that it sets."""

REALISTIC_SHARES: Final = {
    "donor_share": 0.01,
    "selfed_donor_share": 0.02,
    "parent_share": 0.005,
    "outcross_share": 0.02,
    "inducer_share": 0.005,
    "other_donor_share": 0.01,
    "mixture_share": 0.02,
    "segment_share": 0.03,
    "duplicate_share": 0.02,
    "failed_share": 0.01,
}
"""Faults of a lot besides hybrids; invented, none is an estimate of a real programme's."""


def simulate_to_directory(
    directory: Path | str,
    *,
    donors: int = 4,
    lines: int = 40,
    markers: int = 1000,
    stage: str = "haploid",
    error_rate: float = 0.005,
    missing: float = 0.02,
    depth: float | None = None,
    hybrid_share: float = 0.1,
    seed: int = 1,
    force: bool = False,
    with_map: bool = False,
) -> SimulatedProgramme:
    """Invent a realistic lot and write it into a directory.

    Parameters
    ----------
    directory
        New, empty, or (with ``force``) holding nothing but an earlier invented programme.
    donors, lines, markers
        Number of donors, of lines of each donor at each stage, and of markers.
    stage
        ``haploid``, ``D0``, ``D1``, ``both`` (haploid and D1) or ``all``.
    error_rate, missing
        Share of calls that are wrong, and that are missing.
    depth
        Mean reads per sample and marker; None for an array without reads.
    hybrid_share
        Share of the lines that are hybrids (at D1: selfed hybrids).
    seed
        The same seed gives the same bytes.
    force
        Replace an earlier invented programme.
    with_map
        Also write the true genetic map.

    Returns
    -------
    SimulatedProgramme
        What was written.

    Raises
    ------
    InputError
        Naming every option that is out of range.
    OutputError
        If the directory holds something.

    """
    options = {
        "n_donors": donors,
        "lines_per_donor": lines,
        "n_markers": markers,
        "stage": stage,
        "error_rate": error_rate,
        "missing": missing,
        "hybrid_share": hybrid_share,
    }
    settings = realistic_settings(options, depth=depth)
    rng = np.random.default_rng(_checked_seed(seed))
    _check_directory(Path(directory), force=force)
    programme = simulate_programme(settings, rng)
    if force and not with_map:
        (Path(directory) / "map.csv").unlink(missing_ok=True)
    write_programme(programme, directory, with_map=with_map)
    return programme


def realistic_settings(options: dict[str, Any], *, depth: float | None) -> SimulationSettings:
    """Make settings of a lot in which a little of everything goes wrong.

    The faults besides hybrids shrink where hybrids leave less room for them.
    """
    arguments: dict[str, Any] = dict(options)
    if depth is not None:
        arguments |= {"platform": "reads", "depth": depth}
    try:
        checked = SimulationSettings(**arguments)
    except InputError as error:
        raise InputError("simulate", [_as_option(defect) for defect in error.defects]) from None
    shares = dict(REALISTIC_SHARES)
    if checked.n_donors == 1:
        shares["other_donor_share"] = 0.0
    room = min(1.0, (1 - checked.hybrid_share) / sum(shares.values()))
    is_large = checked.n_donors * checked.lines_per_donor >= 24
    faults: dict[str, Any] = {name: share * room for name, share in shares.items()}
    return replace(
        checked,
        **faults,
        all_het_markers=0.005,
        mostly_missing_markers=0.005,
        exchanged_pairs=int(is_large and checked.n_donors > 1),
        replicate_share=0.02,
        leaks=int(is_large),
        dirty_blanks=int(is_large),
    )


def _as_option(defect: Defect) -> Defect:
    name = defect.where.removeprefix("setting ")
    return replace(defect, where=f"option {OPTION_OF[name]}") if name in OPTION_OF else defect


def _checked_seed(seed: int) -> int:
    if isinstance(seed, int) and not isinstance(seed, bool) and seed >= 0:
        return seed
    expected = "a whole number of at least 0"
    raise InputError("simulate", [Defect(where="option --seed", found=repr(seed), expected=expected)])


def _check_directory(directory: Path, *, force: bool) -> None:
    """Refuse a file, and a directory that holds something else or (without force) anything."""
    if not directory.exists():
        return
    if not directory.is_dir():
        raise OutputError("simulate", [_in_the_way(directory, "a file", "a directory that is new or empty")])
    held = sorted(path.name for path in directory.iterdir())
    others = [name for name in held if name not in FILES]
    if others:
        expected = "a directory that is new, empty, or holds nothing but an invented programme"
        raise OutputError("simulate", [_in_the_way(directory, f"{others[0]} there", expected)])
    if held and not force:
        raise OutputError("simulate", [_in_the_way(directory, f"{held[0]} there", "an empty directory, or --force")])


def _in_the_way(directory: Path, found: str, expected: str) -> Defect:
    return Defect(where=f"directory {directory.name}", found=found, expected=expected)
