"""Families guessed from sample names: names that share a beginning and end in a number."""

from __future__ import annotations

import re
from collections import defaultdict
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

LEAST_FAMILY: Final = 4
"""Names that share a beginning and make a family (common practice, no source)."""
MOST_LEFT_OVER: Final = 0.25
"""Names outside all families are taken for parents where they are no larger share of the names than this: a plate
holds few references among many lines (common practice, no source)."""

_SEPARATOR: Final = r"[\s_.\-]"
_MARKED: Final = re.compile(rf"(?P<stem>.*[^\s_.\-]){_SEPARATOR}+(?P<mark>[A-Za-z]{{0,3}}){_SEPARATOR}?\d+")
_NUMBERED: Final = re.compile(rf"(?P<stem>.*[^\d\s_.\-])(?P<mark>){_SEPARATOR}*\d+")
_SAYS_NOTHING: Final = re.compile(
    r"(?:d|dh|e|entry|gid|h|hap|haploid|id|ind|individual|l|line|n|no|p|pl|plant|plate|ril|s|sample|seedling|x)?",
    re.IGNORECASE,
)


def stem_and_mark(name: str) -> tuple[str, str]:
    """Return what a name begins with before its number, and the letters between the two; empty if it has none.

    Examples
    --------
    >>> stem_and_mark("D01-H003"), stem_and_mark("AB12xCD34_7"), stem_and_mark("SM12"), stem_and_mark("Bolen")
    (('D01', 'H'), ('AB12xCD34', ''), ('SM', ''), ('', ''))

    """
    found = _MARKED.fullmatch(name) or _NUMBERED.fullmatch(name)
    return (found["stem"], found["mark"]) if found else ("", "")


def says_nothing(stem: str) -> bool:
    """Whether a beginning is a common word or letter that names no family.

    Examples
    --------
    >>> says_nothing("DH"), says_nothing("Plant_"), says_nothing("D01")
    (True, True, False)

    """
    return _SAYS_NOTHING.fullmatch(stem.strip(" _.-")) is not None


def families(names: Mapping[str, str]) -> dict[str, list[str]]:
    """Return samples by the beginning that they share; those of no family are left out.

    A sample that others are named after (``D01`` beside ``D01-H001``) is no member of a family itself.

    Parameters
    ----------
    names
        By sample, its name without plate, well and number of the replicate.

    Examples
    --------
    >>> families({name: name for name in ("A7", "A7-1", "A7-2", "A7-3", "A7-4", "Bolen")})
    {'A7': ['A7-1', 'A7-2', 'A7-3', 'A7-4']}

    """
    heads = {stem for stem, members in _grouped(names, frozenset()).items() if len(members) >= LEAST_FAMILY}
    found = _grouped(names, frozenset(heads))
    return {stem: members for stem, members in found.items() if len(members) >= LEAST_FAMILY}


def _grouped(names: Mapping[str, str], heads: frozenset[str]) -> dict[str, list[str]]:
    groups: dict[str, list[str]] = defaultdict(list)
    for sample, name in names.items():
        stem, _ = stem_and_mark(name)
        if stem and name not in heads:
            groups[stem].append(sample)
    return groups


def are_few(left_over: Sequence[str], n_names: int) -> bool:
    """Whether names outside all families are few enough to be references among lines."""
    return len(left_over) <= MOST_LEFT_OVER * n_names
