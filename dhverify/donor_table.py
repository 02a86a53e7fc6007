"""Rows of the donor table: how many lines of each family and stage passed, and the shares that are wrong."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dhverify.account import share_interval
from dhverify.counted_lines import CountedLine, counted_lines
from dhverify.outcome import DonorRow, Finding, Verdict
from dhverify.samples import Family, SampleSheet, Stage

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from dhverify.evidence import LineEvidence


@dataclass(frozen=True, kw_only=True)
class FamilyPanel:
    """What a marker panel can see in one family; None where it is not known."""

    diagnostic_markers: int | None = None
    segregating_markers: int | None = None
    smallest_visible_segment_cm: float | None = None
    basis: str = ""


def donor_rows(
    evidence: Mapping[str, LineEvidence],
    sheet: SampleSheet,
    verdicts: Mapping[str, Verdict],
    *,
    panels: Mapping[Family, FamilyPanel],
    advice: Mapping[str, str],
) -> tuple[DonorRow, ...]:
    """Count the lines of each donor x inducer x stage; replicates of a line count once.

    A line passes when a replicate of it passes and none fails, fails when one fails and none passes, and is to be
    tested again otherwise. The shares are of lines with a finding other than ``mixture`` and ``unresolved``.

    Parameters
    ----------
    evidence
        By sample name.
    sheet
        The sample sheet.
    verdicts
        By sample name; a line without one counts as ``retest``.
    panels
        What the markers can see, by family.
    advice
        What to do next, by donor.

    Returns
    -------
    tuple of DonorRow
        In the order of the sheet, the stages of a family in the order of the programme.

    """
    lines = _by_family_and_stage(counted_lines(sheet, evidence))
    return tuple(
        _donor_row(family, stage, own, verdicts, panels.get(family, FamilyPanel()), advice.get(family.donor, ""))
        for family in sheet.families
        for stage in Stage
        if (own := lines.get((family, stage)))
    )


def _by_family_and_stage(lines: Iterable[CountedLine]) -> dict[tuple[Family, Stage | None], list[CountedLine]]:
    grouped: dict[tuple[Family, Stage | None], list[CountedLine]] = {}
    for line in lines:
        family = Family(donor=line.sample.donor, inducer=line.sample.inducer)
        grouped.setdefault((family, line.stage), []).append(line)
    return grouped


def _donor_row(
    family: Family,
    stage: Stage,
    lines: list[CountedLine],
    verdicts: Mapping[str, Verdict],
    panel: FamilyPanel,
    advice: str,
) -> DonorRow:
    told = [line_verdict(verdicts.get(s.name, Verdict.RETEST) for s in line.samples) for line in lines]
    decided = [line for line in lines if line.is_decided]
    wrong = _share([not line.is_expected for line in decided], [line.wrong for line in decided])
    hybrid = _share([line.finding is Finding.HYBRID for line in decided], [line.hybrid for line in decided])
    return DonorRow(
        donor=family.donor,
        inducer=family.inducer,
        stage=stage.value,
        lines=len(lines),
        passed=told.count(Verdict.PASS),
        failed=told.count(Verdict.FAIL),
        retest=told.count(Verdict.RETEST),
        diagnostic_markers=panel.diagnostic_markers,
        segregating_markers=panel.segregating_markers,
        wrong_share=wrong[0],
        wrong_share_low=wrong[1],
        wrong_share_high=wrong[2],
        hybrid_share=hybrid[0],
        hybrid_share_low=hybrid[1],
        hybrid_share_high=hybrid[2],
        smallest_visible_segment_cm=panel.smallest_visible_segment_cm,
        advice=advice,
        basis=panel.basis,
    )


def line_verdict(verdicts: Iterable[Verdict]) -> Verdict:
    """Verdict of a line from those of its replicates.

    Examples
    --------
    >>> line_verdict([Verdict.PASS, Verdict.RETEST]).value, line_verdict([Verdict.PASS, Verdict.FAIL]).value
    ('pass', 'retest')

    """
    found = set(verdicts)
    if Verdict.PASS in found and Verdict.FAIL not in found:
        return Verdict.PASS
    return Verdict.FAIL if Verdict.FAIL in found and Verdict.PASS not in found else Verdict.RETEST


def _share(is_counted: list[bool], chance: list[float]) -> tuple[float | None, float | None, float | None]:
    if not is_counted:
        return None, None, None
    rate = sum(is_counted) / len(is_counted)
    low, high = share_interval(np.array(chance))
    return rate, min(low, rate), max(high, rate)
