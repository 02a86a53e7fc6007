"""The main job: genotypes and a sample sheet in, a verdict for every line out."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from difflib import get_close_matches
from typing import TYPE_CHECKING

import numpy as np

from dhverify.account import build_account
from dhverify.analysis import Analysis, analyse, with_consensus
from dhverify.chained_leaks import with_chains
from dhverify.diagnosis import diagnose, expected_finding
from dhverify.donor_advice import advise
from dhverify.donor_table import FamilyPanel, donor_rows
from dhverify.errors import Defect, SheetError
from dhverify.evidence import LineEvidence
from dhverify.genetic_map import GeneticMap, place_markers
from dhverify.genotypes import Genotypes
from dhverify.identity import judge_identity
from dhverify.identity_findings import IdentityFindings
from dhverify.judged_lot import Progress
from dhverify.limits import Limits
from dhverify.lot import Lot, assemble
from dhverify.outcome import (
    CheckOutcome,
    Finding,
    Flag,
    Verdict,
)
from dhverify.outcome_rows import FoundLot, line_row, marker_rows, priors, rates, segment_rows, tracks
from dhverify.plate_layout import layout_warnings, plate_layouts
from dhverify.plate_moves import PlateStory, plate_stories
from dhverify.plates import PlateFindings, judge_plates, out_of_place, plate_rows, well_rows
from dhverify.references import ReferenceFindings, family_doubt, judge_references
from dhverify.samples import Family, Sample, SampleSheet
from dhverify.segments import blind_chromosomes, smallest_visible_cm
from dhverify.sheet_warnings import pedigree_warning, source_warning, undeclared_source, unmatched_warnings
from dhverify.verdicts import judge
from dhverify.wells import nearest

if TYPE_CHECKING:
    from dhverify.counts import Counts


def run_check(
    genotypes: Genotypes,
    sheet: SampleSheet,
    *,
    limits: Limits | None = None,
    genetic_map: GeneticMap | None = None,
    counts: Counts | None = None,
    by: Sequence[str] = (),
    jobs: int = 1,
    progress: Progress | None = None,
) -> CheckOutcome:
    """Verify every line of a sample sheet.

    Parameters
    ----------
    genotypes
        Calls, and allele depths where there are any.
    sheet
        The sample sheet.
    limits
        What decides; as shipped if None.
    genetic_map
        A map; without one the genotype file's own, the built-in maize map, or 1 cM/Mb.
    counts
        Programme counts, if there are any.
    by
        Sheet columns to repeat the account for.
    jobs
        Threads.
    progress
        Called with what is being done, how much is done, and of how much.

    Raises
    ------
    SheetError
        If no line of the sheet is in the genotypes.

    """
    limits = limits or Limits()
    _require_lines(genotypes, sheet)
    lot = assemble(genotypes, sheet, place_markers(genotypes.markers, genetic_map))
    analysis, identity, moves = _learnt(lot, sheet, limits, jobs, progress)
    lot = analysis.lot
    references = judge_references(lot, analysis, limits)
    analysis = with_consensus(analysis, lot, identity.agreeing_replicates, jobs=jobs)
    diagnosis = diagnose(lot, analysis, limits, progress)
    evidence = with_chains(lot, analysis, diagnosis.evidence)
    evidence = _with_identity(_complete(evidence, sheet), identity, sheet)
    evidence = {name: _with_nearest_source(found, lot, identity) for name, found in evidence.items()}
    evidence = _with_doubt(evidence, analysis, references)
    plates = judge_plates(lot, analysis, evidence, sheet, limits, displaced=identity.displaced, moves=moves)
    evidence = {name: _with_plates(found, plates, analysis.silent) for name, found in evidence.items()}
    return _outcome(
        FoundLot(
            genotypes=genotypes,
            sheet=sheet,
            limits=limits,
            lot=lot,
            analysis=analysis,
            diagnosis=diagnosis,
            references=references,
            identity=identity,
            plates=plates,
            evidence=evidence,
        ),
        counts=counts,
        by=by,
    )


def _learnt(
    lot: Lot, sheet: SampleSheet, limits: Limits, jobs: int, progress: Progress | None
) -> tuple[Analysis, IdentityFindings, tuple[PlateStory, ...]]:
    """Analyse a lot, compare its samples and look at its plates.

    Where samples stand elsewhere than the sheet says, the lot is learnt anew without them. Which they are is told by
    the first analysis: the second one leaves them out.
    """
    layouts = plate_layouts(sheet)
    analysis = analyse(lot, sheet, jobs=jobs, progress=progress)
    identity = judge_identity(analysis.lot, analysis, sheet, limits)
    moves = plate_stories(analysis.lot, sheet, layouts, displaced=identity.displaced)
    silent = out_of_place(layouts, moves, identity.displaced)
    if not silent:
        return analysis, identity, moves
    analysis = analyse(lot, sheet, jobs=jobs, progress=progress, silent=silent)
    again = judge_identity(analysis.lot, analysis, sheet, limits)
    identity = again if again.displaced == identity.displaced else identity
    return analysis, identity.beside(silent), moves


def _with_plates(found: LineEvidence, plates: PlateFindings, displaced: frozenset[str]) -> LineEvidence:
    """Add what its plate says of a line: flags, and whose DNA it holds where it is a mixture."""
    name = found.sample.name
    found = replace(found, flags=found.flags | plates.flags.get(name, frozenset()))
    if name in displaced:
        return found.out_of_place()
    if found.finding is not Finding.MIXTURE:
        return found
    if name in plates.unsettled or found.contaminant in plates.unsettled:
        return replace(found, contaminant="", contaminant_share=None)
    leak = plates.leaks.get(name)
    if leak is None:
        return found
    return replace(found, contaminant=leak.source, contaminant_share=leak.share)


def _require_lines(genotypes: Genotypes, sheet: SampleSheet) -> None:
    held = {str(name) for name in genotypes.samples}
    if any(line.name in held for line in sheet.lines):
        return
    if not sheet.lines:
        found, expected = "no row with role line", "at least one line to verify"
        raise SheetError(sheet.source, [Defect(where="column role", found=found, expected=expected)])
    name = sheet.lines[0].name
    close = get_close_matches(name, sorted(held), n=1)
    hint = f"; for {name} did you mean {close[0]}?" if close else ""
    hint += _column_of_names(sheet, held)
    some = ", ".join(sorted(held)[:3])
    raise SheetError(
        sheet.source,
        [
            Defect(
                where="column sample",
                found=f"none of its {len(sheet.lines)} lines ({name}, ...) in the genotypes, which hold {some}, ...",
                expected=f"sample names as in the genotype files{hint}",
            )
        ],
    )


def _column_of_names(sheet: SampleSheet, held: Collection[str]) -> str:
    """Say which other column of the sheet holds names of the genotype files; empty if none does."""
    columns = {name: [getattr(line, name) for line in sheet.lines] for name in ("line", "source", "plate", "well")}
    columns |= {name: [dict(line.extra).get(name, "") for line in sheet.lines] for name in sheet.extra_columns}
    found = next((name for name, texts in columns.items() if any(text in held for text in texts)), "")
    return f"; column {found} holds such names" if found else ""


def _complete(evidence: Mapping[str, LineEvidence], sheet: SampleSheet) -> dict[str, LineEvidence]:
    """Add lines that no genotype file holds."""
    complete = {
        line.name: evidence[line.name] if line.name in evidence else _not_genotyped(line) for line in sheet.lines
    }
    return complete | {name: found for name, found in evidence.items() if name not in complete}


def _not_genotyped(sample: Sample) -> LineEvidence:
    return LineEvidence(
        sample=sample,
        is_genotyped=False,
        posterior={},
        expected=expected_finding(sample),
        finding=Finding.UNRESOLVED,
        confidence=None,
    )


def _with_doubt(
    evidence: Mapping[str, LineEvidence], analysis: Analysis, references: ReferenceFindings
) -> dict[str, LineEvidence]:
    """Flag the lines of families whose references are in doubt."""
    doubt = {model.family: family_doubt(model, analysis, references.in_doubt) for model in analysis.models}
    by_name = {(family.donor, family.inducer): text for family, text in doubt.items() if text}
    result = {}
    for name, found in evidence.items():
        text = by_name.get((found.sample.donor, found.sample.inducer))
        if text and found.is_genotyped:
            flags = found.flags | {Flag.REFERENCE_IN_DOUBT}
            result[name] = replace(found, flags=flags, notes=(*found.notes, text))
        else:
            result[name] = found
    return result


def _with_identity(
    evidence: Mapping[str, LineEvidence], identity: IdentityFindings, sheet: SampleSheet
) -> dict[str, LineEvidence]:
    """Add what was found of identities."""
    return {
        name: replace(
            found,
            flags=found.flags | identity.flags.get(name, frozenset()),
            duplicate_group=identity.duplicate_group.get(name, ""),
            duplicates=identity.duplicates(name),
            undeclared_source=_undeclared_source(found.sample, identity, sheet),
        )
        for name, found in evidence.items()
    }


def _undeclared_source(sample: Sample, identity: IdentityFindings, sheet: SampleSheet) -> tuple[str, str] | None:
    copies = identity.duplicates(sample.name)
    return undeclared_source(sample, sheet[copies[0]]) if len(copies) == 1 else None


def _with_nearest_source(found: LineEvidence, lot: Lot, identity: IdentityFindings) -> LineEvidence:
    """Name, of several samples of the contaminant's genotype, the one that stands nearest."""
    if found.contaminant not in lot.row:
        return found
    names = (found.contaminant, *identity.same_as(found.contaminant))
    able = [lot.samples[lot.row[name]] for name in names if name in lot.row and name != found.sample.name]
    return replace(found, contaminant=nearest(found.sample, able).name)


