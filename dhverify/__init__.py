"""Tells a doubled-haploid breeding programme which of its plants and lines are what their labels say.

>>> import dhverify
>>> sorted(name for name in dir(dhverify) if name.startswith("read_"))
['read_counts', 'read_genotypes', 'read_limits', 'read_map', 'read_samples']
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from dhverify.version import __version__

if TYPE_CHECKING:
    from dhverify.api import (
        BudgetResult,
        CheckResult,
        MarkerSetResult,
        check,
        choose_markers,
        plan_budget,
        read_counts,
        read_genotypes,
        read_limits,
        read_map,
        read_samples,
        simulate,
    )
    from dhverify.errors import DhverifyError, InputError
    from dhverify.limits import Limits

__all__ = [
    "BudgetResult",
    "CheckResult",
    "DhverifyError",
    "InputError",
    "Limits",
    "MarkerSetResult",
    "__version__",
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

_HOMES = {
    **dict.fromkeys(__all__, "dhverify.api"),
    "DhverifyError": "dhverify.errors",
    "InputError": "dhverify.errors",
    "Limits": "dhverify.limits",
}


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)
