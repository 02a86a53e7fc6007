"""Leaks: wells that received a share of another well's DNA, which one's, and how much.

Lines and controls that are mixtures are found with the findings (:mod:`dhverify.contamination`); here every other
sample of a plate is looked at as well. References stand by what their offspring say of them, markers taken as
independent, and a leak is only called where one sample's genotype explains what the reference's own cannot, better
than any amount of heterozygosity of its own would. Hybrids have a donor gamete that nobody typed, and are held
against the sources with linkage.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.alternatives import homozygous, united
from dhverify.analysis import Analysis
from dhverify.contamination import SCREEN_SHARES, kin_numbers, rows_with_dna, same_kind
from dhverify.evidence import LineEvidence
from dhverify.family_models import FamilyModel
from dhverify.findings_table import candidates, clean
from dhverify.hypotheses import Hypothesis
from dhverify.likelihood import lay_emissions, log_likelihood
from dhverify.lot import Lot
from dhverify.mixed_assay import plant_likelihood
from dhverify.mixture_fits import SHARES, told_share
from dhverify.outcome import Finding
from dhverify.partners import PartnerGenotypes
from dhverify.samples import Role, Sample
from dhverify.strands import pair_genotypes
from dhverify.wells import Wells, are_neighbours

SURE: Final = 25.0
"""Log odds from which a leak is called where markers are taken as independent: linked markers repeat themselves, so
that the odds are too large (common practice, no source; no clean well of simulated plates reaches it)."""
SURE_LINKED: Final = 4.6
"""The same with linkage: odds of 99."""
MOSTLY_PLACED: Final = 0.5
"""Share of markers with a place on the map from which linkage is taken into account (common practice, no source)."""
SCREENED: Final = 3.0
"""Log odds, markers taken as independent, from which a hybrid is looked at with linkage."""
LEAK_PRIOR: Final = 0.01
"""Share of samples that hold another's DNA before the plate is looked at (common practice, no source)."""
OWN_HETEROZYGOSITY: Final = (0.01, 0.05, 0.2, 0.6)
"""Heterozygosities tried for a sample of which nothing is expected (common practice, no source)."""
MOST_MARKERS: Final = 800
"""Markers that the screen looks at, evenly spaced: more tell little more."""
MOST_SAMPLES: Final = 2000
"""In a larger lot only samples of the same plate are looked at as the source."""
MAX_SOURCES: Final = 3
"""Contaminants that are looked at closely for one sample; the screen picks them."""
HALF_SHARE: Final = 0.35
"""A hybrid taken for a mixture is one of about one half; where the share is smaller, nobody looks for a hybrid."""
BESIDE: Final = 0.3
"""Wells that touch are looked at with linkage when the screen puts them within this share of the best one's odds."""


@dataclass(frozen=True, kw_only=True)
class Leak:
    """A well that received another's DNA.

    Attributes
    ----------
    sample
        The sample that received it.
    source
        The sample whose DNA it is.
    share
        Share of the DNA; None where calls alone cannot tell.
    is_near
        Whether the two wells touch.

    """

    sample: str
    source: str
    share: float | None
    is_near: bool


def find_leaks(
    lot: Lot,
    analysis: Analysis,
    evidence: Mapping[str, LineEvidence],
    unsettled: frozenset[str] = frozenset(),
) -> dict[str, Leak]:
    """Find the wells of a lot that received another's DNA.

    Parameters
    ----------
    lot
        The genotyped samples.
    analysis
        What was learnt of them.
    evidence
        What was found of lines and controls, by sample name; mixtures among them are taken over.
    unsettled
        Samples of which nothing can be told while a plate is out of place: neither received they DNA nor gave it.

    Returns
    -------
    dict
        By the name of the sample that received it.

    """
    found: dict[str, Leak] = {}
    finder = LeakFinder.of(lot, analysis)
    for row, sample in enumerate(lot.samples):
        if sample.name in unsettled:
            continue
        known = evidence.get(sample.name)
        if known is not None and known.finding is Finding.MIXTURE and known.contaminant in lot.row:
            found[sample.name] = finder.rather_hybrid(row, known) or _of_mixture(lot, sample, known)
        elif sample.well:
            leak = finder.into(row, sample, known)
            if leak is not None:
                found[sample.name] = leak
    return {name: leak for name, leak in found.items() if leak.source not in unsettled}


