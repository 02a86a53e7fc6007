"""The machine-readable summary of a check, ``summary.json``, and its schema."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final

from dhverify.cautions import DOUBLING_CAUTION
from dhverify.report.counting import duplicate_groups, finding_counts, flag_counts, verdict_counts
from dhverify.report.summary_text import json_text, plain, shipped_schema
from dhverify.version import __version__

if TYPE_CHECKING:
    from dhverify.outcome import CheckOutcome

EXPECTED_DECIMALS: Final = 6
SCHEMA_VERSION: Final = 1
"""Raised when a name in ``summary.json`` is renamed or dropped; additions do not raise it."""

KIND: Final = "dhverify check"
"""Stands in ``summary.json`` and makes a results folder recognisable."""

_ABOUT_DOUBLING: Final = frozenset({"survival", "doubling_success"})


def summary(outcome: CheckOutcome) -> dict[str, Any]:
    """Return the content of ``summary.json``, as plain values in a fixed order.

    Parameters
    ----------
    outcome
        What a check found.

    Returns
    -------
    dict
        As the shipped schema says (``summary_schema``).

    """
    return {
        "schema_version": SCHEMA_VERSION,
        "kind": KIND,
        "version": __version__,
        "counts": _counts(outcome),
        "expected_wrong_passes": _expected(outcome.expected_wrong_passes),
        "expected_wrong_fails": _expected(outcome.expected_wrong_fails),
        "smallest_visible_segment_cm": _smallest_visible_segments(outcome),
        "limits": {name: plain(value) for name, value in outcome.limits.items()},
        "error_rates": {name: plain(value) for name, value in asdict(outcome.rates).items()},
        "priors": {name: {key: plain(value) for key, value in shares} for name, shares in outcome.priors},
        "map": outcome.map_description,
        "evidence_used": outcome.evidence_used,
        "by": list(outcome.strata),
        "inputs": [{"name": name, "sha256": checksum} for name, checksum in outcome.inputs],
        "warnings": list(outcome.warnings),
        "notes": list(outcome.notes),
        "stories": list(outcome.stories),
        "group_advice": list(outcome.group_advice),
        "caution": doubling_caution(outcome),
    }


def summary_text(outcome: CheckOutcome) -> str:
    """Return ``summary.json`` as text, UTF-8 characters kept, LF at the end."""
    return json_text(summary(outcome))


def summary_schema() -> dict[str, Any]:
    """Return the JSON Schema of ``summary.json``, as it ships with the package.

    Examples
    --------
    >>> summary_schema()["properties"]["schema_version"]
    {'const': 1}

    """
    return shipped_schema("summary.schema.json")


def doubling_caution(outcome: CheckOutcome) -> str:
    """Return what has to be said where the account holds a measure of treated plants; empty where it holds none."""
    return DOUBLING_CAUTION if any(row.measure in _ABOUT_DOUBLING for row in outcome.account) else ""


def _smallest_visible_segments(outcome: CheckOutcome) -> list[dict[str, Any]]:
    """Return the shortest inducer segment that each family's markers show, in the order of ``donors.csv``."""
    return [
        {
            "donor": row.donor,
            "inducer": row.inducer,
            "stage": row.stage,
            "cm": plain(row.smallest_visible_segment_cm),
        }
        for row in outcome.donors
    ]


def _expected(count: float) -> Any:
    """Return an expected count without digits that no model can vouch for."""
    return plain(round(count, EXPECTED_DECIMALS))


def _counts(outcome: CheckOutcome) -> dict[str, Any]:
    verdicts = verdict_counts(outcome)
    return {
        "lines": verdicts.lines,
        "pass": verdicts.passed,
        "fail": verdicts.failed,
        "retest": verdicts.retest,
        "samples": verdicts.samples,
        "findings": {str(name): count for name, count in finding_counts(outcome.lines).items()},
        "flags": {str(name): count for name, count in flag_counts(outcome.lines).items()},
        "donors": len({row.donor for row in outcome.donors}),
        "markers": len(outcome.markers),
        "usable_markers": sum(row.usable for row in outcome.markers),
        "references": len(outcome.references),
        "segments": len(outcome.segments),
        "duplicate_groups": len(duplicate_groups(outcome)),
        "plates": len(outcome.plates),
        "blanks": sum(row.blanks for row in outcome.plates),
        "dirty_blanks": sum(row.dirty_blanks for row in outcome.plates),
        "wrong_controls": sum(row.wrong_controls for row in outcome.plates),
    }
