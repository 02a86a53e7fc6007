"""Findings that name another member of the lot: another donor, the pollen parent of an outcross.

All other donors are looked at for every line, by a screen that takes markers as independent; the few that
could fit are scored with linkage. Pollen parents are looked for in lines that are in doubt.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.analysis import Analysis
from dhverify.family_models import FamilyModel
from dhverify.findings_table import Tree, plant_maker
from dhverify.genotypes import MISSING
from dhverify.hypotheses import Hypothesis, gamete_twice
from dhverify.judging import Option
from dhverify.likelihood import lay_emissions, log_likelihood
from dhverify.scoring import LearntLot
from dhverify.strands import pair_genotypes

SCREEN_MARGIN: Final = 12.0
"""Another donor is scored with linkage when the screen puts it within this log likelihood of the own donor."""
MAX_SCORED: Final = 3
"""Plants that are scored with linkage for one line; a screen picks them."""


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
        key = global_tree(model.shape.donor, model)
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
    def mean(tree: Tree) -> NDArray[np.float64]:
        if isinstance(tree, int):
            return learnt.strand_second[model.slots[tree]]
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
        table = learnt.assay.calls.table()[:, :3]
        chance = np.einsum("mcg,dmg->cmd", table, genotypes)
        log_chance = np.log(np.maximum(chance, 1e-12))
        calls = learnt.seen.calls[rows]
        return np.asarray(sum((calls == c).astype(np.float64) @ log_chance[c] for c in range(3)))
    total = np.zeros((len(rows), len(genotypes)))
    for start in range(0, len(rows), 64):
        part = slice(start, start + 64)
        likelihood = learnt.assay.genotype_likelihood(learnt.seen, rows[part])
        for option, chance in enumerate(genotypes):
            seen = np.einsum("mng,mg->mn", likelihood, chance)
            total[part, option] = np.log(np.maximum(seen, 1e-12)).sum(axis=0)
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
    pairs = list(hypothesis.pairs)
    genotypes = pair_genotypes(pairs, values, {})
    result = np.empty(len(rows))
    for start in range(0, len(rows), 64):
        part = slice(start, start + 64)
        likelihood = learnt.assay.genotype_likelihood(learnt.seen, rows[part])
        emissions = lay_emissions((likelihood @ genotypes).transpose(0, 2, 1), pairs, learnt.grid)
        result[part] = log_likelihood(hypothesis, emissions, learnt.grid)
    return result


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
    for line in everyone:
        order = np.argsort(-masked[line], kind="stable")[:MAX_SCORED]
        for donor in order:
            is_close = masked[line, donor] >= own_score[line] - SCREEN_MARGIN
            if np.isfinite(masked[line, donor]) and (is_close or in_doubt[line]):
                wanted.setdefault(int(donor), []).append(int(line))
    options: list[list[Option]] = [[] for _ in everyone]
    n_others = max(1, len(panel.names) - 1)
    for donor, lines in sorted(wanted.items()):
        model = panel.models[donor]
        clean = gamete_twice("clean", plant_maker(model.shape.donor))
        values = analysis.learnt.strand_second[model.slots]
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


def _fit(analysis: Analysis, panel: DonorPanel, donor: NDArray[np.int64]) -> NDArray[np.float64]:
    """Share of the alleles seen that a donor can give."""
    calls = analysis.learnt.seen.calls[analysis.rows]
    second = panel.mean_second[donor]
    gives_first, gives_second = second < 0.98, second > 0.02
    is_called = calls != MISSING
    possible = np.where(calls == 0, gives_first * 2, np.where(calls == 2, gives_second * 2, 0))
    possible = np.where(calls == 1, gives_first.astype(int) + gives_second, possible)
    total = 2 * is_called.sum(axis=1)
    good = np.where(is_called, possible, 0).sum(axis=1)
    return np.divide(good, total, out=np.full(len(calls), np.nan), where=total > 0)
