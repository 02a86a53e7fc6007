"""Stories of exchanged labels: the simplest one that explains several broken declarations at once.

A story says which label holds the DNA that was meant for which other label: two labels exchanged, a ring of them, two
rows, columns or plates exchanged, a row, column or whole plate shifted by one, a row or column from its middle on, a
plate turned. It is believed when samples that are one genotype without
being declared so become declared by it, and nothing that was right becomes wrong.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final

from dhverify.declared_identity import Groups
from dhverify.displaced_parts import LEAST_STEPS, DisplacedPart, PartKind, moved_plates, shifted_lines, suspects
from dhverify.plate_layout import plate_layouts
from dhverify.samples import Role, Sample, SampleSheet

MIN_PLATE_EVIDENCE: Final = 3
"""Pairs that a story about a plate, row or column must explain (common practice, no source)."""
MIN_ROW_EVIDENCE: Final = 2
"""Pairs that explain a story of one row or column where nothing is against it and no exchange explains them: few of
its wells may name a source (common practice, no source)."""
MAX_AGAINST: Final = 0.1
"""Pairs against such a story for each pair that it explains."""
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
    rests_on
        Labels whose wells it takes to stand as the sheet says; where one does not, it is no story.

    """

    text: str
    meant: Mapping[str, str]
    move: str = ""
    explained: tuple[Pair, ...] = ()
    rests_on: frozenset[str] = frozenset()


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
    replicates
        Samples of broken pairs that are declared to be one line, of which neither descends from the other.

    """

    undeclared: tuple[Pair, ...]
    kept: tuple[Pair, ...]
    broken: tuple[Pair, ...]
    descendants: frozenset[str]
    groups: Groups
    fits_own_donor: frozenset[str] = field(default_factory=frozenset)
    replicates: frozenset[str] = frozenset()

    @cached_property
    def members(self) -> Mapping[str, Sequence[str]]:
        """Names of each declared group."""
        return self.groups.members()

    @cached_property
    def _of_label(self) -> Mapping[str, Mapping[str, Sequence[Pair]]]:
        """By kind of declared pair and label: the pairs with that label."""
        return {"kept": _by_label(self.kept), "broken": _by_label(self.broken)}

    def touching(self, kind: str, meant: Collection[str]) -> list[Pair]:
        """Pairs of a kind (undeclared, kept, broken) with a label of a story."""
        if kind == "undeclared":
            return [pair for pair in self.undeclared if pair[0] in meant or pair[1] in meant]
        of_label = self._of_label[kind]
        return list(dict.fromkeys(pair for label in meant for pair in of_label.get(label, ())))

    def without(self, explained: Sequence[Pair]) -> Findings:
        """The same without undeclared pairs that a story explains."""
        gone = set(explained)
        left = replace(self, undeclared=tuple(pair for pair in self.undeclared if pair not in gone))
        # What is declared stays as it is, and to sort it by label again for every story would take long.
        vars(left).update(_of_label=self._of_label, members=self.members)
        return left


def _by_label(pairs: Sequence[Pair]) -> dict[str, list[Pair]]:
    found: dict[str, list[Pair]] = {}
    for pair in pairs:
        for label in pair:
            found.setdefault(label, []).append(pair)
    return found


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

    explained = tuple(pair for pair in findings.touching("undeclared", meant) if group(pair[0]) == group(pair[1]))
    against = sum(group(a) != group(b) for a, b in findings.touching("kept", meant))
    against += sum(group(a) == group(b) for a, b in findings.touching("broken", meant))
    return explained, against


# plates


def _best_plate_story(sheet: SampleSheet, findings: Findings) -> Story | None:
    exchanged = {pair for story in _ring_stories(sheet, findings) for pair in story.explained}
    best: tuple[tuple[int, int, int], Story] | None = None
    for part in _parts(sheet, findings):
        explained, against = _weigh(part.meant, findings)
        if not _is_believed(part, explained, against, exchanged, findings):
            continue
        rank = (len(explained) - against, -part.breadth, len(part.meant))
        if best is None or rank > best[0]:
            text = _plate_text(part, explained, against, sheet, findings)
            best = (rank, Story(text=text, meant=part.meant, move=part.told, explained=explained))
    return None if best is None else best[1]


def _parts(sheet: SampleSheet, findings: Findings) -> Iterator[DisplacedPart]:
    """Whatever can have come out of place, of plates on which an undeclared pair stands."""
    layouts = plate_layouts(sheet)
    concerned = {name for pair in findings.undeclared for name in pair}
    for layout in layouts:
        touched = [place for place, sample in layout.at.items() if sample.name in concerned]
        if touched:
            yield from moved_plates(layout)
            yield from shifted_lines(layout, touched)
    by_name = {layout.plate: layout for layout in layouts}
    steps = ((sheet[one], sheet[two]) for one, two in _steps(findings.undeclared, findings) if two in sheet)
    for suspect, wells in suspects(steps).items():
        if len(wells) >= LEAST_STEPS:
            yield from suspect.parts(by_name)


def _steps(pairs: Iterable[Pair], findings: Findings) -> Iterator[Pair]:
    """For labels of undeclared pairs, each label of the other's group: that their DNA may have been meant for."""
    members = findings.members
    for pair in pairs:
        for label, other in (pair, pair[::-1]):
            for meant in members.get(findings.groups.root(other), (other,)):
                yield label, meant


