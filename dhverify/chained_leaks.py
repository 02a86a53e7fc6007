"""Leaks from wells that themselves received another's DNA, and between two wells that leaked into each other."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.alternatives import homozygous
from dhverify.analysis import Analysis
from dhverify.copy_share import COPY_SHARE
from dhverify.evidence import LineEvidence
from dhverify.findings_table import Tree, clean, plant_maker
from dhverify.hypotheses import crossed
from dhverify.judging import FINDING_ORDER
from dhverify.leaks import SURE_LINKED, LeakFinder
from dhverify.likelihood import lay_emissions, log_likelihood, state_posterior
from dhverify.lot import Lot
from dhverify.mixed_assay import mixed_likelihood, plant_likelihood
from dhverify.mixture_fits import SHARES
from dhverify.outcome import Finding
from dhverify.pair_odds import PairOdds
from dhverify.wells import TOUCHING, are_neighbours, well_place

LIKE_SISTERS: Final = frozenset({Finding.SELFED_DONOR, Finding.DONOR, Finding.OUTCROSS, Finding.SELFED_HYBRID})
"""Findings that a mixture of two sister lines can be taken for."""
LOOKED_AT: Final = LIKE_SISTERS | {Finding.MIXTURE}
N_TOUCHING: Final = 8
MUTUAL_SHARE: Final = 0.1
"""Share of leaks that went both ways (common practice, no source)."""
TWIN_SHARE: Final = COPY_SHARE * TOUCHING / N_TOUCHING
"""Share of samples that are one plant with the sample of a given well that touches: as many as lines have a copy,
and half of these beside it (common practice, no source)."""


def with_chains(lot: Lot, analysis: Analysis, evidence: Mapping[str, LineEvidence]) -> dict[str, LineEvidence]:
    """Look again at lines beside a well that itself received another's DNA.

    What was typed in such a well is not what it leaked: the gamete that stood there first is. A line that holds
    some of it looks like selfed donor as long as the typed mixture is taken for the source. Two wells that leaked
    into each other are looked at together (:func:`with_mutual_leaks`).

    Parameters
    ----------
    lot
        The genotyped samples.
    analysis
        What was learnt of them.
    evidence
        By sample name.

    Returns
    -------
    dict
        The evidence, that of lines which are mixtures after all replaced.

    """
    finder = LeakFinder.of(lot, analysis)
    sources = [lot.row[name] for name, known in evidence.items() if _is_typed_mixture(known, finder)]
    result = dict(evidence)
    for name, known in evidence.items():
        if known.finding not in LIKE_SISTERS or lot.row.get(name, -1) not in finder.analysis.line_of:
            continue
        near = [row for row in sources if are_neighbours(known.sample, lot.samples[row])]
        fits = [fit for row in near if (fit := _chained(finder, known, row, evidence)) is not None]
        if fits:
            result[name] = max(fits, key=lambda fit: fit.confidence or 0.0)
    return with_mutual_leaks(finder, result)


def _is_typed_mixture(known: LineEvidence, finder: LeakFinder) -> bool:
    return (
        known.finding is Finding.MIXTURE
        and known.contaminant in finder.lot.row
        and finder.lot.row.get(known.sample.name, -1) in finder.analysis.line_of
    )


def _chained(
    finder: LeakFinder, known: LineEvidence, source: int, evidence: Mapping[str, LineEvidence]
) -> LineEvidence | None:
    """Return the evidence of a line as a mixture with the gamete that stood in a well first, where that is sure."""
    row = finder.lot.row[known.sample.name]
    line = finder.analysis.line_of[row]
    model = finder.analysis.models[int(finder.analysis.model_of[line])]
    genotype = _first_gamete(finder, source, evidence[finder.lot.samples[source].name])
    scores = finder.linked(row, clean(model.shape), model, genotype)
    prior = finder.analysis.prior_rows()[line]
    weight = float(np.log(prior[FINDING_ORDER.index("mixture")] * TOUCHING / N_TOUCHING))
    odds = float(np.logaddexp.reduce(scores) - np.log(len(SHARES))) + weight - known.log_evidence
    if odds < SURE_LINKED:
        return None
    p = float(1 / (1 + np.exp(-odds)))
    return replace(
        known,
        finding=Finding.MIXTURE,
        confidence=p,
        posterior={Finding.MIXTURE: p, known.finding: 1 - p},
        detail="",
        named="",
        contaminant=finder.lot.samples[source].name,
        contaminant_share=finder.told_share(scores),
    )


def _first_gamete(finder: LeakFinder, row: int, known: LineEvidence) -> NDArray[np.float64]:
    """Genotype of the gamete in a mixture, without what it received; float64, shape (n_markers, 3)."""
    learnt = finder.analysis.learnt
    model = finder.analysis.models[int(finder.analysis.model_of[finder.analysis.line_of[row]])]
    gamete, values = clean(model.shape), learnt.slot_values(model)
    contaminant = finder.genotypes[finder.lot.row[known.contaminant]]
    scores = finder.linked(row, gamete, model, contaminant)
    given = np.einsum("mag,mg->ma", mixed_likelihood(learnt, row, SHARES[int(scores.argmax())]), contaminant)
    second = np.stack([given[:, 1] * values[slot] for slot, _ in gamete.pairs], axis=1)
    both = second + np.stack([given[:, 0] * (1 - values[slot]) for slot, _ in gamete.pairs], axis=1)
    emissions = lay_emissions(both[:, :, None], list(gamete.pairs), learnt.grid)
    where = state_posterior(gamete, emissions, learnt.grid)[:, :, 0]
    return homozygous((where * second / np.maximum(both, 1e-300)).sum(axis=1))


# two wells that leaked into each other


def with_mutual_leaks(finder: LeakFinder, evidence: Mapping[str, LineEvidence]) -> dict[str, LineEvidence]:
    """Look again at pairs of lines in wells that touch, neither of which is a clean line.

    Each of them may hold a gamete of its own donor and a share of the other's. In calls both are then heterozygous
    wherever the two gametes differ, and look like one plant twice: that story is held against this one, and the
    pair is left alone unless it is sure.

    Parameters
    ----------
    finder
        The search in the lot.
    evidence
        By sample name.

    Returns
    -------
    dict
        The evidence, that of lines which are mixtures after all replaced.

    """
    row = finder.lot.row
    pairs = _touching(
        k for k in evidence.values() if k.finding in LOOKED_AT and row.get(k.sample.name, -1) in finder.analysis.line_of
    )
    if not pairs:
        return dict(evidence)
    odds = PairOdds(finder.lot, finder.analysis)
    found = [known for one, two in pairs for known in _mutual(finder, odds, one, two)]
    return {**evidence, **{known.sample.name: known for known in found}}


def _touching(lines: Iterable[LineEvidence]) -> list[tuple[LineEvidence, LineEvidence]]:
    """Pairs of lines in wells that touch, corners included, each once."""
    at = {(known.sample.plate, *well_place(known.sample.well)): known for known in lines if known.sample.well}
    onward = ((0, 1), (1, -1), (1, 0), (1, 1))
    return [
        (known, at[plate, row + down, column + right])
        for (plate, row, column), known in at.items()
        for down, right in onward
        if (plate, row + down, column + right) in at
    ]


def _mutual(finder: LeakFinder, odds: PairOdds, one: LineEvidence, two: LineEvidence) -> list[LineEvidence]:
    """Evidence of two lines as mixtures of their two gametes; empty where that is not sure."""
    rows = [finder.lot.row[known.sample.name] for known in (one, two)]
    scores = _both_ways(finder, rows)
    apart = _log_by_itself(finder, rows[0], one) + _log_by_itself(finder, rows[1], two)
    twins = float(odds.log_odds([rows[0]], [rows[1]])[0]) + np.log(TWIN_SHARE)
    rest = apart + float(np.logaddexp(0.0, twins))
    prior = finder.analysis.prior_rows()[finder.analysis.line_of[rows[0]]][FINDING_ORDER.index("mixture")]
    weight = float(np.log(prior * MUTUAL_SHARE * TOUCHING / N_TOUCHING))
    found = float(np.logaddexp.reduce(scores, axis=None) - np.log(scores.size)) + weight - rest
    if found < SURE_LINKED:
        return []
    p = float(1 / (1 + np.exp(-found)))
    shares = [finder.told_share(np.logaddexp.reduce(scores, axis=axis)) for axis in (1, 0)]
    return [_mixture(own, other, p, share) for own, other, share in zip((one, two), (two, one), shares, strict=True)]


def _log_by_itself(finder: LeakFinder, row: int, known: LineEvidence) -> float:
    """Log likelihood of all that was held against a line, its own contaminant too where it has one."""
    line = finder.analysis.line_of[row]
    if known.finding is not Finding.MIXTURE or known.contaminant not in finder.lot.row:
        return known.log_evidence
    model = finder.analysis.models[int(finder.analysis.model_of[line])]
    genotype = finder.genotypes[finder.lot.row[known.contaminant]]
    scores = finder.linked(row, clean(model.shape), model, genotype)
    prior = finder.analysis.prior_rows()[line][FINDING_ORDER.index("mixture")] * TOUCHING / N_TOUCHING
    return float(np.logaddexp(known.log_evidence, np.logaddexp.reduce(scores) - np.log(len(SHARES)) + np.log(prior)))


def _mixture(own: LineEvidence, other: LineEvidence, p: float, share: float | None) -> LineEvidence:
    rest = own.finding if own.finding is not Finding.MIXTURE else Finding.SELFED_DONOR
    return replace(
        own,
        finding=Finding.MIXTURE,
        confidence=p,
        posterior={Finding.MIXTURE: p, rest: 1 - p},
        detail="",
        named="",
        contaminant=other.sample.name,
        contaminant_share=share,
    )


def _both_ways(finder: LeakFinder, rows: Sequence[int]) -> NDArray[np.float64]:
    """Log likelihood of two samples that hold two gametes, each more or less of either.

    Returns
    -------
    ndarray
        float64, shape (n_shares, n_shares): by the share that the first received, and the second.

    """
    learnt = finder.analysis.learnt
    models = [finder.analysis.models[int(finder.analysis.model_of[finder.analysis.line_of[row]])] for row in rows]
    values = np.vstack([learnt.slot_values(model) for model in models])
    second_donor = _moved_slots(models[1].shape.donor, len(learnt.slot_values(models[0])))
    gametes = crossed("two gametes", plant_maker(models[0].shape.donor), plant_maker(second_donor))
    first, second = (
        np.stack([plant_likelihood(learnt, row, share)[:, ::2, ::2] for share in SHARES], axis=-1) for row in rows
    )
    alleles = np.stack([1 - values, values], axis=-1)
    seen = np.stack(
        [
            np.einsum("ma,mb,mabf,mbag->mfg", alleles[one], alleles[two], first, second).reshape(len(first), -1)
            for one, two in gametes.pairs
        ],
        axis=1,
    )
    scores = log_likelihood(gametes, lay_emissions(seen, list(gametes.pairs), learnt.grid), learnt.grid)
    return scores.reshape(len(SHARES), len(SHARES))


def _moved_slots(tree: Tree, by: int) -> Tree:
    """A pedigree whose founders stand further on among the values."""
    if isinstance(tree, int):
        return tree + by
    first, second = tree
    return _moved_slots(first, by), _moved_slots(second, by)
