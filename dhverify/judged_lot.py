"""The judged samples of a lot by family, and their scores under every hypothesis."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dhverify.family_models import FamilyModel, StrandRegistry
from dhverify.findings_table import FamilyShape, candidates
from dhverify.judging import FINDING_ORDER, candidate_log_weights, finding_log_likelihood
from dhverify.lot import Lot
from dhverify.samples import Role, Sample, Stage
from dhverify.scoring import FamilyLines, LearntLot, score

Progress = Callable[[str, int, int], None]
"""Called with (step, done, of)."""


def stage_of(sample: Sample) -> Stage:
    """Stage of a judged sample; a control is taken as a seedling."""
    return sample.stage or Stage.HAPLOID


def judged_samples(lot: Lot) -> tuple[Sample, ...]:
    """Genotyped lines, and controls that name a donor, in sheet order."""
    return tuple(s for s in lot.samples if s.role is Role.LINE or (s.role is Role.CONTROL and s.donor))


@dataclass(frozen=True, kw_only=True, eq=False)
class JudgedLot:
    """What stays the same while a lot is learnt.

    Attributes
    ----------
    lot
        The genotyped samples at usable markers.
    judged, rows
        Judged samples and their rows in the lot.
    models, model_of
        Families, and the family of each judged sample.
    registry
        Strands.
    jobs
        Threads.
    silent
        Names of samples that teach nothing: what they hold is not what the sheet says.

    """

    lot: Lot
    judged: tuple[Sample, ...]
    rows: NDArray[np.int64]
    models: tuple[FamilyModel, ...]
    model_of: NDArray[np.int64]
    registry: StrandRegistry
    jobs: int
    silent: frozenset[str] = frozenset()

    def teachers(self) -> NDArray[np.int64]:
        """Judged samples that the lot may be learnt from; int64, ascending."""
        return np.flatnonzero(~silent_lines(self.judged, self.silent))

    def is_unphased(self) -> NDArray[np.bool_]:
        """Whether the donor of each judged sample has no typed parent; bool, shape (n_judged,)."""
        return unphased_lines(self.models, self.model_of)

    def groups(self, chosen: NDArray[np.int64]) -> list[FamilyLines]:
        """Families of some judged samples; ``order`` indexes ``chosen``."""
        found = []
        for index, model in enumerate(self.models):
            order = np.flatnonzero(self.model_of[chosen] == index)
            if len(order):
                plant = self.lot.row[model.donor_sample] if model.donor_sample else None
                found.append(FamilyLines(model=model, plant=plant, samples=self.rows[chosen[order]], order=order))
        return found

    def scored(
        self, learnt: LearntLot, chosen: NDArray[np.int64], progress: Progress | None = None
    ) -> tuple[tuple[NDArray[np.float64], ...], NDArray[np.float64]]:
        """Log likelihoods of every candidate and of every finding for some judged samples."""
        scores: list[NDArray[np.float64]] = [np.zeros(0)] * len(chosen)
        pooled = np.full((len(chosen), len(FINDING_ORDER)), -np.inf)
        done = 0

        def advance(n_lines: int) -> None:
            nonlocal done
            done += n_lines
            if progress is not None:
                progress("judging lines", done, len(chosen))

        for shape, groups in _by_shape(self.groups(chosen)).items():
            order = np.concatenate([group.order for group in groups])
            inner = _renumbered(groups)
            found = candidates(shape)
            values = score(learnt, inner, found, jobs=self.jobs, advance=advance)
            for stage in Stage:
                at_stage = np.array([stage_of(self.judged[chosen[k]]) is stage for k in order])
                weights = candidate_log_weights(found, stage)
                if at_stage.any():
                    pooled[order[at_stage]] = finding_log_likelihood(learnt.weight * values[at_stage], found, weights)
            for position, k in enumerate(order):
                scores[k] = values[position]
        return tuple(scores), pooled

    def scored_anew(
        self,
        learnt: LearntLot,
        chosen: NDArray[np.int64],
        scores: Sequence[NDArray[np.float64]],
        pooled: NDArray[np.float64],
    ) -> tuple[tuple[NDArray[np.float64], ...], NDArray[np.float64]]:
        """Log likelihoods of all judged samples, those of some of them scored anew."""
        anew, pooled_anew = self.scored(learnt, chosen)
        all_scores, all_pooled = list(scores), pooled.copy()
        for k, own in zip(chosen, anew, strict=True):
            all_scores[k] = own
        all_pooled[chosen] = pooled_anew
        return tuple(all_scores), all_pooled


def unphased_lines(models: Sequence[FamilyModel], model_of: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether the donor of each judged sample has no typed parent, by the families; bool, shape (n_judged,)."""
    return np.array([model.is_unphased for model in models], dtype=bool)[model_of]


def prior_rows(judged: Sequence[Sample], priors: Mapping[Stage, NDArray[np.float64]]) -> NDArray[np.float64]:
    """Prior of each judged sample at its stage; float64, shape (n_judged, n_findings)."""
    return np.array([priors[stage_of(sample)] for sample in judged]).reshape(len(judged), len(FINDING_ORDER))


def silent_lines(judged: Sequence[Sample], silent: frozenset[str]) -> NDArray[np.bool_]:
    """Whether each judged sample teaches nothing; bool, shape (n_judged,)."""
    return np.array([sample.name in silent for sample in judged], dtype=bool)


def _by_shape(groups: Sequence[FamilyLines]) -> dict[FamilyShape, list[FamilyLines]]:
    found: dict[FamilyShape, list[FamilyLines]] = {}
    for group in groups:
        found.setdefault(group.model.shape, []).append(group)
    return found


def _renumbered(groups: Sequence[FamilyLines]) -> list[FamilyLines]:
    """The same groups with results in consecutive rows."""
    start = 0
    inner = []
    for group in groups:
        stop = start + len(group.samples)
        inner.append(replace(group, order=np.arange(start, stop)))
        start = stop
    return inner
