"""What the samples of a lot tell of donors and inducers at single markers: sums over gametes, a story assumed."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from dhverify.genotypes import MISSING
from dhverify.samples import Role, Sample

Frequencies: TypeAlias = NDArray[np.float64]

FEWEST_LINES: Final = 2
"""Lines that tell the profile of a donor without typed parents: one would be compared with itself alone."""


@dataclass(frozen=True, kw_only=True, eq=False)
class GameteSums:
    """Sums over the gametes of a donor: second alleles and calls at each marker.

    Attributes
    ----------
    second, n
        float64, shape (n_markers,).
    n_lines
        How many gametes.

    """

    second: Frequencies
    n: Frequencies
    n_lines: int


def allele_dose(calls: NDArray[np.int8]) -> tuple[Frequencies, Frequencies]:
    """Second alleles (0 to 1) and whether called."""
    called = (calls != MISSING).astype(np.float64)
    return np.where(calls > 0, calls / 2, 0.0), called


def _other_gamete(calls: NDArray[np.int8], donor: Frequencies) -> tuple[Frequencies, Frequencies]:
    """What the other gamete of a hybrid shows where the donor's own alleles are alike."""
    told = np.where(calls == MISSING, 0.0, np.maximum(np.abs(2 * donor - 1) - 0.6, 0.0) / 0.4)
    return told * np.clip(np.maximum(calls, 0) - donor, 0.0, 1.0), told


def rows_of(holds: Mapping[int, Sample], names: Collection[str] | None = None) -> dict[str, list[int]]:
    """Rows that hold each of some samples, or of all."""
    rows: dict[str, list[int]] = {}
    for row in sorted(holds):
        if names is None or holds[row].name in names:
            rows.setdefault(holds[row].name, []).append(row)
    return rows


def line_sums(
    calls: NDArray[np.int8],
    is_gamete: NDArray[np.bool_],
    holds: Mapping[int, Sample],
    donors: Collection[str] | None = None,
) -> dict[str, GameteSums]:
    """Sums over the gametes of each of some donors, or of all."""
    rows: dict[str, list[int]] = {donor: [] for donor in donors or ()}
    for row, held in holds.items():
        if held.role is Role.LINE and is_gamete[row] and (donors is None or held.donor in donors):
            rows.setdefault(held.donor, []).append(row)
    doses = {donor: allele_dose(calls[own]) for donor, own in rows.items()}
    return {
        donor: GameteSums(second=second.sum(axis=0), n=called.sum(axis=0), n_lines=len(called))
        for donor, (second, called) in doses.items()
    }


def hybrid_sums(
    calls: NDArray[np.int8],
    is_gamete: NDArray[np.bool_],
    holds: Mapping[int, Sample],
    lines: Mapping[str, GameteSums],
    donors: Collection[str] | None = None,
) -> dict[tuple[str, str], tuple[Frequencies, Frequencies]]:
    """What the hybrids of each of some donors, or of all, say of each inducer."""
    found: dict[tuple[str, str], tuple[Frequencies, Frequencies]] = {}
    for row, held in holds.items():
        is_wanted = held.donor and (donors is None or held.donor in donors)
        if is_gamete[row] or not is_wanted or held.role not in {Role.LINE, Role.CONTROL}:
            continue
        mine = hybrid_dose(calls[row], lines.get(held.donor))
        if mine is not None:
            key = (held.inducer, held.donor)
            so_far = found.get(key)
            found[key] = mine if so_far is None else (so_far[0] + mine[0], so_far[1] + mine[1])
    return found


def hybrid_dose(calls: NDArray[np.int8], sums: GameteSums | None) -> tuple[Frequencies, Frequencies] | None:
    """What a hybrid says of its inducer; None where too few lines tell of its donor."""
    if sums is None or sums.n_lines < FEWEST_LINES:
        return None
    return _other_gamete(calls, (sums.second + 0.25) / (sums.n + 0.5))
