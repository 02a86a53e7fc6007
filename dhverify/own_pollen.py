"""How often outcrosses of a lot are by pollen of the donor's own parents.

They are a few plants of many in a nursery, so that such pollen is rare; but a lot of backcross plants is nothing else.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.analysis import Analysis
from dhverify.findings_table import FamilyShape
from dhverify.judged_lot import stage_of
from dhverify.judging import FINDING_ORDER, learn_shares, outcross_ways
from dhverify.outcome import Finding
from dhverify.samples import Stage

POLLEN_WEIGHT: Final = 30.0
"""Outcrosses that the shipped share of such pollen counts for, against the lot's own (common practice, no source)."""


def with_own_parent_pollen(analysis: Analysis, outcross_share: NDArray[np.float64]) -> Analysis:
    """Weigh pollen of the donors' own parents by how often it is seen in the lot; never less than shipped.

    Parameters
    ----------
    analysis
        With the shipped weights.
    outcross_share
        float64, shape (n_judged,). Posterior of an outcross with the shipped weights.

    Returns
    -------
    Analysis
        With the share learnt, and the log likelihood of outcrosses by it.

    """
    shipped, shown = np.zeros(len(analysis.judged)), np.zeros((len(analysis.judged), 2))
    for members in _alike(analysis):
        found, weights = analysis.ways(members[0])
        scores = analysis.learnt.weight * np.array([analysis.log_likelihood[line] for line in members])
        is_own, is_other = outcross_ways(found)
        shipped[members] = np.exp(weights[is_own]).sum()
        for column, ways in enumerate((is_own, is_other)):
            within = weights[ways] - np.logaddexp.reduce(weights[ways], initial=-np.inf)
            shown[members, column] = np.logaddexp.reduce(scores[:, ways] + within, axis=1, initial=-np.inf)
    able = np.flatnonzero(shipped)
    if not len(able):
        return analysis
    share = float(shipped[able].mean())
    likelihood = np.exp(shown[able] - shown[able].max(axis=1, keepdims=True))
    both = np.ones_like(likelihood, dtype=bool)
    learnt = learn_shares(np.array([share, 1 - share]), POLLEN_WEIGHT, likelihood, both, outcross_share[able])
    if learnt[0] <= share:
        return analysis
    pooled = analysis.pooled.copy()
    pooled[able, FINDING_ORDER.index(Finding.OUTCROSS)] = np.logaddexp.reduce(shown[able] + np.log(learnt), axis=1)
    return replace(analysis, pooled=pooled, own_parent_pollen=float(learnt[0]))


def _alike(analysis: Analysis) -> list[list[int]]:
    """Judged samples by the shape of their family and their stage, which have the same candidates."""
    groups: dict[tuple[FamilyShape, Stage], list[int]] = {}
    for line, sample in enumerate(analysis.judged):
        shape = analysis.models[int(analysis.model_of[line])].shape
        groups.setdefault((shape, stage_of(sample)), []).append(line)
    return list(groups.values())
