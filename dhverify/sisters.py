"""Two sisters crossed: gametes of two plants of one donor in one sample."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.alternatives import linked_log_likelihood
from dhverify.analysis import Analysis
from dhverify.family_models import FamilyModel
from dhverify.findings_table import Tree, n_meioses, plant_maker
from dhverify.hypotheses import Hypothesis, crossed
from dhverify.judging import Option

MOST_MEIOSES: Final = 2
"""Meioses behind a donor's plant up to which two gametes of it are looked at: each doubles the states twice."""
SISTERS_CROSSED: Final = "two sisters crossed"
CROSSED_WEIGHT: Final = 0.1
"""Share of the selfed progeny of a donor that comes of two sisters (common practice, no source)."""


def crossed_sisters(analysis: Analysis, lines: NDArray[np.int64]) -> dict[int, Option]:
    """Score lines in doubt as two gametes of different plants of their donor, united.

    In an F1 that is what selfing gives; where the plants of a donor differ, it is more than selfing one of them.

    Parameters
    ----------
    analysis
        The lot.
    lines
        Judged samples in doubt.

    Returns
    -------
    dict
        One option by judged sample, where its donor is simple enough.

    """
    options: dict[int, Option] = {}
    for number in np.unique(analysis.model_of[lines]):
        model = analysis.models[int(number)]
        tree = model.shape.donor
        if isinstance(tree, int) or not 0 < n_meioses(tree) <= MOST_MEIOSES:
            continue
        members = lines[analysis.model_of[lines] == number]
        pair, values = _two_gametes(analysis, model)
        united = linked_log_likelihood(analysis.learnt, analysis.rows[members], values, pair)
        for line, score in zip(members, united, strict=True):
            options[int(line)] = _united(float(score))
    return options


def _two_gametes(analysis: Analysis, model: FamilyModel) -> tuple[Hypothesis, NDArray[np.float64]]:
    """A gamete of a plant of the donor and one of another, their strands numbered apart, with the strand values."""
    n_slots = len(model.slots)
    other = _shifted(model.shape.donor, n_slots)
    pair = crossed("two gametes", plant_maker(model.shape.donor), plant_maker(other))
    values = analysis.learnt.family_strands(model)
    return pair, np.vstack([values, values])


def _shifted(tree: Tree, by: int) -> Tree:
    return tree + by if isinstance(tree, int) else (_shifted(tree[0], by), _shifted(tree[1], by))


def _united(score: float) -> Option:
    weight = float(np.log(CROSSED_WEIGHT))
    return Option(finding="selfed donor", log_likelihood=score, log_weight=weight, detail=SISTERS_CROSSED)
