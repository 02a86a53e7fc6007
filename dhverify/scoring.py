"""Log likelihoods of many lines under all hypotheses of their families, in batches of one family shape."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.family_models import FamilyModel
from dhverify.findings_table import Candidate
from dhverify.hypotheses import Hypothesis
from dhverify.likelihood import Emissions, log_likelihood
from dhverify.marker_grid import NO_MARKER, MarkerGrid
from dhverify.observation import AssayModel, Observations
from dhverify.strands import pair_genotypes

BATCH_BYTES: Final = 24 * 2**20
"""Emission table of one batch."""


@dataclass(frozen=True, kw_only=True, eq=False)
class LearntLot:
    """All that a likelihood needs: observations, chains, assay, strands.

    Attributes
    ----------
    seen
        What was observed of all samples.
    grid
        The chains of usable markers.
    assay
        How the assay errs.
    strand_second
        float64, shape (n_strands, n_markers). Probability of the second allele on each strand.
    pool_second
        float64, shape (n_markers,). Share of the second allele in material of unknown origin.
    weight
        What the log likelihoods count for: 1, or less where linked markers have to be used as unlinked and so say
        the same thing several times.
    fixed_second
        By donor whose lines come of one plant where plants differ: float64, shape (n_markers,), the probability of the
        second allele where that plant is fixed, nan elsewhere.
    one_plant
        By the same donors: float64, shape (n_markers, 3), the genotype of that plant.

    """

    seen: Observations
    grid: MarkerGrid
    assay: AssayModel
    strand_second: NDArray[np.float64]
    pool_second: NDArray[np.float64]
    weight: float = 1.0
    fixed_second: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    one_plant: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)

    def family_strands(self, model: FamilyModel) -> NDArray[np.float64]:
        """Second-allele probability of each founder slot of a family; float64, shape (n_slots, n_markers)."""
        values = self.strand_second[model.slots]
        if model.shape.parents:
            donor = list(model.donor_slots)
            values[donor] = self.in_plant(model, values[donor])
        return values

    def in_plant(self, model: FamilyModel, second: NDArray[np.float64]) -> NDArray[np.float64]:
        """Strands of the donor with what is fixed in its one plant; float64, shape (n_strands, n_markers), as given."""
        fixed = self.fixed_second[model.family.donor]
        return np.where(np.isnan(fixed), second, fixed)

    def slot_values(self, model: FamilyModel) -> NDArray[np.float64]:
        """Second-allele probability of each local slot: founders, pool, typed plant (unused), second pool."""
        pool = self.pool_second
        return np.vstack([self.family_strands(model), pool, pool, pool])

    def donor_genotype(self, model: FamilyModel, plant: int | None) -> dict[int, NDArray[np.float64]]:
        """Genotype probabilities of the donor plant of a family, by its slot; empty where nothing tells them.

        Parameters
        ----------
        model
            The family.
        plant
            Row of the typed donor plant, if there is one.

        """
        if model.shape.parents:
            return {model.shape.plant: self.one_plant[model.family.donor]}
        return {} if plant is None else {model.shape.plant: self.plant_genotype(plant)}

    def plant_genotype(self, sample: int) -> NDArray[np.float64]:
        """Genotype probabilities of a typed sample; float64, shape (n_markers, 3)."""
        likelihood = self.assay.genotype_likelihood(self.seen, np.array([sample]))[:, 0]
        q = self.pool_second[:, None]
        prior = np.concatenate([(1 - q) ** 2, 2 * q * (1 - q), q**2], axis=1)
        posterior = likelihood * (0.5 * prior + 0.5 / 3)
        posterior /= posterior.sum(axis=1, keepdims=True)
        mixed: NDArray[np.float64] = 0.999 * posterior + 0.001 / 3
        return mixed


@dataclass(frozen=True, kw_only=True, eq=False)
class FamilyLines:
    """Lines (by sample row) of one family; ``order`` is where their results go."""

    model: FamilyModel
    plant: int | None
    samples: NDArray[np.int64]
    order: NDArray[np.int64]


def batches(groups: Sequence[FamilyLines], lines_per_batch: int) -> Iterator[list[FamilyLines]]:
    """Cut families of one shape into batches of a bounded number of lines."""
    batch: list[FamilyLines] = []
    room = lines_per_batch
    for group in groups:
        start = 0
        while start < len(group.samples):
            part = slice(start, start + room)
            batch.append(
                FamilyLines(
                    model=group.model,
                    plant=group.plant,
                    samples=group.samples[part],
                    order=group.order[part],
                )
            )
            taken = len(batch[-1].samples)
            start += taken
            room -= taken
            if room == 0:
                yield batch
                batch, room = [], lines_per_batch
    if batch:
        yield batch


def all_pairs(hypotheses: Sequence[Hypothesis]) -> list[tuple[int, int]]:
    """Strand pairs of several hypotheses, each once."""
    return list(dict.fromkeys(pair for h in hypotheses for pair in h.pairs))


def sample_emissions(
    lot: LearntLot, samples: NDArray[np.int64], pairs: Sequence[tuple[int, int]], genotypes: NDArray[np.float64]
) -> Emissions:
    """Emissions of some samples at strand pairs whose genotypes are given.

    Parameters
    ----------
    lot
        The lot.
    samples
        Sample rows.
    pairs
        Strand pairs.
    genotypes
        float64, shape (n_markers, 3, n_pairs). Genotype probabilities of each pair.

    """
    marker = lot.grid.marker
    likelihood = lot.assay.mixed_likelihood(lot.seen, samples, genotypes, marker.ravel())
    values = likelihood.reshape(*marker.shape, len(pairs), len(samples))
    values[marker == NO_MARKER] = 1.0
    return Emissions(values=values, columns={pair: column for column, pair in enumerate(pairs)})


def batch_emissions(lot: LearntLot, batch: Sequence[FamilyLines], pairs: list[tuple[int, int]]) -> Emissions:
    """Emissions of the lines of a batch at all strand pairs."""
    parts = []
    for group in batch:
        fixed = lot.donor_genotype(group.model, group.plant)
        genotypes = pair_genotypes(pairs, lot.slot_values(group.model), fixed)
        parts.append(sample_emissions(lot, group.samples, pairs, genotypes))
    return joined_emissions(parts)


def joined_emissions(parts: Sequence[Emissions]) -> Emissions:
    """Emissions of several samples at the same strand pairs in one."""
    values = parts[0].values if len(parts) == 1 else np.concatenate([part.values for part in parts], axis=3)
    return Emissions(values=values, columns=parts[0].columns)


def score(
    lot: LearntLot,
    groups: Sequence[FamilyLines],
    found: Sequence[Candidate],
    *,
    jobs: int = 1,
    advance: Callable[[int], None] | None = None,
) -> NDArray[np.float64]:
    """Log likelihood of every line under every candidate, for families of one shape.

    Parameters
    ----------
    lot
        The lot.
    groups
        Lines by family, all of one shape.
    found
        Candidates of that shape.
    jobs
        Threads.
    advance
        Called with the number of lines done.

    Returns
    -------
    ndarray
        float64, shape (n_lines, n_candidates), rows in the order of ``FamilyLines.order``.

    """
    pairs = all_pairs([c.hypothesis for c in found])
    cells = lot.grid.n_steps * lot.grid.n_chains * len(pairs)
    per_batch = int(max(8, min(256, BATCH_BYTES // (8 * max(cells, 1)))))
    n_lines = sum(len(group.samples) for group in groups)
    result = np.empty((n_lines, len(found)))

    def run(batch: list[FamilyLines]) -> None:
        emissions = batch_emissions(lot, batch, pairs)
        rows = np.concatenate([group.order for group in batch])
        for column, candidate in enumerate(found):
            result[rows, column] = log_likelihood(candidate.hypothesis, emissions, lot.grid)
        if advance is not None:
            advance(len(rows))

    with ThreadPoolExecutor(max_workers=max(1, jobs)) as pool:
        list(pool.map(run, batches(groups, per_batch)))
    return result
