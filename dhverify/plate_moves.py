"""Turned and shifted plates: which story about a plate explains what was found in its wells.

Each story (as the sheet says, turned, shifted) says what each well holds: a line of a family, a parent, a donor
plant, a control, nothing. What these look like is learnt from all samples anew under each story, every sample
being left out of what it is held against, so that a turned plate cannot vouch for itself. No single well can
decide: with some chance it holds anything of its plate.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.genotypes import MISSING
from dhverify.lot import Lot
from dhverify.plate_layout import IN_PLACE, SHIFTS, TURNED, Move, PlateLayout, moved
from dhverify.plate_profiles import Profiles, learn_profiles, parent_shares
from dhverify.samples import Role, Sample, SampleSheet

MOST_MARKERS: Final = 300
"""Markers that are compared: those that differ most among the samples, spread over the panel."""
STRAY: Final = 0.05
"""Chance that a well holds something else of its plate, whatever the story (common practice, no source)."""
FAILED: Final = 0.05
"""Chance that a sample fails (common practice, no source)."""
DIRTY: Final = 0.08
"""Chance that a sample fails, and that a blank holds DNA (common practice, no source)."""
PLATE_FAILED: Final = 0.01
"""Chance that a plate failed as a whole, so that its wells are empty (common practice, no
source)."""
TURNED_PRIOR: Final = 0.005
"""Chance that a plate is turned, before it is looked at (common practice, no source)."""
SHIFTED_PRIOR: Final = 0.001
"""Chance that a plate is turned, or shifted in a given way, before it is looked at (common practice, no source)."""
SURE_ODDS: Final = 99.0
"""Posterior odds from which a plate is called turned or shifted."""
AGAINST: Final = 20.0
"""Likelihood ratio from which a plate is called not turned."""
ROUNDS: Final = 2
"""Times that profiles and stories are found in turn; the second rests on the moves of the first."""
MISFIT: Final = -1.5
"""Log likelihood against anything of the plate below which a well does not fit the sheet (common practice, no
source)."""
FEW_MISFITS: Final = 3
"""Where no more wells than this fit what the sheet says worse than this log likelihood, no shift can win."""
FULL_SHARE: Final = 0.4
"""A well holds DNA when it is called at more than this share of the median sample's markers."""


@dataclass(frozen=True, kw_only=True, eq=False)
class PlateStory:
    """What explains a plate.

    Attributes
    ----------
    plate
        Its name.
    best
        The story that is sure, else that of the sheet.
    log_odds
        Log likelihood of every story against that of the sheet.

    """

    plate: str
    best: Move
    log_odds: Mapping[Move, float]

    @property
    def is_moved(self) -> bool:
        """Whether the plate does not stand as the sheet says."""
        return self.best is not IN_PLACE

    @property
    def excludes_turned(self) -> bool:
        """Whether the evidence speaks against a turned plate."""
        return self.log_odds[TURNED] < -np.log(AGAINST) or (self.is_moved and self.best is not TURNED)


def plate_stories(lot: Lot, sheet: SampleSheet, layouts: Sequence[PlateLayout]) -> tuple[PlateStory, ...]:
    """Find out for each plate whether it was turned or shifted.

    Parameters
    ----------
    lot
        The genotyped samples.
    sheet
        The sample sheet.
    layouts
        Its plates.

    """
    seen = _Seen.of(lot)
    best = dict.fromkeys((layout.plate for layout in layouts), IN_PLACE)
    stories: dict[str, PlateStory] = {}
    for _ in range(ROUNDS):
        before = dict(best)
        for layout in layouts:
            story = _story(layout, seen, sheet, layouts, best)
            stories[layout.plate] = story
            best[layout.plate] = story.best
        if best == before:
            break
    return tuple(stories[layout.plate] for layout in layouts)


def unsettled_samples(sheet: SampleSheet, displaced: Collection[str]) -> frozenset[str]:
    """Samples of which nothing can be told while the labels of some are out of place.

    These are the displaced ones themselves, lines and controls that are judged by a displaced reference, and
    references that are judged by lines of which at least half are displaced.

    Parameters
    ----------
    sheet
        The sample sheet.
    displaced
        Names of samples that stand elsewhere than the sheet says.

    """
    if not displaced:
        return frozenset()
    gone = set(displaced)
    parents = parent_shares(sheet)
    judged_by = {sample.name: _judged_by(sample, sheet, parents) for sample in sheet}
    lines_of: dict[str, list[str]] = {}
    for line in sheet.lines:
        for reference in judged_by[line.name]:
            lines_of.setdefault(reference, []).append(line.name)
    by_lines = {name for name, lines in lines_of.items() if 2 * len(gone & set(lines)) >= len(lines)}
    return frozenset(gone | by_lines | {name for name, references in judged_by.items() if references & gone})


