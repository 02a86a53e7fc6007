"""Plates: what their blanks, controls and families say of them, and whom it puts in doubt.

A blank that holds DNA makes its neighbours doubtful, a wrong control its whole plate, and nothing is turned back
silently.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from dhverify.analysis import Analysis
from dhverify.evidence import LineEvidence
from dhverify.limits import Limits
from dhverify.lot import Lot
from dhverify.marker_quality import sample_call_rate
from dhverify.outcome import Answer, Finding, Flag, PlateRow, Verdict, WellRow
from dhverify.plate_blanks import BlankFinding, judge_blanks
from dhverify.plate_controls import ControlFinding, judge_controls
from dhverify.plate_layout import TURNED, PlateLayout, plate_layouts
from dhverify.plate_moves import PlateStory, is_telling, plate_stories
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
    flags
        By line: near a dirty blank, turned plate, wrong control.
    stories
        What stands out, a sentence each.

    """

    layouts: tuple[PlateLayout, ...]
    blanks: Mapping[str, BlankFinding]
    controls: Mapping[str, ControlFinding]
    moves: Mapping[str, PlateStory]
    flags: Mapping[str, frozenset[Flag]]
    stories: tuple[str, ...]


def judge_plates(
    lot: Lot, analysis: Analysis, evidence: Mapping[str, LineEvidence], sheet: SampleSheet, limits: Limits
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

    """
    layouts = plate_layouts(sheet)
    genotyped = tuple(sample for sample in sheet.with_role(Role.BLANK) if sample.name in lot.row)
    blanks = judge_blanks(lot, analysis.learnt.assay, genotyped, limits.max_blank_call_rate)
    controls = judge_controls(lot, analysis, evidence, sheet, limits)
    moves = plate_stories(lot, sheet, layouts) if layouts else ()
    found = PlateFindings(
        layouts=layouts,
        blanks={blank.sample.name: blank for blank in blanks},
        controls={control.sample.name: control for control in controls},
        moves={story.plate: story for story in moves},
        flags={},
        stories=(),
    )
    flags: dict[str, set[Flag]] = {}
    stories = [text for layout in layouts for text in _look_at(layout, found, flags)]
    return PlateFindings(
        layouts=found.layouts,
        blanks=found.blanks,
        controls=found.controls,
        moves=found.moves,
        flags={name: frozenset(raised) for name, raised in flags.items()},
        stories=tuple(stories),
    )


def _look_at(layout: PlateLayout, found: PlateFindings, flags: dict[str, set[Flag]]) -> list[str]:
    """Raise the flags of one plate; return its sentences."""
    name = _named(layout)
    texts = []
    lines = [sample for sample in layout.at.values() if sample.role is Role.LINE]
    move = found.moves.get(layout.plate)
    if move is not None and move.is_moved:
        _raise(flags, lines, Flag.TURNED_PLATE)
        texts.append(
            f"{name} seems to have been {move.best.words}: that explains what its wells hold better than the sheet"
            f" does (log odds {move.log_odds[move.best]:.0f}). Nothing was turned back; settle the layout first."
        )
    for control in _wrong_controls(layout, found):
        _raise(flags, lines, Flag.WRONG_CONTROL)
        texts.append(
            f"Control {control.sample.name} on {name[0].lower()}{name[1:]} should be {control.sample.expected} and is"
            f" {control.finding}: the whole plate is in doubt."
        )
    if move is None or not move.is_moved:
        for blank in _dirty_blanks(layout, found):
            near = [s for s in layout.beside(blank.sample.well) if s.role is Role.LINE]
            _raise(flags, near, Flag.NEAR_A_DIRTY_BLANK)
            texts.append(_blank_words(blank, near, name))
    return texts


def _raise(flags: dict[str, set[Flag]], samples: list[Sample], flag: Flag) -> None:
    for sample in samples:
        flags.setdefault(sample.name, set()).add(flag)


def _named(layout: PlateLayout) -> str:
    return f"Plate {layout.plate}" if layout.plate else "The plate"


def _wrong_controls(layout: PlateLayout, found: PlateFindings) -> list[ControlFinding]:
    on_plate = [found.controls[s.name] for s in layout.at.values() if s.name in found.controls]
    return [control for control in on_plate if control.is_right is Answer.NO]


def _dirty_blanks(layout: PlateLayout, found: PlateFindings) -> list[BlankFinding]:
    on_plate = [found.blanks[s.name] for s in layout.at.values() if s.name in found.blanks]
    return [blank for blank in on_plate if blank.is_dirty]


def _blank_words(blank: BlankFinding, near: list[Sample], plate: str) -> str:
    rate = f"called at {blank.call_rate:.0%} of the markers" if blank.call_rate is not None else "called"
    whose = f" and carries the genotype of {blank.owners[0]}" if blank.owners else ""
    if len(blank.owners) > 1:
        whose += f" (or of {', '.join(blank.owners[1:])})"
    names = ", ".join(sample.name for sample in near) or "no line"
    return f"Blank {blank.sample.name} on {plate[0].lower()}{plate[1:]} is {rate}{whose}. Beside it: {names}."


def plate_rows(found: PlateFindings, evidence: Mapping[str, LineEvidence]) -> tuple[PlateRow, ...]:
    """Rows of the plate table, in the order in which the sheet names the plates."""
    return tuple(_plate_row(layout, found, evidence) for layout in found.layouts)


def _plate_row(layout: PlateLayout, found: PlateFindings, evidence: Mapping[str, LineEvidence]) -> PlateRow:
    samples = list(layout.at.values())
    blanks = [s for s in samples if s.role is Role.BLANK]
    controls = [s for s in samples if s.role is Role.CONTROL]
    dirty, wrong = _dirty_blanks(layout, found), _wrong_controls(layout, found)
    leaking = [s for s in samples if s.name in evidence and evidence[s.name].finding is Finding.MIXTURE]
    turned = _turned(layout, found)
    move = found.moves.get(layout.plate)
    is_moved = move is not None and move.is_moved
    return PlateRow(
        plate=layout.plate,
        wells=len(samples),
        blanks=len(blanks),
        dirty_blanks=len(dirty),
        leaking_wells=len(leaking),
        turned=turned,
        advice=_advice(
            move.best.words if is_moved and move is not None else "", len(dirty), len(wrong), len(leaking), turned
        ),
        controls=len(controls),
        wrong_controls=len(wrong),
    )


def _turned(layout: PlateLayout, found: PlateFindings) -> Answer:
    move = found.moves.get(layout.plate)
    if move is None or not is_telling(layout):
        return Answer.CANNOT_SAY
    if move.best is TURNED:
        return Answer.YES
    return Answer.NO if move.excludes_turned else Answer.CANNOT_SAY


def _advice(moved: str, n_dirty: int, n_wrong: int, n_leaking: int, turned: Answer) -> str:
    words = []
    if moved:
        words.append(f"Seems {moved}: settle the layout before using any of its results.")
    if n_wrong:
        words.append("A control is not what it should be: find out why, then run the plate again.")
    if n_dirty:
        words.append("A blank holds DNA: genotype the wells beside it on another plate.")
    if n_leaking:
        words.append("Wells hold DNA of two samples: take fresh tissue of them.")
    if not words and turned is Answer.CANNOT_SAY:
        words.append("Nothing stands out; whether it was turned cannot be said: put a blank or control off the centre.")
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
    contaminant = known.contaminant if known else ""
    if blank is not None and blank.owners:
        contaminant = blank.owners[0]
    finding = known.finding.value if known else control.finding.value if control else ""
    return WellRow(
        plate=layout.plate,
        well=sample.well,
        sample=sample.name,
        role=sample.role.value,
        call_rate=rates.get(sample.name),
        contaminant=contaminant,
        contaminant_share=known.contaminant_share if known else None,
        verdict=verdicts[sample.name].value if sample.role is Role.LINE and sample.name in verdicts else "",
        finding=finding,
    )
