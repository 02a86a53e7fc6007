"""The genotype of another sample of the lot, as sure as its own observations and its pedigree make it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.analysis import Analysis
from dhverify.findings_table import Candidate, candidates
from dhverify.judged_lot import stage_of
from dhverify.judging import FINDING_ORDER
from dhverify.likelihood import state_posterior
from dhverify.observation import N_GENOTYPES
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
BATCH_BYTES: Final = 8 * 2**20
"""Memory for the pedigrees of samples that are looked at together; it changes no result."""
ELSE: Final = 0.001
"""Share of genotypes that are something else, whatever was seen (common practice, no source)."""


class PartnerGenotypes:
    """Genotype probabilities of samples; where it is known how one came about, from its strands, too.

    They are made when first asked for, and the latest are kept.

    Parameters
    ----------
    analysis
        The lot.

    """

    def __init__(self, analysis: Analysis) -> None:
        self.analysis = analysis
        self._kept: dict[int, NDArray[np.float64]] = {}

    def __getitem__(self, row: int) -> NDArray[np.float64]:
        """Return the genotype of a sample by its row; float64, shape (n_markers, 3)."""
        if row not in self._kept:
            self.prepare((row,))
        return self._kept[row]

    def prepare(self, rows: Iterable[int]) -> None:
        """Make the genotypes of several samples, those of one family and finding together: it is faster."""
        wanted = dict.fromkeys(map(int, rows))
        most = max(1, MOST_BYTES // max(8 * N_GENOTYPES * self.analysis.learnt.grid.n_markers, 1))
        new = [row for row in wanted if row not in self._kept]
        if len(self._kept) + len(new) > most:
            self._kept.clear()
            new = list(wanted)[:most]
        alike: dict[tuple[int, int], list[int]] = {}
        for row in new:
            line = self.analysis.line_of.get(row)
            way = None if line is None else _sure_way(self.analysis, line)
            if line is None or way is None:
                self._kept[row] = self.analysis.learnt.plant_genotype(row)
            else:
                alike.setdefault((int(self.analysis.model_of[line]), way), []).append(line)
        for (family, way), lines in alike.items():
            found = candidates(self.analysis.models[family].shape)[way]
            made = genotypes_by_pedigree(self.analysis, lines, found)
            self._kept.update(zip(self.analysis.rows[lines].tolist(), made, strict=True))


def _sure_way(analysis: Analysis, line: int) -> int | None:
    """Number of the candidate that a judged sample surely follows; None where it follows none, or no pedigree."""
    found, weights = analysis.ways(line)
    prior = analysis.priors[stage_of(analysis.judged[line])]
    of_finding = np.log([prior[FINDING_ORDER.index(c.finding)] for c in found])
    joint = analysis.learnt.weight * analysis.log_likelihood[line] + weights + of_finding
    share = np.exp(joint - np.logaddexp.reduce(joint))
    best = int(share.argmax())
    finding = found[best].finding
    is_same = np.array([c.finding == finding for c in found])
    is_sure = finding not in BY_THEMSELVES and float(share[is_same].sum()) >= SURE_PARTNER
    return best if is_sure else None


def genotypes_by_pedigree(analysis: Analysis, lines: Sequence[int], way: Candidate) -> NDArray[np.float64]:
    """Genotype probabilities of judged samples of one family that came about in a given way.

    Returns
    -------
    ndarray
        float64, shape (n_lines, n_markers, 3).

    """
    learnt, pairs = analysis.learnt, way.hypothesis.pairs
    model = analysis.models[int(analysis.model_of[lines[0]])]
    fixed = learnt.donor_genotype(model, analysis.plant_rows.get(model.donor_sample))
    genotypes = pair_genotypes(list(pairs), learnt.slot_values(model), fixed)
    made = np.empty((len(lines), learnt.grid.n_markers, N_GENOTYPES))
    together = max(1, BATCH_BYTES // max(8 * genotypes.size, 1))
    for start in range(0, len(lines), together):
        rows = analysis.rows[list(lines[start : start + together])]
        emissions = sample_emissions(learnt, rows, pairs, genotypes)
        where = state_posterior(way.hypothesis, emissions, learnt.grid)
        likelihood = learnt.assay.genotype_likelihood(learnt.seen, rows)
        for position in range(len(rows)):
            seen = genotypes * likelihood[:, position, :, None]
            given = seen / np.maximum(seen.sum(axis=1, keepdims=True), 1e-300)
            told = np.einsum("mp,mgp->mg", where[:, :, position], given)
            made[start + position] = (1 - ELSE) * told + ELSE / 3
    return made
