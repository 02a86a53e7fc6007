"""Stories of exchanged labels: the simplest one that explains several broken declarations at once.

A story says which label holds the DNA that was meant for which other label: two labels exchanged, a ring of them, a
row, column or whole plate shifted by one, a plate turned. It is believed when samples that are one genotype without
being declared so become declared by it, and nothing that was right becomes wrong.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from dhverify.declared_identity import Groups
from dhverify.plate_layout import TURNED
from dhverify.samples import Role, Sample, SampleSheet

MIN_PLATE_EVIDENCE: Final = 3
"""Pairs that a story about a plate, row or column must explain (common practice, no source)."""
MIN_ROW_EVIDENCE: Final = 2
"""Pairs that explain a story of one row or column where nothing is against it and no exchange explains them: few of
its wells may name a source (common practice, no source)."""
MAX_AGAINST: Final = 0.1
"""Pairs against such a story for each pair that it explains."""
NOTHING: Final = "an empty well for "
"""Before a label: what it holds when it stands over an empty well."""
Pair = tuple[str, str]


@dataclass(frozen=True, kw_only=True)
class Story:
    """What happened to labels.

    Attributes
    ----------
    text
        What happened with its evidence, a sentence or two.
    meant
        For each label concerned the label that its DNA was meant for.
    move
        For a story about a plate, a row or a column of it: how it came out of place; else empty.
    explained
        Undeclared pairs of one genotype that it explains.

    """

    text: str
    meant: Mapping[str, str]
    move: str = ""
    explained: tuple[Pair, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Findings:
    """What is known of pairs before any story.

    Attributes
    ----------
    undeclared
        Pairs that are one genotype and not declared so.
    kept, broken
        Declared pairs that are one genotype, and that are not.
    descendants
        Samples on the younger side of a broken pair.
    groups
        Declared groups.
    fits_own_donor
        Samples that are a clean gamete of their own donor.

    """

    undeclared: tuple[Pair, ...]
    kept: tuple[Pair, ...]
    broken: tuple[Pair, ...]
    descendants: frozenset[str]
    groups: Groups
    fits_own_donor: frozenset[str] = field(default_factory=frozenset)

    def without(self, explained: Sequence[Pair]) -> Findings:
        """The same without undeclared pairs that a story explains."""
        gone = set(explained)
        return Findings(
            undeclared=tuple(pair for pair in self.undeclared if pair not in gone),
            kept=self.kept,
            broken=self.broken,
            descendants=self.descendants,
            groups=self.groups,
            fits_own_donor=self.fits_own_donor,
        )


def tell_stories(sheet: SampleSheet, findings: Findings) -> tuple[Story, ...]:
    """Stories that explain undeclared pairs, the most far-reaching first; each pair is explained once."""
    stories: list[Story] = []
    while findings.undeclared and (story := _best_plate_story(sheet, findings)) is not None:
        stories.append(story)
        findings = findings.without(story.explained)
    for story in _ring_stories(sheet, findings):
        stories.append(story)
        findings = findings.without(story.explained)
    return tuple(stories)


def _weigh(meant: Mapping[str, str], findings: Findings) -> tuple[tuple[Pair, ...], int]:
    """Undeclared pairs that a story explains, and the number of observations against it."""

    def group(name: str) -> str:
        return findings.groups.root(meant.get(name, name))

    explained = tuple(pair for pair in findings.undeclared if group(pair[0]) == group(pair[1]))
    touched = _touching((*findings.kept, *findings.broken), meant)
    broken = set(findings.broken)
    against = sum((group(a) == group(b)) == ((a, b) in broken) for a, b in touched)
    return explained, against


def _touching(pairs: Sequence[Pair], meant: Mapping[str, str]) -> list[Pair]:
    """Pairs with a label of a story."""
    return [pair for pair in pairs if pair[0] in meant or pair[1] in meant]


# plates


def _best_plate_story(sheet: SampleSheet, findings: Findings) -> Story | None:
    concerned = {name for pair in findings.undeclared for name in pair}
    exchanged = {pair for story in _ring_stories(sheet, findings) for pair in story.explained}
    best: tuple[tuple[int, int], Story] | None = None
    for plate, wells in _plates(sheet).items():
        if concerned.isdisjoint(wells.values()):
            continue
        for told, meant in _plate_moves(plate, wells, concerned):
            explained, against = _weigh(meant, findings)
            mended = _touching(findings.broken, meant)
            is_part = len(meant) < len(wells) and not against and not set(explained) <= exchanged
            needed = MIN_ROW_EVIDENCE if is_part else MIN_PLATE_EVIDENCE
            if len(explained) < needed or len(mended) < MIN_ROW_EVIDENCE:
                continue
            if against > MAX_AGAINST * len(explained):
                continue
            rank = (len(explained) - against, -len(meant))
            if best is None or rank > best[0]:
                text = _plate_text(told, meant, explained, against, sheet, findings)
                story = Story(text=text, meant=meant, move=told, explained=explained)
                best = (rank, story)
    return None if best is None else best[1]


def _plates(sheet: SampleSheet) -> dict[str, dict[tuple[int, int], str]]:
    found: dict[str, dict[tuple[int, int], str]] = {}
    for sample in sheet:
        if sample.well:
            place = (ord(sample.well[0]) - ord("A"), int(sample.well[1:]) - 1)
            found.setdefault(sample.plate, {})[place] = sample.name
    return found


Move = Callable[[int, int], tuple[int, int]]


def _plate_moves(
    plate: str, wells: Mapping[tuple[int, int], str], concerned: set[str]
) -> Iterator[tuple[str, dict[str, str]]]:
    """Yield (what happened, label -> label that its DNA was meant for)."""
    is_large = any(row > 7 or column > 11 for row, column in wells)
    n_rows, n_columns = (16, 24) if is_large else (8, 12)
    name = f"Plate {plate}" if plate else "The plate"

    def moved(move: Move, places: Sequence[tuple[int, int]]) -> dict[str, str]:
        return {wells[p]: wells.get(move(*p), NOTHING + wells[p]) for p in places}

    everywhere = list(wells)
    yield (
        f"{name} was {TURNED.words}",
        moved(lambda r, c: (n_rows - 1 - r, n_columns - 1 - c), everywhere),
    )
    for step, where in ((1, "right"), (-1, "left")):
        yield (
            f"{name} was shifted one column to the {where}",
            moved(lambda r, c, s=step: (r, (c - s) % n_columns), everywhere),  # type: ignore[misc]
        )
    for step, where in ((1, "down"), (-1, "up")):
        yield (
            f"{name} was shifted one row {where}",
            moved(lambda r, c, s=step: ((r - s) % n_rows, c), everywhere),  # type: ignore[misc]
        )
    touched = [place for place, sample in wells.items() if sample in concerned]
    for row in sorted({row for row, _ in touched}):
        places = [place for place in wells if place[0] == row]
        for step, where in ((1, "right"), (-1, "left")):
            told = f"{name}: row {chr(ord('A') + row)} was shifted by one to the {where}"
            meant = moved(lambda r, c, s=step: (r, (c - s) % n_columns), places)  # type: ignore[misc]
            yield from ((told, meant), (told, _closed(meant)))
    for column in sorted({column for _, column in touched}):
        places = [place for place in wells if place[1] == column]
        for step, where in ((1, "down"), (-1, "up")):
            told = f"{name}: column {column + 1} was shifted {where} by one"
            meant = moved(lambda r, c, s=step: ((r - s) % n_rows, c), places)  # type: ignore[misc]
            yield from ((told, meant), (told, _closed(meant)))


def _closed(meant: Mapping[str, str]) -> dict[str, str]:
    """Put what a shift pushed out of the filled wells at one end of a row back in at the other."""
    emptied = [label for label, held in meant.items() if held.startswith(NOTHING)]
    lost = [label for label in meant if label not in meant.values()]
    return {**meant, emptied[0]: lost[0]} if len(emptied) == len(lost) == 1 else dict(meant)


def _plate_text(
    told: str,
    meant: Mapping[str, str],
    explained: Sequence[Pair],
    against: int,
    sheet: SampleSheet,
    findings: Findings,
) -> str:
    n_broken = len(_touching(findings.broken, meant))
    one, two = explained[0]
    label = one if one in meant else two
    example = f"{label} ({sheet[label].well}) is what should stand under {meant[label]}"
    if meant[label] in sheet and sheet[meant[label]].well:
        example += f" ({sheet[meant[label]].well})"
    return (
        f"{told}: this explains {_pairs(len(explained))} of one genotype that the sheet does not declare"
        f" and {_pairs(n_broken)} that it declares wrongly, with {against or 'none'} against it;"
        f" for example {example}."
    )


def _pairs(n: int) -> str:
    return "1 pair" if n == 1 else f"{n} pairs"


# labels exchanged


def _ring_stories(sheet: SampleSheet, findings: Findings) -> Iterator[Story]:
    """Labels that hold one another's DNA in a ring; two of them are an exchange."""
    for is_younger in (True, False):
        told: set[str] = set()
        meant = _meant(sheet, findings, is_younger=is_younger)
        for start in meant:
            ring = _ring(start, meant)
            if not ring or told & set(ring):
                continue
            story = {name: meant[name] for name in ring}
            explained, against = _weigh(story, findings)
            if against or len(explained) < len(ring) or _contradicts_donors(story, sheet, findings):
                continue
            told |= set(ring)
            findings = findings.without(explained)
            yield Story(text=_ring_text(ring, explained, sheet), meant=story, explained=explained)


