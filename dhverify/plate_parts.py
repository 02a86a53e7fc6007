"""Parts of plates out of place, told by what their wells hold: rows, columns or plates exchanged, runs that slipped.

Only parts that several misfitting wells speak for are looked at: first with profiles learnt as the sheet says, then,
if they may win, with profiles learnt anew as the story has it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import chain, combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.displaced_parts import LEAST_STEPS, NOTHING, DisplacedPart, Suspect, suspects
from dhverify.plate_layout import IN_PLACE, Move, PlateLayout, place_of
from dhverify.plate_profiles import Profiles, is_expected, learn_profiles
from dhverify.plate_wells import DIRTY, MISFIT, SeenWells, contents, donors_on, named_well
from dhverify.samples import Role, Sample, SampleSheet

PART_PRIOR: Final = 0.005
"""Chance that a part of a plate is out of place, and that a plate was exchanged with another one, before it is looked
at; shared among all parts, or plates, that it could be (common practice, no source)."""
SURE_PART: Final = 99.0
"""Posterior odds from which a part is called out of place."""
FIRST_LOOK: Final = 8.0
"""Log odds, at first look, below which a part is not looked at again: what is sure needs twice as much."""
MOST_RIVALS: Final = 3
"""Parts with wells in common that are looked at with one another."""
AS_LIKELY: Final = 1.0
"""Log odds within which the longer one of two runs is taken, so that no well in doubt is left out; what runs so alike
have of the chance is added up (common practice, no source)."""
MOST_PARTS: Final = 6
"""Parts of one plate that are looked at closely; of a plate that moved as a whole, none."""
MOST_PAIRS: Final = 4
"""Pairs of plates that are looked at closely."""


@dataclass(frozen=True, kw_only=True, eq=False)
class PartStory:
    """A part of a plate, or two plates, that must be out of place.

    Attributes
    ----------
    part
        What and how.
    log_odds
        Log likelihood against that of the sheet.

    """

    part: DisplacedPart
    log_odds: float


@dataclass(frozen=True, kw_only=True, eq=False)
class PlatesSoFar:
    """What is known of the plates before parts of them are looked at.

    Attributes
    ----------
    seen
        Calls of the wells.
    sheet
        The sample sheet.
    layouts
        Its plates.
    moves
        How each plate came out of place as a whole, by its name.
    joint
        Log odds of its most likely move as a whole, by its name.
    misfits
        Names of samples that misfit their well, by plate.
    displaced
        Samples that are known to be out of place; their plates are left alone.

    """

    seen: SeenWells
    sheet: SampleSheet
    layouts: Sequence[PlateLayout]
    moves: Mapping[str, Move]
    joint: Mapping[str, float]
    misfits: Mapping[str, Sequence[str]]
    displaced: Collection[str]


def part_stories(known: PlatesSoFar) -> tuple[PartStory, ...]:
    """Find the parts of plates that are out of place.

    Parameters
    ----------
    known
        What is known of the plates.

    """
    search = _Search(known)
    return search.stories() if search.plates else ()


@dataclass(frozen=True, kw_only=True, eq=False)
class _Candidate:
    part: DisplacedPart
    first_look: float
    n_alike: int

    def is_beside(self, other: _Candidate) -> bool:
        return self.part.meant.keys().isdisjoint(other.part.meant)


def _by_first_look(candidate: _Candidate) -> float:
    return -candidate.first_look


class _Search:
    """Looks for parts on plates with misfits."""

    def __init__(self, known: PlatesSoFar) -> None:
        self.known = known
        self.layouts = {layout.plate: layout for layout in known.layouts}
        self.plates = [
            layout
            for layout in known.layouts
            if len(known.misfits.get(layout.plate, ())) >= LEAST_STEPS
            and not any(sample.name in known.displaced for sample in layout.at.values())
        ]
        self._anything: dict[str, dict[int, float]] = {}
        self._fit: dict[tuple[int, tuple[str, ...]], float] = {}
        self._odds: dict[DisplacedPart, float] = {}
        self.accepted: list[PartStory] = []

    @cached_property
    def profiles(self) -> Profiles:
        """Everything as the sheet says."""
        seen, in_place = self.known.seen, dict.fromkeys(self.layouts, IN_PLACE)
        holds = contents(self.known.layouts, in_place, self.known.sheet)
        told = {name: None if name in self.known.displaced else origin for name, origin in holds.items()}
        return learn_profiles(seen.calls, seen.samples, seen.is_full, told, self.known.sheet)

    def _learnt(self, holds: Mapping[str, Sample | None], donors: frozenset[str]) -> Profiles:
        seen, displaced = self.known.seen, self.known.displaced
        told = {
            row: holds[sample.name] if seen.is_full[row] and sample.name not in displaced else None
            for row, sample in enumerate(seen.samples)
        }
        return self.profiles.changed(told).of_donors(donors)

    # the first look

    def candidates(self) -> list[_Candidate]:
        """Parts that may win: pairs of plates first, then the most likely first."""
        votes = {suspect: len(wells) for suspect, wells in suspects(self._steps()).items()}
        found = [self._looked_at(Suspect(plates=pair)) for pair in self._pairs(votes)]
        within: dict[str, list[_Candidate]] = {}
        for suspect, n_wells in votes.items():
            plate = suspect.plates[0]
            if len(suspect.plates) > 1 or n_wells < LEAST_STEPS or self.known.moves[plate] is not IN_PLACE:
                continue
            looked = self._looked_at(suspect)
            if looked is not None and looked.first_look >= FIRST_LOOK:
                within.setdefault(plate, []).append(looked)
        likely = [it for parts in within.values() for it in sorted(parts, key=_by_first_look)[:MOST_PARTS]]
        return [*filter(None, found), *sorted(likely, key=_by_first_look)]

    def _pairs(self, votes: Mapping[Suspect, int]) -> list[tuple[str, ...]]:
        """Pairs of plates that are looked at: those that moved, or whose misfits would fit best."""
        pairs = [tuple(sorted(pair)) for pair in combinations([layout.plate for layout in self.plates], 2)]
        moved = {plate for plate, move in self.known.moves.items() if move is not IN_PLACE}
        rank = {pair: (moved.issuperset(pair), votes.get(Suspect(plates=pair), 0)) for pair in pairs}
        return sorted(pairs, key=lambda pair: rank[pair], reverse=True)[:MOST_PAIRS]

    def _looked_at(self, suspect: Suspect) -> _Candidate | None:
        """Take a suspect at first look; where a run may begin, the longest of those as likely."""
        looked = [(self._gain(part), part) for part in suspect.parts(self.layouts)]
        if not looked:
            return None
        most = max(gain for gain, _ in looked)
        alike = [it for it in looked if it[0] >= most - AS_LIKELY]
        gain, part = max(alike, key=lambda it: len(it[1].meant))
        return _Candidate(part=part, first_look=gain, n_alike=len({part.told for _, part in alike}))

    def _steps(self) -> Iterator[tuple[Sample, Sample]]:
        """Misfits, and the samples of their row, column and place on other plates that would fit in their well."""
        for layout in self.plates:
            misfits = [self.known.sheet[name] for name in self.known.misfits[layout.plate]]
            for sample, kinds in self._reachable(layout, misfits):
                for origins in kinds.values():
                    if self._term(origins[0], sample) > MISFIT:
                        yield from ((sample, origin) for origin in origins)

    def _reachable(
        self, layout: PlateLayout, misfits: Sequence[Sample]
    ) -> Iterator[tuple[Sample, dict[tuple[str, ...], list[Sample]]]]:
        """For each misfit the samples that may have come into its well, by kind."""
        for sample in misfits:
            row, column = place_of(sample.well)
            near = (s for (r, c), s in layout.at.items() if (r == row) != (c == column))
            far = (other.at[row, column] for other in self.plates if other is not layout and (row, column) in other.at)
            kinds: dict[tuple[str, ...], list[Sample]] = {}
            for origin in chain(near, far):
                if _is_telling(origin) and Profiles.kind(origin) != Profiles.kind(sample):
                    kinds.setdefault(Profiles.kind(origin), []).append(origin)
            yield sample, kinds

    def _term(self, origin: Sample, sample: Sample) -> float:
        """Log likelihood of a well under the sheet's profiles if it held the DNA of another sample of the sheet."""
        row = self.known.seen.row[sample.name]
        key = (row, Profiles.kind(origin))
        if key not in self._fit:
            is_full, anything = bool(self.known.seen.is_full[row]), self._anything_of(sample, row)
            self._fit[key] = named_well(origin, row, is_full, anything, self.profiles)
        return self._fit[key]

    def _anything_of(self, sample: Sample, row: int) -> float:
        if sample.plate not in self._anything:
            wells = tuple(self.layouts[sample.plate].at.values())
            rows = self._rows(wells)
            values = self.profiles.anything(rows, wells)
            self._anything[sample.plate] = dict(zip(rows.tolist(), values.tolist(), strict=True))
        return self._anything[sample.plate][row]

    def _rows(self, wells: Sequence[Sample]) -> NDArray[np.int64]:
        row = self.known.seen.row
        return np.array([row[sample.name] for sample in wells if sample.name in row], dtype=np.int64)

    def _gain(self, part: DisplacedPart) -> float:
        """Log odds of a part at first look."""
        total = 0.0
        for label, meant in part.meant.items():
            sample, origin = self.known.sheet[label], self._named(meant)
            if label not in self.known.seen.row or not _is_telling(sample):
                continue
            if origin is None:
                total += self._empty(label) - self._term(sample, sample)
            elif _is_telling(origin):
                total += self._term(origin, sample) - self._term(sample, sample)
        return total

    def _named(self, meant: str) -> Sample | None:
        return None if meant.startswith(NOTHING) else self.known.sheet[meant]

    def _empty(self, label: str) -> float:
        """Log likelihood of a well that should be empty."""
        is_full = self.known.seen.is_full[self.known.seen.row[label]]
        return float(np.log(DIRTY) if is_full else np.log1p(-DIRTY))

    # the second look

    def stories(self) -> tuple[PartStory, ...]:
        """Parts that are sure."""
        left = self.candidates()
        while left:
            lead = left[0]
            rivals = [lead, *(it for it in left[1:] if not it.is_beside(lead))][: MOST_RIVALS + 1]
            for it in rivals:
                if it.part not in self._odds:
                    self._odds[it.part] = self._log_odds(it.part)
            looked = [(self._odds[it.part], it) for it in rivals]
            joint = [odds + self._log_prior(it.part) + float(np.log(it.n_alike)) for odds, it in looked]
            best = int(np.argmax(joint))
            winner, odds = looked[best][1], looked[best][0]
            moves = sum(max(self.known.joint.get(plate, 0.0), 0.0) for plate in winner.part.plates)
            rest = [0.0, moves] if moves else [0.0]
            rest += [joint[k] for k in range(len(rivals)) if k != best]
            if joint[best] - float(np.logaddexp.reduce(rest)) > np.log(SURE_PART):
                self.accepted.append(PartStory(part=winner.part, log_odds=odds))
                left = [it for it in left if it.is_beside(winner)]
                self._odds.clear()
            else:
                left = left[1:]
        return tuple(self.accepted)

    def _log_prior(self, part: DisplacedPart) -> float:
        if len(part.plates) > 1:
            return float(np.log(PART_PRIOR / (len(self.layouts) - 1)))
        n_rows, n_columns = self.layouts[part.plates[0]].shape
        n_exchanges = (n_rows * (n_rows - 1) + n_columns * (n_columns - 1)) // 2
        n_runs = 2 * (n_rows * (2 * n_columns - 1) + n_columns * (2 * n_rows - 1))
        return float(np.log(PART_PRIOR / (n_exchanges + n_runs)))

    def _log_odds(self, part: DisplacedPart) -> float:
        """Log likelihood of the wells of the plates of a part, against that of the sheet."""
        known = self.known
        moves = {**known.moves, **dict.fromkeys(part.plates, IN_PLACE)}
        before = contents(known.layouts, moves, known.sheet)
        for story in self.accepted:
            before |= {label: self._named(meant) for label, meant in story.part.meant.items()}
        after = before | {label: self._named(meant) for label, meant in part.meant.items()}
        wells = [sample for plate in part.plates for sample in self.layouts[plate].at.values()]
        donors = frozenset().union(*(donors_on(self.layouts[plate], self.profiles.shares) for plate in part.plates))
        terms = [self._terms(wells, holds, self._learnt(holds, donors)) for holds in (before, after)]
        # A well of which nothing is expected, before or after, tells nothing.
        return float(np.nansum(terms[1] - terms[0]))

    def _terms(
        self, wells: Sequence[Sample], holds: Mapping[str, Sample | None], profiles: Profiles
    ) -> NDArray[np.float64]:
        """Log likelihood of each genotyped well; NaN where nothing is expected of it."""
        seen = self.known.seen
        typed = [sample for sample in wells if sample.name in seen.row]
        rows = self._rows(typed)
        anything = profiles.anything(rows, wells)
        terms = []
        for sample, row, any_ in zip(typed, rows.tolist(), anything.tolist(), strict=True):
            origin = holds[sample.name]
            if origin is None:
                terms.append(self._empty(sample.name))
            elif _is_telling(origin):
                terms.append(named_well(origin, row, bool(seen.is_full[row]), any_, profiles))
            else:
                terms.append(np.nan)
        return np.array(terms)


def _is_telling(sample: Sample) -> bool:
    """Whether a well says anything of which sample it holds."""
    return sample.role is Role.BLANK or is_expected(sample)
