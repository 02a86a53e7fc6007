"""What the sheet declares to be one genotype: replicates, descent, lines verified earlier; and who breaks it."""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

from dhverify.outcome import Answer, Flag
from dhverify.samples import Role, Sample, SampleSheet

NONE: Final = "none"
LINE: Final = "line"
SOURCE: Final = "source"
KNOWN: Final = "known"


@dataclass(frozen=True, kw_only=True)
class DeclaredPair:
    """Two samples that the sheet declares to be one genotype; of a source pair ``sample`` is the descendant."""

    sample: str
    other_sample: str
    declared: str


class Groups:
    """Names joined into groups; a group is known by its first name in order of appearance."""

    def __init__(self, names: Iterable[str]) -> None:
        self._parent = {name: name for name in names}

    def root(self, name: str) -> str:
        """Name that stands for the group of a name; a new name is a group of its own."""
        self._parent.setdefault(name, name)
        while self._parent[name] != name:
            name = self._parent[name]
        return name

    def join(self, one: str, two: str) -> None:
        """Make one group of two."""
        first, second = self.root(one), self.root(two)
        self._parent[second] = first

    def members(self) -> dict[str, list[str]]:
        """Names of each group."""
        found: dict[str, list[str]] = {}
        for name in self._parent:
            found.setdefault(self.root(name), []).append(name)
        return found


def line_name(sample: Sample) -> str:
    """Name of the line that a sample is of: the column ``line``, else the sample itself."""
    return sample.line or sample.name


def line_sets(sheet: SampleSheet) -> dict[str, list[Sample]]:
    """Lines and known samples by line name, in sheet order, where there are at least two."""
    sets: dict[str, list[Sample]] = {}
    for sample in sheet:
        if sample.role in (Role.LINE, Role.KNOWN):
            sets.setdefault(line_name(sample), []).append(sample)
    return {name: members for name, members in sets.items() if len(members) > 1}


def declared_groups(sheet: SampleSheet) -> Groups:
    """Samples that are one genotype by declaration: a chain of descent, lines of one source, replicates."""
    groups = Groups(sample.name for sample in sheet)
    for sample in sheet:
        if sample.source:
            groups.join(sample.source, sample.name)
    for members in line_sets(sheet).values():
        for member in members[1:]:
            groups.join(members[0].name, member.name)
    return groups


def ancestors(sheet: SampleSheet, name: str) -> Iterator[str]:
    """Sources of a sample, the nearest first."""
    passed = {name}
    while name in sheet and (name := sheet[name].source) and name not in passed:
        passed.add(name)
        yield name


def declared_pairs(sheet: SampleSheet, genotyped: Container[str]) -> tuple[DeclaredPair, ...]:
    """Every declared pair with at least one genotyped sample, each once, in sheet order.

    A descendant is compared with its source; where that was not genotyped, also with the nearest ancestor that
    was, or, if there is none, with the first other line of that source.
    """
    found: dict[frozenset[str], DeclaredPair] = {}
    for pair in [*_descent(sheet, genotyped), *_replicates(sheet)]:
        key = frozenset({pair.sample, pair.other_sample})
        if len(key) > 1 and any(name in genotyped for name in key):
            found.setdefault(key, pair)
    place = {sample.name: number for number, sample in enumerate(sheet)}
    last = len(place)
    return tuple(sorted(found.values(), key=lambda p: (place.get(p.sample, last), place.get(p.other_sample, last))))


def _descent(sheet: SampleSheet, genotyped: Container[str]) -> Iterator[DeclaredPair]:
    first_of: dict[str, str] = {}
    for sample in sheet:
        if not sample.source:
            continue
        yield DeclaredPair(sample=sample.name, other_sample=sample.source, declared=SOURCE)
        if sample.source in genotyped or sample.name not in genotyped:
            continue
        typed = [name for name in ancestors(sheet, sample.name) if name in genotyped]
        sister = first_of.setdefault(sample.source, sample.name)
        other = typed[0] if typed else sister
        yield DeclaredPair(sample=sample.name, other_sample=other, declared=SOURCE)