def _of_mixture(lot: Lot, sample: Sample, known: LineEvidence) -> Leak:
    source = lot.samples[lot.row[known.contaminant]]
    is_near = are_neighbours(sample, source)
    return Leak(sample=sample.name, source=source.name, share=known.contaminant_share, is_near=is_near)


def _reference_genotype(analysis: Analysis, sample: Sample) -> NDArray[np.float64] | None:
    """What a reference should be by itself; float64, shape (n_markers, 3); None where that is not known."""
    strand_second = analysis.learnt.strand_second
    if sample.role in {Role.PARENT, Role.INDUCER}:
        strands = [k for k, info in enumerate(analysis.registry.infos) if info.sample == sample.name]
        return homozygous(strand_second[strands[0]]) if strands else None
    if sample.role is Role.DONOR:
        models = [m for m in analysis.models if m.donor_sample == sample.name]
        if not models or models[0].shape.donor != models[0].donor_slots[:2]:
            return None
        first, second = (strand_second[models[0].slots[slot]] for slot in models[0].donor_slots)
        return united(first, second)
    return homozygous(np.full_like(analysis.learnt.pool_second, 0.5)) if sample.role is Role.KNOWN else None


def _hybrid_of(model: FamilyModel) -> int:
    """Number of the candidate of a family that is its hybrid; bulks of several plants have none."""
    return [c.finding for c in candidates(model.shape)].index(Finding.HYBRID)


def _mean(analysis: Analysis, model: FamilyModel, slots: Sequence[int]) -> NDArray[np.float64]:
    return np.asarray(analysis.learnt.strand_second[model.slots[list(slots)]].mean(axis=0))


