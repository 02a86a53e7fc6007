"""References that contradict the lot: a mislabelled parent or inducer must not decide against a whole family.

Where hardly any homozygous line of a family fits its typed parents, the parents that no other family supports
are set back to unknown and learnt from the lines; where outcrosses share one pollen parent that is not the typed
inducer, so is the inducer. What was typed is then compared with what was learnt, as for every reference.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.family_models import StrandRegistry
from dhverify.judging import FINDING_ORDER, expected_column
from dhverify.learning import LineWeights, count_strands, phase_family, with_strands
from dhverify.marker_grid import NO_MARKER, MarkerGrid
from dhverify.scoring import FamilyLines, LearntLot
from dhverify.strands import StrandCounts, strand_prior, updated_strands

FEWEST_LINES: Final = 3
"""Homozygous lines, or stray ones, of a family from which its reference may be suspect: fewer may be mistakes of
their own (common practice, no source)."""
FEWEST_UNTYPED: Final = 2
"""Stray lines from which an inducer that was not typed is looked for (common practice, no source)."""
FEW_FIT: Final = 0.3
"""A family is suspect where fewer of its homozygous lines fit it (common practice, no source)."""
MOST_FIT: Final = 0.7
"""A family speaks for its references where more of its homozygous lines fit it (common practice, no source)."""
POLLEN_GAIN: Final = 10.0
"""Gain in log likelihood from which the pollen seen in one outcross explains another."""
MAX_TEACHERS: Final = 12
"""Stray lines whose pollen is learnt in turn, for speed; the same pollen shows in each."""
FEWEST_COPIES: Final = 6.0
"""Copies of a strand seen at a marker for it to be compared (common practice, no source)."""
DISAGREES: Final = 0.2
"""Share of copies with the other allele from which a marker disagrees (common practice, no source)."""
MOST_DISAGREEING: Final = 0.3
"""Share of disagreeing markers from which an untyped inducer is refuted (common practice, no source)."""
SAME_FOUNDER: Final = 0.97
"""Learnt alleles that agree with a founder's at more markers are that founder's (common practice, no source; error 2
%, purity 95 %)."""
PINNED: Final = 1000.0
"""An untyped inducer is refuted when at 30 % of markers a fifth of at least six copies show the other allele; its
alleles then count for so many copies (common practice, no source)."""
MOST_EXPLAINED: Final = 0.5
"""Lines that a typed inducer explains (hybrids, their progeny, itself) from which it is not suspect."""

Score = Callable[[LearntLot, NDArray[np.int64]], NDArray[np.float64]]
"""Pooled log likelihoods of some lines (by position) under a learnt lot."""


def suspect_founders(
    groups: Sequence[FamilyLines],
    crude: NDArray[np.float64],
    share: NDArray[np.float64],
    registry: StrandRegistry,
) -> list[int]:
    """Typed founder strands of families whose homozygous lines hardly fit, and of no family that fits.

    Parameters
    ----------
    groups
        Families.
    crude
        float64, shape (n_lines,). 1 for lines that look homozygous.
    share
        float64, shape (n_lines, n_findings). Posterior.
    registry
        The strands.

    """
    bad: list[int] = []
    good: set[int] = set()
    for group in groups:
        fixed = group.order[crude[group.order] > 0.5]
        strands = [int(group.model.slots[slot]) for slot in group.model.donor_slots]
        if len(fixed) < FEWEST_LINES:
            continue
        fit = float(share[fixed, expected_column()].mean())
        if fit < FEW_FIT:
            bad += strands
        elif fit > MOST_FIT:
            good |= set(strands)
    return [s for s in dict.fromkeys(bad) if s not in good and registry.infos[s].sample]


def untyped_prior(
    prior: NDArray[np.float64], strands: Sequence[int], pool_second: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Pseudo-counts with some strands taken as never typed."""
    changed = prior.copy()
    changed[list(strands)] = strand_prior(np.ones((prior.shape[1], 3)), pool_second)
    return changed