def _contradicts_donors(meant: Mapping[str, str], sheet: SampleSheet, findings: Findings) -> bool:
    """Whether a sample would be of another donor, and is a clean gamete of its own.

    Asked of few labels only: a whole plate of moved ones can teach a family the wrong alleles.
    """
    return any(
        sheet[name].donor not in ("", sheet[other].donor)
        for name, other in meant.items()
        if name in findings.fits_own_donor
    )


def _meant(sheet: SampleSheet, findings: Findings, *, is_younger: bool) -> dict[str, str]:
    """For each label of broken pairs the label that its DNA was meant for, where exactly one fits.

    Either the younger side of broken pairs is taken to be exchanged, or the older side.
    """
    broken_with: dict[str, set[str]] = {}
    for one, two in findings.broken:
        broken_with.setdefault(one, set()).add(two)
        broken_with.setdefault(two, set()).add(one)
    options: dict[str, set[str]] = {}
    for pair in findings.undeclared:
        for label, fits in (pair, pair[::-1]):
            is_side = (label in findings.descendants) == is_younger
            if label in broken_with and is_side and sheet[label].role is not Role.KNOWN:
                side = {n for n in broken_with.get(fits, ()) if (n in findings.descendants) == is_younger}
                options.setdefault(label, set()).update(side - {label})
    return {label: next(iter(found)) for label, found in options.items() if len(found) == 1}