def _is_believed(
    part: DisplacedPart, explained: Sequence[Pair], against: int, exchanged: set[Pair], findings: Findings
) -> bool:
    """Whether enough pairs speak for a story about a plate, and hardly any against it."""
    if against > MAX_AGAINST * len(explained) or len(findings.touching("broken", part.meant)) < MIN_ROW_EVIDENCE:
        return False
    is_told_by_rings = set(explained) <= exchanged
    if part.kind in {PartKind.EXCHANGE, PartKind.RUN}:
        shown = {frozenset(s) for s in _steps(explained, findings) if part.meant.get(s[0]) == s[1]}
        return len(shown) >= LEAST_STEPS and not (part.kind is PartKind.RUN and is_told_by_rings)
    is_row = part.kind is PartKind.LINE and not against and not is_told_by_rings
    return len(explained) >= (MIN_ROW_EVIDENCE if is_row else MIN_PLATE_EVIDENCE)


def _plate_text(
    part: DisplacedPart, explained: Sequence[Pair], against: int, sheet: SampleSheet, findings: Findings
) -> str:
    n_broken = len(findings.touching("broken", part.meant))
    shown = (s for s in _steps(explained, findings) if s[1] in sheet and part.meant.get(s[0]) == s[1])
    label, meant = next(shown, ("", ""))
    example = ""
    if label:
        example = f"; for example {label} ({sheet[label].well}) is what should stand under {meant}"
        example += f" ({_well(sheet[label], sheet[meant])})" if sheet[meant].well else ""
    return (
        f"{part.told}: this explains {_pairs(len(explained))} of one genotype that the sheet does not declare"
        f" and {_pairs(n_broken)} that it declares wrongly, with {against or 'none'} against it{example}."
    )


def _well(sample: Sample, other: Sample) -> str:
    """Well of the second sample, with its plate where that is another one."""
    return other.well if sample.plate == other.plate else f"plate {other.plate}, {other.well}"


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
            if not ring or told & set(ring) or not (explained := _explained_by(ring, meant, sheet, findings)):
                continue
            text = _ring_text(ring, explained, sheet) + _or_else(ring, explained, meant, sheet, findings)
            told |= set(ring)
            findings = findings.without(explained)
            story = {name: meant[name] for name in ring}
            yield Story(text=text, meant=story, explained=explained, rests_on=frozenset(ring))


def _explained_by(
    ring: Sequence[str], meant: Mapping[str, str], sheet: SampleSheet, findings: Findings
) -> tuple[Pair, ...]:
    """Undeclared pairs that a ring explains; none if they are too few for it, or anything is against it."""
    story = {name: meant[name] for name in ring}
    explained, against = _weigh(story, findings)
    is_possible = not against and len(explained) >= len(ring) and not _contradicts_donors(story, sheet, findings)
    return explained if is_possible else ()


def _or_else(
    ring: Sequence[str], explained: Sequence[Pair], meant: Mapping[str, str], sheet: SampleSheet, findings: Findings
) -> str:
    """Say which other samples of two lines would show the same, had they been exchanged; empty if none would."""
    if len(ring) != 2 or not findings.replicates.issuperset(ring):
        return ""
    for start in meant:
        other = _ring(start, meant)
        if len(other) != 2 or set(other) & set(ring):
            continue
        if set(_explained_by(other, meant, sheet, findings)) == set(explained):
            one, two = (standing(sheet[name]) for name in sorted(other, key=[sample.name for sample in sheet].index))
            return f" Or it was {one} and {two}: these pairs look the same then."
    return ""


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

    Either the younger side of broken pairs is taken to be exchanged, or the older side; replicates are of both.
    """

    def is_side(name: str) -> bool:
        return name in findings.replicates or (name in findings.descendants) == is_younger

    broken_with: dict[str, set[str]] = {}
    for one, two in findings.broken:
        broken_with.setdefault(one, set()).add(two)
        broken_with.setdefault(two, set()).add(one)
    options: dict[str, set[str]] = {}
    for pair in findings.undeclared:
        for label, fits in (pair, pair[::-1]):
            if label in broken_with and is_side(label) and sheet[label].role is not Role.KNOWN:
                side = {name for name in broken_with.get(fits, ()) if is_side(name)}
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
