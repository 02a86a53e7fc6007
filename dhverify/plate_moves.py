"""Turned and shifted plates: which story about a plate explains what was found in its wells.

Each story (as the sheet says, turned, shifted) says what each well holds: a line of a family, a parent, a donor
plant, a control, nothing. What these look like is learnt from all samples anew under each story, every sample
being left out of what it is held against, so that a turned plate cannot vouch for itself. No single well can
decide: with some chance it holds anything of its plate.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.lot import Lot
from dhverify.plate_layout import IN_PLACE, SHIFTS, TURNED, Move, PlateLayout, moved
from dhverify.plate_parts import PartStory, PlatesSoFar, part_stories
from dhverify.plate_profiles import Profiles, learn_profiles, parent_shares
from dhverify.plate_wells import DIRTY, FAILED, MISFIT, SeenWells, contents, donors_on, named_well
from dhverify.samples import Role, Sample, SampleSheet

PLATE_FAILED: Final = 0.01
"""Chance that a plate failed as a whole, so that its wells are empty (common practice, no
source)."""
TURNED_PRIOR: Final = 0.005
"""Chance that a plate is turned, before it is looked at (common practice, no source)."""
SHIFTED_PRIOR: Final = 0.001
"""Chance that a plate is turned, or shifted in a given way, before it is looked at (common practice, no source)."""
PRIOR: Final = {IN_PLACE: 1.0, TURNED: TURNED_PRIOR, **dict.fromkeys(SHIFTS, SHIFTED_PRIOR)}
SURE_ODDS: Final = 99.0
"""Posterior odds from which a plate is called turned or shifted."""
AGAINST: Final = 20.0
"""Likelihood ratio from which a plate is called not turned."""
ROUNDS: Final = 2
"""Times that profiles and stories are found in turn; the second rests on the moves of the first."""
FEW_MISFITS: Final = 3
"""Where no more wells than this fit what the sheet says worse than this log likelihood, no shift can win."""


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
    misfits
        Names of samples in whose wells something else than the sheet says seems to be.
    parts
        What of it is out of place: rows, columns, runs of them, or all of it where it was exchanged with another plate.

    """

    plate: str
    best: Move
    log_odds: Mapping[Move, float]
    misfits: tuple[str, ...] = ()
    parts: tuple[PartStory, ...] = ()

    @property
    def joint(self) -> float:
        """Log odds of the most likely move, its prior counted."""
        return max(odds + float(np.log(PRIOR[move])) for move, odds in self.log_odds.items() if move is not IN_PLACE)

    @property
    def is_moved(self) -> bool:
        """Whether the plate does not stand as the sheet says."""
        return self.best is not IN_PLACE

    @property
    def excludes_turned(self) -> bool:
        """Whether the evidence speaks against a turned plate."""
        is_told = self.is_moved or bool(self.parts)
        return self.log_odds[TURNED] < -np.log(AGAINST) or (is_told and self.best is not TURNED)

    def displaced(self, layout: PlateLayout) -> frozenset[str]:
        """Names of samples of the plate that stand elsewhere than the sheet says."""
        names = {sample.name for sample in layout.at.values()}
        return frozenset(
            names
            if self.is_moved
            else names.intersection(chain.from_iterable(story.part.meant for story in self.parts))
        )


def plate_stories(
    lot: Lot, sheet: SampleSheet, layouts: Sequence[PlateLayout], *, displaced: Collection[str] = ()
) -> tuple[PlateStory, ...]:
    """Find out for each plate whether it, or a part of it, was turned, shifted or exchanged.

    Parameters
    ----------
    lot
        The genotyped samples.
    sheet
        The sample sheet.
    layouts
        Its plates.
    displaced
        Samples that comparing has shown to be out of place; on their plates no part is looked for.

    """
    seen = SeenWells.of(lot)
    best = dict.fromkeys((layout.plate for layout in layouts), IN_PLACE)
    stories: dict[str, PlateStory] = {}
    profiles = learn_profiles(seen.calls, seen.samples, seen.is_full, contents(layouts, best, sheet), sheet)
    for _ in range(ROUNDS):
        before = dict(best)
        for layout in layouts:
            story = _story(layout, seen, profiles)
            stories[layout.plate] = story
            best[layout.plate] = story.best
            profiles = profiles.changed(_held(layout, story.best, seen))
        if best == before:
            break
    known = PlatesSoFar(
        seen=seen,
        sheet=sheet,
        layouts=layouts,
        moves=best,
        joint={plate: story.joint for plate, story in stories.items()},
        misfits={plate: story.misfits for plate, story in stories.items()},
        displaced=displaced,
    )
    for found in part_stories(known):
        for plate in found.part.plates:
            story = stories[plate]
            stories[plate] = replace(story, best=IN_PLACE, parts=(*story.parts, found))
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


def _held(layout: PlateLayout, move: Move, seen: SeenWells) -> dict[int, Sample | None]:
    """What each row of a plate holds after a move; None where that is not known."""
    return {
        seen.row[sample.name]: None if is_around or not seen.is_full[seen.row[sample.name]] else origin
        for sample, origin, is_around in moved(layout, move)
        if sample.name in seen.row
    }


def _story(layout: PlateLayout, seen: SeenWells, so_far: Profiles) -> PlateStory:
    misfits: tuple[str, ...] = ()
    scores: dict[Move, float] = {}
    near = donors_on(layout, so_far.shares)
    for move in (IN_PLACE, *((TURNED,) if is_telling(layout) else ()), *SHIFTS):
        if move in SHIFTS and len(misfits) <= FEW_MISFITS:
            break
        profiles = so_far.changed(_held(layout, move, seen)).of_donors(near)
        terms, scores[move] = _score(layout, move, seen, profiles)
        if move is IN_PLACE:
            names = [sample.name for sample, _, _ in moved(layout, move) if sample.name in seen.row]
            misfits = tuple(name for name, term in zip(names, terms, strict=True) if term < MISFIT)
    odds = {move: score - scores[IN_PLACE] for move, score in scores.items()}
    odds.setdefault(TURNED, 0.0)
    joint = {move: float(value + np.log(PRIOR[move])) for move, value in odds.items()}
    winner = max(joint, key=lambda move: joint[move])
    rest = float(np.logaddexp.reduce([value for move, value in joint.items() if move is not winner]))
    is_sure = joint[winner] - rest > np.log(SURE_ODDS)
    return PlateStory(plate=layout.plate, best=winner if is_sure else IN_PLACE, log_odds=odds, misfits=misfits)


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


def _score(layout: PlateLayout, move: Move, seen: SeenWells, profiles: Profiles) -> tuple[NDArray[np.float64], float]:
    """Log likelihood of a plate under a story; genotypes count against those of anything on the plate."""
    wells = [w for w in moved(layout, move) if w[0].name in seen.row]
    rows = np.array([seen.row[sample.name] for sample, _, _ in wells], dtype=np.int64)
    anything = profiles.anything(rows, tuple(layout.at.values()))
    is_full = seen.is_full[rows]
    named = np.array(
        [
            np.nan if origin is None else named_well(origin, int(row), bool(full), float(any_), profiles)
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
