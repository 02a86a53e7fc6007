"""What a choice of markers says: on the screen, and as a page with the map of the set."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from dhverify.chromosomes import natural_order
from dhverify.design.marker_set_warnings import scope
from dhverify.report.look import counted, percent
from dhverify.report.page.rendering import rendered

if TYPE_CHECKING:
    from dhverify.design.marker_set_outcome import CrossRow, MarkerSetOutcome

WIDTH: Final = 640
LEFT: Final = 56
RIGHT: Final = 14
HEIGHT_A_CHROMOSOME: Final = 26
HEIGHT_OF_SCALE: Final = 30
STEP_CM: Final = 50
GOALS: Final = {
    "haploid": "hybrids told from haploids",
    "D1": "selfed hybrids and selfed donors told from lines",
    "both": "hybrids told from haploids; selfed hybrids and selfed donors told from lines",
}


@dataclass(frozen=True, kw_only=True)
class ChromosomeView:
    """One chromosome of the map picture, in picture units."""

    name: str
    y: int
    start: float
    end: float
    candidates: str
    chosen: tuple[tuple[float, str], ...]


@dataclass(frozen=True, kw_only=True)
class MapView:
    """The map picture, in picture units; ``scale_labels`` are places and texts below the scale."""

    width: int
    height: int
    chromosomes: tuple[ChromosomeView, ...]
    scale_path: str
    scale_labels: tuple[tuple[float, str], ...]


def marker_set_page(outcome: MarkerSetOutcome) -> str:
    """Return the whole page as HTML, which asks for nothing from elsewhere."""
    unserved, more = not_served(outcome.crosses), answer_continued(outcome)
    return rendered(
        "marker_set.html.j2",
        outcome=outcome,
        answer=answer(outcome),
        more=more,
        unserved=unserved,
        warnings=[warning for warning in outcome.warnings if warning not in (*unserved, *more)],
        map=map_view(outcome),
        unplaced=[row.marker for row in outcome.chosen if row.cm is None],
        has_positions=any(row.pos is not None for row in outcome.chosen),
        settings=settings(outcome),
        number=short_number,
    )


def marker_set_notebook(outcome: MarkerSetOutcome) -> str:
    """Return the answer and the crosses as an HTML fragment for a notebook."""
    more = answer_continued(outcome)
    return rendered(
        "plan_notebook.html.j2",
        answer=answer(outcome),
        more=more,
        head=("cross", "diagnostic", "segregating", "hardest to tell", "miss", "false fail", "met"),
        rows=[_notebook_row(row) for row in outcome.crosses],
        warnings=[warning for warning in outcome.warnings if warning not in more],
        caution="",
    )


def _notebook_row(row: CrossRow) -> tuple[str, ...]:
    return (
        f"{row.donor} x {row.inducer}",
        str(row.diagnostic),
        str(row.segregating),
        row.finding or "–",
        short_number(row.miss),
        short_number(row.false_fail),
        "yes" if row.met else "no",
    )


def answer(outcome: MarkerSetOutcome) -> str:
    """Return the first sentence: how many markers, for how many crosses."""
    n, of = outcome.n_met, len(outcome.crosses)
    markers = counted(len(outcome.chosen), "marker")
    if n == of:
        return f"{markers} can verify {'the cross' if of == 1 else f'all {of} crosses'}."
    if not n:
        return f"No cross reaches what was asked; the best set found has {markers}."
    verb = "reaches" if n == 1 else "reach"
    return f"{markers} chosen; {n} of {counted(of, 'cross', 'crosses')} {verb} what was asked."


def answer_continued(outcome: MarkerSetOutcome) -> list[str]:
    """Return what stands below the answer: what that means, and the proved bound."""
    found = [] if not outcome.n_met else [_meaning(outcome), scope(outcome.request)]
    bound, chosen = outcome.lower_bound, len(outcome.chosen)
    if not bound:
        return [*found, "Nothing can be proved of the fewest markers, because no limit can be reached."]
    if chosen >= bound:
        text = f"No set can do with fewer than {bound}: that is proved."
        return [*found, text if chosen == bound else f"{text} From {bound} to {chosen - 1} nothing is ruled out."]
    why = "fewer were allowed" if outcome.request.size is not None else "the search did not find so good a set"
    return [*found, f"Whatever can be reached needs at least {bound} markers: that is proved; {why}."]


def closing_lines(outcome: MarkerSetOutcome) -> Iterator[str]:
    """Yield everything that is said on the screen: the answer, crosses not served, rates, undecided samples."""
    yield answer(outcome)
    yield from answer_continued(outcome)
    yield from not_served(outcome.crosses)
    request = outcome.request
    yield (
        f"Error rates used ({outcome.rates_source}): {percent(request.error_rate)} of calls wrong,"
        f" {percent(request.dropout)} of heterozygotes lose an allele."
    )
    yield from outcome.notes
    if outcome.retests:
        best = outcome.retests[-1]
        yield (
            f"{counted(best.size, 'further marker')} can be expected to settle {best.settled:.1f} of the"
            f" {counted(best.lines, 'undecided sample')} that markers can help; retests.csv names them for each size."
        )


def not_served(crosses: Sequence[CrossRow]) -> list[str]:
    """Return a sentence for each cross that does not reach what was asked."""
    return [f"{row.donor} x {row.inducer}: {row.reason}" for row in crosses if not row.met]


def map_view(outcome: MarkerSetOutcome) -> MapView:
    """Lay the candidates and the chosen markers out along the chromosomes."""
    names = sorted({marker.chrom for marker in outcome.picture}, key=natural_order)
    places = [marker.cm for marker in outcome.picture]
    lowest, longest = min([0.0, *places]), max(places, default=1.0)
    scale = (WIDTH - LEFT - RIGHT) / max(longest - lowest, 1e-9)

    def at(cm: float) -> float:
        return round(LEFT + (cm - lowest) * scale, 1)

    views = []
    for place, name in enumerate(names, start=1):
        here = [marker for marker in outcome.picture if marker.chrom == name]
        y = HEIGHT_A_CHROMOSOME * place
        ticks = "".join(f"M{x:g} {y + 2}v4" for x in sorted({at(marker.cm) for marker in here}))
        chosen = tuple((at(marker.cm), marker.marker) for marker in here if marker.is_chosen)
        end = at(max(marker.cm for marker in here))
        views.append(ChromosomeView(name=name, y=y, start=at(0.0), end=end, candidates=ticks, chosen=chosen))
    height = HEIGHT_A_CHROMOSOME * (1 + len(names)) + HEIGHT_OF_SCALE
    marks = range(0, int(longest) + 1, STEP_CM)
    y = height - HEIGHT_OF_SCALE
    path = f"M{at(0.0)} {y}H{at(longest)}" + "".join(f"M{at(cm)} {y}v5" for cm in marks)
    labels = tuple((at(cm), f"{cm} cM" if cm == 0 else str(cm)) for cm in marks)
    return MapView(width=WIDTH, height=height, chromosomes=tuple(views), scale_path=path, scale_labels=labels)


def settings(outcome: MarkerSetOutcome) -> list[tuple[str, str]]:
    """Return what was asked, in words."""
    request = outcome.request
    rows = [
        ("Goal", GOALS[request.goal]),
        ("Wrong lines that pass, at most", percent(request.miss)),
        ("Good lines that fail, at most", percent(request.false_fail)),
        ("Calls that are wrong", percent(request.error_rate)),
        ("Heterozygotes that lose an allele", percent(request.dropout)),
        ("Error rates", outcome.rates_source),
        ("Diagnostic markers in each cross, at least", str(request.min_diagnostic_markers + request.spare)),
        ("Assays that may fail", str(request.spare)),
        ("Candidates", f"{outcome.n_candidates:,}"),
    ]
    if request.segment_cm is not None:
        rows.append(
            ("Inducer segments", f"{request.segment_cm:g} cM, at {percent(request.segment_power)} of all places")
        )
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


def _meaning(outcome: MarkerSetOutcome) -> str:
    """Say what a cross that is met has."""
    request = outcome.request
    text = (
        f"Of wrong lines at most {percent(request.miss)} pass, of good ones at most {percent(request.false_fail)} fail"
    )
    if request.spare:
        text += f", even when any {counted(request.spare, 'assay')} {'fails' if request.spare == 1 else 'fail'}"
    return text + ", each line being called one or the other."
