"""Colours, shapes and words that the page and the figures share."""

from __future__ import annotations

from types import MappingProxyType
from typing import Final

from dhverify.outcome import Verdict

PAPER: Final = "#FCFAF5"
SAND: Final = "#D8CBA8"
INK: Final = "#1F2B33"
PLUM: Final = "#9B3A86"
OCHRE: Final = "#C8862A"

VERDICT_COLOUR: Final = MappingProxyType({Verdict.PASS: INK, Verdict.FAIL: PLUM, Verdict.RETEST: OCHRE})
VERDICT_PHRASE: Final = MappingProxyType(
    {Verdict.PASS: "may go on", Verdict.FAIL: "must not go on", Verdict.RETEST: "needs a new test"}
)


def percent(share: float | None) -> str:
    """Return a share for people, in per cent; a dash where it is not known.

    Examples
    --------
    >>> percent(0.0123), percent(0.98), percent(0.00004), percent(None), percent(1.0)
    ('1.2 %', '98 %', 'under 0.01 %', '–', '100 %')

    """
    if share is None:
        return "–"
    value = 100 * share
    if 0 < value < 0.01:
        return "under 0.01 %"
    if value >= 10 or value == int(value):
        text = f"{value:.1f}".removesuffix(".0")
        return f"{text} %" if not (text == "100" and share < 1) else "over 99.9 %"
    return f"{value:.2g} %"


def sentence(text: str) -> str:
    """Return a text that begins with a capital and ends with a full stop.

    Examples
    --------
    >>> sentence("learnt from the lot"), sentence("")
    ('Learnt from the lot.', '')

    """
    stop = "" if not text or text.endswith((".", "!", "?")) else "."
    return text[:1].upper() + text[1:] + stop


def sureness(probability: float) -> str:
    """Return a posterior probability for people; never quite certain.

    Examples
    --------
    >>> sureness(0.98), sureness(1.0)
    ('98 %', 'over 99.9 %')

    """
    return percent(min(probability, 0.9999))


def span(low: float | None, high: float | None) -> str:
    """Return an interval for people; empty where it is not known.

    Examples
    --------
    >>> span(0.01, 0.2)
    '1 to 20 %'

    """
    if low is None or high is None:
        return ""
    return f"{percent(low).removesuffix(' %')} to {percent(high)}"


def counted(count: int, one: str, many: str = "") -> str:
    """Return a count with its noun.

    Examples
    --------
    >>> counted(1, "line"), counted(1200, "line"), counted(2, "copy", "copies")
    ('1 line', '1,200 lines', '2 copies')

    """
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def expected_number(value: float) -> str:
    """Return an expected count for people.

    Examples
    --------
    >>> expected_number(0.0004), expected_number(0.25), expected_number(12.3)
    ('fewer than 0.01', '0.25', '12')

    """
    if value < 0.01:
        return "fewer than 0.01"
    return f"{value:.2g}" if value < 10 else f"{value:,.0f}"
