"""Mixtures: a clean gamete with a share of another sample's DNA, found among all samples of the lot."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.alternatives import DonorPanel, homozygous, linked_log_likelihood
from dhverify.analysis import Analysis
from dhverify.declared_identity import declared_groups
from dhverify.findings_table import clean, plant_maker
from dhverify.genotypes import MISSING
from dhverify.hypotheses import pollen_of_kin
from dhverify.judging import Option
from dhverify.likelihood import lay_emissions, log_likelihood
from dhverify.mixed_assay import mixed_likelihoods
from dhverify.mixture_fits import SHARES, MixtureFit
from dhverify.partners import PartnerGenotypes
from dhverify.samples import Role, Sample, SampleSheet
from dhverify.scoring import LearntLot
from dhverify.sister_copies import SisterCopies
from dhverify.wells import Contaminants, Wells

SCREEN_SHARES: Final = (0.1, 0.25, 0.5)
"""Shares that the screen tries, fewer for speed (common practice, no source)."""
MAX_PARTNERS: Final = 4
"""Partners that are scored with linkage for one sample; the screen picks them, and the best one counts."""
FEW_MARKERS: Final = 60
"""On panels of so many markers or fewer no partner stands out, and many count together (common practice, no source)."""
CELLS_OF_PARTNERS: Final = 4_000
"""Markers times partners that are scored there, for speed."""
SCREEN_MARKERS: Final = 800
"""Markers that the screen looks at, evenly spaced: more tell little more."""
SCREEN_SAMPLES: Final = 64
"""Samples that are screened together, for memory only: it changes no result."""
LINES_TOGETHER: Final = 128
"""Lines whose partners' genotypes are made together, for speed: it changes no result."""
FEWEST_HETEROZYGOTES: Final = 10
"""Heterozygotes of a sample from which it is compared with the plant that it may be (common practice, no source)."""
SAME_KIND: Final = 0.8
"""A partner that is heterozygous at this share of the sample's heterozygotes is the same plant, not a contaminant."""
FAILED_RATE: Final = 0.3
"""Called at less than this share of the median sample's markers, a sample failed (common practice, no source)."""