def relearn_founders(
    learnt: LearntLot,
    groups: Sequence[FamilyLines],
    crude: NDArray[np.float64],
    prior: NDArray[np.float64],
    suspects: Sequence[int],
) -> LearntLot:
    """Learn suspect founders from the homozygous lines of their families.

    Where both parents of a family are suspect, its two chromosome sets are phased and given to the parents as
    they agree best, chromosome by chromosome.
    """
    values = learnt.strand_second.copy()
    typed = values.copy()
    for strand in suspects:
        values[strand] = 0.5
    for group in groups:
        strands = [int(group.model.slots[slot]) for slot in group.model.donor_slots]
        if len(strands) == 2 and all(s in suspects for s in strands):
            phased = phase_family(learnt, group, crude[group.order])
            if phased is not None:
                values[strands] = _given_to(phased, typed[strands], learnt.grid)
    learnt = with_strands(learnt, values)
    reset = untyped_prior(prior, suspects, learnt.pool_second)
    for _ in range(2):
        weights = [LineWeights.only_clean(crude[g.order]) for g in groups]
        counts = count_strands(learnt, groups, weights, {}, plants=False)
        learnt = with_strands(learnt, updated_strands(reset, counts))
    return learnt


def _given_to(phased: NDArray[np.float64], typed: NDArray[np.float64], grid: MarkerGrid) -> NDArray[np.float64]:
    """Swap the two phased sets on every chain where that fits the typed parents better."""
    result = phased.copy()
    for chain in range(grid.n_chains):
        markers = grid.marker[:, chain]
        markers = markers[markers != NO_MARKER]
        here, there = phased[:, markers], typed[:, markers]
        straight = _agreement(here, there)
        if _agreement(here[::-1], there) > straight:
            result[:, markers] = here[::-1]
    return result


def _agreement(first: NDArray[np.float64], second: NDArray[np.float64]) -> float:
    return float(np.log(first * second + (1 - first) * (1 - second) + 0.01).sum())


def suspect_inducers(
    learnt: LearntLot,
    groups: Sequence[FamilyLines],
    share: NDArray[np.float64],
    prior: NDArray[np.float64],
    registry: StrandRegistry,
    score: Score,
) -> dict[int, NDArray[np.float64]]:
    """Inducer strands whose place another pollen parent has taken in most hybrids, with its allele values.

    Returns
    -------
    dict
        float64, shape (n_markers,), by strand.

    """
    hybrid, outcross, selfed = (FINDING_ORDER.index(name) for name in ("hybrid", "outcross", "selfed hybrid"))
    explained = [hybrid, selfed, FINDING_ORDER.index("inducer")]
    found = {}
    for strand in sorted({int(g.model.slots[s]) for g in groups for s in g.model.inducer_slots}):
        users = [g for g in groups if strand in g.model.slots[list(g.model.inducer_slots)]]
        lines = np.concatenate([g.order for g in users])
        is_typed = bool(registry.infos[strand].sample)
        if is_typed:
            stray = lines[share[lines, outcross] > 0.5]
            is_rare = len(stray) < FEWEST_LINES or share[lines][:, explained].sum() > MOST_EXPLAINED
        else:
            stray = lines[share[lines][:, [hybrid, outcross, selfed]].sum(axis=1) > 0.5]
            is_rare = len(stray) < FEWEST_UNTYPED or len(users[0].model.inducer_slots) > 1
        if is_rare:
            continue
        needed = max(2.0, len(stray) / 2 if is_typed else len(stray) / 4)
        values = _shared_pollen(learnt, users, stray, share, prior, strand, score, needed)
        if values is not None:
            found[strand] = values
    return found