def _judged_by(sample: Sample, sheet: SampleSheet, parents: Mapping[str, Mapping[str, float]]) -> set[str]:
    """References that decide what a sample should be; all of them for a control that names no donor."""
    if sample.role is Role.DONOR:
        return set(parents.get(sample.name, ()))
    if sample.role is Role.CONTROL and not sample.donor:
        return {s.name for s in sheet if s.role in {Role.PARENT, Role.DONOR, Role.INDUCER}}
    return {sample.donor, sample.inducer, *parents.get(sample.donor, ())} - {""}


@dataclass(frozen=True, kw_only=True, eq=False)
class _Seen:
    """Calls at the markers compared, and which wells hold DNA."""

    samples: tuple[Sample, ...]
    row: Mapping[str, int]
    calls: NDArray[np.int8]
    is_full: NDArray[np.bool_]

    @classmethod
    def of(cls, lot: Lot) -> _Seen:
        calls = lot.seen.calls
        rate = (calls != MISSING).mean(axis=1) if calls.shape[1] else np.zeros(len(calls))
        holds = np.array([s.role is not Role.BLANK for s in lot.samples], dtype=bool)
        typical = float(np.median(rate[holds])) if holds.any() else 1.0
        is_full = rate > FULL_SHARE * typical
        chosen = informative_markers(calls[is_full], MOST_MARKERS)
        return cls(samples=lot.samples, row=lot.row, calls=calls[:, chosen], is_full=is_full)


def informative_markers(calls: NDArray[np.int8], most: int) -> NDArray[np.int64]:
    """Markers that differ most among samples, at most one in each of ``most`` stretches of the panel.

    Parameters
    ----------
    calls
        int8, shape (n_samples, n_markers).
    most
        How many at most.

    Returns
    -------
    ndarray
        int64, ascending.

    """
    is_called = calls != MISSING
    n = np.maximum(is_called.sum(axis=0), 1)
    second = np.where(is_called, calls, 0).sum(axis=0) / (2 * n)
    worth = second * (1 - second) * is_called.mean(axis=0) if len(calls) else np.zeros(calls.shape[1])
    stretches = np.array_split(np.arange(calls.shape[1]), min(most, max(calls.shape[1], 1)))
    picked = [part[int(np.argmax(worth[part]))] for part in stretches if len(part)]
    return np.array([k for k in picked if worth[k] > 0], dtype=np.int64)


def _story(
    layout: PlateLayout,
    seen: _Seen,
    sheet: SampleSheet,
    layouts: Sequence[PlateLayout],
    best: Mapping[str, Move],
) -> PlateStory:
    n_misfits = 0
    scores: dict[Move, float] = {}
    for move in (IN_PLACE, *((TURNED,) if is_telling(layout) else ()), *SHIFTS):
        if move in SHIFTS and n_misfits <= FEW_MISFITS:
            break
        holds = _contents(layouts, {**best, layout.plate: move}, sheet)
        profiles = learn_profiles(seen.calls, seen.samples, seen.is_full, holds, sheet, _donors_on(layout, sheet))
        terms, scores[move] = _score(layout, move, seen, profiles)
        if move is IN_PLACE:
            n_misfits = int((terms < MISFIT).sum())
    odds = {move: score - scores[IN_PLACE] for move, score in scores.items()}
    prior = {IN_PLACE: 1.0, TURNED: TURNED_PRIOR, **dict.fromkeys(SHIFTS, SHIFTED_PRIOR)}
    odds.setdefault(TURNED, 0.0)
    joint = {move: float(value + np.log(prior[move])) for move, value in odds.items()}
    winner = max(joint, key=lambda move: joint[move])
    rest = float(np.logaddexp.reduce([value for move, value in joint.items() if move is not winner]))
    is_sure = joint[winner] - rest > np.log(SURE_ODDS)
    return PlateStory(plate=layout.plate, best=winner if is_sure else IN_PLACE, log_odds=odds)


