"""The picture of a budget: what each plan costs against the rate of false haploids."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Final

from dhverify.design.budget_plans import NONE, PLANS, Flow, assays_of_kernel, cost_of_kernel
from dhverify.design.budget_sensitivity import at_rate
from dhverify.report.look import INK, OCHRE, PAPER, PLUM, SAND

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from dhverify.design.budget_outcome import BudgetOutcome

STYLES: Final = {
    "none": {"color": INK, "linestyle": (0, (1, 2)), "marker": ""},
    "seedlings": {"color": PLUM, "linestyle": "-", "marker": "s"},
    "D0": {"color": OCHRE, "linestyle": "-", "marker": "o"},
    "D1": {"color": INK, "linestyle": "-", "marker": "^"},
    "seedlings and D1": {"color": PLUM, "linestyle": "--", "marker": "D"},
}
"""Each plan has its own mark and dash, so that colour says nothing alone."""
LEAST_SPAN: Final = 0.1
N_MARKS: Final = 5
X_LABEL: Final = "share of hybrid kernels sorted as haploid (dashed: now; ring: the cheapest plan changes)"
SIZE: Final = (7.0, 4.2)


def plot_sensitivity(outcome: BudgetOutcome, *, ax: Axes | None = None) -> Axes:
    """Draw what each plan costs (or its assays, where no cost was given) against the rate of false haploids.

    Parameters
    ----------
    outcome
        A budget.
    ax
        Where to draw; a new figure if None.

    Returns
    -------
    matplotlib.axes.Axes
        Rate of false haploids to the right, cost upwards; a dashed line is the present rate, open rings are flips.

    """
    axes = _axes() if ax is None else ax
    axes.set_facecolor(PAPER)
    span = span_shown(outcome)
    for plan in PLANS:
        at = [span * place / (N_MARKS - 1) for place in range(N_MARKS)]
        height = [_height(outcome, plan, rate) for rate in at]
        axes.plot(at, height, label=_label(plan), linewidth=1.5, markersize=5, markerfacecolor=PAPER, **STYLES[plan])  # type: ignore[arg-type]
    axes.axvline(outcome.flow.false_haploid_rate, color=SAND, linestyle="--", zorder=0)
    for flip in outcome.flips:
        if flip.rate == "false_haploid_rate" and flip.flips_at <= span:
            axes.plot(flip.flips_at, _height(outcome, flip.above, flip.flips_at), "o", color=INK, mfc="none", ms=13)
    axes.set(xlim=(0, span), ylim=(0, None))
    axes.set_xlabel(X_LABEL, color=INK)
    axes.set_ylabel(_unit(outcome), color=INK)
    axes.legend(frameon=False, fontsize="small", labelcolor=INK)
    return axes


def span_shown(outcome: BudgetOutcome) -> float:
    """Return the largest rate shown: twice the present one, and a little past the first flip above it."""
    now = outcome.flow.false_haploid_rate
    flips = [row.flips_at for row in outcome.flips if row.rate == "false_haploid_rate"]
    above = [flip for flip in flips if flip > now]
    return min(max(LEAST_SPAN, 2 * now, *(1.3 * flip for flip in above[:1])), 1.0)


def sensitivity_svg(outcome: BudgetOutcome) -> str:
    """Return the picture as SVG; the same outcome gives the same text."""
    import matplotlib as mpl

    axes = _axes()
    plot_sensitivity(outcome, ax=axes)
    out = io.StringIO()
    with mpl.rc_context({"svg.hashsalt": "dhverify", "svg.fonttype": "path"}):
        axes.get_figure(root=True).savefig(out, format="svg", metadata={"Date": None, "Creator": None})  # type: ignore[union-attr]
    return out.getvalue()


def _height(outcome: BudgetOutcome, plan: str, rate: float) -> float:
    flow: Flow = at_rate(outcome.flow, "false_haploid_rate", rate)
    one = cost_of_kernel(plan, flow, outcome.costs) if outcome.costs.are_given else assays_of_kernel(plan, flow)
    return outcome.kernels * one


def _label(plan: str) -> str:
    return "nowhere (wrong lines stay in)" if plan == NONE else plan


def _unit(outcome: BudgetOutcome) -> str:
    if not outcome.costs.are_given:
        return "assays"
    unit = outcome.costs.unit.replace("$", r"\$")
    return f"cost, {unit}" if unit else "cost"


def _axes() -> Axes:
    from matplotlib.figure import Figure

    figure = Figure(figsize=SIZE, facecolor=PAPER, layout="constrained")
    axes = figure.subplots()
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(SAND)
    axes.tick_params(colors=INK, length=0)
    return axes