def partner_screen(
    learnt: LearntLot,
    rows: Sequence[int],
    gamete_second: NDArray[np.float64],
    partners: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Best log likelihood over a few shares of each partner, markers taken as independent.

    On large panels an even selection of :data:`SCREEN_MARKERS` markers is looked at.

    Parameters
    ----------
    learnt
        The lot.
    rows
        The samples.
    gamete_second
        float64, shape (n_samples, n_markers). Expected second-allele share of each sample's own gamete.
    partners
        int64. Rows of possible partners.

    Returns
    -------
    ndarray
        float64, shape (n_samples, n_partners).

    """
    n_markers = learnt.grid.n_markers
    used = np.unique(np.linspace(0, n_markers - 1, min(n_markers, SCREEN_MARKERS)).astype(np.int64))
    calls = learnt.seen.calls[np.ix_(partners, used)]
    untyped = homozygous(learnt.pool_second[used]).T
    carries = np.concatenate([calls == genotype for genotype in range(3)], axis=1).T.astype(np.float32)
    best = np.empty((len(rows), len(partners)))
    for start in range(0, len(rows), SCREEN_SAMPLES):
        part = slice(start, start + SCREEN_SAMPLES)
        log_chance = _log_chance(learnt, rows[part], gamete_second[part], used)
        unknown = np.log(np.einsum("ksgm,gm->ksm", np.exp(log_chance), untyped))[:, :, None]
        told = (log_chance - unknown).astype(np.float32).reshape(*log_chance.shape[:2], -1)
        score = told @ carries + unknown.sum(axis=(2, 3))[..., None]
        best[part] = score.max(axis=0)
    return best


def _log_chance(
    learnt: LearntLot, rows: Sequence[int], gamete_second: NDArray[np.float64], used: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Log chance of what is seen at each screened share and partner genotype.

    Returns
    -------
    ndarray
        float64, shape (n_shares, n_samples, 3, n_used).

    """
    chance = np.empty((len(SCREEN_SHARES), len(rows), 3, len(used)))
    for position, row in enumerate(rows):
        mixed = mixed_likelihoods(learnt, row, SCREEN_SHARES)[used]
        second = gamete_second[position, used][:, None, None]
        chance[:, position] = (mixed[:, :, 0] * (1 - second) + mixed[:, :, 1] * second).transpose(1, 2, 0)
    return np.log(np.maximum(chance, 1e-12))


def find_mixtures(
    analysis: Analysis,
    panel: DonorPanel,
    lines: Sequence[int],
    everyone: Sequence[Sample],
    strangers: frozenset[str] = frozenset(),
) -> dict[int, MixtureFit]:
    """For each line in doubt, the partners that explain it best as a mixture.

    Parameters
    ----------
    analysis
        The lot.
    panel
        Its donors.
    lines
        Judged samples in doubt, by number.
    everyone
        All genotyped samples, in the order of the rows.
    strangers
        Samples that may have given pollen rather than DNA: they are no line of any donor here.

    Samples that the sheet declares to be the same line or its descent are no contaminants of each other.
    """
    calls = analysis.learnt.seen.calls
    able = rows_with_dna(calls, everyone)
    if not len(able) or not len(lines):
        return {}
    rows = [int(analysis.rows[line]) for line in lines]
    means = panel.mean_second[panel.donor_of_model[analysis.model_of[list(lines)]]]
    scores = partner_screen(analysis.learnt, rows, means, able)
    wells = Wells.of(everyone)
    kin = kin_numbers(everyone)
    kin_of_able = kin[able]
    most = _most_partners(analysis.learnt.grid.n_markers)
    looked_at: list[tuple[int, int, NDArray[np.int64], Contaminants]] = []
    for line, row, score in zip(lines, rows, scores, strict=True):
        is_other = kin_of_able != kin[row]
        others = able[is_other]
        possible = wells.contaminants(row, others)
        near = score[is_other] + possible.log_weights()
        top = _closest(calls, row, others, near, wells.beside(row, others), most)
        if len(top):
            looked_at.append((int(line), row, others[top], possible.chosen(top)))
    genotypes = PartnerGenotypes(analysis)
    copies = SisterCopies(genotypes)
    found = {}
    for start in range(0, len(looked_at), LINES_TOGETHER):
        part = looked_at[start : start + LINES_TOGETHER]
        genotypes.prepare(np.concatenate([partners for _, _, partners, _ in part]))
        for line, row, partners, possible in part:
            otherwise = [
                _as_pollen(analysis, line, row, int(partner), everyone, len(able))
                for partner in partners
                if everyone[partner].name in strangers
            ]
            found[line] = MixtureFit.of(
                [everyone[int(partner)].name for partner in partners],
                _scores(genotypes, line, row, partners),
                possible,
                weight=analysis.learnt.weight,
                pollen_or_copies=(*otherwise, *copies.options(line, partners)),
                all_count=most > MAX_PARTNERS,
            )
    return found


def _most_partners(n_markers: int) -> int:
    """Partners that are scored with linkage for one sample."""
    return MAX_PARTNERS if n_markers > FEW_MARKERS else CELLS_OF_PARTNERS // max(n_markers, 1)


def _closest(
    calls: NDArray[np.int8],
    row: int,
    others: NDArray[np.int64],
    scores: NDArray[np.float64],
    beside: NDArray[np.int64],
    most: int,
) -> NDArray[np.int64]:
    """Positions among the other samples of those that are looked at closely, the best first."""
    order = np.argsort(-scores, kind="stable")[: 4 * most]
    top = order[~same_kind(calls[row], calls[others[order]])][:most]
    beside = beside[~same_kind(calls[row], calls[others[beside]])]
    return np.concatenate([top, np.setdiff1d(beside, top)])


def rows_with_dna(calls: NDArray[np.int8], everyone: Sequence[Sample]) -> NDArray[np.int64]:
    """Rows of samples whose DNA may have got into others: no blanks, and none that failed."""
    able = np.array([k for k, s in enumerate(everyone) if s.role is not Role.BLANK], dtype=np.int64)
    if not calls.shape[1] or not len(able):
        return able[:0]
    rate = (calls[able] != MISSING).mean(axis=1)
    return able[rate > FAILED_RATE * np.median(rate)]


def kin_numbers(everyone: Sequence[Sample]) -> NDArray[np.int64]:
    """Number of the declared line of each sample: itself, its source and descent, its replicates."""
    groups = declared_groups(SampleSheet(samples=tuple(everyone)))
    number: dict[str, int] = {}
    return np.array([number.setdefault(groups.root(s.name), len(number)) for s in everyone], dtype=np.int64)


def _as_pollen(
    analysis: Analysis, line: int, row: int, partner: int, everyone: Sequence[Sample], n_others: int
) -> Option:
    """The partner, or a plant that is its kin, as the pollen parent of an outcross instead."""
    learnt = analysis.learnt
    model = analysis.models[int(analysis.model_of[line])]
    genotype = learnt.plant_genotype(partner)
    own, pool = len(model.slots), len(model.slots) + 1
    values = np.vstack([learnt.family_strands(model), genotype[:, 2] + genotype[:, 1] / 2, learnt.pool_second])
    hypothesis = pollen_of_kin("pollen of kin", plant_maker(model.shape.donor), own, pool)
    return Option(
        finding="outcross",
        log_likelihood=float(linked_log_likelihood(learnt, np.array([row]), values, hypothesis)[0]),
        log_weight=float(np.log(0.3 / n_others)),
        detail="inbred",
        name=everyone[partner].name,
    )


def same_kind(sample: NDArray[np.int8], partners: NDArray[np.int8]) -> NDArray[np.bool_]:
    """Partners that are heterozygous wherever the sample is: the same plant again, and no sign of a mixture."""
    is_het = sample == 1
    if is_het.sum() < FEWEST_HETEROZYGOTES:
        return np.zeros(len(partners), dtype=bool)
    here = partners[:, is_het]
    called = (here != MISSING).sum(axis=1)
    return np.asarray((here == 1).sum(axis=1) > SAME_KIND * np.maximum(called, 1))


def _scores(genotypes: PartnerGenotypes, line: int, row: int, partners: NDArray[np.int64]) -> NDArray[np.float64]:
    """Log likelihood of several partners at all shares, in one recursion; float64, shape (n_partners, n_shares)."""
    analysis = genotypes.analysis
    learnt = analysis.learnt
    model = analysis.models[int(analysis.model_of[line])]
    gamete = clean(model.shape)
    values = learnt.slot_values(model)
    pairs = list(gamete.pairs)
    given_by = np.stack([genotypes[int(partner)] for partner in partners], axis=-1)
    mixed = mixed_likelihoods(learnt, row, SHARES)
    given = (mixed.reshape(len(mixed), -1, 3) @ given_by).reshape(*mixed.shape[:3], -1).transpose(2, 0, 3, 1)
    given = given.reshape(2, len(mixed), 1, -1)
    second = values[[slot for slot, _ in pairs]].T[:, :, None]
    seen = given[0] * (1 - second) + given[1] * second
    scores = log_likelihood(gamete, lay_emissions(seen, pairs, learnt.grid), learnt.grid)
    return scores.reshape(len(partners), len(SHARES))
