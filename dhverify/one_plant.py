"""Donors whose lines all come of one plant: what that plant carries, where the plants of its cross differ.

Half of what the parents of an F2 or of a backcross differ in is fixed in any one plant. Where the lines of a donor, and
the plant itself where it was typed, agree in that, a line with the other allele is of another plant.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.family_models import FamilyModel
from dhverify.findings_table import Tree, n_meioses
from dhverify.judged_lot import JudgedLot
from dhverify.scoring import LearntLot

STRANDS_APART: Final = 0.5
"""The parents differ where their shares of the second allele differ by more than this."""
ONE_PLANT: Final = 0.25
"""Share of the markers at which the parents differ that are fixed in all lines of a donor from which these come of one
plant: half are in a plant of an F2 or a backcross, an eighth in two plants of an F2, a quarter in two of a backcross
(computed)."""
SURELY_ONE: Final = 0.35
"""The same share from which the lines are taken as those of a typed plant, though a few may be of another one (common
practice, no source)."""
SURE_FIXED: Final = 0.95
"""Probability from which a marker is fixed in a plant."""
ODD_LINE: Final = 0.02
"""Chance that a clean line shows an allele that its plant lacks: an error, or the line is of another one (common
practice, no source)."""
AS_FIXED: Final = 0.005
"""Chance of the other allele where a marker is fixed in a plant (common practice, no source)."""
PLANT_PRIOR: Final = (0.25, 0.5, 0.25)
"""Chance that a plant is fixed for the first allele, heterozygous, fixed for the second (Mendel; an F2)."""


def with_plants(work: JudgedLot, learnt: LearntLot, clean: NDArray[np.float64]) -> tuple[JudgedLot, LearntLot]:
    """Take what is fixed in the one plant of a donor as known.

    Parameters
    ----------
    work, learnt
        The lot, learnt.
    clean
        float64, shape (n_judged,). Probability that a line is a clean gamete of its donor.

    Returns
    -------
    work, learnt
        The same, with the strands of such a plant apart from those of its parents.

    """
    fixed: dict[str, NDArray[np.float64]] = {}
    plants: dict[str, NDArray[np.float64]] = {}
    for donor in dict.fromkeys(model.family.donor for model in work.models if _may_differ(model)):
        known = _one_plant(work, learnt, clean, donor)
        if known is not None:
            plants[donor], fixed[donor] = known
    if not fixed:
        return work, learnt
    models = tuple(_apart_from_parents(m) if m.family.donor in fixed and _may_differ(m) else m for m in work.models)
    return replace(work, models=models), replace(learnt, fixed_second=fixed, one_plant=plants)


def _may_differ(model: FamilyModel) -> bool:
    """Whether the plants of a donor differ, and its strands are not those of the inducer as well."""
    return n_meioses(model.shape.donor) > 0 and not set(model.donor_slots) & set(model.inducer_slots)


def _apart_from_parents(model: FamilyModel) -> FamilyModel:
    n_slots, n_parents = model.shape.n_slots, len(model.donor_slots)
    parents = tuple(range(n_slots, n_slots + n_parents))
    return replace(
        model,
        shape=replace(model.shape, parents=parents, n_slots=n_slots + n_parents, has_plant=True),
        slots=np.concatenate([model.slots, model.slots[list(model.donor_slots)]]),
    )


def _one_plant(
    work: JudgedLot, learnt: LearntLot, clean: NDArray[np.float64], donor: str
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Genotype of the one plant of a donor, and the second allele where it is fixed (nan elsewhere); None without."""
    numbers = [n for n, model in enumerate(work.models) if model.family.donor == donor]
    model = work.models[numbers[0]]
    teachers = work.teachers()
    lines = teachers[np.isin(work.model_of[teachers], numbers) & (clean[teachers] > 0.5)]
    plant = work.lot.row[model.donor_sample] if model.donor_sample else None
    posterior = plant_posterior(learnt, work.rows[lines], plant)
    strands = learnt.strand_second[model.slots[list(model.donor_slots)]]
    is_apart = np.ptp(strands, axis=0) > STRANDS_APART
    is_fixed = (posterior[:, 0] > SURE_FIXED) | (posterior[:, 2] > SURE_FIXED)
    share = float(is_fixed[is_apart].mean()) if is_apart.any() else 0.0
    is_one = share >= ONE_PLANT
    if is_one and (plant is None or share < SURELY_ONE):
        is_one = float(log_odds_of_one(learnt, work.rows[lines], model)[is_apart].sum()) > 0
    if not is_one:
        return None
    second = np.where(posterior[:, 2] > posterior[:, 0], 1 - AS_FIXED, AS_FIXED)
    genotype = (1 - AS_FIXED) * posterior + AS_FIXED / 3
    return genotype, np.where(is_fixed & is_apart, second, np.nan)


