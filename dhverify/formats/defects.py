"""Lists of defects that stay readable, and hints for mistyped names."""

from __future__ import annotations

from difflib import get_close_matches
from typing import TYPE_CHECKING, Final

from dhverify.errors import Defect

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

MOST_LISTED: Final = 20
"""Defects of one file that are printed; of the others only the number."""


MOST_DIGITS: Final = 12
"""Digits of the longest whole number that is taken: no count and no position needs more."""


def whole_number(text: str) -> int | None:
    """Return a whole number of at least 0, or None where the text is none or has more digits than make sense.

    Examples
    --------
    >>> whole_number("120"), whole_number("-1"), whole_number("1.5"), whole_number("9" * 40)
    (120, None, None, None)

    """
    if text.isascii() and text.isdigit() and len(text) <= MOST_DIGITS:
        return int(text)
    return None


def capped(defects: Sequence[Defect], *, n_found: int | None = None) -> list[Defect]:
    """Keep the first defects and say how many more there are.

    Parameters
    ----------
    defects
        In the order of the file.
    n_found
        Number found in all, where not all were written down.

    Examples
    --------
    >>> from dhverify.errors import Defect
    >>> many = [Defect(where=f"row {row}", found="x", expected="y") for row in range(30)]
    >>> str(capped(many)[-1])
    'further: found 10 more defects; expected none'

    """
    listed = list(defects[:MOST_LISTED])
    n_more = max(len(defects), n_found or 0) - len(listed)
    if n_more:
        listed.append(Defect(where="further", found=f"{n_more} more defects", expected="none"))
    return listed


def did_you_mean(name: str, choices: Iterable[str], *, otherwise: str = "") -> str:
    """Return a hint that names the closest choice, else every choice or the given text.

    Examples
    --------
    >>> did_you_mean("doner", ["donor", "inducer"])
    'donor (did you mean that?)'

    """
    names = list(choices)
    by_lower = {choice.lower(): choice for choice in names}
    close = get_close_matches(name.lower(), by_lower, n=1)
    if close:
        return f"{by_lower[close[0]]} (did you mean that?)"
    return otherwise or "one of " + ", ".join(names)


def a_few(names: Iterable[str], *, most: int = 5) -> str:
    """Return names joined by commas; of a long list only the first, and how many more.

    Examples
    --------
    >>> a_few(["m1", "m2", "m3"], most=2)
    'm1, m2 and 1 more'

    """
    listed = list(names)
    if len(listed) <= most:
        return ", ".join(listed)
    return ", ".join(listed[:most]) + f" and {len(listed) - most} more"


def counted(number: int, noun: str) -> str:
    """Return a number with its noun, in the plural where it is not one.

    Examples
    --------
    >>> counted(1, "marker"), counted(2, "marker")
    ('1 marker', '2 markers')

    """
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
