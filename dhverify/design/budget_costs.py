"""What a unit of each kind costs, in money or hours."""

from __future__ import annotations

import math
from dataclasses import dataclass
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any, Final

from dhverify.errors import Defect, InputError

if TYPE_CHECKING:
    from collections.abc import Mapping

COST_KEYS: Final = ("kernel", "seedling", "plant", "assay")
"""A kernel sorted, a seedling treated, a plant grown in the nursery, a sample genotyped once."""
UNIT_KEY: Final = "unit"


@dataclass(frozen=True, kw_only=True)
class Costs:
    """Costs, all in one unit.

    Attributes
    ----------
    kernel
        Of a kernel sorted.
    seedling
        Of a seedling treated.
    plant
        Of a plant grown in the nursery.
    assay
        Of a sample genotyped once.
    unit
        Its name: a currency, or hours; may be empty.

    Examples
    --------
    >>> Costs.from_mapping({"plant": 0.02, "unit": "hours"}).plant
    0.02

    """

    kernel: float = 0.0
    seedling: float = 0.0
    plant: float = 0.0
    assay: float = 0.0
    unit: str = ""

    @property
    def are_given(self) -> bool:
        """Whether anything costs anything."""
        return any(self.of(key) > 0 for key in COST_KEYS)

    def of(self, key: str) -> float:
        """Return the cost of a unit, by one of ``COST_KEYS``."""
        value: float = getattr(self, key)
        return value

    @classmethod
    def from_mapping(cls, values: Mapping[str, object], *, source: str = "costs") -> Costs:
        """Costs by name; what is not named costs nothing.

        Raises
        ------
        InputError
            Naming every unknown name and every value that is no number of at least 0.

        """
        defects = [found for name, value in values.items() if (found := _defect(name, value))]
        if defects:
            raise InputError(source, defects)
        typed: dict[str, Any] = {n: str(v) if n == UNIT_KEY else float(v) for n, v in values.items()}  # type: ignore[arg-type]
        return cls(**typed)


def _defect(name: str, value: object) -> Defect | None:
    if name == UNIT_KEY:
        return (
            None if isinstance(value, str) else Defect(where=name, found=repr(value), expected='text: unit = "hours"')
        )
    if name not in COST_KEYS:
        names = (*COST_KEYS, UNIT_KEY)
        close = get_close_matches(name, names, n=1)
        expected = f"a name of a cost: did you mean {close[0]}?" if close else "one of " + ", ".join(names)
        return Defect(where=f"cost {name}", found="an unknown name", expected=expected)
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if not is_number or not math.isfinite(value) or value < 0:  # type: ignore[arg-type, operator]
        return Defect(where=f"cost {name}", found=repr(value), expected="a number of at least 0")
    return None
