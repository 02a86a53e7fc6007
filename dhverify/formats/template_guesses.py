"""Guesses for the sample sheet from sample names alone; every guess is marked, for a person to confirm."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from dhverify.formats.sheet_values import parse_well
from dhverify.pedigree import Founder
from dhverify.samples import Role, Stage

if TYPE_CHECKING:
    from collections.abc import Sequence

_EDGE: Final = r"(?:^|[\s_.\-])"
_END: Final = r"(?:$|[\s_.\-]|(?<=[a-z])(?=\d))"
_BLANK: Final = re.compile(_EDGE + r"(?:blank|empty|ntc|water|h2o|no[\s_.\-]?template)" + _END, re.IGNORECASE)
_CONTROL: Final = re.compile(_EDGE + r"(?:control|ctrl|check)" + _END, re.IGNORECASE)
_INDUCER: Final = re.compile(_EDGE + r"inducer" + _END, re.IGNORECASE)
_DONOR: Final = re.compile(_EDGE + r"(?:donor|f1)" + _END, re.IGNORECASE)
_PARENT: Final = re.compile(r"(?:parent|p)[\s_.\-]?\d+", re.IGNORECASE)
_STAGES: Final = (
    (Stage.HAPLOID, re.compile(_EDGE + r"hap(?:loid)?" + _END, re.IGNORECASE)),
    (Stage.D0, re.compile(_EDGE + r"d0(?:$|[\s_.\-])", re.IGNORECASE)),
    (Stage.D1, re.compile(_EDGE + r"d1(?:$|[\s_.\-])", re.IGNORECASE)),
)
_SURE_REPLICATE: Final = re.compile(r"(?P<stem>.*[^\s_.\-])[\s_.\-](?:rep|replicate|dup)[\s_.\-]?\d+", re.IGNORECASE)
_NUMBERED: Final = re.compile(r"(?P<stem>.*\d)[\s_.\-](?P<number>[1-4])")
_SPLIT: Final = re.compile(r"[\s_.\-]+")
_PLATE: Final = re.compile(r"(?:plate|pl|p)\d+", re.IGNORECASE)
_WELL: Final = re.compile(r"[A-P](?:0[1-9]|1[0-9]|2[0-4])", re.IGNORECASE)
_CROSS: Final = re.compile(r"\s*[/x×]\s*", re.IGNORECASE)
_ENOUGH_WELLS: Final = 2 / 3


@dataclass(kw_only=True)
class TemplateRow:
    """A row of the sheet to fill in; ``guessed`` names the columns that a person has to confirm."""

    sample: str
    values: dict[str, str] = field(default_factory=dict)
    guessed: list[str] = field(default_factory=list)

    def guess(self, column: str, value: str) -> None:
        """Put a guessed value into a column."""
        self.values[column] = value
        self.guessed.append(column)


def guess_rows(names: Sequence[str]) -> tuple[TemplateRow, ...]:
    """Guess role, stage, donor, pedigree, line, plate and well from sample names.

    Parameters
    ----------
    names
        Unique sample names.

    Examples
    --------
    >>> rows = guess_rows(["P1", "P2", "P1xP2", "L7-rep1", "L7-rep2", "blank"])
    >>> [row.values["role"] for row in rows]
    ['parent', 'parent', 'donor', 'line', 'line', 'blank']
    >>> rows[3].values["line"], rows[2].values["pedigree"]
    ('L7', 'P1/P2')

    """
    rows = tuple(TemplateRow(sample=name) for name in names)
    pedigrees = _pedigrees(names)
    parents = {parent for pair in pedigrees.values() for parent in pair}
    for row in rows:
        row.guess("role", _role(row.sample, pedigrees, parents).value)
        if row.sample in pedigrees:
            row.guess("pedigree", "/".join(pedigrees[row.sample]))
    lines = [row for row in rows if row.values["role"] == Role.LINE]
    _guess_stages(lines)
    _guess_donors(lines, [row.sample for row in rows if row.values["role"] == Role.DONOR])
    _guess_replicates(lines)
    _guess_wells(rows)
    return rows


def _pedigrees(names: Sequence[str]) -> dict[str, tuple[str, str]]:
    """Names that are two other names with a cross mark between them."""
    known = {name for name in names if _is_founder_name(name)}
    found = {}
    for name in names:
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


def _role(name: str, pedigrees: dict[str, tuple[str, str]], parents: set[str]) -> Role:
    if name in parents:
        return Role.PARENT
    if name in pedigrees:
        return Role.DONOR
    by_word = (
        (_BLANK.search, Role.BLANK),
        (_CONTROL.search, Role.CONTROL),
        (_INDUCER.search, Role.INDUCER),
        (_PARENT.fullmatch, Role.PARENT),
        (_DONOR.fullmatch, Role.DONOR),
    )
    return next((role for match, role in by_word if match(name)), Role.LINE)


def _guess_stages(lines: list[TemplateRow]) -> None:
    for row in lines:
        stages = [stage for stage, pattern in _STAGES if pattern.search(row.sample)]
        if len(stages) == 1:
            row.guess("stage", stages[0].value)


def _guess_donors(lines: list[TemplateRow], donors: list[str]) -> None:
    for row in lines:
        named = [donor for donor in donors if re.match(re.escape(donor) + r"[\s_.\-]", row.sample)]
        if named or len(donors) == 1:
            row.guess("donor", max(named, key=len) if named else donors[0])


def _guess_replicates(lines: list[TemplateRow]) -> None:
    """Guess that ``X-rep1`` and ``X-rep2``, or ``X7_1`` and ``X7_2`` of a short row, are one line."""
    stems: dict[str, list[TemplateRow]] = defaultdict(list)
    names = {row.sample: row for row in lines}
    for row in lines:
        match = _SURE_REPLICATE.fullmatch(row.sample) or _NUMBERED.fullmatch(row.sample)
        if match:
            stems[match["stem"]].append(row)
    longer = Counter(row.sample.rstrip("0123456789").rstrip(" _.-") for row in lines)
    for stem, rows in stems.items():
        members = [*([names[stem]] if stem in names else []), *rows]
        if 2 <= len(members) <= 4 and longer[stem] <= 4:
            for row in members:
                row.guess("line", stem)


def _guess_wells(rows: Sequence[TemplateRow]) -> None:
    """Guess plate and well where most names hold a well and no well is taken twice."""
    found = {row.sample: place for row in rows if (place := _plate_and_well(row.sample))}
    if len(found) < max(2, _ENOUGH_WELLS * len(rows)) or len(set(found.values())) < len(found):
        return
    for row in rows:
        plate, well = found.get(row.sample, ("", ""))
        if plate:
            row.guess("plate", plate)
        if well:
            row.guess("well", well)


def _plate_and_well(name: str) -> tuple[str, str] | None:
    words = _SPLIT.split(name)
    wells = [word for word in words if _WELL.fullmatch(word)]
    plates = [word for word in words if _PLATE.fullmatch(word) and word not in wells]
    if len(wells) == 2 and not plates and _PLATE.fullmatch(wells[0]):
        plates = [wells.pop(0)]  # P01 before a well is a plate
    if len(wells) != 1:
        return None
    return (plates[0] if plates else "", parse_well(wells[0]) or "")
