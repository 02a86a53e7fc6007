"""How often outcrosses of a lot are by pollen of the donor's own parents.

They are a few plants of many in a nursery, so that such pollen is rare; but a lot of backcross plants is nothing else.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from dhverify.analysis import Analysis
from dhverify.findings_table import FamilyShape
from dhverify.judged_lot import stage_of
from dhverify.judging import FINDING_ORDER, learn_shares, posterior
from dhverify.outcome import Finding
from dhverify.samples import Stage

POLLEN_WEIGHT: Final = 10.0
"""Outcrosses that the shipped share of such pollen counts for, against the lot's own (common practice, no source)."""


def with_own_parent_pollen(analysis: Analysis) -> Analysis:
    """Weigh pollen of the donors' own parents by how often it is seen in the lot; never less than shipped.

    Parameters
    ----------
    analysis
        With the shipped weights.

    Returns
    -------
    Analysis
        With the weight learnt, and the log likelihood of outcrosses by it.

    """
    column = FINDING_ORDER.index(Finding.OUTCROSS)
    chance = posterior(analysis.pooled, analysis.prior_rows())[:, column]
    lines = np.flatnonzero(~analysis.is_silent())
    own_share, own, other = (np.zeros(len(analysis.judged)) for _ in range(3))
    for members in _alike(analysis):
        found, weights = analysis.ways(members[0])
        values = analysis.learnt.weight * np.array([analysis.log_likelihood[line] for line in members]) + weights
        is_outcross = np.array([way.finding == Finding.OUTCROSS for way in found])
        is_own = np.array([way.is_of_own_parent for way in found])
        own_share[members] = np.exp(weights[is_own]).sum()
        own[members] = np.logaddexp.reduce(values[:, is_own], axis=1, initial=-np.inf)
        other[members] = np.logaddexp.reduce(values[:, is_outcross & ~is_own], axis=1, initial=-np.inf)
    lines = lines[own_share[lines] > 0]
    if not len(lines):
        return analysis
    shipped = float(own_share[lines].mean())
    most = np.maximum(own[lines], other[lines])
    shown = np.exp(np.stack([own[lines] - most, other[lines] - most], axis=1)) / [shipped, 1 - shipped]
    both = np.ones_like(shown, dtype=bool)
    shares = learn_shares(np.array([shipped, 1 - shipped]), POLLEN_WEIGHT, shown, both, chance[lines])
    raised = max(0.0, float(np.log(shares[0] / shipped)))
    pooled = analysis.pooled.copy()
    pooled[:, column] = np.logaddexp(other, own + raised)
    return replace(analysis, pooled=pooled, own_parent_pollen=raised)


def _alike(analysis: Analysis) -> list[list[int]]:
    """Judged samples by the shape of their family and their stage, which have the same candidates."""
    groups: dict[tuple[FamilyShape, Stage], list[int]] = {}
    for line, sample in enumerate(analysis.judged):
        shape = analysis.models[int(analysis.model_of[line])].shape
        groups.setdefault((shape, stage_of(sample)), []).append(line)
    return list(groups.values())
