"""Two gametes of one donor in one sample: sisters crossed, or a sister's DNA that no sample of the lot holds."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.alternatives import linked_log_likelihood
from dhverify.analysis import Analysis
from dhverify.contamination import mixed_likelihoods
from dhverify.family_models import FamilyModel
from dhverify.findings_table import Tree, n_meioses, plant_maker
from dhverify.hypotheses import Hypothesis, crossed
from dhverify.judging import Option
from dhverify.likelihood import lay_emissions, log_likelihood

MOST_MEIOSES: Final = 2
"""Meioses behind a donor's plant up to which two gametes of it are looked at: each doubles the states twice."""
SISTERS_CROSSED: Final = "two sisters crossed"
CROSSED_WEIGHT: Final = 0.1
"""Share of the selfed progeny of a donor that comes of two sisters (common practice, no source)."""
UNNAMED_WEIGHT: Final = 0.1
"""Share of the mixtures with a sister that no sample of the lot holds (common practice, no source)."""
UNEVEN_SHARES: Final = (0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4)
"""Shares of its DNA that are tried; an even mixture of two gametes looks like their union."""


def sister_options(analysis: Analysis, lines: NDArray[np.int64]) -> dict[int, list[Option]]:
    """Score lines in doubt as two gametes of their donor, united or, where reads tell the balance, mixed.

    Parameters
    ----------
    analysis
        The lot.
    lines
        Judged samples in doubt.

    Returns
    -------
    dict
        Options by judged sample.

    """
    options: dict[int, list[Option]] = {}
    for number in np.unique(analysis.model_of[lines]):
        model = analysis.models[int(number)]
        tree = model.shape.donor
        if isinstance(tree, int) or n_meioses(tree) > MOST_MEIOSES:
            continue
        members = lines[analysis.model_of[lines] == number]
        pair, values = _two_gametes(analysis, model)
        united = linked_log_likelihood(analysis.learnt, analysis.rows[members], values, pair)
        for line, score in zip(members, united, strict=True):
            options[int(line)] = [_united(float(score))]
            if analysis.learnt.seen.depths is not None:
                options[int(line)].append(_mixed(analysis, int(line), pair, values))
    return options


def _two_gametes(analysis: Analysis, model: FamilyModel) -> tuple[Hypothesis, NDArray[np.float64]]:
    """A gamete of a plant of the donor and one of another, their strands numbered apart, with the strand values."""
    n_slots = len(model.slots)
    other = _shifted(model.shape.donor, n_slots)
    pair = crossed("two gametes", plant_maker(model.shape.donor), plant_maker(other))
    values = analysis.learnt.strand_second[model.slots]
    return pair, np.vstack([values, values])


def _shifted(tree: Tree, by: int) -> Tree:
    return tree + by if isinstance(tree, int) else (_shifted(tree[0], by), _shifted(tree[1], by))


def _united(score: float) -> Option:
    weight = float(np.log(CROSSED_WEIGHT))
    return Option(finding="selfed donor", log_likelihood=score, log_weight=weight, detail=SISTERS_CROSSED)


def _mixed(analysis: Analysis, line: int, pair: Hypothesis, values: NDArray[np.float64]) -> Option:
    """Own gamete with a share of a sister's DNA, every share as likely."""
    learnt = analysis.learnt
    seen = mixed_likelihoods(learnt, int(analysis.rows[line]), UNEVEN_SHARES)[..., [0, 2]]
    chance = np.stack([1 - values, values], axis=-1)
    own, other = (np.array([slots[k] for slots in pair.pairs]) for k in (0, 1))
    given = np.einsum("msab,pma,pmb->mps", seen, chance[own], chance[other])
    scores = log_likelihood(pair, lay_emissions(given, list(pair.pairs), learnt.grid), learnt.grid)
    return Option(
        finding="mixture",
        log_likelihood=float(np.logaddexp.reduce(scores) - np.log(len(scores))),
        log_weight=float(np.log(UNNAMED_WEIGHT)),
    )