def is_telling(layout: PlateLayout) -> bool:
    """Whether a turned plate would show at all: a blank, or two wells that change places and hold different kinds.

    Lines of one family are one kind; a well that the sheet does not name tells nothing.
    """
    for place, sample in layout.at.items():
        origin, _ = TURNED.origin(place, layout.shape)
        other = layout.at.get(origin)
        if sample.role is Role.BLANK and (other is None or other.role is not Role.BLANK):
            return True
        if other is not None and _kind(sample) != _kind(other):
            return True
    return False


def _kind(sample: Sample) -> tuple[str, ...]:
    if sample.role in {Role.LINE, Role.CONTROL}:
        return (sample.role, sample.donor, sample.inducer, sample.expected)
    return (sample.role,) if sample.role in {Role.BLANK, Role.KNOWN, Role.OTHER} else (sample.role, sample.name)


def _donors_on(layout: PlateLayout, sheet: SampleSheet) -> frozenset[str]:
    """Donors that a plate has anything to do with; parents bring all their donors."""
    names = {s.donor for s in layout.at.values()} | {s.name for s in layout.at.values()}
    parents = {s.name for s in layout.at.values() if s.role is Role.PARENT}
    near = {d for d, shares in parent_shares(sheet).items() if parents & set(shares)}
    return frozenset((names | near) - {""})


def _contents(
    layouts: Sequence[PlateLayout], moves: Mapping[str, Move], sheet: SampleSheet
) -> dict[str, Sample | None]:
    """What each sample of the sheet really holds under the stories of all plates."""
    holds: dict[str, Sample | None] = {sample.name: sample for sample in sheet}
    for layout in layouts:
        for sample, origin, is_around in moved(layout, moves[layout.plate]):
            holds[sample.name] = None if is_around else origin
    return holds


def _score(layout: PlateLayout, move: Move, seen: _Seen, profiles: Profiles) -> tuple[NDArray[np.float64], float]:
    """Log likelihood of a plate under a story; genotypes count against those of anything on the plate."""
    wells = [w for w in moved(layout, move) if w[0].name in seen.row]
    rows = np.array([seen.row[sample.name] for sample, _, _ in wells], dtype=np.int64)
    anything = profiles.anything(rows, tuple(layout.at.values()))
    is_full = seen.is_full[rows]
    named = np.array(
        [
            np.nan if origin is None else _named(origin, int(row), bool(full), float(any_), profiles)
            for (_, origin, _), row, full, any_ in zip(wells, rows, is_full, anything, strict=True)
        ]
    )
    is_around = np.array([around for _, _, around in wells], dtype=bool)
    open_wells = []
    for empty_chance in (1 - DIRTY, FAILED):
        unnamed = _empty_or_not(is_full, empty_chance)
        filled = np.where(np.isnan(named), unnamed, named)
        terms = np.where(is_around, np.logaddexp(filled, unnamed) - np.log(2), filled)
        open_wells.append(float(terms.sum()))
    whole = float(np.logaddexp(open_wells[0], open_wells[1])) - np.log(2)
    failed = float(_empty_or_not(is_full, 1 - FAILED).sum())
    score = float(np.logaddexp(np.log1p(-PLATE_FAILED) + whole, np.log(PLATE_FAILED) + failed))
    return np.nan_to_num(named), score


def _empty_or_not(is_full: NDArray[np.bool_], empty_chance: float) -> NDArray[np.float64]:
    full, empty = float(np.log1p(-empty_chance)), float(np.log(empty_chance))
    return np.asarray(np.where(is_full, full, empty), dtype=np.float64)


def _named(origin: Sample, row: int, is_full: bool, anything: float, profiles: Profiles) -> float:
    """Log likelihood of a well that should hold a sample of the sheet."""
    if origin.role is Role.BLANK:
        return float(np.log(DIRTY) if is_full else np.log1p(-DIRTY))
    if not is_full:
        return float(np.log(FAILED))
    own = profiles.of(origin, row)
    if own is None:
        return float(np.log1p(-FAILED))
    told = min(own - anything, -np.log(STRAY) * 4)
    return float(np.log1p(-FAILED) + np.logaddexp(np.log1p(-STRAY) + told, np.log(STRAY)))
