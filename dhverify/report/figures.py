"""Pictures with matplotlib: a line's chromosomes, a plate, the donors, the whole lot."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from dhverify.outcome import CheckOutcome, DonorRow, Finding, LineRow, Verdict, WellRow
from dhverify.report.look import INK, OCHRE, PAPER, PLUM, SAND, VERDICT_COLOUR, VERDICT_PHRASE
from dhverify.report.page.plates import place, well_shape
from dhverify.report.tracks import Picture, Stage, Stretch, picture, stage

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from matplotlib.axes import Axes
    from numpy.typing import NDArray

_HALF: Final = 0.28
"""Half the height between the outer strands of a chromosome, in rows."""

_VERDICT_MARKER: Final = {Verdict.PASS: "o", Verdict.FAIL: "x", Verdict.RETEST: "$\u25ef$"}
_OTHER_SHAPES: Final = {"control": "D", "other": "s"}
_SHAPE_WORDS: Final = {
    **{str(verdict): phrase for verdict, phrase in VERDICT_PHRASE.items()},
    "control": "control",
    "other": "another sample",
    "blank": "blank",
    "dirty-blank": "dirty blank",
}
"""What the shapes of wells mean, in the order of the key."""


def plot_line(outcome: CheckOutcome, sample: str, *, ax: Axes | None = None) -> Axes:
    """Draw the chromosomes of one line.

    A step line tells the donor strand (up for the first parent, down for the second), a plum block the
    inducer (full height for two copies, half for one), an open box heterozygous calls, ochre hatching foreign
    alleles; ticks below are the markers that can tell, and dots show where nothing is known.

    Parameters
    ----------
    outcome
        What a check found.
    sample
        Name of the line.
    ax
        Where to draw; a new figure if None.

    Returns
    -------
    matplotlib.axes.Axes
        In cM, a row per chromosome.

    Raises
    ------
    KeyError
        If the outcome holds no picture of that sample.

    """
    track = next((one for one in outcome.tracks if one.sample == sample), None)
    if track is None:
        raise KeyError(f"no picture of {sample!r}: it is no line, or was not genotyped")
    on = stage(outcome.markers)
    drawn = picture(track, on)
    axes = _axes(ax, width=8.0, height=1.0 + 0.42 * len(on.chromosomes))
    _draw_base(axes, on, drawn)
    _draw_blocks(axes, drawn, on)
    _draw_steps(axes, drawn, on)
    line = next(line for line in outcome.lines if line.sample == sample)
    axes.set_title(_plain(f"{sample}: {line.finding}, {line.verdict}"), loc="left", color=INK)
    axes.set_xlabel(_plain(_key_words(drawn)), color=INK, fontsize="small", loc="left")
    axes.xaxis.set_major_formatter("{x:.0f} cM")
    axes.set_ylim(len(on.chromosomes) - 0.4, -0.6)
    return axes


def plot_plate(outcome: CheckOutcome, plate: str, *, ax: Axes | None = None) -> Axes:
    """Draw one plate as square wells.

    A dot may go on, a cross must not, a ring needs a new test; a diamond is a control, a small square another
    sample, a dashed well a blank (hatched if dirty); an arrow shows where DNA came from.

    Parameters
    ----------
    outcome
        What a check found.
    plate
        Name of the plate.
    ax
        Where to draw; a new figure if None.

    Returns
    -------
    matplotlib.axes.Axes
        Columns of the plate to the right, rows downwards.

    Raises
    ------
    KeyError
        If there is no such plate.

    """
    wells = [well for well in outcome.wells if well.plate == plate]
    if not wells:
        raise KeyError(f"no plate {plate!r} on the sheet")
    spots = {well.sample: place(well.well) for well in wells}
    rows, columns = (8, 12) if all(r < 8 and c < 12 for r, c in spots.values()) else (16, 24)
    axes = _axes(ax, width=1.0 + 0.42 * columns, height=1.9 + 0.42 * rows)
    for well in wells:
        _draw_well(axes, well, outcome.limits.max_blank_call_rate)
        _draw_leak(axes, well, spots)
    axes.set_xticks(range(columns), [str(c + 1) for c in range(columns)])
    axes.set_yticks(range(rows), [chr(ord("A") + r) for r in range(rows)])
    axes.set(xlim=(-0.6, columns - 0.4), ylim=(rows - 0.4, -0.6), aspect="equal")
    axes.xaxis.tick_top()
    axes.spines[:].set_visible(False)
    axes.set_title(_plain(f"Plate {plate}"), loc="left", color=INK)
    _plate_key(axes, wells, outcome.limits.max_blank_call_rate)
    return axes


def plot_donors(outcome: CheckOutcome, *, ax: Axes | None = None) -> Axes:
    """Draw the share of wrong lines of each donor, inducer and stage with its 95 % interval.

    Parameters
    ----------
    outcome
        What a check found.
    ax
        Where to draw; a new figure if None.

    Returns
    -------
    matplotlib.axes.Axes
        Shares to the right, a row per donor.

    """
    rows = outcome.donors
    axes = _axes(ax, width=7.0, height=1.2 + 0.35 * len(rows))
    for y, row in enumerate(rows):
        _draw_interval(axes, y, row)
    axes.set_yticks(range(len(rows)), [_donor_label(row) for row in rows])
    axes.set(ylim=(max(len(rows), 1) - 0.5, -0.5), xlabel="share of lines that are not what their stage says")
    axes.set_xlim(left=0)
    return axes


def plot_lot(outcome: CheckOutcome, *, ax: Axes | None = None) -> Axes:
    """Draw all lines, heterozygosity against inducer share; verdicts by shape, findings by name.

    Parameters
    ----------
    outcome
        What a check found.
    ax
        Where to draw; a new figure if None. Lines without both measures are left out.

    Returns
    -------
    matplotlib.axes.Axes
        Inducer share to the right, heterozygosity upwards.

    """
    lines = [line for line in outcome.lines if line.heterozygosity is not None and line.inducer_share is not None]
    axes = _axes(ax, width=6.5, height=5.0)
    for verdict in Verdict:
        chosen = [line for line in lines if line.verdict is verdict]
        axes.scatter(
            [_number(line.inducer_share) for line in chosen],
            [_number(line.heterozygosity) for line in chosen],
            marker=_VERDICT_MARKER[verdict],
            color=VERDICT_COLOUR[verdict],
            s=34,
            linewidths=1.2,
            label=f"{VERDICT_PHRASE[verdict]} ({len(chosen)})",
        )
    _name_findings(axes, lines)
    axes.axhline(outcome.limits.max_heterozygosity, color=SAND, linestyle="--", zorder=0)
    axes.axvline(outcome.limits.max_inducer_share, color=SAND, linestyle="--", zorder=0)
    axes.set(xlabel="inducer share of the genome", ylabel="heterozygous share of called markers")
    key = axes.legend(frameon=False, labelcolor=INK, fontsize="small", ncols=3, columnspacing=1.2, handletextpad=0.3)
    key.set_loc("lower left")
    key.set_bbox_to_anchor((0, 1))
    return axes


def _axes(ax: Axes | None, *, width: float, height: float) -> Axes:
    if ax is None:
        from matplotlib.figure import Figure

        figure = Figure(figsize=(width, height), facecolor=PAPER, layout="constrained")
        ax = figure.subplots()
    ax.set_facecolor(PAPER)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set_color(SAND)
    ax.tick_params(colors=INK, length=0)
    return ax


def _draw_base(axes: Axes, on: Stage, drawn: Picture) -> None:
    for row, chromosome in enumerate(on.chromosomes):
        axes.plot([0, chromosome.end_cm - chromosome.start_cm], [row, row], color=INK, lw=0.8, ls=":", zorder=1)
    starts = np.array([chromosome.start_cm for chromosome in on.chromosomes], dtype=np.float64)
    if len(drawn.tick_row):
        ticks = drawn.tick_cm - starts[drawn.tick_row]
        axes.plot(ticks, drawn.tick_row + 0.42, ls="", marker="|", ms=3, mew=0.6, color=INK, zorder=1)
    axes.set_yticks(range(len(on.chromosomes)), [_plain(chromosome.name) for chromosome in on.chromosomes])


def _draw_blocks(axes: Axes, drawn: Picture, on: Stage) -> None:
    for stretch in drawn.inducer:
        top = -_HALF if stretch.level > 1 else 0.0
        _block(axes, stretch, on, top, _HALF, facecolor=PLUM, alpha=0.6, zorder=2)
    for stretch in drawn.foreign:
        _block(axes, stretch, on, -0.38, 0.38, facecolor="none", edgecolor=OCHRE, hatch="////", lw=0.8, zorder=3)
    for stretch in drawn.heterozygous:
        _block(axes, stretch, on, -_HALF, _HALF, facecolor="none", edgecolor=INK, lw=0.8, zorder=4)


def _block(axes: Axes, stretch: Stretch, on: Stage, top: float, bottom: float, **look: object) -> None:
    from matplotlib.patches import Rectangle

    left = stretch.start_cm - on.chromosomes[stretch.row].start_cm
    width = max(stretch.end_cm - stretch.start_cm, 0.6)
    axes.add_patch(Rectangle((left, stretch.row + top), width, bottom - top, **look))  # type: ignore[arg-type]


def _draw_steps(axes: Axes, drawn: Picture, on: Stage) -> None:
    for corners in _step_corners(drawn.steps, max(len(drawn.strands), 1), on):
        x, y = zip(*corners, strict=True)
        axes.plot(x, y, color=INK, lw=1.8, solid_joinstyle="miter", zorder=5)


def _key_words(drawn: Picture) -> str:
    """Say what the shapes of a line's picture mean, those that occur only."""
    words = [f"strands from top: {', '.join(drawn.strands)}"] if len(drawn.strands) > 1 else []
    shapes = {
        "plum: inducer": drawn.inducer,
        "boxes: heterozygous": drawn.heterozygous,
        "hatched: foreign": drawn.foreign,
    }
    words += [text for text, stretches in shapes.items() if stretches]
    return "; ".join([*words, "ticks: markers that can tell"])


