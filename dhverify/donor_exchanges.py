"""Labels exchanged between donors: lines of two donors that are clean lines of the other's donor."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Final

import numpy as np

from dhverify.alternatives import donor_panel, other_donors
from dhverify.analysis import Analysis
from dhverify.exchanges import Story, standing
from dhverify.samples import Role, Sample, SampleSheet

SURE_MISFIT: Final = 4.6
"""Log odds (99 to 1) from which a line is taken as a clean line of another donor (common practice, no source)."""
MOST_NAMED: Final = 6
"""Lines of one donor beyond which no exchange is told: so many are no slip of two labels."""


def fitting_donor(analysis: Analysis) -> dict[str, str]:
    """Lines that fit another donor as a clean line better than their own in any way: the name of that donor."""
    is_line = np.array([s.role is Role.LINE for s in analysis.judged], dtype=bool)
    if not is_line.any() or len({model.family.donor for model in analysis.models}) < 2:
        return {}
    others = other_donors(analysis, donor_panel(analysis), is_line & (analysis.clean_probability() <= 0.5))
    found = {}
    for number in np.flatnonzero(is_line):
        options = others.options[number]
        if not options:
            continue
        best = max(options, key=lambda option: option.log_likelihood)
        own = float(np.max(analysis.log_likelihood[number]))
        if best.log_likelihood + best.log_weight > own + SURE_MISFIT:
            found[analysis.judged[number].name] = best.name
    return found


def donor_stories(sheet: SampleSheet, fits: Mapping[str, str], told: Collection[str]) -> tuple[Story, ...]:
    """Stories of lines of two donors that fit each other's donor.

    Parameters
    ----------
    sheet
        The sheet.
    fits
        For lines that are of another donor, that donor.
    told
        Labels of other stories.

    """
    lines: dict[tuple[str, str, str], list[Sample]] = {}
    for name, donor in fits.items():
        if name not in told:
            sample = sheet[name]
            lines.setdefault((sample.donor, donor, str(sample.stage)), []).append(sample)
    stories = []
    for (own, other, stage), ones in lines.items():
        twos = lines.get((other, own, stage), [])
        if own < other and 0 < len(ones) <= MOST_NAMED and 0 < len(twos) <= MOST_NAMED:
            stories.append(_story(own, other, ones, twos))
    return tuple(stories)


def _story(own: str, other: str, ones: list[Sample], twos: list[Sample]) -> Story:
    if len(ones) == len(twos) == 1:
        one, two = ones[0].name, twos[0].name
        text = (
            f"{standing(ones[0])} and {standing(twos[0])} may have been exchanged: {one}, declared of {own}, is a clean"
            f" line of {other}, {two} the other way round, and no other line of the two donors is."
        )
        return Story(text=text, meant={one: two, two: one}, rests_on=frozenset({one, two}))
    first, second = (", ".join(sample.name for sample in side) for side in (ones, twos))
    text = (
        f"Labels may have been exchanged between {own} and {other}: {first} of {own} fit {other}, {second} of"
        f" {other} fit {own}; which with which cannot be told from these calls."
    )
    return Story(text=text, meant={}, rests_on=frozenset(sample.name for sample in (*ones, *twos)))
