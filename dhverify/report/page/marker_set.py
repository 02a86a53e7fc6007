"""The page of a choice of markers: answer, map of the set, what each cross gets."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final

from dhverify.chromosomes import natural_order
from dhverify.report.look import counted, percent
from dhverify.version import __version__

if TYPE_CHECKING:
    from collections.abc import Sequence

    from jinja2 import Environment

    from dhverify.design.marker_set_outcome import CrossRow, MarkerSetOutcome

WIDTH: Final = 640
LEFT: Final = 56
HEIGHT_A_CHROMOSOME: Final = 26


@dataclass(frozen=True, kw_only=True)
class ChromosomeView:
    """One chromosome of the map picture, in picture units."""

    name: str
    y: int
    end: float
    candidates: str
    chosen: tuple[tuple[float, str], ...]


def marker_set_page(outcome: MarkerSetOutcome) -> str:
    """Return the whole page as HTML, which asks for nothing from elsewhere."""
    return (
        _environment()
        .get_template("marker_set.html.j2")
        .render(
            outcome=outcome,
            answer=answer(outcome),
            more=answer_continued(outcome),
            chromosomes=chromosome_views(outcome),
            width=WIDTH,
            left=LEFT,
            height=HEIGHT_A_CHROMOSOME * (1 + len({m.chrom for m in outcome.picture})),
            unplaced=[row.marker for row in outcome.chosen if row.cm is None],
            settings=settings(outcome),
            number=short_number,
            style=_style(),
            version=__version__,
        )
    )


def answer(outcome: MarkerSetOutcome) -> str:
    """Return the first sentence: how many markers, for how many crosses.

    The words say when a cross is not served.
    """
    n, of = outcome.n_met, len(outcome.crosses)
    markers = counted(len(outcome.chosen), "marker")
    if n == of:
        return f"{markers} can verify {'the cross' if of == 1 else f'all {of} crosses'}."
    verb = "reaches" if n == 1 else "reach"
    return f"{markers} chosen; {n} of {counted(of, 'cross', 'crosses')} {verb} what was asked."


def answer_continued(outcome: MarkerSetOutcome) -> list[str]:
    """Return what stands below the answer: the bound, the gap, and crosses that are not served."""
    bound, chosen = outcome.lower_bound, len(outcome.chosen)
    if chosen > bound:
        text = f"No set can do with fewer than {bound}: that is proved. Sets between {bound} and {chosen} are not ruled out."
    elif chosen == bound:
        text = f"No set can do with fewer than {bound}: that is proved."
    else:
        text = f"Whatever can be reached needs at least {bound} markers: that is proved; fewer were allowed."
    return [text, *not_served(outcome.crosses)]


def not_served(crosses: Sequence[CrossRow]) -> list[str]:
    """Return a sentence for each cross that does not reach what was asked."""
    return [f"{row.donor} x {row.inducer}: {row.reason}" for row in crosses if not row.met]


def chromosome_views(outcome: MarkerSetOutcome) -> list[ChromosomeView]:
    """Lay the candidates and the chosen markers out along the chromosomes."""
    names = sorted({marker.chrom for marker in outcome.picture}, key=natural_order)
    longest = max((marker.cm for marker in outcome.picture), default=1.0)
    lowest = min(0.0, min((marker.cm for marker in outcome.picture), default=0.0))
    scale = (WIDTH - LEFT - 10) / max(longest - lowest, 1e-9)
    views = []
    for place, name in enumerate(names):
        here = [marker for marker in outcome.picture if marker.chrom == name]
        y = HEIGHT_A_CHROMOSOME * (place + 1)
        at = [round(LEFT + (marker.cm - lowest) * scale, 1) for marker in here]
        ticks = "".join(f"M{x:g} {y + 2}v3" for x in sorted(set(at)))
        chosen = tuple((x, marker.marker) for x, marker in zip(at, here, strict=True) if marker.is_chosen)
        views.append(ChromosomeView(name=name, y=y, end=max(at), candidates=ticks, chosen=chosen))
    return views


def settings(outcome: MarkerSetOutcome) -> list[tuple[str, str]]:
    """Return what was asked, in words."""
    request = outcome.request
    rows = [
        ("Goal", request.goal),
        ("A wrong line passes with at most", short_number(request.miss)),
        ("A good line fails with at most", short_number(request.false_fail)),
        ("Wrong calls", short_number(request.error_rate)),
        ("Heterozygotes that lose an allele", short_number(request.dropout)),
        ("Error rates", outcome.rates_source),
        ("Assays that may fail", str(request.spare)),
    ]
    if request.segment_cm is not None:
        rows.append(("Inducer segments", f"{request.segment_cm:g} cM, at {request.segment_power:.0%} of all places"))
    if request.identity:
        rows.append(("Sister lines", "to be told apart"))
    if request.size is not None:
        rows.append(("At most", counted(request.size, "marker")))
    return rows


def short_number(value: Any) -> str:
    """Return a probability for people, two digits.

    Examples
    --------
    >>> short_number(0.00123), short_number(None), short_number(0.5)
    ('0.0012', '–', '0.5')

    """
    return "–" if value is None else f"{value:.2g}"


@cache
def _environment() -> Environment:
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("dhverify.report.page"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters["percent"] = percent
    return environment


@cache
def _style() -> str:
    return files("dhverify.report.page").joinpath("templates", "report.css").read_text(encoding="utf-8")
