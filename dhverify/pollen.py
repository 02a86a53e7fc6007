"""Pollen parents of outcrosses, and plants of other crosses, among all that the lot holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.alternatives import (
    MAX_SCORED,
    DonorPanel,
    global_tree,
    homozygous,
    linked_log_likelihood,
    pedigree_log_likelihoods,
    screen,
    united,
)
from dhverify.analysis import Analysis
from dhverify.family_models import FamilyModel
from dhverify.findings_table import Tree, plant_maker
from dhverify.hypotheses import Hypothesis, crossed, hybrid_plant, plant_itself, pollen_of_kin
from dhverify.judging import FINDING_ORDER, Option
from dhverify.likelihood import lay_emissions, state_posterior
from dhverify.strands import pair_genotypes

FAR_OFF: Final = 200.0
"""Pollen parents whose screen lies so much (log likelihood) below the best are not scored with linkage: linked
markers repeat themselves, and the screen takes them as independent (on the safe side)."""
MAX_OUTCROSSES: Final = 200
"""Outcrosses of one family that are compared with each other, for speed."""
ALIKE_POLLEN: Final = 0.7
"""Two outcrosses whose pollen agrees at this share of markers may have one pollen parent: gametes of one hybrid agree
at half of its heterozygous markers and at all others (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class _Pollen:
    """A plant of the lot that may have given pollen (or be the sample itself)."""

    name: str
    tree: Tree
    kind: str
    mean_second: NDArray[np.float64]


def named_pollen(
    analysis: Analysis, panel: DonorPanel, lines: NDArray[np.int64], share: NDArray[np.float64]
) -> dict[int, list[Option]]:
    """Outcrosses with named plants of the lot, and named strangers, for lines in doubt.

    Parameters
    ----------
    analysis, panel
        The lot and its donors.
    lines
        Judged samples in doubt.
    share
        float64, shape (n_judged, n_findings). First posterior.

    Returns
    -------
    dict
        Options by judged sample.

    """
    sources = _pollen_sources(analysis, panel)
    options: dict[int, list[Option]] = {int(line): [] for line in lines}
    for index in np.unique(analysis.model_of[lines]):
        members = lines[analysis.model_of[lines] == index]
        model = analysis.models[int(index)]
        donor = int(panel.donor_of_model[index])
        own = set(global_strands(model))
        able = [s for s in sources if not (s.kind == "inbred" and s.tree in own and s.kind != "hybrid")]
        able = [s for s in able if s.name not in panel.names[donor]]
        _score_pollen(analysis, model, panel.mean_second[donor], members, able, options)
    _score_shared_pollen(analysis, lines, share, options)
    return options


def _score_shared_pollen(
    analysis: Analysis,
    lines: NDArray[np.int64],
    share: NDArray[np.float64],
    options: dict[int, list[Option]],
) -> None:
    """Outcrosses by one unknown plant: the pollen that one outcross shows is looked for in the others."""
    outcross = FINDING_ORDER.index("outcross")
    able = lines[share[lines, outcross] > 0.01][:MAX_OUTCROSSES]
    pollen = {int(line): _shown_pollen(analysis, int(line)) for line in able}
    for member in able:
        agreement = {
            int(giver): _pollen_agreement(pollen[int(member)], pollen[int(giver)])
            for giver in able
            if giver != member and share[giver, outcross] > 0.5
        }
        alike = [giver for giver in agreement if agreement[giver] > ALIKE_POLLEN]
        alike = sorted(alike, key=lambda giver: -agreement[giver])[:MAX_SCORED]
        model = analysis.models[int(analysis.model_of[member])]
        for giver in alike:
            learnt, n_slots = analysis.learnt, len(model.slots)
            values = np.vstack([learnt.family_strands(model), pollen[giver], learnt.pool_second])
            donor = plant_maker(model.shape.donor)
            same = crossed("pollen seen elsewhere", donor, plant_maker(n_slots))
            kin = pollen_of_kin("pollen of one hybrid", donor, n_slots, n_slots + 1)
            options[int(member)] += [
                Option(
                    finding="outcross",
                    log_likelihood=float(linked_log_likelihood(learnt, analysis.rows[[member]], values, told)[0]),
                    log_weight=float(np.log(0.15 / len(able))),
                    detail="the same pollen",
                    name=analysis.judged[giver].name,
                )
                for told in (same, kin)
            ]


def _pollen_agreement(first: NDArray[np.float64], second: NDArray[np.float64]) -> float:
    """Share of the markers at which both pollen alleles show that are the same."""
    both = (np.abs(first - 0.5) > 0.4) & (np.abs(second - 0.5) > 0.4)
    return float(((first > 0.5) == (second > 0.5))[both].mean()) if both.any() else 0.0


def _shown_pollen(analysis: Analysis, line: int) -> NDArray[np.float64]:
    """Second-allele probability of the pollen that an outcross shows; float64, shape (n_markers,)."""
    learnt = analysis.learnt
    model = analysis.models[int(analysis.model_of[line])]
    values = np.vstack([learnt.family_strands(model), learnt.pool_second])
    pool = len(model.slots)
    hypothesis = crossed("stray pollen", plant_maker(model.shape.donor), plant_maker(pool))
    pairs = list(hypothesis.pairs)
    likelihood = learnt.assay.genotype_likelihood(learnt.seen, analysis.rows[line : line + 1])
    genotypes = pair_genotypes(pairs, values, {})
    emissions = lay_emissions((likelihood @ genotypes).transpose(0, 2, 1), pairs, learnt.grid)
    where = state_posterior(hypothesis, emissions, learnt.grid)[:, :, 0]
    none, one, two = likelihood[:, 0].T
    q = learnt.pool_second
    second = np.zeros(len(q))
    for column, pair in enumerate(pairs):
        p = values[next(slot for slot in pair if slot != pool)]
        shows = q * ((1 - p) * one + p * two)
        lacks = (1 - q) * ((1 - p) * none + p * one)
        second += where[:, column] * shows / np.maximum(shows + lacks, 1e-300)
    return np.clip(second, 0.02, 0.98)


def global_strands(model: FamilyModel) -> tuple[int, ...]:
    """Global strands of a family's donor and inducer."""
    return tuple(int(s) for s in model.slots)


def _pollen_sources(analysis: Analysis, panel: DonorPanel) -> list[_Pollen]:
    learnt = analysis.learnt
    sources = [
        _Pollen(name=info.name, tree=strand, kind="inbred", mean_second=learnt.strand_second[strand])
        for strand, info in enumerate(analysis.registry.infos)
        if not info.is_anonymous
    ]
    for number, model in enumerate(panel.models):
        tree = global_tree(model.shape.donor, model)
        name = panel.names[number][0]
        mean = panel.mean_second[number]
        sources.append(_Pollen(name=name, tree=tree, kind="line", mean_second=mean))
        inducer = global_tree(model.shape.inducer, model)
        inducer_mean = learnt.strand_second[list(_leaves(inducer))].mean(axis=0)
        sources.append(
            _Pollen(name=name, tree=(tree, inducer), kind="false hybrid", mean_second=(mean + inducer_mean) / 2)
        )
    return sources


def _leaves(tree: Tree) -> tuple[int, ...]:
    return (tree,) if isinstance(tree, int) else _leaves(tree[0]) + _leaves(tree[1])


def _score_pollen(
    analysis: Analysis,
    model: FamilyModel,
    gamete_mean: NDArray[np.float64],
    members: NDArray[np.int64],
    sources: Sequence[_Pollen],
    options: dict[int, list[Option]],
) -> None:
    if not sources or not len(members):
        return
    rows = analysis.rows[members]
    means = np.array([source.mean_second for source in sources])
    scores = screen(analysis.learnt, rows, united(gamete_mean[None], means))
    donor = global_tree(model.shape.donor, model)
    wanted: dict[int, list[int]] = {}
    for position in range(len(members)):
        for source in np.argsort(-scores[position], kind="stable")[:MAX_SCORED]:
            wanted.setdefault(int(source), []).append(position)
    weight = np.log(0.35 / len(sources))
    tasks = [((donor, *_parents(sources[number])), rows[positions]) for number, positions in sorted(wanted.items())]
    scored = pedigree_log_likelihoods(analysis.learnt, tasks, _named_pollen)
    for (number, positions), found in zip(sorted(wanted.items()), scored, strict=True):
        for position, value in zip(positions, found, strict=True):
            options[int(members[position])].append(
                Option(
                    finding="outcross",
                    log_likelihood=float(value),
                    log_weight=float(weight),
                    detail=sources[number].kind,
                    name=sources[number].name,
                )
            )
    _score_strangers(analysis, members, sources, options)


def _parents(source: _Pollen) -> tuple[Tree, ...]:
    """The plant that gave pollen; of a hybrid its donor and its inducer."""
    return source.tree if source.kind == "false hybrid" and not isinstance(source.tree, int) else (source.tree,)


def _named_pollen(trees: tuple[Tree, ...]) -> Hypothesis:
    """A gamete of the donor with pollen of a plant, or of a hybrid of two."""
    donor, *pollen = map(plant_maker, trees)
    return crossed("named pollen", donor, pollen[0] if len(pollen) == 1 else hybrid_plant(*pollen))


def _score_strangers(
    analysis: Analysis,
    members: NDArray[np.int64],
    sources: Sequence[_Pollen],
    options: dict[int, list[Option]],
) -> None:
    """Samples that are another inbred of the lot, or a hybrid or donor plant of another family."""
    inbreds = [s for s in sources if s.kind == "inbred"]
    if not inbreds:
        return
    rows = analysis.rows[members]
    second = np.array([s.mean_second for s in inbreds])
    scores = screen(analysis.learnt, rows, homozygous(second))
    best = scores.argmax(axis=1)
    inducers = {int(m.slots[slot]) for m in analysis.models for slot in m.inducer_slots}
    closest = [inbreds[int(number)] for number in best]
    tasks = [((source.tree,), rows[[position]]) for position, source in enumerate(closest)]
    values = pedigree_log_likelihoods(analysis.learnt, tasks, _named_inbred)
    for member, source, value in zip(members, closest, values, strict=True):
        options[int(member)].append(
            Option(
                finding="inducer" if source.tree in inducers else "parent",
                log_likelihood=float(value[0]),
                log_weight=float(np.log(0.3 / len(inbreds))),
                detail="of another cross",
                name=source.name,
            )
        )
    hybrids = [s for s in sources if s.kind == "false hybrid" and not isinstance(s.tree, int)]
    if hybrids:
        _score_other_hybrids(analysis, members, hybrids, options)


def _score_other_hybrids(
    analysis: Analysis,
    members: NDArray[np.int64],
    hybrids: Sequence[_Pollen],
    options: dict[int, list[Option]],
) -> None:
    """Samples that are a hybrid of another donor with its inducer."""
    rows = analysis.rows[members]
    pollen = [second_of(analysis, source.tree[1]) for source in hybrids if not isinstance(source.tree, int)]
    means = np.array([united(2 * s.mean_second - p, p) for s, p in zip(hybrids, pollen, strict=True)])
    close = screen(analysis.learnt, rows, means)
    best = [_best_so_far(analysis, int(member), options) for member in members]
    wanted = [
        (position, hybrids[int(number)])
        for position, score in enumerate(close)
        for number in np.argsort(-score, kind="stable")[:MAX_SCORED]
        if score[number] >= best[position] - FAR_OFF
    ]
    tasks = [(_parents(source), rows[[position]]) for position, source in wanted]
    values = pedigree_log_likelihoods(analysis.learnt, tasks, _other_hybrid)
    for (position, source), value in zip(wanted, values, strict=True):
        options[int(members[position])].append(
            Option(
                finding="hybrid",
                log_likelihood=float(value[0]),
                log_weight=float(np.log(0.02 / max(1, len(hybrids)))),
                detail="of another donor",
                name=source.name,
            )
        )


def _named_inbred(trees: tuple[Tree, ...]) -> Hypothesis:
    return plant_itself("named inbred", plant_maker(trees[0]))


def _other_hybrid(trees: tuple[Tree, ...]) -> Hypothesis:
    donor, inducer = map(plant_maker, trees)
    return crossed("hybrid of another donor", donor, inducer)


def _best_so_far(analysis: Analysis, member: int, options: Mapping[int, Sequence[Option]]) -> float:
    told = [option.log_likelihood for option in options[member]]
    return max(*told, float(analysis.log_likelihood[member].max()), -np.inf)


def second_of(analysis: Analysis, tree: Tree) -> NDArray[np.float64]:
    """Mean second-allele share of a plant's gametes."""
    return np.asarray(analysis.learnt.strand_second[list(_leaves(tree))].mean(axis=0))
