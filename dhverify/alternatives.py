"""Findings that name another member of the lot: another donor, the pollen parent of an outcross.

All other donors are looked at for every line, by a screen that takes markers as independent; the few that
could fit are scored with linkage. Pollen parents are looked for in lines that are in doubt.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.analysis import Analysis
from dhverify.family_models import FamilyModel
from dhverify.findings_table import Tree, plant_maker, tree_slots
from dhverify.genotypes import MISSING
from dhverify.hypotheses import Hypothesis, gamete_twice
from dhverify.judging import Option
from dhverify.likelihood import log_likelihood
from dhverify.marker_classes import SURE
from dhverify.observation import CALLS, N_GENOTYPES
from dhverify.scoring import LearntLot, joined_emissions, sample_emissions
from dhverify.strands import pair_genotypes

SCREEN_MARGIN: Final = 12.0
"""Another donor is scored with linkage when the screen puts it within this log likelihood of the own donor."""
FEWEST_APART: Final = 5
LEAST_APART: Final = 0.02
"""Two donors with untyped parents differ when one is surely fixed and the other surely carries the other allele at five
markers and 2 % of those that are sure in both (common practice, no source)."""
MAX_SCORED: Final = 3
"""Plants that are scored with linkage for one line; a screen picks them."""
LEAST_CHANCE: Final = 1e-12
"""Chances below count as this, so that one impossible call does not rule out a plant."""
SCREEN_BYTES: Final = 16 * 2**20
"""Table of the samples that are screened together."""
LINES_TOGETHER: Final = 64
"""Samples that are scored with linkage together."""


@dataclass(frozen=True, kw_only=True, eq=False)
class DonorPanel:
    """The distinct donors of a lot.

    Attributes
    ----------
    names
        For each, the donors on the sheet that are this same cross.
    models
        A family of each.
    mean_second
        float64, shape (n_donors, n_markers). Expected second-allele share of a gamete.
    donor_of_model
        int64. Distinct donor of each family model.

    """

    names: tuple[tuple[str, ...], ...]
    models: tuple[FamilyModel, ...]
    mean_second: NDArray[np.float64]
    donor_of_model: NDArray[np.int64]


def donor_panel(analysis: Analysis) -> DonorPanel:
    """Group families by donor; donors of the very same cross count as one."""
    keys: dict[object, int] = {}
    names: list[list[str]] = []
    models: list[FamilyModel] = []
    of_model = []
    for model in analysis.models:
        tree = global_tree(model.shape.donor, model)
        key: object = (tree, model.family.donor) if model.shape.parents else tree
        if key not in keys:
            keys[key] = len(names)
            names.append([])
            models.append(model)
        names[keys[key]].append(model.family.donor)
        of_model.append(keys[key])
    second = np.array([_gamete_mean(model, analysis.learnt) for model in models])
    return DonorPanel(
        names=tuple(tuple(dict.fromkeys(group)) for group in names),
        models=tuple(models),
        mean_second=second.reshape(len(models), analysis.learnt.grid.n_markers),
        donor_of_model=np.array(of_model, dtype=np.int64),
    )


def global_tree(tree: Tree, model: FamilyModel) -> Tree:
    """A pedigree over global strands."""
    if isinstance(tree, int):
        return int(model.slots[tree])
    return (global_tree(tree[0], model), global_tree(tree[1], model))


def _gamete_mean(model: FamilyModel, learnt: LearntLot) -> NDArray[np.float64]:
    values = learnt.family_strands(model)

    def mean(tree: Tree) -> NDArray[np.float64]:
        if isinstance(tree, int):
            return values[tree]
        return (mean(tree[0]) + mean(tree[1])) / 2

    return mean(model.shape.donor)


def screen(learnt: LearntLot, rows: NDArray[np.int64], genotypes: NDArray[np.float64]) -> NDArray[np.float64]:
    """Log likelihood of samples under genotype frequencies, markers taken as independent.

    Parameters
    ----------
    learnt
        The lot.
    rows
        Sample rows.
    genotypes
        float64, shape (n_options, n_markers, 3). Genotype probabilities of each option.

    Returns
    -------
    ndarray
        float64, shape (n_samples, n_options).

    """
    if learnt.seen.depths is None:
        return _screen_calls(learnt, rows, genotypes)
    mixes = np.ascontiguousarray(genotypes.transpose(1, 2, 0))
    everywhere = np.arange(learnt.grid.n_markers)
    total = np.zeros((len(rows), len(genotypes)))
    n_together = max(1, SCREEN_BYTES // max(8 * mixes[:, 0].size, 1))
    for start in range(0, len(rows), n_together):
        part = slice(start, start + n_together)
        seen = learnt.assay.mixed_likelihood(learnt.seen, rows[part], mixes, everywhere)
        total[part] = np.log(np.maximum(seen, LEAST_CHANCE)).sum(axis=0).T
    return total


def _screen_calls(learnt: LearntLot, rows: NDArray[np.int64], genotypes: NDArray[np.float64]) -> NDArray[np.float64]:
    """Log likelihood of calls: a table of each option's log chance of every call, and one product with the calls."""
    table = learnt.assay.calls.table()[:, :N_GENOTYPES]
    log_chance = table @ genotypes.transpose(1, 2, 0)
    np.log(np.maximum(log_chance, LEAST_CHANCE, out=log_chance), out=log_chance)
    log_chance = log_chance.reshape(-1, len(genotypes))
    total = np.empty((len(rows), len(genotypes)))
    n_together = max(1, SCREEN_BYTES // max(8 * len(log_chance), 1))
    for start in range(0, len(rows), n_together):
        part = slice(start, start + n_together)
        is_call = learnt.seen.calls[rows[part], :, None] == CALLS[:N_GENOTYPES]
        total[part] = is_call.reshape(len(is_call), -1).astype(np.float64) @ log_chance
    return total


def homozygous(second: NDArray[np.float64]) -> NDArray[np.float64]:
    """Genotype frequencies of a doubled gamete; float64, shape (..., 3), from second-allele shares."""
    return np.stack([1 - second, np.zeros_like(second), second], axis=-1)


def united(first: NDArray[np.float64], second: NDArray[np.float64]) -> NDArray[np.float64]:
    """Genotype frequencies of two gametes united; float64, shape (..., 3)."""
    both = first * second
    neither = (1 - first) * (1 - second)
    return np.stack([neither, 1 - both - neither, both], axis=-1)


def linked_log_likelihood(
    learnt: LearntLot, rows: NDArray[np.int64], values: NDArray[np.float64], hypothesis: Hypothesis
) -> NDArray[np.float64]:
    """Log likelihood of samples under one hypothesis over the given slots.

    Parameters
    ----------
    learnt
        The lot.
    rows
        Sample rows.
    values
        float64, shape (n_slots, n_markers).
    hypothesis
        Over those slots.

    Returns
    -------
    ndarray
        float64, shape (n_samples,).

    """
    return linked_log_likelihoods(learnt, [(rows, values)], hypothesis)[0]


def linked_log_likelihoods(
    learnt: LearntLot, tasks: Sequence[tuple[NDArray[np.int64], NDArray[np.float64]]], hypothesis: Hypothesis
) -> list[NDArray[np.float64]]:
    """Log likelihood of samples under one hypothesis, over slots that differ from task to task.

    All tasks share the recursion, which is faster than one for each.

    Parameters
    ----------
    learnt
        The lot.
    tasks
        Sample rows, and the values of the slots for them: float64, shape (n_slots, n_markers).
    hypothesis
        Over those slots.

    Returns
    -------
    list of ndarray
        For each task float64, shape (n_samples,).

    """
    pairs = list(hypothesis.pairs)
    genotypes = [pair_genotypes(pairs, values, {}) for _, values in tasks]
    ends = np.cumsum([len(rows) for rows, _ in tasks])
    task_of = np.repeat(np.arange(len(tasks)), [len(rows) for rows, _ in tasks])
    samples = np.concatenate([rows for rows, _ in tasks])
    scores = np.empty(len(samples))
    for start in range(0, len(samples), LINES_TOGETHER):
        part = slice(start, start + LINES_TOGETHER)
        laid = [
            sample_emissions(learnt, samples[part][task_of[part] == task], pairs, genotypes[task])
            for task in np.unique(task_of[part])
        ]
        scores[part] = log_likelihood(hypothesis, joined_emissions(laid), learnt.grid)
    return np.split(scores, ends[:-1])


def pedigree_log_likelihoods(
    learnt: LearntLot,
    tasks: Sequence[tuple[tuple[Tree, ...], NDArray[np.int64]]],
    make: Callable[[tuple[Tree, ...]], Hypothesis],
) -> list[NDArray[np.float64]]:
    """Log likelihood of samples under pedigrees over the strands of the lot; those of one form are scored together.

    Parameters
    ----------
    learnt
        The lot.
    tasks
        Trees over global strands, and sample rows.
    make
        From trees to the hypothesis.

    Returns
    -------
    list of ndarray
        For each task float64, shape (n_samples,).

    """
    alike: dict[tuple[Tree, ...], list[int]] = {}
    founders = []
    for number, (trees, _) in enumerate(tasks):
        form, strands = numbered_anew(*trees)
        founders.append(list(strands))
        alike.setdefault(form, []).append(number)
    result = [np.empty(0)] * len(tasks)
    for form, numbers in alike.items():
        rows = [(tasks[number][1], learnt.strand_second[founders[number]]) for number in numbers]
        for number, scores in zip(numbers, linked_log_likelihoods(learnt, rows, make(form)), strict=True):
            result[number] = scores
    return result


def numbered_anew(*trees: Tree) -> tuple[tuple[Tree, ...], tuple[int, ...]]:
    """Pedigrees with their founders numbered in the order in which they appear, and the founders.

    Examples
    --------
    >>> numbered_anew((7, 3), 3)
    (((0, 1), 1), (7, 3))

    """
    founders = tuple(dict.fromkeys(slot for tree in trees for slot in tree_slots(tree)))

    def renumbered(tree: Tree) -> Tree:
        return founders.index(tree) if isinstance(tree, int) else (renumbered(tree[0]), renumbered(tree[1]))

    return tuple(renumbered(tree) for tree in trees), founders


@dataclass(frozen=True, kw_only=True, eq=False)
class OtherDonors:
    """What the screen over all donors gave.

    Attributes
    ----------
    options
        For each judged sample, other donors scored with linkage.
    best
        For each judged sample the number of the best donor of the panel.
    fit
        float64, shape (n_judged,). Share of the alleles seen that the best donor can give.

    """

    options: tuple[tuple[Option, ...], ...]
    best: NDArray[np.int64]
    fit: NDArray[np.float64]


def other_donors(analysis: Analysis, panel: DonorPanel, in_doubt: NDArray[np.bool_]) -> OtherDonors:
    """Score every line against the other donors that could fit it."""
    scores = screen(analysis.learnt, analysis.rows, homozygous(panel.mean_second))
    own = panel.donor_of_model[analysis.model_of]
    everyone = np.arange(len(own))
    own_score = scores[everyone, own]
    masked = scores.copy()
    masked[everyone, own] = -np.inf
    wanted: dict[int, list[int]] = {}
    apart = _Apart(analysis, panel)
    for line, order in enumerate(np.argsort(-masked, axis=1, kind="stable")[:, :MAX_SCORED]):
        for donor in order:
            is_close = masked[line, donor] >= own_score[line] - SCREEN_MARGIN
            is_able = np.isfinite(masked[line, donor]) and (is_close or in_doubt[line])
            if is_able and apart.shown(int(own[line]), int(donor)):
                wanted.setdefault(int(donor), []).append(line)
    options: list[list[Option]] = [[] for _ in everyone]
    n_others = max(1, len(panel.names) - 1)
    for donor, lines in sorted(wanted.items()):
        model = panel.models[donor]
        clean = gamete_twice("clean", plant_maker(model.shape.donor))
        values = analysis.learnt.family_strands(model)
        found = linked_log_likelihood(analysis.learnt, analysis.rows[lines], values, clean)
        for member, value in zip(lines, found, strict=True):
            options[member].append(
                Option(
                    finding="other donor",
                    log_likelihood=float(value),
                    log_weight=-np.log(n_others),
                    name=panel.names[donor][0],
                )
            )
    best = np.where(scores.max(axis=1) > own_score + 1e-9, scores.argmax(axis=1), own)
    fit = _fit(analysis, panel, best)
    return OtherDonors(options=tuple(map(tuple, options)), best=best, fit=fit)


class _Apart:
    """Whether donors are shown to differ; two rows of the sheet may be one cross whose parents nobody typed."""

    def __init__(self, analysis: Analysis, panel: DonorPanel) -> None:
        self._learnt = analysis.learnt
        self._is_typed = [bool(info.sample) for info in analysis.registry.infos]
        self._models = panel.models
        self._known: dict[tuple[int, int], bool] = {}

    def shown(self, first: int, second: int) -> bool:
        """Whether donors of the panel differ for certain: by what was typed, or by what their lines show."""
        key = (min(first, second), max(first, second))
        if key not in self._known:
            models = [self._models[first], self._models[second]]
            strands = [strand for m in models for strand in m.slots[list(m.donor_slots)]]
            values = [self._learnt.family_strands(m)[list(m.donor_slots)] for m in models]
            self._known[key] = all(self._is_typed[int(strand)] for strand in strands) or are_apart(*values)
        return self._known[key]


def are_apart(first: NDArray[np.float64], second: NDArray[np.float64]) -> bool:
    """Whether one donor is fixed where another carries the other allele, at more markers than err.

    Parameters
    ----------
    first, second
        float64, shape (n_strands, n_markers). Probability of the second allele on the strands of either donor.

    """
    apart = np.zeros(first.shape[1], dtype=bool)
    for one, other in ((first, second), (second, first)):
        apart |= (one < SURE).all(axis=0) & (other > 1 - SURE).any(axis=0)
        apart |= (one > 1 - SURE).all(axis=0) & (other < SURE).any(axis=0)
    both = np.vstack([first, second])
    n_sure = int(((both < SURE) | (both > 1 - SURE)).all(axis=0).sum())
    return int(apart.sum()) >= max(FEWEST_APART, LEAST_APART * n_sure)


def _fit(analysis: Analysis, panel: DonorPanel, donor: NDArray[np.int64]) -> NDArray[np.float64]:
    """Share of the alleles seen that a donor can give."""
    good, total = np.zeros(len(donor)), np.zeros(len(donor))
    for number in np.unique(donor):
        lines = np.flatnonzero(donor == number)
        calls = analysis.learnt.seen.calls[analysis.rows[lines]]
        second = panel.mean_second[number]
        alleles = np.array([second < 0.98, second > 0.02], dtype=np.float32)
        given = (2 * alleles[0], alleles[0] + alleles[1], 2 * alleles[1])
        good[lines] = sum((calls == call).astype(np.float32) @ copies for call, copies in enumerate(given))
        total[lines] = 2 * (calls != MISSING).sum(axis=1)
    return np.divide(good, total, out=np.full(len(donor), np.nan), where=total > 0)