def _shared_pollen(
    learnt: LearntLot,
    users: Sequence[FamilyLines],
    stray: NDArray[np.int64],
    share: NDArray[np.float64],
    prior: NDArray[np.float64],
    strand: int,
    score: Score,
    needed: float,
) -> NDArray[np.float64] | None:
    """The pollen that one outcross shows and that explains most others, if it explains enough of them."""
    hybrid, outcross, selfed = (FINDING_ORDER.index(name) for name in ("hybrid", "outcross", "selfed hybrid"))
    reset = untyped_prior(prior, [strand], learnt.pool_second)
    best: NDArray[np.float64] | None = None
    for teacher in stray[:MAX_TEACHERS]:
        pupils = stray[stray != teacher]
        values = learnt.strand_second.copy()
        values[strand] = learnt.pool_second
        is_selfed = share[teacher, selfed] > share[teacher, hybrid] + share[teacher, outcross]
        weights = [
            LineWeights(
                clean=share[g.order, expected_column()],
                hybrid=(g.order == teacher) * float(not is_selfed),
                selfed_hybrid=(g.order == teacher) * float(is_selfed),
            )
            for g in users
        ]
        counts = count_strands(with_strands(learnt, values), users, weights, {}, plants=False)
        values[strand] = updated_strands(reset, counts)[strand]
        scores = score(with_strands(learnt, values), pupils)
        explained = np.maximum(scores[:, hybrid], scores[:, selfed])
        followers = 1 + int((explained - scores[:, outcross] > POLLEN_GAIN).sum())
        if followers >= needed:
            best, needed = values[strand], followers + 1
        if followers > 0.8 * len(stray):
            break
    return best


def without_refuted_inducers(
    groups: Sequence[FamilyLines],
    prior: NDArray[np.float64],
    counts: StrandCounts,
    registry: StrandRegistry,
    pool_second: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Refute an untyped inbred inducer that the supposed hybrids do not share.

    Hybrids with one inbred carry one and the same allele of it at every marker. Where the copies seen disagree at
    many markers, the lines are no hybrids of one inducer (a selfed population looks like that): its alleles are
    then pinned to the commoner ones, so that it explains such lines no longer.

    Parameters
    ----------
    groups
        Families.
    prior
        float64, shape (n_strands, n_markers, 2). Pseudo-counts.
    counts
        Copies seen.
    registry
        The strands.
    pool_second
        float64, shape (n_markers,). Share of the second allele in the lot.

    Returns
    -------
    ndarray
        The pseudo-counts, changed for refuted inducers.

    """
    single = {int(g.model.slots[g.model.inducer_slots[0]]) for g in groups if len(g.model.inducer_slots) == 1}
    founder_second = prior[..., 1] / prior.sum(axis=-1)
    changed = prior
    for strand in sorted(s for s in single if not registry.infos[s].sample):
        seen = counts.values[strand]
        total = seen.sum(axis=1)
        is_seen = total >= FEWEST_COPIES
        if is_seen.mean() < 0.5:
            continue
        split = np.minimum(seen[:, 0], seen[:, 1])[is_seen] / total[is_seen]
        parents = {int(g.model.slots[slot]) for g in groups for slot in g.model.donor_slots}
        second = seen[:, 1] / np.maximum(total, 1e-9)
        if any(_is_founder(second[is_seen], founder_second[p][is_seen]) for p in parents if registry.infos[p].sample):
            changed = changed.copy()
            changed[strand] = np.stack([1 - pool_second, pool_second], axis=1) * PINNED
        elif float((split > DISAGREES).mean()) > MOST_DISAGREEING:
            changed = changed.copy()
            changed[strand] = np.where(second[:, None] > 0.5, [0.0, 1.0], [1.0, 0.0]) * PINNED + 0.01
    return changed


def _is_founder(second: NDArray[np.float64], founder_second: NDArray[np.float64]) -> bool:
    """Whether supposed copies of an inducer are those of a parent of the donor: a backcross, no induction cross."""
    return float(((second > 0.5) == (founder_second > 0.5)).mean()) > SAME_FOUNDER