def log_odds_of_one(learnt: LearntLot, lines: NDArray[np.int64], model: FamilyModel) -> NDArray[np.float64]:
    """Log odds that lines come of one plant of their cross rather than of two, markers taken as independent.

    Where one plant is heterozygous every second line shows either allele; where one of two is, every fourth may.

    Parameters
    ----------
    learnt
        The lot.
    lines
        Rows of clean lines of one donor.
    model
        A family of that donor, whose plants differ.

    Returns
    -------
    ndarray
        float64, shape (n_markers,).

    """
    values = learnt.strand_second[model.slots]
    first, second = (_gamete_mean(side, values) for side in _sides(model.shape.donor))
    prior = np.stack([(1 - first) * (1 - second), first + second - 2 * first * second, first * second], axis=1)
    one = np.log(prior + 1e-300)
    two = one[:, :, None] + one[:, None, :]
    for row in lines:
        chance = _gamete_chance(learnt, int(row))
        one = one + np.log(chance)
        two = two + np.log((chance[:, :, None] + chance[:, None, :]) / 2)
    return np.asarray(np.logaddexp.reduce(one, axis=1) - np.logaddexp.reduce(two, axis=(1, 2)))


def _sides(tree: Tree) -> tuple[Tree, Tree]:
    return (tree, tree) if isinstance(tree, int) else tree


def _gamete_mean(tree: Tree, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Chance of the second allele in a gamete of a pedigree; float64, shape (n_markers,)."""
    if isinstance(tree, int):
        return np.asarray(values[tree])
    return (_gamete_mean(tree[0], values) + _gamete_mean(tree[1], values)) / 2


def _gamete_chance(learnt: LearntLot, row: int) -> NDArray[np.float64]:
    """Chance of what was seen of a clean line by the genotype of its plant; float64, shape (n_markers, 3)."""
    seen = learnt.assay.genotype_likelihood(learnt.seen, np.array([row]))[:, 0, ::2]
    seen = (1 - ODD_LINE) * seen + ODD_LINE * seen.mean(axis=1, keepdims=True) + 1e-300
    return np.stack([seen[:, 0], seen.mean(axis=1), seen[:, 1]], axis=1)


def plant_posterior(learnt: LearntLot, lines: NDArray[np.int64], plant: int | None) -> NDArray[np.float64]:
    """Genotype of a plant from its gametes, and from its own observation where it was typed.

    Parameters
    ----------
    learnt
        The lot.
    lines
        Rows of clean lines of it.
    plant
        Its own row, if there is one.

    Returns
    -------
    ndarray
        float64, shape (n_markers, 3); adds to 1.

    """
    score = np.tile(np.log(PLANT_PRIOR), (learnt.grid.n_markers, 1))
    for row in lines:
        score += np.log(_gamete_chance(learnt, int(row)))
    if plant is not None:
        score += np.log(learnt.plant_genotype(plant))
    weight = np.exp(score - score.max(axis=1, keepdims=True))
    return np.asarray(weight / weight.sum(axis=1, keepdims=True))
