"""The small example that stands beside the package: an invented lot that shows every common case once.

``python -m dhverify.simulation.example DIR`` writes it, with the same bytes for the same numpy and zlib.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Final

import numpy as np

from dhverify.errors import InputError
from dhverify.simulation.example_story import story
from dhverify.simulation.programme import SimulatedProgramme, simulate_programme
from dhverify.simulation.settings import SimulationSettings
from dhverify.simulation.writing import programme_files

EXAMPLE_SEED: Final = 249
_ONE: Final = 1 / 75

EXAMPLE_SETTINGS: Final = SimulationSettings(
    stage="both",
    n_donors=3,
    lines_per_donor=25,
    n_markers=900,
    hybrid_share=6 * _ONE,
    donor_share=_ONE,
    selfed_donor_share=_ONE,
    outcross_share=_ONE,
    other_donor_share=_ONE,
    mixture_share=_ONE,
    segment_share=2 * _ONE,
    duplicate_share=_ONE,
    failed_share=_ONE,
    nursery_pollen_share=0.0,
    mixture_low=0.3,
    mixture_high=0.45,
    segment_low_bp=70e6,
    segment_high_bp=110e6,
    exchanged_sisters=1,
    exchanged_pairs=1,
    replicate_share=0.02,
    wrong_replicates=1,
    known_lines=2,
    dirty_blanks=1,
    leaks=1,
    leak_low=0.3,
    leak_high=0.45,
    all_het_markers=2 / 900,
    mostly_missing_markers=2 / 900,
)
"""Three donors, 75 seedlings, 75 lines, 900 markers of an array, two plates."""


def example_programme() -> SimulatedProgramme:
    """Invent the example."""
    return simulate_programme(EXAMPLE_SETTINGS, np.random.default_rng(EXAMPLE_SEED))


def example_files() -> dict[str, bytes]:
    """Return file name and content of the example, its story included."""
    programme = example_programme()
    return programme_files(programme) | {"README.md": story(programme).encode("utf-8")}


def write_example(directory: Path | str) -> None:
    """Write the example; files of the same names are replaced."""
    folder = Path(directory)
    files = example_files()
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in files.items():
        (folder / name).write_bytes(content)


def main(arguments: list[str] | None = None) -> int:
    """Write the example into the directory that is named."""
    arguments = sys.argv[1:] if arguments is None else arguments
    if len(arguments) != 1:
        sys.stderr.write("usage: python -m dhverify.simulation.example DIR\n")
        return 2
    try:
        write_example(arguments[0])
    except (InputError, OSError) as error:
        sys.stderr.write(f"{error}\n")
        return 2
    return 0


if __name__ == "__main__":  # pragma: no cover
    raise SystemExit(main())
