"""Which few further markers would decide the lines that a finished check left undecided.

A line carries its posterior into the new markers as its prior; what they say is taken as independent of what the
earlier ones said, given what the line is. It is settled when the posterior of what its stage expects passes the
confidence and the check's other demands on markers are met, or when that posterior is out of the question.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.design.marker_set_crosses import DesignCross
from dhverify.design.marker_set_gains import GainModel
from dhverify.design.marker_set_outcome import RetestRow
from dhverify.design.marker_set_posteriors import (
    CLEAN,
    HYBRIDS,
    PARENT,
    WRONG,
    FindingModels,
    drawn_log_likelihoods,
    finding_models,
    posteriors,
)
from dhverify.design.marker_set_request import MarkerSetRequest
from dhverify.design.marker_set_rows import Candidates, Row

SAMPLE_AT_FAULT: Final = frozenset(
    {
        "not genotyped",
        "low call rate",
        "wrong tissue",
        "mixture",
        "duplicate",
        "source mismatch",
        "line mismatch",
        "near a dirty blank",
        "turned plate",
        "wrong control",
        "reference in doubt",
    }
)
"""Flags that no further marker takes away: the sample, its label or its plate is in doubt."""
GOOD: Final = frozenset({"haploid", "doubled haploid"})
MOST_MARKERS: Final = 24
ENOUGH: Final = 0.98
"""The choice stops when such a share of the lines can be expected to be settled."""
LITTLE: Final = 0.002
IN_VAIN: Final = 4
"""It stops, too, when so many markers in turn have added less than that share, though enough are called."""
INSIDE: Final = 0.01
"""A line that is undecided for other reasons is taken as just short of the confidence."""
STILL_HYBRID: Final = 0.2
"""With few diagnostic markers a check wants hybrids excluded to this share of what the confidence leaves open."""
ONE_PARENT: Final = 0.98
"""Share of one parent from which the others are taken not to have been seen."""
MOST_NAMED: Final = 12
MOST_COUNTED: Final = 30
"""Linked markers do not say more than so many unlinked ones."""


@dataclass(frozen=True, kw_only=True)
class UndecidedLine:
    """A line with the verdict ``retest``, as its row says; ``confidence`` is that of its finding."""

    sample: str
    stage: str
    donor: str
    inducer: str
    finding: str
    confidence: float | None
    flags: tuple[str, ...]
    called_markers: int = 0
    diagnostic_markers: int = 0
    segregating_markers: int = 0
    largest_parent_share: float = 1.0

    @property
    def is_open(self) -> bool:
        """Whether further markers can help."""
        return not SAMPLE_AT_FAULT & set(self.flags)

    def prior(self, min_confidence: float) -> float:
        """Probability that it is what its stage expects."""
        if self.confidence is None:
            return 0.5
        prior = self.confidence if self.finding in GOOD else 1 - self.confidence
        return float(np.clip(prior, 1 - min_confidence + INSIDE, min_confidence - INSIDE))


@dataclass(frozen=True, kw_only=True)
class Retests:
    """Lines that a check left undecided, and how it decides.

    Attributes
    ----------
    lines
        With the verdict ``retest``.
    typed_markers
        Names of the markers that it used: they say nothing new.
    min_confidence, min_called_markers, min_diagnostic_markers
        Its limits.
    priors
        Stage -> finding -> share that it expected.

    """

    lines: tuple[UndecidedLine, ...]
    typed_markers: frozenset[str]
    min_confidence: float
    min_called_markers: int = 0
    min_diagnostic_markers: int = 0
    priors: Mapping[str, Mapping[str, float]] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Settled:
    """Further markers, a row for each number of them; notes say which lines no marker helps, and why."""

    rows: tuple[RetestRow, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Question:
    """An undecided line: its cross, and how probable each model of the cross is before the new markers."""

    line: UndecidedLine
    cross: int
    prior: NDArray[np.float64]


def settle_retests(
    retests: Retests,
    crosses: Sequence[DesignCross],
    candidates: Candidates,
    request: MarkerSetRequest,
    names: Sequence[str],
) -> Settled:
    """Choose further markers one by one, until nearly all lines are settled or nothing more helps.

    Parameters
    ----------
    retests
        Undecided lines, and how the check decides.
    crosses
        Crosses of the sheet.
    candidates
        Markers.
    request
        Error rates of the assay.
    names
        Of the markers.

    """
    choice = _Choice(retests, crosses, candidates, request)
    is_new = np.array([name not in retests.typed_markers for name in names], dtype=bool) & candidates.is_allowed
    rows = tuple(choice.rows(is_new, names)) if choice.questions else ()
    asked = frozenset(question.line.sample for question in choice.questions)
    return Settled(rows=rows, notes=tuple(_notes(retests.lines, asked, is_helped=bool(rows))))


class _Choice:
    """Adds the marker that tells most of what is still in question."""

    def __init__(
        self, retests: Retests, crosses: Sequence[DesignCross], candidates: Candidates, request: MarkerSetRequest
    ) -> None:
        self.retests, self.crosses, self.candidates, self.request = retests, crosses, candidates, request
        self.models = {index: finding_models(cross, request) for index, cross in enumerate(crosses)}
        self.questions = tuple(self._questions())

    def rows(self, is_new: NDArray[np.bool_], names: Sequence[str]) -> Iterator[RetestRow]:
        """Yield a row for each number of markers."""
        model = GainModel(self._gain_rows(), self.candidates)
        chosen: tuple[int, ...] = ()
        best, vain = 0.0, 0
        needed = max(self.retests.min_called_markers - question.line.called_markers for question in self.questions)
        settled, blame = self._settled(chosen)
        while len(chosen) < MOST_MARKERS and best < ENOUGH * len(self.questions) and vain < IN_VAIN:
            score = np.where(is_new, blame @ model.gains(chosen), 0.0)
            score[list(chosen)] = 0.0
            if not score.max(initial=0.0) > 0:
                return
            chosen = (*chosen, int(np.argmax(score)))
            settled, blame = self._settled(chosen)
            is_in_vain = len(chosen) > needed and settled < best + LITTLE * len(self.questions)
            vain = vain + 1 if is_in_vain else 0
            best = max(best, settled)
            yield RetestRow(
                size=len(chosen),
                marker=names[chosen[-1]],
                settled=settled,
                lines=len(self.questions),
                share=settled / len(self.questions),
                samples=tuple(question.line.sample for question in self.questions),
            )

    def _questions(self) -> Iterator[_Question]:
        for line in self.retests.lines:
            here = [
                index
                for index, cross in enumerate(self.crosses)
                if cross.donor == line.donor and line.inducer in {"", cross.inducer} and (cross.code > 0).any()
            ]
            if line.is_open and here:
                chances = _chances(line, self.retests, self.request)
                yield _Question(line=line, cross=here[0], prior=self.models[here[0]].share_out(chances))

    def _gain_rows(self) -> list[Row]:
        """Rows of every cross: a clean line against each other model, in order."""
        return [
            Row(cross=index, finding=name, both=(found.models[0], model), code=cross.code, miss=0.5, false_fail=0.5)
            for index, cross in enumerate(self.crosses)
            for found in [self.models[index]]
            for name, model in zip(found.names[1:], found.models[1:], strict=True)
        ]

    def _settled(self, chosen: Sequence[int]) -> tuple[float, NDArray[np.float64]]:
        """Expected number of lines that are decided, and the models that stand against the others, by gain row."""
        settled, blame = 0.0, []
        for index, cross in enumerate(self.crosses):
            found = self.models[index]
            against = np.zeros(len(found.models))
            own = [question for question in self.questions if question.cross == index]
            drawn = drawn_log_likelihoods(found, cross.code, self.candidates, chosen) if own else np.zeros(0)
            for question in own:
                chance, doubt = self._decided(question, found, drawn, chosen)
                settled += chance
                against += doubt
            blame.append(against[1:])
        return settled, np.concatenate(blame)

    def _decided(
        self, question: _Question, found: FindingModels, drawn: NDArray[np.float64], chosen: Sequence[int]
    ) -> tuple[float, NDArray[np.float64]]:
        """Chance that a line is decided, and how much each model keeps it open; float64, shape (n_models,)."""
        retests, line, cross = self.retests, question.line, self.crosses[question.cross]
        told = posteriors(drawn, question.prior)
        hybrids = told[..., [name in HYBRIDS for name in found.names]].sum(axis=2)
        diagnostic = line.diagnostic_markers + int(cross.is_diagnostic[list(chosen)].sum())
        lacks_diagnostic = diagnostic < retests.min_diagnostic_markers
        open_share = 1 - retests.min_confidence
        is_good = told[..., 0] >= retests.min_confidence
        is_excluded = (hybrids < STILL_HYBRID * open_share) | (not lacks_diagnostic)
        is_decided = (is_good & is_excluded) | (told[..., 0] <= open_share)
        if line.called_markers + len(chosen) < retests.min_called_markers:
            is_decided[:] = False
        weight = question.prior[:, None] / told.shape[1]
        doubt = ((weight * ~is_decided)[..., None] * told).sum(axis=(0, 1))
        if lacks_diagnostic:
            doubt[found.names.index("hybrid")] += float((weight * (is_good & ~is_excluded)).sum())
        return float((weight * is_decided).sum()), doubt


def _chances(line: UndecidedLine, retests: Retests, request: MarkerSetRequest) -> dict[str, float]:
    """Probability of each finding before the new markers: what its row says, the rest by what it leaves open."""
    clean = line.prior(retests.min_confidence)
    if line.finding in {*WRONG, PARENT}:
        return {CLEAN: clean, line.finding: 1 - clean}
    shares = retests.priors.get(line.stage, {})
    left = _left_open(line, request)
    weight = {name: shares.get(name, 1.0 if not shares else 0.0) * left[name] for name in (*WRONG, PARENT)}
    total = sum(weight.values())
    if total <= 0:
        return {CLEAN: clean, "hybrid": 1 - clean}
    return {CLEAN: clean, **{name: (1 - clean) * value / total for name, value in weight.items()}}


def _left_open(line: UndecidedLine, request: MarkerSetRequest) -> Mapping[str, float]:
    """How well each finding would explain a line that looks clean at its markers, against a clean line.

    By the counts of its markers, as if they were unlinked: a hybrid is heterozygous at diagnostic markers unless that
    call is lost, its progeny homozygous for the donor's allele at a quarter of them; at markers that segregate the
    progeny of a selfed donor is homozygous half the time, and a parent shows one parent throughout, a line by chance.
    """
    if line.confidence is None:
        return MappingProxyType(dict.fromkeys((*WRONG, PARENT), 1.0))
    diagnostic, segregating = (min(n, MOST_COUNTED) for n in (line.diagnostic_markers, line.segregating_markers))
    lost = max(request.dropout / 2 + request.error_rate / 2, 1e-4)
    parent = 2.0**segregating if line.largest_parent_share >= ONE_PARENT else 0.0
    return MappingProxyType(
        {
            "hybrid": lost**diagnostic * 0.5**segregating,
            "selfed hybrid": 0.25**diagnostic * 0.75**segregating,
            "selfed donor": 0.5**segregating,
            "donor": (2 * lost) ** segregating,
            PARENT: parent,
        }
    )


def _notes(lines: Sequence[UndecidedLine], asked: frozenset[str], *, is_helped: bool) -> Iterator[str]:
    """Say which undecided lines are not settled by markers, and why."""
    if not lines:
        yield "The earlier check left no sample undecided."
    at_fault = [line for line in lines if not line.is_open]
    if at_fault:
        flags = sorted({flag for line in at_fault for flag in SAMPLE_AT_FAULT & set(line.flags)})
        yield (
            f"No further marker helps {_named(at_fault)}: the sample, its label or its plate is in doubt"
            f" ({', '.join(flags)}). Clear that up, or take a new sample."
        )
    strange = [line for line in lines if line.is_open and line.sample not in asked]
    if strange:
        yield f"No cross of the sheet tells anything of {_named(strange)}: give donor, inducer and pedigree there."
    left = [line for line in lines if line.sample in asked]
    if left and not is_helped:
        yield (
            f"No new candidate tells anything of {_named(left)}: whatever could was used by the earlier check."
            " Type the parents at more markers."
        )


def _named(lines: Sequence[UndecidedLine]) -> str:
    names = [line.sample for line in lines[:MOST_NAMED]]
    more = f" and {len(lines) - MOST_NAMED} more" if len(lines) > MOST_NAMED else ""
    return f"{len(lines)} undecided {'sample' if len(lines) == 1 else 'samples'} ({', '.join(names)}{more})"