def _panels(found: FoundLot) -> dict[Family, FamilyPanel]:
    """What the markers can see in each family."""
    grid = found.lot.grid
    calls = found.lot.seen.calls
    rate = float(np.median((calls >= 0).mean(axis=1))) if calls.size else 0.0
    panels = {}
    least = found.limits.min_segment_markers
    for model, classes in zip(found.analysis.models, found.diagnosis.classes, strict=True):
        blind = blind_chromosomes(grid, classes.is_diagnostic, least) if classes.is_diagnostic.any() else ()
        panels[model.family] = FamilyPanel(
            diagnostic_markers=int(classes.is_diagnostic.sum()),
            segregating_markers=int(classes.is_segregating.sum()),
            smallest_visible_segment_cm=smallest_visible_cm(grid, classes.is_diagnostic, rate, least),
            basis=f"{model.basis} {_blindness(blind)}".strip(),
        )
    return panels


def _blindness(chromosomes: Sequence[str]) -> str:
    """Say on which chromosomes of a family no inducer segment would be seen."""
    if not chromosomes:
        return ""
    noun = "chromosome" if len(chromosomes) == 1 else "chromosomes"
    return f"Inducer segments on {noun} {', '.join(chromosomes)} cannot be seen: too few diagnostic markers there."


def _outcome(found: FoundLot, *, counts: Counts | None, by: Sequence[str]) -> CheckOutcome:
    judgements = {name: judge(e, found.limits) for name, e in found.evidence.items()}
    lines = tuple(line_row(found, line, judgements[line.name]) for line in found.sheet.lines)
    verdicts = [judgements[line.name].verdict for line in found.sheet.lines]
    passes = [found.evidence[s.name] for s, v in zip(found.sheet.lines, verdicts, strict=True) if v is Verdict.PASS]
    fails = [found.evidence[s.name] for s, v in zip(found.sheet.lines, verdicts, strict=True) if v is Verdict.FAIL]
    line_evidence = {line.name: found.evidence[line.name] for line in found.sheet.lines}
    advice = advise(line_evidence, found.sheet, counts=counts, by=by)
    return CheckOutcome(
        lines=lines,
        donors=donor_rows(
            line_evidence,
            found.sheet,
            {name: judgement.verdict for name, judgement in judgements.items()},
            panels=_panels(found),
            advice=advice.donors,
        ),
        references=found.references.rows,
        account=build_account(line_evidence, found.sheet, counts=counts, by=by),
        markers=marker_rows(found),
        segments=segment_rows(found),
        identity=found.identity.rows,
        plates=plate_rows(found.plates),
        wells=well_rows(
            found.plates,
            found.evidence,
            {name: judgement.verdict for name, judgement in judgements.items()},
            found.lot,
        ),
        limits=found.limits,
        rates=rates(found),
        priors=priors(found),
        map_description=found.lot.marker_map.description,
        evidence_used=found.lot.evidence,
        notes=(*found.genotypes.notes, *(model.basis for model in found.analysis.models)),
        warnings=(*_warnings(found), *(counts.warnings if counts is not None else ())),
        inputs=(*found.genotypes.checksums, *_checksum(found.sheet), *_checksum(counts)),
        expected_wrong_passes=float(sum(1 - e.expected_probability for e in passes)),
        expected_wrong_fails=float(sum(e.expected_probability for e in fails if not e.segments)),
        extra_columns=found.sheet.extra_columns,
        tracks=tracks(found, judgements),
        strata=tuple(by),
        stories=(*found.identity.stories, *found.plates.stories),
        group_advice=advice.groups,
        exchanges=_exchanges(found.identity),
    )


def _exchanges(identity: IdentityFindings) -> tuple[tuple[str, str], ...]:
    """Pairs of labels that hold each other's DNA, those of a turned plate left out."""
    return tuple(
        (label, meant)
        for label, meant in identity.holds.items()
        if label < meant and identity.holds.get(meant) == label and label not in identity.displaced
    )


def _checksum(table: SampleSheet | Counts | None) -> tuple[tuple[str, str], ...]:
    return ((table.source, table.checksum),) if table is not None and table.checksum else ()


def _warnings(found: FoundLot) -> tuple[str, ...]:
    held = tuple(str(name) for name in found.genotypes.samples)
    texts = [*found.genotypes.warnings, *found.sheet.warnings, *found.lot.marker_map.warnings, *found.lot.warnings]
    texts += unmatched_warnings(found.sheet, held)
    texts.append(found.identity.blind)
    texts += layout_warnings(found.sheet)
    texts += [source_warning(found.sheet, found.identity.duplicate_group), pedigree_warning(found.sheet, held)]
    return tuple(filter(None, texts))