@dataclass(frozen=True, kw_only=True, eq=False)
class LeakFinder:
    """What is looked at for every sample of a lot: markers, sources, and the assay at every share.

    Attributes
    ----------
    lot, analysis
        The genotyped samples, and what was learnt of them.
    used
        int64. Markers of the screen.
    sources
        int64. Rows of samples whose DNA can have got elsewhere.
    kin
        int64, shape (n_samples,). Number of the line that each sample is declared to be of.
    wells
        Where each sample stands.
    genotypes
        What is known of the genotype of each sample.

    """

    lot: Lot
    analysis: Analysis
    used: NDArray[np.int64]
    sources: NDArray[np.int64]
    kin: NDArray[np.int64]
    wells: Wells
    genotypes: PartnerGenotypes

    @classmethod
    def of(cls, lot: Lot, analysis: Analysis) -> LeakFinder:
        """Prepare the search in a lot."""
        n_markers = lot.seen.n_markers
        used = np.unique(np.linspace(0, max(n_markers - 1, 0), min(n_markers, MOST_MARKERS)).astype(np.int64))
        return cls(
            lot=lot,
            analysis=analysis,
            used=used if n_markers else used[:0],
            sources=rows_with_dna(lot.seen.calls, lot.samples),
            kin=kin_numbers(lot.samples),
            wells=Wells.of(lot.samples),
            genotypes=PartnerGenotypes(analysis),
        )

    def into(self, row: int, sample: Sample, known: LineEvidence | None) -> Leak | None:
        """Return the leak into a sample that is no mixture by its finding, if there is one."""
        if not len(self.used) or len(self.sources) < 2:
            return None
        if sample.role in {Role.LINE, Role.CONTROL}:
            is_hybrid = known is not None and known.finding is Finding.HYBRID and row in self.analysis.line_of
            if not is_hybrid:
                return None
            line = self.analysis.line_of[row]
            model = self.analysis.models[int(self.analysis.model_of[line])]
            if model.shape.is_bulk:
                return None
            null = float(self.analysis.log_likelihood[line][_hybrid_of(model)])
            return self._into_hybrid(row, model, null)
        own = _reference_genotype(self.analysis, sample)
        return None if own is None else self._into_reference(row, own)

    def rather_hybrid(self, row: int, known: LineEvidence) -> Leak | None:
        """Return the leak into a hybrid that explains a mixture better than a clean gamete and one other plant."""
        is_small = known.contaminant_share is not None and known.contaminant_share < HALF_SHARE
        if is_small or row not in self.analysis.line_of or len(self.sources) < 2:
            return None
        model = self.analysis.models[int(self.analysis.model_of[self.analysis.line_of[row]])]
        if model.shape.is_bulk:
            return None
        contaminant = self.genotypes[self.lot.row[known.contaminant]]
        scores = self.linked(row, clean(model.shape), model, contaminant)
        return self._into_hybrid(row, model, float(np.logaddexp.reduce(scores) - np.log(len(SHARES))))

    def _into_reference(self, row: int, own: NDArray[np.float64]) -> Leak | None:
        sources, weights, mixed = *self._sources(row), 0.995 * own[self.used] + 0.005 / 3
        screened = self._screen(row, mixed, sources) + weights
        order = np.argsort(-screened, kind="stable")[:MAX_SOURCES]
        null = self._null(row, mixed)
        if not len(order) or screened[order[0]] - null < SURE:
            return None
        fits = {int(k): self._at_shares(row, mixed, int(sources[k])) for k in order}
        given = np.stack([self.genotypes[int(sources[k])][self.used] for k in order], axis=-1)
        null = max(null, *self._as_copies(plant_likelihood(self.analysis.learnt, row, 0.0, self.used), given))
        return self._best(row, sources, weights, fits, null, SURE)

    def _into_hybrid(self, row: int, model: FamilyModel, null: float) -> Leak | None:
        """Return the leak into a hybrid, against the log likelihood of having none."""
        own = united(_mean(self.analysis, model, model.donor_slots), _mean(self.analysis, model, model.inducer_slots))[
            self.used
        ]
        sources, weights = self._sources(row)
        screened = self._screen(row, own, sources) + weights
        alone = plant_likelihood(self.analysis.learnt, row, 0.0, self.used)[:, :, 0]
        odds = screened - float(np.log(np.einsum("mg,mg->m", own, alone)).sum())
        order = np.argsort(-odds, kind="stable")
        if not len(order) or odds[order[0]] < SCREENED:
            return None
        is_near = self.wells.is_touching(row, sources)
        wanted = {int(k) for k in order[:MAX_SOURCES]}
        wanted |= {k for k, near in enumerate(is_near) if near and odds[k] > BESIDE * odds[order[0]]}
        hybrid = candidates(model.shape)[_hybrid_of(model)].hypothesis
        numbers = sorted(wanted)
        self.genotypes.prepare(sources[numbers])
        given = np.stack([self.genotypes[int(sources[k])] for k in numbers], axis=-1)
        fits = dict(zip(numbers, self.all_linked(row, hybrid, model, given), strict=True))
        null = max(null, *self._as_copies(plant_likelihood(self.analysis.learnt, row, 0.0), given))
        is_placed = bool(np.isfinite(self.analysis.learnt.grid.cm).mean() >= MOSTLY_PLACED)
        return self._best(row, sources, weights, fits, null, SURE_LINKED if is_placed else SURE)

    def _best(
        self,
        row: int,
        sources: NDArray[np.int64],
        weights: NDArray[np.float64],
        fits: Mapping[int, NDArray[np.float64]],
        null: float,
        sure: float,
    ) -> Leak | None:
        """Return the leak of the source that fits best, where it is sure."""
        odds = {k: float(np.logaddexp.reduce(scores) - np.log(len(SHARES)) + weights[k]) for k, scores in fits.items()}
        best = max(odds, key=lambda k: odds[k])
        if odds[best] - null + np.log(LEAK_PRIOR) <= sure:
            return None
        return self._leak(row, int(sources[best]), fits[best])

    def linked(
        self, row: int, hypothesis: Hypothesis, model: FamilyModel, genotype: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Log likelihood of what a hypothesis says with DNA of a genotype, at every share; shape (n_shares,)."""
        return self.all_linked(row, hypothesis, model, genotype[..., None])[0]

    def all_linked(
        self, row: int, hypothesis: Hypothesis, model: FamilyModel, genotypes: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Log likelihood of what a hypothesis says with DNA of each of several genotypes, at every share.

        Parameters
        ----------
        row
            The sample.
        hypothesis, model
            How it came about, and in which family.
        genotypes
            float64, shape (n_markers, 3, n_sources).

        Returns
        -------
        ndarray
            float64, shape (n_sources, n_shares).

        """
        learnt = self.analysis.learnt
        pairs = list(hypothesis.pairs)
        own = pair_genotypes(pairs, learnt.slot_values(model), {}).transpose(0, 2, 1)
        seen = [own @ (plant_likelihood(self.analysis.learnt, row, share) @ genotypes) for share in SHARES]
        laid = np.stack(seen, axis=-1).reshape(*own.shape[:2], -1)
        scores = log_likelihood(hypothesis, lay_emissions(laid, pairs, learnt.grid), learnt.grid)
        return scores.reshape(-1, len(SHARES))

    def _leak(self, row: int, source: int, scores: NDArray[np.float64]) -> Leak:
        sample, other = self.lot.samples[row], self.lot.samples[source]
        return Leak(
            sample=sample.name,
            source=other.name,
            share=self.told_share(scores),
            is_near=are_neighbours(sample, other),
        )

    def told_share(self, scores: NDArray[np.float64]) -> float | None:
        """Posterior mean of the share, where it is known well enough; None else."""
        return told_share(scores, has_reads=self.lot.seen.depths is not None)

    def _sources(self, row: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Rows of possible sources, and their log prior; another sample of the very plant is none."""
        calls, others = self.lot.seen.calls, self.sources[self.kin[self.sources] != self.kin[row]]
        if len(self.lot.samples) > MOST_SAMPLES:
            others = others[self.wells.is_same_plate(row, others)]
        others = others[~same_kind(calls[row], calls[others])]
        return others, self.wells.contaminants(row, others).log_weights()

    def _screen(self, row: int, own: NDArray[np.float64], sources: NDArray[np.int64]) -> NDArray[np.float64]:
        """Best log likelihood over a few shares of each source."""
        calls = self.lot.seen.calls[np.ix_(sources, self.used)]
        untyped = homozygous(self.analysis.learnt.pool_second[self.used])
        best = np.full(len(sources), -np.inf)
        for share in SCREEN_SHARES:
            chance = np.einsum("mg,mgh->mh", own, plant_likelihood(self.analysis.learnt, row, share, self.used))
            log_chance = np.log(np.maximum(chance, 1e-12))
            unknown = np.log(np.maximum((chance * untyped).sum(axis=1), 1e-12))
            told = (log_chance - unknown[:, None]).astype(np.float32)
            score = sum((calls == h).astype(np.float32) @ told[:, h] for h in range(3))
            best = np.maximum(best, score + unknown.sum())
        return best

    def _at_shares(self, row: int, own: NDArray[np.float64], source: int) -> NDArray[np.float64]:
        """Log likelihood of one source at every share."""
        genotype = self.genotypes[source][self.used]
        seen = (plant_likelihood(self.analysis.learnt, row, share, self.used) for share in SHARES)
        chances = [np.einsum("mg,mgh,mh->m", own, values, genotype) for values in seen]
        return np.log(np.maximum(np.array(chances), 1e-12)).sum(axis=1)

    @staticmethod
    def _as_copies(alone: NDArray[np.float64], genotypes: NDArray[np.float64]) -> NDArray[np.float64]:
        """Log likelihood of a sample that is each of several others and nothing else; shape (n_sources,)."""
        same = np.einsum("mgs,mg->ms", genotypes, alone[:, :, 0])
        return np.asarray(np.log(np.maximum(same, 1e-12)).sum(axis=0))

    def _null(self, row: int, own: NDArray[np.float64]) -> float:
        """Log likelihood without a leak, whatever the sample's own heterozygosity."""
        seen = plant_likelihood(self.analysis.learnt, row, 0.0, self.used)[:, :, 0]
        plain = np.einsum("mg,mg->m", own, seen)
        free = seen @ np.array([0.25, 0.5, 0.25])
        tries = [float(np.log(np.maximum((1 - h) * plain + h * free, 1e-12)).sum()) for h in OWN_HETEROZYGOSITY]
        return max(float(np.log(np.maximum(plain, 1e-12)).sum()), *tries)
