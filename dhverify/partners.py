"""The genotype of another sample of the lot, as sure as its own observations and its pedigree make it."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.analysis import Analysis
from dhverify.findings_table import Candidate, candidates
from dhverify.judged_lot import stage_of
from dhverify.judging import FINDING_ORDER, candidate_log_weights
from dhverify.likelihood import state_posterior
from dhverify.outcome import Finding
from dhverify.scoring import sample_emissions
from dhverify.strands import pair_genotypes

SURE_PARTNER: Final = 0.9
"""Probability of a finding of a partner from which its pedigree helps to tell its genotype (common practice, no
source)."""
BY_THEMSELVES: Final = (Finding.UNRESOLVED, Finding.INDUCER, Finding.PARENT)
"""Findings whose samples are told by their own observations only: half the DNA of an inbred makes a hybrid look like a
mixture with it, and must not be surer of its alleles than the hybrid itself."""
MOST_BYTES: Final = 64 * 2**20
"""Memory for genotypes that are kept; it changes no result."""
ELSE: Final = 0.001
"""Share of genotypes that are something else, whatever was seen (common practice, no source)."""


def partner_genotype(analysis: Analysis, row: int) -> NDArray[np.float64]:
    """Genotype probabilities of a sample; where it is known how it came about, from its strands, too.

    Parameters
    ----------
    analysis
        The lot.
    row
        The sample.

    Returns
    -------
    ndarray
        float64, shape (n_markers, 3).

    """
    judged = np.flatnonzero(analysis.rows == row)
    way = _sure_way(analysis, int(judged[0])) if len(judged) else None
    if way is None:
        return analysis.learnt.plant_genotype(row)
    return genotype_by_pedigree(analysis, int(judged[0]), way)


class PartnerGenotypes:
    """Genotype probabilities of samples, made when first asked for; the latest are kept."""

    def __init__(self, analysis: Analysis) -> None:
        self.analysis = analysis
        self._kept: dict[int, NDArray[np.float64]] = {}

    def __getitem__(self, row: int) -> NDArray[np.float64]:
        """Return the genotype of a sample, as :func:`partner_genotype` does."""
        if row not in self._kept:
            genotype = partner_genotype(self.analysis, row)
            if (len(self._kept) + 1) * genotype.nbytes > MOST_BYTES:
                self._kept.clear()
            self._kept[row] = genotype
        return self._kept[row]


def _sure_way(analysis: Analysis, line: int) -> Candidate | None:
    """The hypothesis that a judged sample surely follows; None where there is none, or it is of no pedigree."""
    found = candidates(analysis.models[int(analysis.model_of[line])].shape)
    prior = analysis.priors[stage_of(analysis.judged[line])]
    of_finding = np.log([prior[FINDING_ORDER.index(c.finding)] for c in found])
    weights = candidate_log_weights(found, stage_of(analysis.judged[line]))
    joint = analysis.learnt.weight * analysis.log_likelihood[line] + weights + of_finding
    share = np.exp(joint - np.logaddexp.reduce(joint))
    best = found[int(share.argmax())]
    is_same = np.array([c.finding == best.finding for c in found])
    is_sure = best.finding not in BY_THEMSELVES and float(share[is_same].sum()) >= SURE_PARTNER
    return best if is_sure else None


def genotype_by_pedigree(analysis: Analysis, line: int, way: Candidate) -> NDArray[np.float64]:
    """Genotype probabilities of a judged sample that came about in a given way; float64, shape (n_markers, 3)."""
    learnt, rows = analysis.learnt, analysis.rows[line : line + 1]
    model = analysis.models[int(analysis.model_of[line])]
    plant = analysis.plant_rows.get(model.donor_sample)
    fixed = learnt.donor_genotype(model, plant)
    pairs = way.hypothesis.pairs
    genotypes = pair_genotypes(list(pairs), learnt.slot_values(model), fixed)
    emissions = sample_emissions(learnt, rows, pairs, genotypes)
    where = state_posterior(way.hypothesis, emissions, learnt.grid)[:, :, 0]
    seen = genotypes * learnt.assay.genotype_likelihood(learnt.seen, rows)[:, 0, :, None]
    given = seen / np.maximum(seen.sum(axis=1, keepdims=True), 1e-300)
    return np.asarray((1 - ELSE) * np.einsum("mp,mgp->mg", where, given) + ELSE / 3)