def _step_corners(steps: Sequence[Stretch], n_strands: int, on: Stage) -> Iterable[list[tuple[float, float]]]:
    corners: list[tuple[float, float]] = []
    for step in steps:
        if not step.joins_previous and corners:
            yield corners
            corners = []
        start = on.chromosomes[step.row].start_cm
        height = step.row + _strand_offset(step.level, n_strands)
        corners += [(step.start_cm - start, height), (step.end_cm - start, height)]
    if corners:
        yield corners


def _strand_offset(level: int, n_strands: int) -> float:
    if level < 0 or n_strands == 1:
        return 0.0
    return -_HALF + 2 * _HALF * level / (n_strands - 1)


def _draw_well(axes: Axes, well: WellRow, max_blank_call_rate: float) -> None:
    from matplotlib.patches import Rectangle

    row, column = place(well.well)
    shape = well_shape(well, max_blank_call_rate)
    is_blank = shape in {"blank", "dirty-blank"}
    axes.add_patch(
        Rectangle(
            (column - 0.42, row - 0.42),
            0.84,
            0.84,
            facecolor="none",
            edgecolor=INK if is_blank else SAND,
            linestyle="--" if is_blank else "-",
            hatch="////" if shape == "dirty-blank" else None,
        )
    )
    if not is_blank:
        axes.plot(column, row, ls="", **_well_mark(shape))


