"""Several genotype files into one: the same marker, the same alleles, every call once.

The same marker is the one with the same name and place, or the same place where a name is missing; a file
that knows no places takes part by name. Alleles in the other order are turned. Strands are never turned: A/G
and T/C are alleles that do not agree.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from dhverify.chromosomes import canonical_chromosome
from dhverify.errors import Defect, FormatError
from dhverify.formats.defects import a_few, capped, counted
from dhverify.formats.part import Part, set_aside_warning
from dhverify.genotypes import MISSING, UNKNOWN_POSITION, Genotypes, Markers, SetAsideMarker

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

_TWO_PLACES: Final = "one name at two places"
_NO_AGREEMENT: Final = "alleles that cannot agree"

Place = tuple[str, int]
_NOWHERE: Final[Place] = ("", UNKNOWN_POSITION)


@dataclass(kw_only=True)
class _Joined:
    """A marker of the joined genotypes and where its columns are: (part, column) pairs."""

    name: str
    chrom: str
    pos_bp: int
    columns: list[tuple[int, int]] = field(default_factory=list)
    alleles: tuple[str, str] = ("", "")
    reason: str = ""


def join(parts: Sequence[Part], *, checksums: tuple[tuple[str, str], ...] = ()) -> Genotypes:
    """Join the contents of genotype files.

    Parameters
    ----------
    parts
        At least one.
    checksums
        (file name, SHA-256) of each file.

    Raises
    ------
    FormatError
        A call is given twice, or no marker is left.

    """
    parts = _with_repeated_names_told_apart(parts)
    joined = _same_markers(parts)
    for marker in joined:
        if not marker.reason:
            _agree(marker, parts)
    used = [marker for marker in joined if not marker.reason]
    set_aside = tuple(
        SetAsideMarker(name=marker.name, chrom=marker.chrom, pos_bp=marker.pos_bp, reason=marker.reason)
        for marker in joined
        if marker.reason
    )
    sources = ", ".join(part.source for part in parts)
    if not used:
        reason = f" ({set_aside[0].reason})" if set_aside else ""
        defect = Defect(where="markers", found=f"none that can be used{reason}", expected="at least one")
        raise FormatError(sources, [defect])
    return _filled(parts, used, set_aside, checksums)


def _with_repeated_names_told_apart(parts: Sequence[Part]) -> list[Part]:
    """Add the place to names that one VCF gives to several records; there the place is the identity."""
    repeated: set[str] = set()
    for part in parts:
        if part.is_place_the_identity:
            names = Counter(part.markers.name.tolist())
            repeated |= {name for name, times in names.items() if times > 1 and name}
    return [_renamed(part, repeated) for part in parts] if repeated else list(parts)


def _renamed(part: Part, repeated: set[str]) -> Part:
    markers = part.markers
    names = markers.name.tolist()
    told = [
        f"{name}_{chrom}_{pos}" if name in repeated and pos >= 0 else name
        for name, chrom, pos in zip(names, markers.chrom, markers.pos_bp, strict=True)
    ]
    warning: tuple[str, ...] = ()
    if told != names:
        found = a_few(sorted(repeated & set(names)))
        warning = (f"{part.source}: several records have one name; their place was added to it: {found}.",)
    return replace(
        part,
        markers=replace(markers, name=np.array(told, dtype=np.str_)),
        warnings=(*part.warnings, *warning),
    )


def _place(chrom: str, pos_bp: int) -> Place:
    """Return a place that is the same for ``chr01`` and ``1``."""
    name = canonical_chromosome(chrom)
    return (name, int(pos_bp)) if name and pos_bp >= 0 else _NOWHERE


def _same_markers(parts: Sequence[Part]) -> list[_Joined]:
    """Markers in order of first appearance, each with all its columns."""
    finder = _Finder(parts)
    for number, part in enumerate(parts):
        markers = part.markers
        rows = zip(markers.name.tolist(), markers.chrom.tolist(), markers.pos_bp.tolist(), strict=True)
        for column, (name, chrom, pos_bp) in enumerate(rows):
            finder.add(number, column, name, chrom, pos_bp)
    return finder.finish()


class _Finder:
    """Finds the joined marker of each column."""

    def __init__(self, parts: Sequence[Part]) -> None:
        self.joined: list[_Joined] = []
        self.by_key: dict[tuple[str, Place], _Joined] = {}
        self.names_at: dict[Place, list[str]] = defaultdict(list)
        self.places_of: dict[str, list[Place]] = defaultdict(list)
        for part in parts:
            markers = part.markers
            rows = zip(markers.name.tolist(), markers.chrom.tolist(), markers.pos_bp.tolist(), strict=True)
            for name, chrom, pos_bp in rows:
                place = _place(chrom, pos_bp)
                if name and place != _NOWHERE:
                    if name not in self.names_at[place]:
                        self.names_at[place].append(name)
                    if place not in self.places_of[name]:
                        self.places_of[name].append(place)

    def add(self, part: int, column: int, name: str, chrom: str, pos_bp: int) -> None:
        """Give one column of one part to its marker."""
        place = _place(chrom, pos_bp)
        if not name and len(self.names_at[place]) == 1:
            name = self.names_at[place][0]
        if place == _NOWHERE and len(self.places_of[name]) == 1:
            place = self.places_of[name][0]
        marker = self.by_key.get((name, place))
        if marker is None:
            marker = _Joined(name=name or f"{chrom}_{pos_bp}", chrom=chrom, pos_bp=pos_bp)
            self.by_key[name, place] = marker
            self.joined.append(marker)
        if marker.pos_bp < 0 <= pos_bp:
            marker.pos_bp = pos_bp
        marker.chrom = marker.chrom or chrom
        marker.columns.append((part, column))

    def finish(self) -> list[_Joined]:
        """Set aside every name that stands at two places."""
        times = Counter(marker.name for marker in self.joined)
        for marker in self.joined:
            if times[marker.name] > 1:
                marker.reason = _TWO_PLACES
        return self.joined


def _agree(marker: _Joined, parts: Sequence[Part]) -> None:
    """Find the two alleles that all columns of a marker can be told in, or set it aside."""
    named = [
        (parts[part], _pair(parts[part], column)) for part, column in marker.columns if any(_pair(parts[part], column))
    ]
    alphabets = {part.alphabet for part, _ in named}
    alleles = {allele for _, pair in named for allele in pair if allele}
    if len(alphabets) > 1 or len(alleles) > 2:
        marker.reason = _NO_AGREEMENT
        return
    ordered = [pair for part, pair in named if part.is_ordered]
    known = list(dict.fromkeys(allele for pair in ordered for allele in pair if allele))
    known += sorted(alleles - set(known))
    # an ordered pair whose first allele is not named keeps its second allele in the second place
    if ordered and not ordered[0][0] and known[0] == ordered[0][1]:
        known = [*known[1:], *([""] if len(known) == 1 else []), known[0]]
    first, second = (*known, "", "")[:2]
    marker.alleles = (first, second)


def _pair(part: Part, column: int) -> tuple[str, str]:
    return str(part.markers.first_allele[column]), str(part.markers.second_allele[column])


def _is_turned(pair: tuple[str, str], alleles: tuple[str, str]) -> bool:
    """Whether a column tells the alleles in the other order."""
    first, second = pair
    return (bool(first) and first == alleles[1]) or (bool(second) and second == alleles[0])


def _filled(
    parts: Sequence[Part],
    used: list[_Joined],
    set_aside: tuple[SetAsideMarker, ...],
    checksums: tuple[tuple[str, str], ...],
) -> Genotypes:
    samples = list(dict.fromkeys(name for part in parts for name in part.samples))
    filler = _Filler(parts, samples, used)
    filler.run()
    new = set_aside_warning(", ".join(part.source for part in parts), set_aside)
    return Genotypes(
        samples=np.array(samples, dtype=np.str_),
        markers=_joined_markers(used, parts),
        calls=filler.calls,
        depths=filler.depths,
        half_calls=filler.half_calls,
        set_aside=(*(marker for part in parts for marker in part.set_aside), *set_aside),
        notes=(*(note for part in parts for note in part.notes), *filler.notes),
        warnings=(*(warning for part in parts for warning in part.warnings), *new),
        checksums=checksums,
    )


def _joined_markers(used: list[_Joined], parts: Sequence[Part]) -> Markers:
    return Markers(
        name=np.array([marker.name for marker in used], dtype=np.str_),
        chrom=np.array([marker.chrom for marker in used], dtype=np.str_),
        pos_bp=np.array([marker.pos_bp for marker in used], dtype=np.int64),
        cm=np.array([_cm(marker, parts) for marker in used], dtype=np.float64),
        first_allele=np.array([marker.alleles[0] for marker in used], dtype=np.str_),
        second_allele=np.array([marker.alleles[1] for marker in used], dtype=np.str_),
    )


def _cm(marker: _Joined, parts: Sequence[Part]) -> float:
    values = (float(parts[part].markers.cm[column]) for part, column in marker.columns)
    return next((value for value in values if not np.isnan(value)), float("nan"))


class _Filler:
    """Copies the calls of each part to their place among the joined."""

    def __init__(self, parts: Sequence[Part], samples: list[str], used: list[_Joined]) -> None:
        self.parts = parts
        self.used = used
        self.samples = samples
        self.row_of = {name: row for row, name in enumerate(samples)}
        shape = (len(samples), len(used))
        self.calls = np.full(shape, MISSING, dtype=np.int8)
        has_depths = any(part.depths is not None for part in parts)
        self.depths = np.zeros((*shape, 2), dtype=np.int32) if has_depths else None
        self.half_calls = np.zeros(shape[0], dtype=np.int64)
        self.defects: list[Defect] = []
        self.notes: list[str] = []

    def run(self) -> None:
        """Fill in every part.

        Raises
        ------
        FormatError
            Naming calls that are given twice.

        """
        columns: dict[int, list[tuple[int, int]]] = defaultdict(list)
        for target, marker in enumerate(self.used):
            for part, column in marker.columns:
                columns[part].append((column, target))
        if len(self.parts) == 1 and self._is_as_it_is(self.parts[0], columns[0]):
            self.calls, self.depths = self.parts[0].calls, self.parts[0].depths
            self.half_calls = self.parts[0].half_calls
            return
        for number, source in enumerate(self.parts):
            self._part(source, columns[number])
        if self.defects:
            sources = ", ".join(part.source for part in self.parts)
            raise FormatError(sources, capped(self.defects))

    def _is_as_it_is(self, part: Part, columns: list[tuple[int, int]]) -> bool:
        """Whether the only part can be taken without a copy."""
        return columns == [(column, column) for column in range(len(part.markers))] and not any(
            _is_turned(_pair(part, column), self.used[target].alleles) for column, target in columns
        )

    def _part(self, part: Part, columns: list[tuple[int, int]]) -> None:
        rows = np.array([self.row_of[name] for name in part.samples], dtype=np.int64)
        self.half_calls[rows] += part.half_calls
        turned = [target for column, target in columns if _is_turned(_pair(part, column), self.used[target].alleles)]
        if turned and part.is_ordered:
            names = a_few([self.used[target].name for target in turned])
            text = counted(len(turned), "marker")
            self.notes.append(f"{part.source}: alleles given in the other order turned at {text}: {names}.")
        while columns:
            once: dict[int, int] = {}
            for column, target in columns:
                once.setdefault(target, column)
            self._block(part, rows, once, set(turned))
            taken = {(column, target) for target, column in once.items()}
            columns = [pair for pair in columns if pair not in taken]

    def _block(self, part: Part, rows: NDArray[np.int64], once: dict[int, int], turned: set[int]) -> None:
        targets = np.array(list(once), dtype=np.int64)
        block = part.calls[:, np.array(list(once.values()), dtype=np.int64)]
        flip = np.array([target in turned for target in once], dtype=np.bool_)
        block[:, flip] = np.where(block[:, flip] >= 0, 2 - block[:, flip], block[:, flip])
        where = np.ix_(rows, targets)
        before = self.calls[where]
        self._note_doubled(part, rows, targets, (before != MISSING) & (block != MISSING))
        self.calls[where] = np.where(block == MISSING, before, block)
        if self.depths is not None and part.depths is not None:
            reads = part.depths[:, np.array(list(once.values()), dtype=np.int64)]
            reads[:, flip] = reads[:, flip][:, :, ::-1]
            self.depths[where] += reads

    def _note_doubled(
        self, part: Part, rows: NDArray[np.int64], targets: NDArray[np.int64], is_doubled: NDArray[np.bool_]
    ) -> None:
        for row in np.flatnonzero(is_doubled.any(axis=1)):
            markers = [self.used[target].name for target in targets[is_doubled[row]]]
            noun, calls = ("marker", "the call") if len(markers) == 1 else ("markers", "calls")
            where = f"sample {self.samples[rows[row]]}, {noun} {a_few(markers)}"
            found = f"{calls} given twice, again in {part.source}"
            self.defects.append(Defect(where=where, found=found, expected="each call once"))
