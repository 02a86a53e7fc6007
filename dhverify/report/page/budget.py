"""What a budget says, in sentences: on the screen, and as a page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from dhverify.cautions import DOUBLING_CAUTION
from dhverify.design.budget_plans import NONE, PLANS
from dhverify.report.look import INK, OCHRE, PAPER, PLUM, SAND, counted, expected_number, percent
from dhverify.report.page.rendering import rendered

if TYPE_CHECKING:
    from dhverify.design.budget_outcome import BudgetOutcome, FlipRow, PlanRow

PLAN_PHRASES: Final = {
    "none": "genotype nowhere",
    "seedlings": "genotype the seedlings before treatment",
    "D0": "genotype the surviving plants before planting out",
    "D1": "genotype every D1 ear",
    "seedlings and D1": "genotype the seedlings before treatment, and every D1 ear",
}
RATE_PHRASES: Final = {
    "induction_rate": "induction",
    "false_haploid_rate": "hybrid kernels sorted as haploid",
    "missed_haploid_rate": "haploid kernels sorted as hybrid",
    "survival": "survival of treated seedlings",
    "doubling": "surviving haploids that give seed",
    "hybrid_survival": "survival of treated hybrids",
    "rogued": "hybrids removed by eye in the nursery",
}
TABLE_HEAD: Final = ("plan", "kernels", "seedlings", "assays", "cost", "wrong lines")
PAGE_COLOURS: Final = {"paper": PAPER, "sand": SAND, "ink": INK, "plum": PLUM, "ochre": OCHRE}


def answer(outcome: BudgetOutcome) -> str:
    """Return the first sentence: how many kernels for how many lines."""
    lines = counted(int(outcome.request.lines), "true line")
    return (
        f"Sort {counted(outcome.kernels, 'kernel')} to have at least {lines} with a probability of"
        f" {sure(outcome.probability)}."
    )


def answer_continued(outcome: BudgetOutcome) -> list[str]:
    """Return what stands below the answer: the plan to take, and what doing without genotyping comes to."""
    return [_choice(outcome)] if outcome.best == NONE else [_choice(outcome), _without(outcome)]


def flip_sentences(outcome: BudgetOutcome) -> list[str]:
    """Return where the choice flips, the nearest below and above for each rate."""
    return [flip_sentence(row, outcome) for row in nearest_flips(outcome)]


def no_flips(outcome: BudgetOutcome) -> str:
    """Return what is said where the choice flips nowhere."""
    if not outcome.costs.are_given:
        return "Give costs to see at which rates the choice would flip."
    return "At these costs no single rate would change the choice between the plans that genotype."


def basis(outcome: BudgetOutcome) -> list[str]:
    """Return what the figures rest on: uncertainty, needs further on, notes."""
    putative, seedlings, plants = outcome.needs
    further = (
        f"Further on, {counted(putative.units, 'kernel')} sorted as haploid, or"
        f" {counted(seedlings.units, 'confirmed haploid seedling')} at treatment, or"
        f" {counted(plants.units, 'living haploid plant')} in the nursery, are enough for the same aim."
    )
    found = [further]
    known = outcome.kernels_if_known
    if known is not None:
        low, high = 1000 * outcome.line_rate_low, 1000 * outcome.line_rate_high
        change = outcome.kernels - known
        found.append(
            f"A thousand kernels give {1000 * outcome.line_rate:.3g} lines (95 % interval {low:.3g} to {high:.3g});"
            f" were that known exactly, {counted(known, 'kernel')} would be needed:"
            f" {abs(change):,} {'fewer' if change >= 0 else 'more'}."
        )
    return [*found, *outcome.notes]


def sure(probability: float) -> str:
    """Return a probability for people, never rounded up to the aim.

    Examples
    --------
    >>> sure(0.90027), sure(0.99995)
    ('90 %', 'over 99.9 %')

    """
    return percent(min(probability, 0.9999)) if probability < 0.999 else "over 99.9 %"


def cost_text(cost: float, outcome: BudgetOutcome) -> str:
    """Return a cost with its unit."""
    return f"{cost_number(cost)} {outcome.costs.unit}".strip()


def cost_number(cost: float) -> str:
    """Return a cost without its unit: three figures are enough below 100, whole numbers above.

    Examples
    --------
    >>> cost_number(1234.5), cost_number(0.04251)
    ('1,234', '0.0425')

    """
    return f"{cost:,.0f}" if cost >= 100 else f"{cost:.3g}"


def nearest_flips(outcome: BudgetOutcome) -> list[FlipRow]:
    """Return the flips that change the present choice, the nearest below and above for each rate."""
    found = []
    for rate in dict.fromkeys(row.rate for row in outcome.flips):
        own = [row for row in outcome.flips if row.rate == rate]
        found += [row for row in own if row.flips_at <= row.now][-1:] + [row for row in own if row.flips_at > row.now][
            :1
        ]
    return found


def flip_sentence(row: FlipRow, outcome: BudgetOutcome) -> str:
    """Return where another plan becomes the cheapest.

    For false haploids the share of hybrids among what is sorted as haploid is said too.
    """
    is_below = row.flips_at <= row.now
    other = row.below if is_below else row.above
    more = ""
    if row.rate == "false_haploid_rate":
        share = next(one.hybrid_share for one in outcome.sensitivity if one.false_haploid_rate == row.flips_at)
        more = f"; hybrids would be {percent(share)} of what is sorted as haploid"
    return (
        f"The choice flips to '{other}' where the rate of {RATE_PHRASES[row.rate]} is"
        f" {'below' if is_below else 'above'} {percent(row.flips_at)} (now {percent(row.now)}{more})."
    )


def table_lines(outcome: BudgetOutcome) -> list[str]:
    """Return the plans as a table in plain text."""
    rows = [TABLE_HEAD, *(_cells(row, outcome) for row in outcome.plans)]
    widths = [max(len(row[place]) for row in rows) for place in range(len(TABLE_HEAD))]
    return [
        "  "
        + "  ".join(
            text.ljust(w) if place == 0 else text.rjust(w)
            for place, (text, w) in enumerate(zip(row, widths, strict=True))
        )
        for row in rows
    ]


def closing_lines(outcome: BudgetOutcome) -> list[str]:
    """Return everything that is said on the screen, the caution last."""
    return [
        answer(outcome),
        *answer_continued(outcome),
        *(flip_sentences(outcome) or [no_flips(outcome)]),
        "",
        *table_lines(outcome),
        "",
        *basis(outcome),
        "",
        f"Caution: {DOUBLING_CAUTION}",
    ]


def budget_notebook(outcome: BudgetOutcome) -> str:
    """Return the answer and the plans as an HTML fragment for a notebook."""
    return rendered(
        "plan_notebook.html.j2",
        answer=answer(outcome),
        more=answer_continued(outcome),
        head=TABLE_HEAD,
        rows=[_cells(row, outcome) for row in outcome.plans],
        warnings=outcome.warnings,
        caution=DOUBLING_CAUTION,
    )


def budget_page(outcome: BudgetOutcome, picture: str) -> str:
    """Return the whole page as HTML, which asks for nothing from elsewhere.

    Parameters
    ----------
    outcome
        A budget.
    picture
        The sensitivity picture as SVG.

    """
    return rendered(
        "budget.html.j2",
        outcome=outcome,
        answer=answer(outcome),
        more=answer_continued(outcome),
        warnings=outcome.warnings,
        flip_sentences=flip_sentences(outcome),
        no_flips=no_flips(outcome),
        basis=basis(outcome),
        plans=PLANS,
        plan_phrases=PLAN_PHRASES,
        rate_phrases=RATE_PHRASES,
        picture=_inline(picture),
        caution=DOUBLING_CAUTION,
        cost=cost_number,
        expected=_expected,
        cost_heading=f"Cost, {outcome.costs.unit}" if outcome.costs.unit else "Cost",
        has_costs=outcome.costs.are_given,
    )


def _inline(picture: str) -> str:
    """Return the SVG for the page: its colours follow the page, which may be dark."""
    found = picture[picture.index("<svg") :]
    for name, colour in PAGE_COLOURS.items():
        found = found.replace(colour.lower(), f"var(--{name})")
    return found


def _choice(outcome: BudgetOutcome) -> str:
    best = outcome.plan(outcome.best)
    what = PLAN_PHRASES[best.plan]
    if not outcome.costs.are_given:
        return (
            "No costs were given; the plan with fewest assays that lets no wrong line through is"
            f" '{best.plan}': {what}."
        )
    return (
        f"The cheapest plan that lets no wrong line through is '{best.plan}': {what}, for"
        f" {cost_text(best.cost, outcome)}."
    )


def _without(outcome: BudgetOutcome) -> str:
    """Say what genotyping nowhere comes to, and when verifying pays."""
    none, best = outcome.plan(NONE), outcome.plan(outcome.best)
    wrong = expected_number(none.expected_wrong_lines)
    lines = expected_number(none.expected_lines)
    said = f"Genotyping nowhere, {wrong} wrong lines would be expected beside {lines} true ones"
    if not outcome.costs.are_given:
        return said + "."
    if best.cost <= none.cost:
        return f"{said}, and it would cost no less ({cost_text(none.cost, outcome)})."
    worth = (best.cost - none.cost) / none.expected_wrong_lines
    return (
        f"{said}, for {cost_text(none.cost, outcome)}: genotyping pays as soon as a wrong line in the breeder's"
        f" hands costs more than {cost_text(worth, outcome)}."
    )


def _cells(row: PlanRow, outcome: BudgetOutcome) -> tuple[str, ...]:
    return (
        row.plan,
        f"{row.kernels:,}",
        f"{row.seedlings:,.0f}",
        f"{row.assays:,.0f}",
        cost_text(row.cost, outcome) if outcome.costs.are_given else "–",
        _expected(row.expected_wrong_lines),
    )


def _expected(lines: float) -> str:
    return expected_number(lines) if lines else "0"
