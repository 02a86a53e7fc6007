"""Guesses for the sample sheet from sample names alone; every guess is marked, for a person to confirm."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Final

from dhverify.formats.family_guesses import LEAST_FAMILY, are_few, families, says_nothing, stem_and_mark
from dhverify.formats.sheet_values import parse_well
from dhverify.outcome import Finding
from dhverify.pedigree import Founder
from dhverify.samples import Role, Stage

if TYPE_CHECKING:
    from collections.abc import Sequence

_EDGE: Final = r"(?:^|[\s_.\-])"
_END: Final = r"(?:$|[\s_.\-]|(?<=[a-z])(?=\d))"
_BLANK: Final = re.compile(_EDGE + r"(?:blank|empty|ntc|water|h2o|no[\s_.\-]?template)" + _END, re.IGNORECASE)
_CONTROL: Final = re.compile(_EDGE + r"(?:control|ctrl|check)" + _END, re.IGNORECASE)
_INDUCER: Final = re.compile(_EDGE + r"inducer" + _END, re.IGNORECASE)
_DONOR: Final = re.compile(r"donor[\s_.\-]?\d*|f1", re.IGNORECASE)
_PARENT: Final = re.compile(r"(?:parent|p)[\s_.\-]?\d+", re.IGNORECASE)
_STAGES: Final = (
    (Stage.HAPLOID, re.compile(_EDGE + r"hap(?:loid)?" + _END, re.IGNORECASE)),
    (Stage.D0, re.compile(_EDGE + r"d0(?:$|[\s_.\-])", re.IGNORECASE)),
    (Stage.D1, re.compile(_EDGE + r"d1(?:$|[\s_.\-])", re.IGNORECASE)),
)
_SURE_REPLICATE: Final = re.compile(r"(?P<stem>.*[^\s_.\-])[\s_.\-](?:rep|replicate|dup)[\s_.\-]?\d+", re.IGNORECASE)
_REPEATED: Final = re.compile(r"(?P<stem>.*\d)[\s_.\-](?P<number>[1-4])")
_SPLIT: Final = re.compile(r"[\s_.\-]+")
_PLATE: Final = re.compile(r"(?:plate|pl|p)\d+", re.IGNORECASE)
_WELL: Final = re.compile(r"[A-P](?:0[1-9]|1[0-9]|2[0-4])", re.IGNORECASE)
_CROSS: Final = re.compile(r"\s*[/x×]\s*", re.IGNORECASE)
_ENOUGH_WELLS: Final = 2 / 3
"""Share of names that hold a well, for wells to be guessed (common practice, no source)."""
_ADDED: Final = "added: the donor that these lines seem to share; give it its name, and its pedigree if known"
_HAPLOID_MARKS: Final = frozenset({"h", "hap"})
_EXPECTED: Final = (
    (re.compile(_EDGE + r"(?:hybrid|f1|pos(?:itive)?)" + _END, re.IGNORECASE), Finding.HYBRID),
    (re.compile(_EDGE + r"hap(?:loid)?" + _END, re.IGNORECASE), Finding.HAPLOID),
)
"""What a control is by a word in its name; without one it is guessed as ``other``, as a wrong guess would hold back
its whole plate."""


@dataclass(kw_only=True)
class TemplateRow:
    """A row of the sheet to fill in; ``guessed`` names the columns that a person has to confirm, ``note`` says more."""

    sample: str
    values: dict[str, str] = field(default_factory=dict)
    guessed: list[str] = field(default_factory=list)
    note: str = ""

    def guess(self, column: str, value: str) -> None:
        """Put a guessed value into a column."""
        self.values[column] = value
        self.guessed.append(column)


def guess_rows(names: Sequence[str]) -> tuple[TemplateRow, ...]:
    """Guess role, stage, donor, pedigree, line, plate, well and a control's finding from sample names.

    A line's donor is the one that its name begins with, else the family of names that share a beginning, else one
    donor for all. Donors that are no sample themselves get a row at the end.

    Parameters
    ----------
    names
        Unique sample names.

    Examples
    --------
    >>> rows = guess_rows(["P1", "P2", "P1xP2", "L7-rep1", "L7-rep2", "blank"])
    >>> [row.values["role"] for row in rows]
    ['parent', 'parent', 'donor', 'line', 'line', 'blank']
    >>> rows[3].values["line"], rows[3].values["donor"], rows[2].values["pedigree"]
    ('L7', 'P1xP2', 'P1/P2')

    """
    rows = {name: TemplateRow(sample=name) for name in names}
    bare = _without_wells(_guess_wells(list(rows.values())), names)
    roles = {name: role for name in names if (role := _role_by_word(name))}
    open_names = [name for name in names if name not in roles]
    replicates = _replicate_stems(open_names)
    found = families({name: replicates.get(name, bare[name]) for name in open_names})
    pedigrees = _pedigrees(names, tuple(found))
    donors = _Donors(names=names, roles=roles, families=found, pedigrees=pedigrees)
    for name, row in rows.items():
        _guess_role(row, donors.role_of(name))
        if row.values["role"] == Role.LINE:
            _guess_line(row, donors.donor_of(name), bare[name], replicates.get(name, ""))
    added = [TemplateRow(sample=donor, guessed=["sample"], note=_ADDED) for donor in donors.not_sampled()]
    for row in added:
        _guess_role(row, Role.DONOR)
    for row in (*rows.values(), *added):
        pedigree = donors.pedigree_of(row.sample)
        if pedigree:
            row.guess("pedigree", pedigree)
    return (*rows.values(), *added)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Donors:
    """What the names say of parents, donors and the lines of each.

    Attributes
    ----------
    names
        Sample names.
    roles
        Roles that a word in a name tells.
    families
        Samples by the beginning that they share.
    pedigrees
        Female and male of each name, or beginning of names, that is two other names with a cross mark between.

    """

    names: Sequence[str]
    roles: dict[str, Role]
    families: dict[str, list[str]]
    pedigrees: dict[str, tuple[str, str]]

    @cached_property
    def parents(self) -> frozenset[str]:
        named = {parent for pair in self.pedigrees.values() for parent in pair}
        return frozenset(named | {name for name, role in self.roles.items() if role is Role.PARENT})

    @cached_property
    def donors(self) -> tuple[str, ...]:
        """Samples that are donors: by a word, by a cross mark, or because lines are named after them."""
        return tuple(
            name
            for name in self.names
            if name not in self.parents
            and (self.roles.get(name) is Role.DONOR or name in self.pedigrees or name in self.families)
        )

    @cached_property
    def left_over(self) -> frozenset[str]:
        """Names that belong to no family, where they are few: parents, most likely."""
        in_families = {name for members in self.families.values() for name in members}
        special = {*self.roles, *self.parents, *self.donors}
        rest = [name for name in self.names if name not in special | in_families and not self._named_donor(name)]
        return frozenset(rest if self.families and are_few(rest, len(self.names)) else ())

    @cached_property
    def donor_by_line(self) -> dict[str, str]:
        donor_of_family = {stem: self._name_for(stem) for stem in self.families}
        family_of = {name: stem for stem, members in self.families.items() for name in members}
        lines = [name for name in self.names if self.role_of(name) is Role.LINE]
        otherwise = self.donors[0] if len(self.donors) == 1 else self._unused("Donor1")
        return {
            name: self._named_donor(name)
            or (donor_of_family[family_of[name]] if name in family_of and not self._is_only_donor else otherwise)
            for name in lines
        }

    @property
    def _is_only_donor(self) -> bool:
        return len(self.donors) == 1 and len(self.families) <= 1

    def role_of(self, name: str) -> Role:
        """Guess the role of a sample."""
        if name in self.parents:
            return Role.PARENT
        if name in self.donors:
            return Role.DONOR
        return self.roles.get(name, Role.PARENT if name in self.left_over else Role.LINE)

    def donor_of(self, name: str) -> str:
        """Guess the donor of a line."""
        return self.donor_by_line[name]

    def not_sampled(self) -> list[str]:
        """Return donors of lines that are no sample, in order of first use."""
        return [donor for donor in dict.fromkeys(self.donor_by_line.values()) if donor not in set(self.names)]

    def pedigree_of(self, name: str) -> str:
        """Guess the pedigree of a donor: by its name, or where there are one donor and two parents only."""
        if name in self.pedigrees and name not in self.parents:
            return "/".join(self.pedigrees[name])
        parents = [parent for parent in self.names if self.role_of(parent) is Role.PARENT]
        is_only = set(self.donor_by_line.values()) == {name} and set(self.donors) <= {name}
        if is_only and len(parents) == 2 and all(map(_is_founder_name, parents)):
            return "/".join(parents)
        return ""

    def _named_donor(self, name: str) -> str:
        """Return the donor that a name begins with; the longest one."""
        named = [donor for donor in self.donors if re.match(re.escape(donor) + r"[\s_.\-]", name)]
        return max(named, key=len, default="")

    def _name_for(self, stem: str) -> str:
        if stem in self.donors:
            return stem
        number = 1 + sum(map(says_nothing, list(self.families)[: list(self.families).index(stem)]))
        return self._unused(f"Donor{number}" if says_nothing(stem) else stem)

    def _unused(self, name: str) -> str:
        while name in self.names and name not in self.donors:
            name += "_donor"
        return name


def _guess_role(row: TemplateRow, role: Role) -> None:
    row.guess("role", role.value)
    if role is Role.CONTROL:
        finding = next((finding for pattern, finding in _EXPECTED if pattern.search(row.sample)), None)
        if finding is None:
            row.values["role"] = Role.OTHER.value
            row.note = "a control? then write what it is under expected, and control under role"
        else:
            row.guess("expected", finding.value)


def _guess_line(row: TemplateRow, donor: str, bare: str, replicate_of: str) -> None:
    stages = [stage for stage, pattern in _STAGES if pattern.search(row.sample)]
    _, mark = stem_and_mark(replicate_of or bare)
    by_mark = Stage.HAPLOID if mark.lower() in _HAPLOID_MARKS else Stage.D1
    row.guess("stage", (stages[0] if len(stages) == 1 else by_mark).value)
    row.guess("donor", donor)
    if replicate_of:
        row.guess("line", replicate_of)


def _pedigrees(names: Sequence[str], stems: Sequence[str]) -> dict[str, tuple[str, str]]:
    """Names, and beginnings of names, that are two other names with a cross mark between them."""
    known = {name for name in names if _is_founder_name(name)}
    found = {}
    for name in (*names, *stems):
        for mark in _CROSS.finditer(name):
            female, male = name[: mark.start()], name[mark.end() :]
            if female != male and {female, male} <= known:
                found[name] = (female, male)
    return found


def _is_founder_name(name: str) -> bool:
    try:
        Founder(name)
    except ValueError:
        return False
    return True


def _role_by_word(name: str) -> Role | None:
    """Return the role that a word in a name tells, if any."""
    by_word = (
        (_BLANK.search, Role.BLANK),
        (_CONTROL.search, Role.CONTROL),
        (_INDUCER.search, Role.INDUCER),
        (_PARENT.fullmatch, Role.PARENT),
        (_DONOR.fullmatch, Role.DONOR),
    )
    return next((role for match, role in by_word if match(name)), None)


def _replicate_stems(names: Sequence[str]) -> dict[str, str]:
    """Return the line of ``X-rep1`` and ``X-rep2``, or of ``X7_1`` and ``X7_2`` of a short row, by sample."""
    stems: dict[str, list[str]] = defaultdict(list)
    for name in names:
        match = _SURE_REPLICATE.fullmatch(name) or _REPEATED.fullmatch(name)
        if match:
            stems[match["stem"]].append(name)
    known = set(names)
    longer = Counter(name.rstrip("0123456789").rstrip(" _.-") for name in names)
    found: dict[str, str] = {}
    for stem, members in stems.items():
        everyone = [*([stem] if stem in known else []), *members]
        if 2 <= len(everyone) < LEAST_FAMILY + 1 and longer[stem] < LEAST_FAMILY + 1:
            found |= dict.fromkeys(everyone, stem)
    return found


def _guess_wells(rows: Sequence[TemplateRow]) -> dict[str, tuple[str, str]]:
    """Guess plate and well where most names hold a well and no well is taken twice; return them by sample."""
    found = {row.sample: place for row in rows if (place := _plate_and_well(row.sample))}
    if len(found) < max(2, _ENOUGH_WELLS * len(rows)) or len(set(found.values())) < len(found):
        return {}
    for row in rows:
        plate, well = found.get(row.sample, ("", ""))
        if plate:
            row.guess("plate", plate)
        if well:
            row.guess("well", well)
    return found


def _without_wells(places: dict[str, tuple[str, str]], names: Sequence[str]) -> dict[str, str]:
    """Return names without the words that are their plate and well."""
    bare = dict.fromkeys(names, "") | {name: name for name in names if name not in places}
    for name, (plate, _) in places.items():
        words = [word for word in _SPLIT.split(name) if word != plate and not _WELL.fullmatch(word)]
        bare[name] = "-".join(words)
    return bare


def _plate_and_well(name: str) -> tuple[str, str] | None:
    words = _SPLIT.split(name)
    wells = [word for word in words if _WELL.fullmatch(word)]
    plates = [word for word in words if _PLATE.fullmatch(word) and word not in wells]
    if len(wells) == 2 and not plates and _PLATE.fullmatch(wells[0]):
        plates = [wells.pop(0)]  # P01 before a well is a plate
    if len(wells) != 1:
        return None
    return (plates[0] if plates else "", parse_well(wells[0]) or "")
