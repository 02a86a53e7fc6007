"""Columns of a sample sheet that stand under each other's names."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from dhverify.errors import Defect
from dhverify.formats.defects import a_few
from dhverify.formats.sheet_values import SHEET_COLUMNS, parse_well
from dhverify.samples import Role, Stage, Tissue

if TYPE_CHECKING:
    from collections.abc import Callable

    from dhverify.formats.record_table import RecordTable

LEAST_REPEATS: Final = 4
"""Rows that a sheet needs for a repeated name to be taken for that of a plate or a family (common practice)."""


def _is_one_of(choices: type[Role | Stage | Tissue]) -> Callable[[str], bool]:
    names = {choice.lower() for choice in choices}
    return lambda text: text.lower() in names


_FITS: Final[dict[str, Callable[[str], bool]]] = {
    "role": _is_one_of(Role),
    "stage": _is_one_of(Stage),
    "tissue": _is_one_of(Tissue),
    "well": lambda text: parse_well(text) is not None,
}


def exchanged_columns(table: RecordTable) -> list[Defect]:
    """Return what stands under a wrong name: one defect instead of one for each row.

    A column whose values cannot be what its name says is compared with the others: where all values of another
    one can be, the two are exchanged. A column ``sample`` that repeats itself holds plates or families.
    """
    filled = {key: [text for record in table.records if (text := record[key])] for key in table.keys}
    pairs = {
        tuple(sorted((column, other))): _exchanged(column, other, filled)
        for column, fits in _FITS.items()
        if filled.get(column) and not any(map(fits, filled[column]))
        if (other := _holder(column, filled, fits))
    }
    return list(pairs.values()) or _no_names(filled)


def _holder(column: str, filled: dict[str, list[str]], fits: Callable[[str], bool]) -> str:
    """Return the column that holds what another one should hold; empty if none does.

    Wells are looked for under ``plate`` only, as many a sample is named like one (``P1``).
    """
    candidates = ["plate"] if column == "well" else [key for key in filled if key != column]
    others = (key for key in candidates if filled.get(key) and all(map(fits, filled[key])))
    return next((key for key in others if key not in _FITS or not any(map(_FITS[key], filled[key]))), "")


def _exchanged(column: str, other: str, filled: dict[str, list[str]]) -> Defect:
    shown = [a_few(dict.fromkeys(filled[name]), most=2) for name in (column, other)]
    return Defect(
        where=f"columns {column} and {other}",
        found=f"{shown[0]} under {column} and {shown[1]} under {other}",
        expected="each under its own name: the two seem to be exchanged",
    )


def _no_names(filled: dict[str, list[str]]) -> list[Defect]:
    """Return a defect where a few texts fill the column of names."""
    names = filled.get("sample", [])
    different = list(dict.fromkeys(names))
    if len(names) < LEAST_REPEATS or len(different) > len(names) / 2:
        return []
    other = next((key for key, texts in filled.items() if len(set(texts)) == len(texts) == len(names)), "")
    hint = f"; column {other} holds such" if other and other not in SHEET_COLUMNS[1:] else ""
    return [
        Defect(
            where="column sample",
            found=f"{a_few(different, most=3)} again and again over {len(names)} rows",
            expected=f"a name of its own for each sample, as in the genotype files{hint}",
        )
    ]