def _replicates(sheet: SampleSheet) -> Iterator[DeclaredPair]:
    for members in line_sets(sheet).values():
        for one, two in combinations(members, 2):
            if one.role is Role.KNOWN and two.role is Role.KNOWN:
                continue
            sample, other = (two, one) if one.role is Role.KNOWN else (one, two)
            declared = KNOWN if other.role is Role.KNOWN else LINE
            yield DeclaredPair(sample=sample.name, other_sample=other.name, declared=declared)


AnswerOf = Callable[[str, str], Answer | None]
"""Answer of two samples by name, None where they were not compared."""


def mismatch_flags(sheet: SampleSheet, pairs: Sequence[DeclaredPair], answer: AnswerOf) -> dict[str, frozenset[Flag]]:
    """Flags of the samples that break what the sheet declares."""
    flags: dict[str, set[Flag]] = {}
    for name in _source_mismatches(sheet, pairs, answer):
        flags.setdefault(name, set()).add(Flag.SOURCE_MISMATCH)
    for members in line_sets(sheet).values():
        for name in _odd_ones(members, answer):
            flags.setdefault(name, set()).add(Flag.LINE_MISMATCH)
    return {name: frozenset(found) for name, found in flags.items()}


def _source_mismatches(sheet: SampleSheet, pairs: Sequence[DeclaredPair], answer: AnswerOf) -> Iterator[str]:
    for pair in pairs:
        if pair.declared != SOURCE or answer(pair.sample, pair.other_sample) is not Answer.NO:
            continue
        others = [name for name in ancestors(sheet, pair.sample) if name != pair.other_sample]
        if any(answer(pair.sample, name) is Answer.YES for name in others):
            continue
        yield pair.sample
        if pair.other_sample not in ancestors(sheet, pair.sample):
            yield pair.other_sample


def _odd_ones(members: Sequence[Sample], answer: AnswerOf) -> list[str]:
    """Lines of a replicate set that do not belong: all but the largest party; all where two parties are as large.

    A known sample was verified earlier, so its party is right.
    """
    names = [member.name for member in members]
    disagree = {n for a, b in combinations(names, 2) if answer(a, b) is Answer.NO for n in (a, b)}
    if not disagree:
        return []
    parties = agreeing_parties(names, answer)
    known = {member.name for member in members if member.role is Role.KNOWN}
    sizes = [len(party) + (len(names) if known & set(party) else 0) for party in parties]
    largest = max(sizes)
    right = set(parties[sizes.index(largest)]) if largest > 1 and sizes.count(largest) == 1 else set()
    return [
        name
        for name in names
        if name not in known
        and name not in right
        and name in disagree
        and (not right or any(answer(name, other) is Answer.NO for other in right))
    ]


def agreeing_parties(names: Sequence[str], answer: AnswerOf) -> list[list[str]]:
    """Divide samples into parties that are one genotype, in the order given."""
    groups = Groups(names)
    for one, two in combinations(names, 2):
        if answer(one, two) is Answer.YES:
            groups.join(groups.root(one), groups.root(two))
    return list(groups.members().values())


def agreeing_replicates(sheet: SampleSheet, answer: AnswerOf) -> tuple[tuple[str, ...], ...]:
    """Samples of one line that agree among themselves, to be judged together; lines only."""
    found = []
    for members in line_sets(sheet).values():
        names = [member.name for member in members if member.role is Role.LINE]
        for party in agreeing_parties(names, answer):
            is_torn = any(answer(a, b) is Answer.NO for a, b in combinations(party, 2))
            if len(party) > 1 and not is_torn:
                found.append(tuple(party))
    return tuple(found)


def suggested(other_sample: str, same_as: Mapping[str, Sequence[str]], sample: Sample, sheet: SampleSheet) -> str:
    """Sample that fits ``other_sample`` in place of ``sample``: of the same stage if there is one; else empty."""
    fitting = [name for name in same_as.get(other_sample, ()) if name != sample.name]
    of_stage = [name for name in fitting if sheet[name].stage == sample.stage]
    return next(iter([*of_stage, *fitting]), "")
