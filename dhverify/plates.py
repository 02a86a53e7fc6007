"""Plates: what their blanks, controls and families say of them, and whom it puts in doubt.

A blank that holds DNA makes its neighbours doubtful, a wrong control its whole plate, and nothing is turned back
silently.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from dhverify.analysis import Analysis
from dhverify.displaced_parts import plate_name
from dhverify.evidence import LineEvidence
from dhverify.leaks import Leak, find_leaks
from dhverify.limits import Limits
from dhverify.lot import Lot
from dhverify.marker_quality import sample_call_rate
from dhverify.outcome import Answer, Finding, Flag, PlateRow, Verdict, WellRow
from dhverify.plate_blanks import BlankFinding, judge_blanks
from dhverify.plate_controls import ControlFinding, expected_findings, judge_controls
from dhverify.plate_layout import TURNED, PlateLayout, plate_layouts
from dhverify.plate_moves import PlateStory, is_telling, plate_stories, unsettled_samples
from dhverify.samples import Role, Sample, SampleSheet


@dataclass(frozen=True, kw_only=True, eq=False)
class PlateFindings:
    """What was found of the plates of a lot.

    Attributes
    ----------
    layouts
        The plates.
    blanks, controls
        By sample name.
    moves
        Whether each plate stands as the sheet says, by its name.
    told
        By plate: how it, a row or a column of it came out of place, where comparing samples told so already.
    unsettled
        Samples of which nothing can be told until the layout of a plate is settled.
    leaks
        Wells that received another's DNA, by the name of the sample that received it.
    flags
        By line: near a dirty blank, turned plate, wrong control.
    stories
        What stands out, a sentence each.

    """

    layouts: tuple[PlateLayout, ...]
    blanks: Mapping[str, BlankFinding]
    controls: Mapping[str, ControlFinding]
    moves: Mapping[str, PlateStory]
    told: Mapping[str, str]
    unsettled: frozenset[str]
    leaks: Mapping[str, Leak]
    flags: Mapping[str, frozenset[Flag]]
    stories: tuple[str, ...]


def judge_plates(
    lot: Lot,
    analysis: Analysis,
    evidence: Mapping[str, LineEvidence],
    sheet: SampleSheet,
    limits: Limits,
    *,
    displaced: Mapping[str, str] = MappingProxyType({}),
    moves: Sequence[PlateStory] | None = None,
) -> PlateFindings:
    """Judge blanks, controls and the layout of every plate.

    Parameters
    ----------
    lot
        The genotyped samples.
    analysis
        What was learnt of them.
    evidence
        What was found of lines and controls, by sample name.
    sheet
        The sample sheet.
    limits
        ``max_blank_call_rate``, ``min_confidence`` and ``min_called_markers`` are used.
    displaced
        Samples that comparing has shown to stand elsewhere than the sheet says, with how they came out of place.
    moves
        Stories of the plates, if they were told before.

    """
    layouts = plate_layouts(sheet)
    genotyped = tuple(sample for sample in sheet.with_role(Role.BLANK) if sample.name in lot.row)
    blanks = judge_blanks(lot, analysis.learnt.assay, genotyped, limits.max_blank_call_rate)
    controls = judge_controls(lot, analysis, evidence, sheet, limits)
    moves = plate_stories(lot, sheet, layouts, displaced=displaced) if moves is None else moves
    unsettled = unsettled_samples(sheet, out_of_place(layouts, moves, displaced))
    found = PlateFindings(
        layouts=layouts,
        blanks={blank.sample.name: blank for blank in blanks if blank.sample.name not in unsettled},
        controls={control.sample.name: _until_settled(control, unsettled) for control in controls},
        moves={story.plate: story for story in moves},
        told=_told(sheet, displaced),
        unsettled=unsettled,
        leaks=find_leaks(lot, analysis, evidence, unsettled) if layouts else {},
        flags={},
        stories=(),
    )
    flags: dict[str, set[Flag]] = {}
    stories = [text for layout in layouts for text in _look_at(layout, found, flags)]
    raised = {name: frozenset(own) for name, own in flags.items()}
    return replace(found, flags=raised, stories=tuple(stories))


def out_of_place(
    layouts: Sequence[PlateLayout], moves: Sequence[PlateStory], displaced: Collection[str]
) -> frozenset[str]:
    """Names of all samples that stand elsewhere than the sheet says: as their plate tells, or as comparing does."""
    at = {layout.plate: layout for layout in layouts}
    return frozenset(displaced).union(*(story.displaced(at[story.plate]) for story in moves))


def _told(sheet: SampleSheet, displaced: Mapping[str, str]) -> dict[str, str]:
    """By plate: all that comparing has told of how it, or parts of it, came out of place."""
    moves: dict[str, dict[str, None]] = {}
    for name, move in displaced.items():
        moves.setdefault(sheet[name].plate, {})[move] = None
    return {plate: "; ".join(found) for plate, found in moves.items()}


def _until_settled(control: ControlFinding, unsettled: frozenset[str]) -> ControlFinding:
    """Leave a control open that cannot be judged until the layout of a plate is settled."""
    return replace(control, is_right=Answer.CANNOT_SAY) if control.sample.name in unsettled else control


def _look_at(layout: PlateLayout, found: PlateFindings, flags: dict[str, set[Flag]]) -> list[str]:
    """Raise the flags of one plate; return its sentences."""
    name = plate_name(layout.plate)
    texts = []
    lines = [sample for sample in layout.at.values() if sample.role is Role.LINE]
    move = found.moves.get(layout.plate)
    if move is not None and move.is_moved:
        _raise(flags, lines, Flag.TURNED_PLATE)
        if layout.plate not in found.told:
            texts.append(
                f"{name} seems to have been {move.best.words}: that explains what its wells hold better than the sheet"
                f" does (log odds {move.log_odds[move.best]:.0f}). Nothing was turned back; settle the layout first."
            )
    for story in move.parts if move is not None else ():
        _raise(flags, [line for line in lines if line.name in story.part.meant], Flag.TURNED_PLATE)
        if layout.plate == story.part.plates[0]:
            texts.append(
                f"{story.part.guessed}: that explains what the wells hold better than the sheet does (log odds"
                f" {story.log_odds:.0f}). Nothing was put back; settle the layout first."
            )
    for control in _wrong_controls(layout, found):
        _raise(flags, lines, Flag.WRONG_CONTROL)
        texts.append(f"{_control_words(control, name)} The whole plate is in doubt.")
    for blank in _dirty_blanks(layout, found):
        near = [s for s in layout.beside(blank.sample.well) if s.role is Role.LINE]
        _raise(flags, near, Flag.NEAR_A_DIRTY_BLANK)
        texts.append(_blank_words(blank, near, name))
    texts += [_control_words(control, name) for control in _open_controls(layout, found)]
    return texts + [_leak_words(leak, layout, found) for leak in _leaks(layout, found)]


def _raise(flags: dict[str, set[Flag]], samples: list[Sample], flag: Flag) -> None:
    for sample in samples:
        flags.setdefault(sample.name, set()).add(flag)


def _wrong_controls(layout: PlateLayout, found: PlateFindings) -> list[ControlFinding]:
    on_plate = [found.controls[s.name] for s in layout.at.values() if s.name in found.controls]
    return [control for control in on_plate if control.is_right is Answer.NO]


def _dirty_blanks(layout: PlateLayout, found: PlateFindings) -> list[BlankFinding]:
    on_plate = [found.blanks[s.name] for s in layout.at.values() if s.name in found.blanks]
    return [blank for blank in on_plate if blank.is_dirty]


def _open_controls(layout: PlateLayout, found: PlateFindings) -> list[ControlFinding]:
    on_plate = [found.controls[s.name] for s in layout.at.values() if s.name in found.controls]
    return [
        control
        for control in on_plate
        if control.is_right is Answer.CANNOT_SAY and control.sample.name not in found.unsettled
    ]


def _leaks(layout: PlateLayout, found: PlateFindings) -> list[Leak]:
    return [found.leaks[s.name] for _, s in sorted(layout.at.items()) if s.name in found.leaks]


def _control_words(control: ControlFinding, plate: str) -> str:
    where = f"Control {control.sample.name} (well {control.sample.well}) on {plate[0].lower()}{plate[1:]}"
    if not expected_findings(control.sample):
        return f"{where} cannot be judged: the column expected names no finding for it."
    wanted = f"should be {control.sample.expected}"
    if control.finding is Finding.UNRESOLVED:
        return f"{where} {wanted}; it cannot be told: too little was called, or it fits nothing here."
    if control.is_right is Answer.CANNOT_SAY:
        return f"{where} {wanted}; its genotype does not decide."
    return f"{where} {wanted} and is {control.finding}."


def _blank_words(blank: BlankFinding, near: list[Sample], plate: str) -> str:
    rate = f"called at {100 * blank.call_rate:.0f} % of the markers" if blank.call_rate is not None else "called"
    whose = ", with DNA of several samples or of none here"
    if blank.owners:
        whose = f" and carries the genotype of {blank.owners[0]}"
        whose += f" (or of {', '.join(blank.owners[1:])}, which looks the same)" if len(blank.owners) > 1 else ""
    names = ", ".join(f"{sample.name} ({sample.well})" for sample in near)
    distrust = f"Distrust the wells beside it: {names}." if near else "No line stands beside it."
    return (
        f"Blank {blank.sample.name} (well {blank.sample.well}) on {plate[0].lower()}{plate[1:]} is {rate}{whose}."
        f" {distrust}"
    )


def _leak_words(leak: Leak, layout: PlateLayout, found: PlateFindings) -> str:
    wells = {sample.name: sample for other in found.layouts for sample in other.at.values()}
    source = wells.get(leak.source)
    where = ""
    if source is not None:
        place = f"well {source.well}" if source.plate == layout.plate else f"plate {source.plate}, well {source.well}"
        where = f" ({place}{', a well that touches it' if leak.is_near else ''})"
    share = f"about {100 * leak.share:.0f} % of its DNA" if leak.share is not None else "a share of its DNA"
    plate = plate_name(layout.plate)
    return (
        f"{leak.sample} ({plate[0].lower()}{plate[1:]}, well {wells[leak.sample].well}) holds {share}"
        f" from {leak.source}{where}."
    )


def plate_rows(found: PlateFindings) -> tuple[PlateRow, ...]:
    """Rows of the plate table, in the order in which the sheet names the plates."""
    return tuple(_plate_row(layout, found) for layout in found.layouts)


def _plate_row(layout: PlateLayout, found: PlateFindings) -> PlateRow:
    samples = list(layout.at.values())
    return PlateRow(
        plate=layout.plate,
        wells=len(samples),
        blanks=sum(sample.role is Role.BLANK for sample in samples),
        dirty_blanks=len(_dirty_blanks(layout, found)),
        leaking_wells=len(_leaks(layout, found)),
        turned=_turned(layout, found),
        advice=_advice(layout, found),
        controls=sum(sample.role is Role.CONTROL for sample in samples),
        wrong_controls=len(_wrong_controls(layout, found)),
    )


def _turned(layout: PlateLayout, found: PlateFindings) -> Answer:
    move = found.moves.get(layout.plate)
    if _move_words(layout, found).endswith(TURNED.words):
        return Answer.YES
    if move is None or not is_telling(layout):
        return Answer.CANNOT_SAY
    return Answer.NO if move.excludes_turned else Answer.CANNOT_SAY


def _move_words(layout: PlateLayout, found: PlateFindings) -> str:
    """Say how a plate, or a row or a column of it, came out of place; empty where it did not."""
    if layout.plate in found.told:
        return found.told[layout.plate]
    move = found.moves.get(layout.plate)
    if move is None:
        return ""
    return f"Seems {move.best.words}" if move.is_moved else "; ".join(story.part.guessed for story in move.parts)


def _moved_plates(found: PlateFindings) -> list[str]:
    return [layout.plate for layout in found.layouts if _move_words(layout, found)]


def _advice(layout: PlateLayout, found: PlateFindings) -> str:
    """What to do about a plate, the gravest first."""
    move = _move_words(layout, found)
    dirty, wrong, leaks = _dirty_blanks(layout, found), _wrong_controls(layout, found), _leaks(layout, found)
    words = []
    if move:
        words.append(f"{move}: settle the layout before using any of its results.")
    if any(sample.name in found.unsettled for sample in layout.at.values()):
        kinds, what = ("Blanks, controls", "it") if move else ("Controls", f"plate {', '.join(_moved_plates(found))}")
        words.append(f"{kinds} and leaks that rest on {what} cannot be told until the layout is settled.")
    if wrong:
        names = ", ".join(control.sample.name for control in wrong)
        words.append(f"Not what it should be: control {names}. Find out why, then run the plate again.")
    if dirty:
        names = ", ".join(blank.sample.well for blank in dirty)
        words.append(f"DNA in the blank in {names}: genotype the wells beside it on another plate.")
    if leaks:
        names = ", ".join(leak.sample for leak in leaks)
        words.append(f"DNA of two samples in {names}: take fresh tissue.")
    if _turned(layout, found) is Answer.CANNOT_SAY and not move:
        words.append("Whether it was turned cannot be said: put a blank or a control off the centre.")
    return " ".join(words) or "Nothing to change."


def well_rows(
    found: PlateFindings,
    evidence: Mapping[str, LineEvidence],
    verdicts: Mapping[str, Verdict],
    lot: Lot,
) -> tuple[WellRow, ...]:
    """Rows of the well table: every row of the sheet that has a well, plate by plate."""
    rates = dict(zip((s.name for s in lot.samples), sample_call_rate(lot.seen.calls).tolist(), strict=True))
    return tuple(
        _well_row(layout, sample, found, evidence, verdicts, rates)
        for layout in found.layouts
        for _, sample in sorted(layout.at.items())
    )


def _well_row(
    layout: PlateLayout,
    sample: Sample,
    found: PlateFindings,
    evidence: Mapping[str, LineEvidence],
    verdicts: Mapping[str, Verdict],
    rates: Mapping[str, float],
) -> WellRow:
    known = evidence.get(sample.name)
    blank = found.blanks.get(sample.name)
    control = found.controls.get(sample.name)
    leak = found.leaks.get(sample.name)
    contaminant, share = (leak.source, leak.share) if leak is not None else ("", None)
    if blank is not None and blank.owners:
        contaminant, share = blank.owners[0], 1.0
    finding = known.finding.value if known else control.finding.value if control else ""
    return WellRow(
        plate=layout.plate,
        well=sample.well,
        sample=sample.name,
        role=sample.role.value,
        call_rate=rates.get(sample.name),
        contaminant=contaminant,
        contaminant_share=share,
        verdict=verdicts[sample.name].value if sample.role is Role.LINE and sample.name in verdicts else "",
        finding=finding,
    )
