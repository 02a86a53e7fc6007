"""Purdy notation and the tree it stands for; expected shares of the founders.

``/`` is the first cross, ``//`` the second, ``/3/`` the third and so on; the highest number is the last
cross, the female stands left. ``A*3/B`` and ``B/3*A`` use A three times. Reference: Purdy et al. 1968,
Crop Sci 8:405-406.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from typing import Final, NoReturn, TypeAlias

from dhverify.errors import Defect, PedigreeError

MAX_LEVELS: Final = 200
"""Crosses from the founders to the plant that a pedigree may be deep."""

CROSS_MARK: Final = re.compile(r"/(?P<order>[0-9]+)/(?!/)|/+")
DOSE_AFTER: Final = re.compile(r"(?P<name>[^*]*[^*\s])\s*\*\s*(?P<dose>[0-9]+)")
DOSE_BEFORE: Final = re.compile(r"(?P<dose>[0-9]+)\s*\*\s*(?P<name>[^*\s][^*]*)")
SHOWN_AROUND_A_FAULT: Final = 30
"""Characters of a long pedigree that an error message shows on either side of the fault."""


@dataclass(frozen=True)
class Founder:
    """An inbred (or any plant whose own pedigree is not told) at the tip of a pedigree.

    Raises
    ------
    ValueError
        If the notation cannot hold the name: empty, ``/`` or ``*`` in it, space around it, or a bracket
        without its partner.

    """

    name: str

    def __post_init__(self) -> None:
        if fault := _name_fault(self.name):
            raise ValueError(f"founder name {self.name!r}: {fault}")


@dataclass(frozen=True, kw_only=True)
class Cross:
    """A cross of two nodes; a node crossed with itself is its selfing (or two sister plants)."""

    female: Node
    male: Node


Node: TypeAlias = Founder | Cross


@dataclass(frozen=True, kw_only=True)
class _Mark:
    order: int
    start: int


@dataclass(frozen=True, kw_only=True)
class _Side:
    """One side of a cross while the text is being read; doses belong to names only."""

    node: Node
    order: int
    levels: int
    start: int
    dose_before: int | None = None
    dose_after: int | None = None


def parse_pedigree(text: str, *, source: str = "pedigree") -> Node:
    """Read Purdy notation.

    Names may hold spaces, dots, dashes, digits and apostrophes, but no ``/`` and no ``*``. A name of digits
    only between two slashes would read as a cross mark (``/3/``): put a space before or after it.

    Parameters
    ----------
    text
        The pedigree.
    source
        Where it stands, for error messages.

    Returns
    -------
    Founder or Cross
        ``A*3/B`` becomes ``Cross(A, Cross(A, Cross(A, B)))``, ``B/3*A`` its mirror image.

    Raises
    ------
    PedigreeError
        With the position in the text, what stands there, what is expected and a caret under the place.

    References
    ----------
    Purdy et al. 1968, Crop Sci 8:405-406.

    Examples
    --------
    >>> parse_pedigree("A/B//C")
    Cross(female=Cross(female=Founder(name='A'), male=Founder(name='B')), male=Founder(name='C'))

    """
    return _Reader(text, source).read()


class _Reader:
    """Operator precedence over one text: a mark of higher order binds less tightly."""

    def __init__(self, text: str, source: str) -> None:
        self.text = text
        self.source = source
        self.sides: list[_Side] = []
        self.marks: list[_Mark] = []

    def read(self) -> Node:
        if not self.text.strip():
            self.fail(0, "an empty pedigree", "Purdy notation, for example A/B")
        before: _Mark | None = None
        start = 0
        for match in CROSS_MARK.finditer(self.text):
            mark = self.mark(match)
            self.sides.append(self.side(start, match.start(), before, mark))
            self.close_below(mark)
            self.marks.append(mark)
            before, start = mark, match.end()
        self.sides.append(self.side(start, len(self.text), before, None))
        self.close_below(None)
        last = self.sides.pop()
        self.refuse_doses(last, female=True)
        self.refuse_doses(last, female=False)
        return last.node

    def mark(self, match: re.Match[str]) -> _Mark:
        digits, written = match["order"], match[0]
        if digits is None:
            if len(written) > 2:
                self.fail(match.start(), written, f"/{len(written)}/ for cross number {len(written)}")
            return _Mark(order=len(written), start=match.start())
        order = self.number(digits, match.start() + 1)
        if order < 3:
            self.fail(
                match.start(),
                written,
                "/ for the first cross, // for the second, /3/ for the third; a name of digits only needs a"
                " space beside it",
            )
        return _Mark(order=order, start=match.start())

    def side(self, start: int, end: int, before: _Mark | None, after: _Mark | None) -> _Side:
        piece = self.text[start:end]
        start += len(piece) - len(piece.lstrip())
        piece = piece.strip()
        if not piece:
            self.fail(min(start, len(self.text)), "no name", "a name on either side of each cross mark")
        dose_after = DOSE_AFTER.fullmatch(piece)
        dose_before = DOSE_BEFORE.fullmatch(piece)
        if dose_after and dose_before:  # digits on both sides of the star: the tighter mark tells the dose
            binds_left = before is not None and (after is None or before.order < after.order)
            dose_after, dose_before = (None, dose_before) if binds_left else (dose_after, None)
        dosed = dose_after or dose_before
        name = dosed["name"].strip() if dosed else piece
        if fault := _name_fault(name):
            self.fail(start, piece, fault)
        dose = self.number(dosed["dose"], start + dosed.start("dose")) if dosed else None
        return _Side(
            node=Founder(name),
            order=0,
            levels=0,
            start=start,
            dose_after=dose if dose_after else None,
            dose_before=dose if dose_before else None,
        )

    def close_below(self, mark: _Mark | None) -> None:
        """Make the crosses that bind more tightly than ``mark`` (all of them at the end of the text)."""
        while self.marks and (mark is None or self.marks[-1].order < mark.order):
            self.close()
        if mark is not None and self.marks and self.marks[-1].order == mark.order:
            written, higher = _written(mark.order), _written(mark.order + 1)
            self.fail(mark.start, f"a second {written}", f"{higher} if this is the later cross (A/B//C)")

    def close(self) -> None:
        mark, male, female = self.marks.pop(), self.sides.pop(), self.sides.pop()
        self.refuse_doses(female, female=True)
        self.refuse_doses(male, female=False)
        if female.dose_after is not None and male.dose_before is not None:
            self.fail(mark.start, "a dose on both sides of one cross", "a dose on one side")
        order = 1 + max(female.order, male.order)
        if mark.order != order:
            expected = f"{_written(order)}, as this is cross number {order} of its branch"
            self.fail(mark.start, _written(mark.order), expected)
        uses = female.dose_after or male.dose_before or 1
        levels = uses + max(female.levels, male.levels)
        if levels > MAX_LEVELS:
            self.fail(mark.start, f"a pedigree of {levels} levels", f"at most {MAX_LEVELS} levels")
        node: Node = male.node if female.dose_after is not None else female.node
        for _ in range(uses):
            if female.dose_after is not None:
                node = Cross(female=female.node, male=node)
            else:
                node = Cross(female=node, male=male.node)
        self.sides.append(_Side(node=node, order=order, levels=levels, start=female.start))

    def refuse_doses(self, side: _Side, *, female: bool) -> None:
        """Refuse a dose that does not stand between its name and the mark of its own cross."""
        if (female and side.dose_before is not None) or (not female and side.dose_after is not None):
            self.fail(
                side.start,
                "a dose away from its cross",
                "A*3/B or B/3*A: the dose between a name alone on its side and the mark of its cross",
            )

    def number(self, digits: str, start: int) -> int:
        if not 1 <= len(digits) <= 3 or not 1 <= int(digits) <= MAX_LEVELS:
            self.fail(start, digits[:SHOWN_AROUND_A_FAULT], f"a number from 1 to {MAX_LEVELS}")
        return int(digits)

    def fail(self, position: int, found: str, expected: str) -> NoReturn:
        where = f"position {position + 1}"
        defect = Defect(where=where, found=found, expected=f"{expected}\n{_caret(self.text, position)}")
        raise PedigreeError(self.source, [defect])


def format_pedigree(node: Node) -> str:
    """Write a pedigree in Purdy notation; backcrosses to one founder are written with a dose.

    Parameters
    ----------
    node
        A tree of founders and crosses.

    Returns
    -------
    str
        ``parse_pedigree`` of it gives an equal tree.

    References
    ----------
    Purdy et al. 1968, Crop Sci 8:405-406.

    Examples
    --------
    >>> format_pedigree(parse_pedigree("A / 3*B // C/D"))
    'A/3*B//C/D'

    """
    texts: dict[int, str] = {}
    orders: dict[int, int] = {}
    for current in _children_first(node):
        key = id(current)
        if isinstance(current, Founder):
            texts[key], orders[key] = _founder_text(current), 0
            continue
        left, right, rest = _backcrosses(current)
        orders[key] = 1 + max(orders[id(side)] for side in rest)
        female, male = (texts[id(side)] for side in rest)
        mark = _written(orders[key])
        texts[key] = f"{female}{f'*{left}' if left > 1 else ''}{mark}{f'{right}*' if right > 1 else ''}{male}"
    return texts[id(node)].strip()


def founders(node: Node) -> tuple[str, ...]:
    """Names of the founders, in order of first appearance, each once.

    Examples
    --------
    >>> founders(parse_pedigree("B/A//C/A"))
    ('B', 'A', 'C')

    """
    return tuple(expected_shares(node))


def expected_shares(node: Node) -> dict[str, float]:
    """Share of each founder expected in the plant: half of each parent's, without selection.

    Parameters
    ----------
    node
        A tree of founders and crosses.

    Returns
    -------
    dict
        Founder name to share, in order of first appearance; the shares add to 1.

    References
    ----------
    Purdy et al. 1968, Crop Sci 8:405-406, for the doses.

    Examples
    --------
    >>> expected_shares(parse_pedigree("A*3/B"))
    {'A': 0.875, 'B': 0.125}

    """
    shares: dict[int, dict[str, float]] = {}
    for current in _children_first(node):
        if isinstance(current, Founder):
            shares[id(current)] = {current.name: 1.0}
            continue
        both = Counter[str]()
        for side in (current.female, current.male):
            both.update({name: share / 2 for name, share in shares[id(side)].items()})
        shares[id(current)] = dict(both)
    return shares[id(node)]


def _children_first(node: Node) -> list[Node]:
    """Every distinct node object once, each after its own sides; no recursion."""
    ordered: dict[int, Node] = {}
    waiting = [(node, False)]
    while waiting:
        current, is_expanded = waiting.pop()
        if id(current) in ordered:
            continue
        if isinstance(current, Founder) or is_expanded:
            ordered[id(current)] = current
        else:
            waiting += [(current, True), (current.male, False), (current.female, False)]
    return list(ordered.values())


def _backcrosses(cross: Cross) -> tuple[int, int, tuple[Node, Node]]:
    """Count the uses of a founder on the female and male side; and the two sides that are to be written."""
    if _takes_a_dose(cross.female):
        uses, male = 1, cross.male
        while isinstance(male, Cross) and male.female == cross.female:
            uses, male = uses + 1, male.male
        if uses > 1:
            return uses, 1, (cross.female, male)
    if _takes_a_dose(cross.male):
        uses, female = 1, cross.female
        while isinstance(female, Cross) and female.male == cross.male:
            uses, female = uses + 1, female.female
        return 1, uses, (female, cross.male)
    return 1, 1, (cross.female, cross.male)


def _takes_a_dose(node: Node) -> bool:
    """Whether ``name*2`` can only be read one way."""
    return isinstance(node, Founder) and not _is_digits(node.name)


def _founder_text(founder: Founder) -> str:
    """Write the name; digits only get a space around them, so that ``/3/`` stays a cross mark."""
    return f" {founder.name} " if _is_digits(founder.name) else founder.name


def _is_digits(name: str) -> bool:
    return name.isascii() and name.isdigit()


def _name_fault(name: str) -> str:
    """Say what keeps the notation from holding this name; empty if nothing does."""
    if not name or name != name.strip():
        return "a name without space around it"
    if "/" in name or "*" in name:
        return "a name without / and *; a dose is written A*3/B or B/3*A"
    if name.count("(") != name.count(")"):
        return "no brackets around crosses: (A/B)/C is written A/B//C"
    return ""


def _written(order: int) -> str:
    return "/" * order if order < 3 else f"/{order}/"


def _caret(text: str, position: int) -> str:
    first = max(0, position - SHOWN_AROUND_A_FAULT)
    shown = re.sub(r"\s", " ", text[first : position + SHOWN_AROUND_A_FAULT])
    return f"    {shown}\n    {' ' * (position - first)}^"
