"""Which few further markers would decide the lines that a finished check left undecided.

A line carries its posterior into the new markers as its prior; what they say is taken as independent of what the
earlier ones said, given what the line is. It is settled when the posterior passes the confidence, either way.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.design.marker_set_crosses import DesignCross
from dhverify.design.marker_set_errors import ErrorModel
from dhverify.design.marker_set_gains import GainModel
from dhverify.design.marker_set_outcome import RetestRow
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
ENOUGH: Final = 0.995
LOOKED_AT: Final = 8
INSIDE: Final = 0.01
"""A line that is undecided for other reasons is taken as just short of the confidence."""


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
class _Question:
    """An undecided line against one wrong finding, with its weight."""

    row: int
    prior: float
    weight: float


def settle_retests(
    lines: Sequence[UndecidedLine],
    crosses: Sequence[DesignCross],
    rows: Sequence[Row],
    candidates: Candidates,
    *,
    typed: NDArray[np.bool_],
    names: Sequence[str],
    min_confidence: float,
) -> tuple[RetestRow, ...]:
    """Choose further markers one by one.

    Parameters
    ----------
    lines
        Undecided lines.
    crosses
        Crosses of the sheet.
    rows
        Rows of all three wrong findings.
    candidates
        Markers.
    typed
        bool, shape (n_markers,). Used by the check already: they say nothing new.
    names
        Of the markers.
    min_confidence
        Posterior from which a line is decided.

    Returns
    -------
    tuple of RetestRow
        A row for each number of markers, until nearly all lines are settled or nothing more helps.

    """
    open_lines = [line for line in lines if line.is_open]
    asked = {line.sample: list(_questions(line, crosses, rows, min_confidence)) for line in open_lines}
    served = [sample for sample, questions in asked.items() if questions]
    questions = [question for sample in served for question in asked[sample]]
    if not questions:
        return ()
    model, gains = ErrorModel(rows, candidates), GainModel(rows, candidates)
    weight = np.zeros(len(rows))
    for question in questions:
        weight[question.row] += question.weight
    is_free = candidates.is_allowed & ~typed
    chosen: tuple[int, ...] = ()
    found: list[RetestRow] = []
    before = 0.0
    while len(chosen) < MOST_MARKERS and before < ENOUGH * len(served):
        score = np.where(is_free, weight @ gains.gains(chosen), 0.0)
        promising = [int(m) for m in np.argsort(-score, kind="stable")[:LOOKED_AT] if score[m] > 0]
        tries = [(_settled(model, questions, (*chosen, m), min_confidence), -m) for m in promising]
        if not tries:
            break
        before, minus = max(tries)
        chosen = (*chosen, -minus)
        is_free[-minus] = False
        found.append(
            RetestRow(
                size=len(chosen),
                marker=names[chosen[-1]],
                settled=before,
                lines=len(served),
                share=before / len(served),
                samples=tuple(served),
            )
        )
    return tuple(found)


def _questions(
    line: UndecidedLine, crosses: Sequence[DesignCross], rows: Sequence[Row], min_confidence: float
) -> Iterator[_Question]:
    """Wrong findings that a line must be told from; those of its stage, or the one it was found to be."""
    here = [
        index
        for index, cross in enumerate(crosses)
        if cross.donor == line.donor and line.inducer in {"", cross.inducer}
    ][:1]
    usual = ("selfed hybrid", "selfed donor") if line.stage == "D1" else ("hybrid",)
    found = [n for n, row in enumerate(rows) if row.cross in here and row.finding == line.finding]
    asked = found or [n for n, row in enumerate(rows) if row.cross in here and row.finding in usual]
    for number in asked:
        yield _Question(row=number, prior=line.prior(min_confidence), weight=1 / len(asked))


def _settled(model: ErrorModel, questions: Sequence[_Question], chosen: Sequence[int], min_confidence: float) -> float:
    """Expected number of lines that are decided with these markers."""
    markers = np.array(sorted(chosen), dtype=np.int64)
    sure = float(np.log(min_confidence / (1 - min_confidence)))
    total = 0.0
    for number in sorted({question.row for question in questions}):
        useful = markers[model.rows[number].code[markers] > 0]
        if not len(useful):
            continue
        ratio, good, wrong = model.distribution(number, useful.tolist())
        for question in questions:
            if question.row != number:
                continue
            odds = float(np.log(question.prior / (1 - question.prior)))
            is_decided = np.abs(ratio + odds) >= sure
            chance = question.prior * good[is_decided].sum() + (1 - question.prior) * wrong[is_decided].sum()
            total += question.weight * float(chance)
    return total
