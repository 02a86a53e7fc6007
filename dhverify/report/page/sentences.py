"""The answer in sentences, what to do now, and what this panel cannot see."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

from dhverify.outcome import Answer, CheckOutcome, DonorRow, Finding, Flag, LineRow, PlateRow, Verdict
from dhverify.report.advice import donor_advice
from dhverify.report.counting import duplicate_groups, pile, verdict_counts
from dhverify.report.look import counted, expected_number
from dhverify.report.tracks import REACH_CM, stage

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

MOST_NAMES: Final = 12
MOST_LINES_TO_LOOK_AT: Final = 20
MOST_DONORS_IN_FULL: Final = 3
_CLEAN: Final = frozenset({Finding.HAPLOID, Finding.DOUBLED_HAPLOID})
_MISMATCH: Final = frozenset({Flag.SOURCE_MISMATCH, Flag.LINE_MISMATCH})

_NOUNS: Final = {
    Finding.HYBRID: ("hybrid with the inducer", "hybrids with the inducer"),
    Finding.SELFED_HYBRID: ("selfed hybrid", "selfed hybrids"),
    Finding.DONOR: ("donor plant itself", "plants of the donor itself"),
    Finding.SELFED_DONOR: ("selfed donor", "selfed donors"),
    Finding.PARENT: ("inbred parent of the donor", "inbred parents of the donor"),
    Finding.OUTCROSS: ("outcross by other pollen", "outcrosses by other pollen"),
    Finding.INDUCER: ("plant of the inducer", "plants of the inducer"),
    Finding.OTHER_DONOR: ("clean line of another donor", "clean lines of another donor"),
    Finding.MIXTURE: ("mixture of two samples", "mixtures of two samples"),
    Finding.UNRESOLVED: ("sample that its calls do not resolve", "samples that their calls do not resolve"),
}
_NOT_GENOTYPED: Final = ("line that no file holds", "lines that no file holds")
_OUT_OF_PLACE: Final = ("line out of place on its plate", "lines out of place on their plates")
_WITH_A_SEGMENT: Final = ("clean line with an inducer segment", "clean lines with an inducer segment")
_HELD_BACK: Final = {
    Flag.WRONG_TISSUE: ("sample of the wrong tissue", "samples of the wrong tissue"),
    Flag.WRONG_CONTROL: ("clean line on a doubtful plate", "clean lines on a doubtful plate"),
    Flag.NEAR_A_DIRTY_BLANK: ("clean line beside a dirty blank", "clean lines beside a dirty blank"),
    Flag.REFERENCE_IN_DOUBT: ("clean line with a doubtful reference", "clean lines with a doubtful reference"),
    Flag.SOURCE_MISMATCH: ("clean line with a doubtful label", "clean lines with a doubtful label"),
    Flag.LINE_MISMATCH: ("clean line with a doubtful label", "clean lines with a doubtful label"),
    Flag.DUPLICATE: ("clean line that copies another", "clean lines that copy another"),
    Flag.LOW_CALL_RATE: ("line with too few calls", "lines with too few calls"),
    Flag.FEW_DIAGNOSTIC_MARKERS: ("line with few diagnostic markers", "lines with few diagnostic markers"),
}
"""What a clean line is held back for: the first flag of these that it has."""
_UNDECIDED: Final = ("clean line with an open question", "clean lines with an open question")


@dataclass(frozen=True, kw_only=True)
class Step:
    """One thing to do: a sentence, the samples (or plates, or exchanged pairs) it is about, and how many more."""

    text: str
    names: tuple[str, ...] = ()
    pairs: tuple[tuple[str, str], ...] = ()
    n_more: int = 0


@dataclass(frozen=True, kw_only=True)
class BlindSpot:
    """One thing that cannot be seen, and for which crosses (donor, inducer); none: for all."""

    text: str
    crosses: tuple[tuple[str, str], ...] = ()


def answer(outcome: CheckOutcome) -> str:
    """Return the first sentence, such as ``192 lines: 171 may go on, 9 must not, 12 need a new test``."""
    counts = verdict_counts(outcome)
    head = counted(counts.lines, "line")
    if counts.has_replicates:
        head += f" in {counted(counts.samples, 'sample')}"
    if counts.lines and counts.passed == counts.lines:
        return f"{head}: {'all may go on' if counts.lines != 1 else 'it may go on'}."
    parts = [f"{counts.passed:,} may go on" if counts.passed else "none may go on"]
    if counts.failed:
        parts.append(f"{counts.failed:,} must not")
    if counts.retest:
        parts.append(f"{counts.retest:,} {'needs' if counts.retest == 1 else 'need'} a new test")
    return f"{head}: {', '.join(parts)}."


def answer_continued(outcome: CheckOutcome) -> tuple[str, ...]:
    """Return the sentences after the first: what the bad ones are, and how many errors to expect."""
    sentences = []
    for verdict, opening in ((Verdict.FAIL, "Must not go on"), (Verdict.RETEST, "To be tested again")):
        members = pile(outcome, verdict)
        if members:
            sentences.append(f"{opening}: {_what_they_are(members)}.")
    sentences.append(
        f"Expect {expected_number(outcome.expected_wrong_passes)} wrong lines among those that pass, and"
        f" {expected_number(outcome.expected_wrong_fails)} good ones among those that fail."
    )
    return tuple(sentences)


def to_do(outcome: CheckOutcome) -> tuple[Step, ...]:
    """Return what to do now: labels, plates and references first because lines rest on them."""
    steps = [*_exchange_steps(outcome), *_plate_steps(outcome.plates), *_reference_steps(outcome)]
    steps += [*_line_steps(outcome), *_programme_steps(outcome)]
    passed = verdict_counts(outcome).passed
    if passed:
        steps.append(Step(text=f"Hand on the {counted(passed, 'line')} that {'passes' if passed == 1 else 'pass'}."))
    return tuple(steps)


def blind_spots(outcome: CheckOutcome) -> tuple[BlindSpot, ...]:
    """Return what this panel cannot see, in sentences."""
    crosses: dict[str, list[tuple[str, str]]] = {}
    for row in outcome.donors:
        crosses.setdefault(_donor_blindness(outcome, row), []).append((row.donor, row.inducer))
    spots = [BlindSpot(text=text, crosses=tuple(dict.fromkeys(pairs))) for text, pairs in crosses.items()]
    spots += [BlindSpot(text=text) for text in _empty_stretches(outcome)]
    if not outcome.plates:
        spots.append(
            BlindSpot(text="The sheet gives no wells: leaks between wells and turned plates cannot be looked for.")
        )
    elif not any(row.blanks for row in outcome.plates):
        spots.append(BlindSpot(text="No plate has a blank: DNA carried into empty wells cannot be seen."))
    return tuple(spots)


def lines_to_look_at(outcome: CheckOutcome) -> tuple[LineRow, ...]:
    """Return the first lines that do not pass: those that fail before those to test again."""
    lines = pile(outcome, Verdict.FAIL) + pile(outcome, Verdict.RETEST)
    return lines[:MOST_LINES_TO_LOOK_AT]


def _what_they_are(members: Sequence[LineRow]) -> str:
    nouns = Counter(_noun(line) for line in members)
    parts = [counted(count, *noun) for noun, count in nouns.most_common()]
    return parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1]


def _noun(line: LineRow) -> tuple[str, str]:
    if Flag.NOT_GENOTYPED in line.flags:
        return _NOT_GENOTYPED
    if Flag.TURNED_PLATE in line.flags:
        return _OUT_OF_PLACE
    if line.finding not in _CLEAN:
        return _NOUNS[line.finding]
    if Flag.INDUCER_SEGMENT in line.flags and line.verdict is Verdict.FAIL:
        return _WITH_A_SEGMENT
    return next((noun for flag, noun in _HELD_BACK.items() if flag in line.flags), _UNDECIDED)


def _step(text: str, names: Iterable[str]) -> Step:
    found = tuple(dict.fromkeys(names))
    return Step(text=text, names=found[:MOST_NAMES], n_more=max(0, len(found) - MOST_NAMES))


def _exchange_steps(outcome: CheckOutcome) -> Iterable[Step]:
    if outcome.exchanges:
        shown = outcome.exchanges[:MOST_NAMES]
        text = "Settle these exchanged labels first, then check again:"
        yield Step(text=text, pairs=shown, n_more=len(outcome.exchanges) - len(shown))


def _is_exchanged(outcome: CheckOutcome) -> Callable[[LineRow], bool]:
    """Whether nothing but an exchanged label speaks against a line."""
    labels = {label for pair in outcome.exchanges for label in pair}
    return lambda line: (
        line.sample in labels
        and (line.finding is Finding.OTHER_DONOR or (line.finding in _CLEAN and set(line.flags) <= _MISMATCH))
    )


def _plate_steps(plates: Sequence[PlateRow]) -> Iterable[Step]:
    tests: tuple[tuple[str, Callable[[PlateRow], bool]], ...] = (
        (
            "Find out how it was loaded (nothing is turned back here); a plate that looks turned:",
            lambda row: row.turned is Answer.YES,
        ),
        ("Look for carry-over; a blank is dirty on", lambda row: row.dirty_blanks > 0),
        ("Find out why; a control is not what it should be on", lambda row: row.wrong_controls > 0),
    )
    for text, is_so in tests:
        names = [row.plate for row in plates if is_so(row)]
        if names:
            yield _step(text, names)


def _reference_steps(outcome: CheckOutcome) -> Iterable[Step]:
    names = [row.sample for row in outcome.references if row.agrees is Answer.NO]
    if names:
        text = "Type these references again from sure seed, or correct their label; their offspring disagree:"
        yield _step(text, names)


def _line_steps(outcome: CheckOutcome) -> Iterable[Step]:
    is_exchanged = _is_exchanged(outcome)
    failed = [line for line in pile(outcome, Verdict.FAIL) if not is_exchanged(line)]
    if failed:
        yield _step("Take out, and do not cross:", (line.sample for line in failed))
    retest = [line for line in pile(outcome, Verdict.RETEST) if not is_exchanged(line)]
    for text, is_so in _RETEST_STEPS:
        names = [line.sample for line in retest if is_so(line)]
        retest = [line for line in retest if not is_so(line)]
        if names:
            yield _step(text, names)
    retest = [line for line in retest if Flag.DUPLICATE not in line.flags]
    if retest:
        yield _step("Test again, for the reason given with each line:", (line.sample for line in retest))
    groups = duplicate_groups(outcome)
    if groups:
        text = (
            f"Go back to the seed and the plates of {counted(len(groups), 'group')} of copies; if they are one on"
            " purpose, say so in the columns line or source of the sheet:"
        )
        yield _step(text, (line.sample for members in groups.values() for line in members))


def _programme_steps(outcome: CheckOutcome) -> Iterable[Step]:
    urgent = [one for one in donor_advice(outcome) if one.is_urgent]
    if len(urgent) > MOST_DONORS_IN_FULL:
        text = "Change how these donors are handled; the advice on each stands under Donors and rates:"
        yield _step(text, (one.donor for one in urgent))
    else:
        yield from (Step(text=one.sentence) for one in urgent)
    yield from (Step(text=f"Look into this group of the programme: {text}") for text in outcome.group_advice)


def _has(*flags: Flag) -> Callable[[LineRow], bool]:
    return lambda line: any(flag in line.flags for flag in flags)


_RETEST_STEPS: Final[tuple[tuple[str, Callable[[LineRow], bool]], ...]] = (
    ("Genotype for the first time; no file holds them:", _has(Flag.NOT_GENOTYPED)),
    ("Settle the layout of their plate first, then check again:", _has(Flag.TURNED_PLATE)),
    ("Take the right tissue (embryo or seedling leaf) and genotype again:", _has(Flag.WRONG_TISSUE)),
    (
        "Take fresh tissue of one plant and genotype again; the sample holds two:",
        lambda line: line.finding is Finding.MIXTURE or Flag.MIXTURE in line.flags,
    ),
    (
        "Genotype again, from new DNA; too little was called:",
        lambda line: line.finding is Finding.UNRESOLVED or Flag.LOW_CALL_RATE in line.flags,
    ),
    ("Find out which label is wrong; they differ from what they descend from:", _has(Flag.SOURCE_MISMATCH)),
    ("Find out which replicate is wrong; samples of one line differ:", _has(Flag.LINE_MISMATCH)),
    ("Add markers that tell donor and inducer apart, then test again:", _has(Flag.FEW_DIAGNOSTIC_MARKERS)),
    ("Settle the reference first, then check again:", _has(Flag.REFERENCE_IN_DOUBT)),
    ("Settle their plate first, then check again:", _has(Flag.WRONG_CONTROL)),
    ("Genotype again on another plate; a dirty blank stands beside them:", _has(Flag.NEAR_A_DIRTY_BLANK)),
)


def _donor_blindness(outcome: CheckOutcome, row: DonorRow) -> str:
    """Return what is hidden in the lines of one donor, inducer and stage."""
    few = outcome.limits.min_diagnostic_markers
    if not row.diagnostic_markers:
        text = "no marker tells the inducer from the donor, so inducer segments cannot be looked for."
    elif row.smallest_visible_segment_cm is None:
        text = (
            f"{counted(row.diagnostic_markers, 'diagnostic marker')}, too few or too far apart to find an"
            " inducer segment of any length with 95 % probability."
        )
    else:
        text = (
            f"an inducer segment may be missed: of those {row.smallest_visible_segment_cm:.0f} cM long 95 % are found,"
            f" of shorter ones fewer ({counted(row.diagnostic_markers, 'diagnostic marker')})."
        )
    if row.diagnostic_markers and row.diagnostic_markers < few:
        text += f" Fewer than {few} diagnostic markers: hybrids rest on heterozygosity alone."
    return text


def _empty_stretches(outcome: CheckOutcome) -> Iterable[str]:
    on = stage(outcome.markers)
    usable = np.array([row.usable for row in outcome.markers], dtype=bool)
    found = []
    for place, chromosome in enumerate(on.chromosomes):
        cm = np.sort(on.marker_cm[usable & (on.marker_row == place)])
        edges = np.concatenate([[chromosome.start_cm], cm])
        found += [
            f"{chromosome.name} from {low:.0f} to {high:.0f} cM"
            for low, high in pairwise(edges)
            if high - low > 2 * REACH_CM
        ]
    if found:
        shown = "; ".join(found[:MOST_NAMES])
        more = f"; and {len(found) - MOST_NAMES} more" if len(found) > MOST_NAMES else ""
        longest = f"{2 * REACH_CM:.0f} cM"
        yield f"Stretches of more than {longest} without a usable marker: chromosome {shown}{more}."