def _plate_key(axes: Axes, wells: Sequence[WellRow], max_blank_call_rate: float) -> None:
    """Say below a plate what its shapes mean, those that occur only."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Rectangle

    shapes = {well_shape(well, max_blank_call_rate) for well in wells}
    handles: list[Line2D | Rectangle] = []
    for shape, words in _SHAPE_WORDS.items():
        if shape not in shapes:
            continue
        if shape in {"blank", "dirty-blank"}:
            hatch = "////" if shape == "dirty-blank" else None
            handles.append(Rectangle((0, 0), 1, 1, fc="none", ec=INK, ls="--", hatch=hatch, label=words))
        else:
            handles.append(Line2D([], [], ls="", label=words, **_well_mark(shape)))
    if any(well.contaminant for well in wells):
        handles.append(Line2D([], [], ls="", marker=r"$\rightarrow$", ms=12, color=PLUM, label="DNA that came over"))
    key = axes.legend(handles=handles, loc="upper left", bbox_to_anchor=(0, 0), ncols=3, frameon=False)
    for text in key.get_texts():
        text.set(color=INK, fontsize="small")


def _well_mark(shape: str) -> dict[str, Any]:
    """How the mark inside a well looks."""
    if shape in _OTHER_SHAPES:
        return {"marker": _OTHER_SHAPES[shape], "ms": 5, "mfc": SAND, "mec": INK}
    verdict = Verdict(shape)
    size = 8 if verdict is Verdict.FAIL else 6
    return {"marker": _VERDICT_MARKER[verdict], "ms": size, "mew": 1.6, "color": VERDICT_COLOUR[verdict]}


def _draw_leak(axes: Axes, well: WellRow, spots: dict[str, tuple[int, int]]) -> None:
    giver, taker = spots.get(well.contaminant), place(well.well)
    if giver is None or giver == taker:
        return
    arrow = {"arrowstyle": "->", "color": PLUM, "lw": 1.4}
    axes.annotate("", xy=(taker[1], taker[0]), xytext=(giver[1], giver[0]), arrowprops=arrow)


def _draw_interval(axes: Axes, y: int, row: DonorRow) -> None:
    if row.wrong_share_low is not None and row.wrong_share_high is not None:
        axes.plot([row.wrong_share_low, row.wrong_share_high], [y, y], color=SAND, lw=5, solid_capstyle="butt")
    if row.wrong_share is not None:
        axes.plot(row.wrong_share, y, marker="|", ms=12, mew=2, color=INK)


def _donor_label(row: DonorRow) -> str:
    cross = f"{row.donor} by {row.inducer}" if row.inducer else row.donor
    return _plain(f"{cross}, {row.stage} (n={row.lines})")


def _name_findings(axes: Axes, lines: Sequence[LineRow]) -> None:
    """Write each finding beside a typical line of it; findings whose places coincide share one label."""
    reach = np.array([0.08 * np.ptp(axes.get_xlim()), 0.04 * np.ptp(axes.get_ylim())])
    labels: list[tuple[NDArray[np.float64], list[str]]] = []
    for finding in Finding:
        spots = np.array([_spot(line) for line in lines if line.finding is finding])
        if not len(spots):
            continue
        typical = spots[np.argmin(np.abs((spots - np.median(spots, axis=0)) / reach).sum(axis=1))]
        near = (names for spot, names in labels if np.all(np.abs(spot - typical) < reach))
        names = next(near, None)
        if names is None:
            labels.append((typical, [str(finding)]))
        else:
            names.append(str(finding))
    for spot, names in labels:
        place_at = (float(spot[0]), float(spot[1]))
        axes.annotate(
            ", ".join(names), place_at, xytext=(7, 7), textcoords="offset points", color=INK, fontsize="small"
        )


def _spot(line: LineRow) -> tuple[float, float]:
    return _number(line.inducer_share), _number(line.heterozygosity)


def _number(value: float | None) -> float:
    return float("nan") if value is None else value


def _plain(text: str) -> str:
    """Return a text that is drawn as it is: a dollar sign begins no formula."""
    return text.replace("$", r"\$")