def standing(sample: Sample) -> str:
    """Name of a sample with its plate and well, as far as it has them.

    Examples
    --------
    >>> standing(Sample(name="L1", role=Role.LINE, plate="P1", well="C04"))
    'L1 (plate P1, well C04)'

    """
    if not sample.well:
        return sample.name
    return f"{sample.name} ({f'plate {sample.plate}, ' if sample.plate else ''}well {sample.well})"


def _ring(start: str, meant: Mapping[str, str]) -> list[str]:
    """Labels of the ring that starts at a label; empty where it does not come back."""
    ring = [start]
    while (following := meant.get(ring[-1])) is not None:
        if following == start:
            return ring
        if following in ring:
            return []
        ring.append(following)
    return []


def _ring_text(ring: Sequence[str], explained: Sequence[Pair], sheet: SampleSheet) -> str:
    place = {sample.name: number for number, sample in enumerate(sheet)}
    start = ring.index(min(ring, key=place.__getitem__))
    labels = [standing(sheet[name]) for name in (*ring[start:], *ring[:start])]
    pairs = sorted(
        (tuple(sorted(pair, key=lambda name: (name not in ring, place[name]))) for pair in explained),
        key=lambda pair: [place[name] for name in pair],
    )
    evidence = "; ".join(f"{one} is one genotype with {two}" for one, two in pairs)
    if len(labels) == 2:
        return f"{labels[0]} and {labels[1]} were exchanged: {evidence}; neither fits what the sheet declares for it."
    return f"{', '.join(labels)} were exchanged in a ring, each holding what was meant for the next: {evidence}."
