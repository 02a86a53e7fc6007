"""Synthetic outcomes with every kind of row and hostile names; no judging is involved."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dhverify.limits import Limits
from dhverify.outcome import (
    AccountRow,
    Answer,
    AssayRates,
    CheckOutcome,
    DonorRow,
    Finding,
    Flag,
    IdentityRow,
    LineRow,
    MarkerRow,
    PlateRow,
    ReferenceRow,
    SegmentRow,
    Track,
    Verdict,
    WellRow,
)

MARKUP = "<img src=x onerror=alert(1)>&amp;'\"</script><b>"
QUOTES = "a \"quoted\", 'name'; with a comma"
LONG = "Very_long_line_name_" + "x" * 180
RIGHT_TO_LEFT = "\u05e7\u05d5-\u05d0\u05d1 12 \u202e reversed"
FORMULA = "=1+1"
COMMAND = "@SUM(A1)"
HOSTILE = (MARKUP, QUOTES, LONG, RIGHT_TO_LEFT, FORMULA, COMMAND)

STORIES = (
    f"{MARKUP} and {RIGHT_TO_LEFT} were exchanged (wells A01 and B10).",
    "Plate P2 seems to have been turned by 180 degrees. Nothing was turned back; settle the layout first.",
)
GROUP_ADVICE = "tray T<2> lets through 3.1 times the hybrids of the others: 4 of 20 putative haploids are hybrids."

N_CHROMOSOMES = 10
P1, P2, INDUCER = "Ashdown 3", "Brinkley 7", "Corvane"

_CASES = (
    (Verdict.FAIL, Finding.HYBRID, 0.9999, (Flag.HETEROZYGOSITY, Flag.INDUCER_ALLELES)),
    (Verdict.FAIL, Finding.SELFED_HYBRID, 0.9987, (Flag.HETEROZYGOSITY, Flag.INDUCER_ALLELES)),
    (Verdict.FAIL, Finding.SELFED_DONOR, 0.9991, (Flag.HETEROZYGOSITY,)),
    (Verdict.FAIL, Finding.DONOR, 0.9999, (Flag.HETEROZYGOSITY,)),
    (Verdict.FAIL, Finding.OUTCROSS, 0.997, (Flag.FOREIGN_ALLELES,)),
    (Verdict.FAIL, Finding.OTHER_DONOR, 0.999, (Flag.OTHER_DONOR,)),
    (Verdict.FAIL, Finding.PARENT, 0.9999, ()),
    (Verdict.FAIL, Finding.INDUCER, 0.9999, (Flag.INDUCER_ALLELES,)),
    (Verdict.FAIL, Finding.DOUBLED_HAPLOID, 0.9999, (Flag.INDUCER_SEGMENT,)),
    (Verdict.RETEST, Finding.UNRESOLVED, None, (Flag.LOW_CALL_RATE,)),
    (Verdict.RETEST, Finding.UNRESOLVED, None, (Flag.NOT_GENOTYPED,)),
    (Verdict.RETEST, Finding.MIXTURE, 0.98, (Flag.MIXTURE,)),
    (Verdict.RETEST, Finding.DOUBLED_HAPLOID, 0.9999, (Flag.DUPLICATE,)),
    (Verdict.RETEST, Finding.DOUBLED_HAPLOID, 0.9999, (Flag.DUPLICATE,)),
    (Verdict.RETEST, Finding.DOUBLED_HAPLOID, 0.93, (Flag.FEW_DIAGNOSTIC_MARKERS,)),
    (Verdict.RETEST, Finding.DOUBLED_HAPLOID, 0.9999, (Flag.SOURCE_MISMATCH,)),
    (Verdict.RETEST, Finding.DOUBLED_HAPLOID, 0.9999, (Flag.LINE_MISMATCH,)),
    (Verdict.RETEST, Finding.DOUBLED_HAPLOID, 0.9999, (Flag.REFERENCE_IN_DOUBT,)),
    (Verdict.RETEST, Finding.DOUBLED_HAPLOID, 0.9999, (Flag.WRONG_TISSUE,)),
    (Verdict.RETEST, Finding.DOUBLED_HAPLOID, 0.9999, (Flag.NEAR_A_DIRTY_BLANK,)),
    (Verdict.PASS, Finding.DOUBLED_HAPLOID, 0.9995, (Flag.FEW_DIAGNOSTIC_MARKERS,)),
)


def make_outcome(n_lines: int = 60, *, n_markers: int = 300, seed: int = 1, with_names: bool = True) -> CheckOutcome:
    """An outcome of ``n_lines`` lines (all cases first, then passes); the same for the same seed."""
    rng = np.random.default_rng(seed)
    markers = _markers(n_markers, rng)
    lines = tuple(_line(k, rng, with_names=with_names) for k in range(n_lines))
    lines = _with_copies(lines)
    plates, wells = _plates(lines)
    return CheckOutcome(
        lines=lines,
        donors=_donors(lines),
        references=_references(),
        account=_account(),
        markers=markers,
        segments=_segments(lines),
        identity=_identity(lines),
        plates=plates,
        wells=wells,
        limits=Limits(min_call_rate=0.3),
        rates=AssayRates(
            hom_to_het=0.004,
            hom_to_other_hom=0.001,
            dropout=0.03,
            missing=0.021,
            read_error=0.002,
            source="Learnt from the lot.",
        ),
        priors=(("D1 <b>", (("doubled haploid", 0.9), ("hybrid", 0.1))),),
        map_description="The built-in maize map, scaled over each chromosome.",
        evidence_used="Genotype calls.",
        notes=("The table is wide: a row per marker.",),
        warnings=("calls.csv, sample <x>: not on the sheet, left out.",),
        inputs=(("calls.csv", "0" * 64), ("samples.csv", "f" * 64)),
        expected_wrong_passes=0.0312345678,
        expected_wrong_fails=0.0004,
        extra_columns=("tray", "verdict"),
        tracks=_tracks(lines, markers, rng),
        strata=("tray",),
        stories=STORIES,
        group_advice=(GROUP_ADVICE,),
    )


def empty_outcome() -> CheckOutcome:
    """An outcome with no row in any table."""
    return replace(
        make_outcome(1),
        lines=(),
        donors=(),
        references=(),
        account=(),
        markers=(),
        segments=(),
        identity=(),
        plates=(),
        wells=(),
        priors=(),
        notes=(),
        warnings=(),
        inputs=(),
        tracks=(),
        extra_columns=(),
        strata=(),
        stories=(),
        group_advice=(),
    )


def _name(k: int, *, with_names: bool) -> str:
    hostile_from = len(_CASES)
    if with_names and k < 1:
        return MARKUP
    if with_names and hostile_from <= k < hostile_from + len(HOSTILE) - 1:
        return HOSTILE[k - hostile_from + 1]
    return f"FD{k // 48 + 1:02d}-{k:04d}"


def _line(k: int, rng: np.random.Generator, *, with_names: bool) -> LineRow:
    verdict, finding, confidence, flags = (
        _CASES[k] if k < len(_CASES) else (Verdict.PASS, Finding.DOUBLED_HAPLOID, 0.99987, ())
    )
    name = _name(k, with_names=with_names)
    is_typed = Flag.NOT_GENOTYPED not in flags
    het = {Finding.HYBRID: 0.34, Finding.SELFED_HYBRID: 0.17, Finding.DONOR: 0.36}.get(finding, 0.0031)
    inducer = {Finding.HYBRID: 0.5, Finding.SELFED_HYBRID: 0.49, Finding.INDUCER: 1.0}.get(finding, 0.002)
    share = float(rng.uniform(0.3, 0.7))
    return LineRow(
        sample=name,
        line=name,
        stage="haploid" if k % 7 == 6 else "D1",
        donor=f"Donor {k // 48 + 1}",
        inducer=INDUCER,
        verdict=verdict,
        finding=Finding.HAPLOID if finding is Finding.DOUBLED_HAPLOID and k % 7 == 6 else finding,
        confidence=confidence,
        flags=flags,
        reasons=_reasons(verdict, finding, het),
        call_rate=0.981234567 if is_typed else None,
        called_markers=291 if is_typed else 0,
        heterozygosity=het if is_typed else None,
        heterozygosity_low=het * 0.7 if is_typed else None,
        heterozygosity_high=min(1.0, het * 1.3 + 0.01) if is_typed else None,
        segregating_markers=106 if is_typed else None,
        heterozygosity_segregating=het if is_typed else None,
        diagnostic_markers=52 if is_typed else None,
        inducer_share=inducer if is_typed else None,
        inducer_share_low=inducer * 0.6 if is_typed else None,
        inducer_share_high=min(1.0, inducer * 1.2 + 0.01) if is_typed else None,
        donor_share=1 - inducer if is_typed else None,
        foreign_share=0.0 if is_typed else None,
        parent_shares=((P1, share), (P2, 1 - share)) if is_typed else (),
        best_donor=f"Donor {k // 48 + 1}",
        best_donor_fit=0.998 if is_typed else None,
        inducer_segments=int(Flag.INDUCER_SEGMENT in flags),
        inducer_segment_mb=44.25 if Flag.INDUCER_SEGMENT in flags else None,
        duplicate_group="",
        contaminant="FD01-0030" if finding is Finding.MIXTURE else "",
        contaminant_share=0.3 if finding is Finding.MIXTURE else None,
        plate=f"P{k // 92 + 1}",
        well=_well(k % 92),
        source="",
        tissue="leaf",
        plants=1,
        extra=(("tray", f"T{k // 20 + 1}"), ("verdict", "looks fine")),
    )


def _reasons(verdict: Verdict, finding: Finding, het: float) -> str:
    if verdict is Verdict.PASS:
        return "A clean gamete of its donor; nothing is over its limit."
    if finding is Finding.UNRESOLVED:
        return "Called at 9 of 300 usable markers, fewer than the 12 needed. Genotype it again from new DNA."
    if verdict is Verdict.RETEST:
        return "Clean, but one criterion is not met; the flag names it. Settle it and test again."
    return f"Heterozygous at {100 * het:.1f} % of its markers, limit 5 %; a {finding} explains it. Take it out."


def _with_copies(lines: tuple[LineRow, ...]) -> tuple[LineRow, ...]:
    return tuple(replace(line, duplicate_group="copy 1") if Flag.DUPLICATE in line.flags else line for line in lines)


def _well(place: int) -> str:
    return f"{'ABCDEFGH'[place // 12]}{place % 12 + 1:02d}"


def _markers(n_markers: int, rng: np.random.Generator) -> tuple[MarkerRow, ...]:
    rows = []
    for k in range(n_markers):
        chrom = k * N_CHROMOSOMES // n_markers + 1
        within = k % max(1, n_markers // N_CHROMOSOMES)
        cm = round(within * (200 - 9 * chrom) / max(1, n_markers // N_CHROMOSOMES) + float(rng.uniform(0, 2)), 2)
        is_bad = k in {5, 17}
        rows.append(
            MarkerRow(
                marker=f"m{k}" if k != 5 else "m<5>",
                chrom=str(chrom),
                pos=int(cm * 1_100_000) + 1,
                cm=cm,
                call_rate=0.97,
                heterozygosity=0.9 if is_bad else 0.01,
                usable=not is_bad,
                reason="heterozygous in nearly every inbred" if is_bad else "",
                error_rate=None if is_bad else 0.0012,
            )
        )
    return (
        *rows,
        MarkerRow(
            marker="unplaced",
            chrom="",
            pos=None,
            cm=None,
            call_rate=float("nan"),
            heterozygosity=None,
            usable=True,
            reason="",
            error_rate=None,
        ),
    )


def _tracks(lines: tuple[LineRow, ...], markers: tuple[MarkerRow, ...], rng: np.random.Generator) -> tuple[Track, ...]:
    index = np.array([k for k, row in enumerate(markers) if row.usable and row.cm is not None], dtype=np.int64)
    is_informative = rng.random(len(index)) < 0.5
    is_informative[len(index) // 20 * 9 : len(index) // 20 * 10] = False
    return tuple(_track(line, index, is_informative, rng) for line in lines if line.call_rate is not None)


def _track(line: LineRow, index: np.ndarray, is_informative: np.ndarray, rng: np.random.Generator) -> Track:
    n = len(index)
    strand = (np.cumsum(rng.random(n) < 16 / n) % 2).astype(np.int16)
    call = (2 * strand).astype(np.int8)
    copies = np.zeros(n, dtype=np.int8)
    is_foreign = np.zeros(n, dtype=bool)
    if line.finding is Finding.HYBRID:
        call[is_informative & (rng.random(n) < 0.7)] = 1
        copies[:] = 1
    elif line.finding is Finding.SELFED_HYBRID:
        copies[:] = np.cumsum(rng.random(n) < 16 / n) % 3
        call[copies == 1] = 1
    elif line.finding is Finding.SELFED_DONOR:
        call[np.cumsum(rng.random(n) < 16 / n) % 2 == 1] = 1
        strand[:] = -1
    elif line.finding is Finding.OUTCROSS:
        is_foreign[rng.random(n) < 0.4] = True
        call[is_foreign] = 1
    elif Flag.INDUCER_SEGMENT in line.flags:
        copies[n // 3 : n // 3 + 8] = 2
        copies[n // 2 : n // 2 + 6] = 1
    call[rng.random(n) < 0.02] = -1
    return Track(
        sample=line.sample,
        strands=(P1, P2),
        marker_index=index,
        strand=strand,
        copies_of_inducer=copies,
        call=call,
        is_foreign=is_foreign,
        is_informative=is_informative,
    )


def _donors(lines: tuple[LineRow, ...]) -> tuple[DonorRow, ...]:
    groups: dict[tuple[str, str], list[LineRow]] = {}
    for line in lines:
        groups.setdefault((line.donor, line.stage), []).append(line)
    return tuple(_donor(donor, stage, members) for (donor, stage), members in groups.items())


def _donor(donor: str, stage: str, members: list[LineRow]) -> DonorRow:
    failed = sum(line.verdict is Verdict.FAIL for line in members)
    wrong = failed / len(members)
    return DonorRow(
        donor=donor,
        inducer=INDUCER,
        stage=stage,
        lines=len(members),
        passed=sum(line.verdict is Verdict.PASS for line in members),
        failed=failed,
        retest=sum(line.verdict is Verdict.RETEST for line in members),
        diagnostic_markers=52 if stage == "D1" else 4,
        segregating_markers=106,
        wrong_share=wrong,
        wrong_share_low=wrong / 2,
        wrong_share_high=min(1.0, wrong * 1.5 + 0.03),
        hybrid_share=wrong / 3 if stage == "D1" else None,
        hybrid_share_low=wrong / 6 if stage == "D1" else None,
        hybrid_share_high=min(1.0, wrong / 2 + 0.04) if stage == "D1" else None,
        smallest_visible_segment_cm=31.4 if stage == "D1" else None,
        advice="Add markers for this cross." if stage == "haploid" else "",
        basis="inferred from the lines" if stage == "haploid" else "typed parents",
    )


def _references() -> tuple[ReferenceRow, ...]:
    return (
        ReferenceRow(sample=P1, role="parent", call_rate=0.99, heterozygosity=0.001, agrees=Answer.YES, reason=""),
        ReferenceRow(
            sample=P2,
            role="parent",
            call_rate=0.98,
            heterozygosity=0.002,
            agrees=Answer.NO,
            reason="It differs from its offspring at 31 % of markers, limit 5 %.",
        ),
        ReferenceRow(
            sample=INDUCER,
            role="inducer",
            call_rate=0.97,
            heterozygosity=None,
            agrees=Answer.CANNOT_SAY,
            reason="No line carries its alleles.",
        ),
    )


def _account() -> tuple[AccountRow, ...]:
    row = {"by": "all", "group": ""}
    return (
        AccountRow(**row, measure="wrong_lines", count=9, of=52, rate=9 / 52, low=0.094, high=0.297),
        AccountRow(**row, measure="putative_haploid_rate", count=1234567, of=12345678, rate=0.1, low=0.09, high=0.11),
        AccountRow(**row, measure="doubling_success", count=30, of=None, rate=0.21, low=0.15, high=0.29),
        AccountRow(by="tray", group="T<1>", measure="wrong_lines", count=3, of=20, rate=0.15, low=None, high=None),
        AccountRow(
            by="tray",
            group="T2",
            measure="a_new_measure",
            count=None,
            of=None,
            rate=None,
            low=None,
            high=None,
        ),
    )


def _segments(lines: tuple[LineRow, ...]) -> tuple[SegmentRow, ...]:
    return tuple(
        SegmentRow(
            sample=line.sample,
            chrom="4",
            start_bp=20_000_001,
            end_bp=64_250_001,
            start_cm=31.5,
            end_cm=62.25,
            origin="inducer",
            copies=2,
            markers=8,
            confidence=0.99999,
        )
        for line in lines
        if Flag.INDUCER_SEGMENT in line.flags
    )


def _identity(lines: tuple[LineRow, ...]) -> tuple[IdentityRow, ...]:
    copied = [line.sample for line in lines if line.duplicate_group]
    rows = [_pair(*copied, "none", Answer.YES, 0.998)] if len(copied) == 2 else []
    if len(lines) > 24:
        a, b = lines[15].sample, lines[23].sample
        rows += [
            _pair(a, "H-15", "source", Answer.NO, 0.51, b),
            _pair(b, "H-23", "source", Answer.NO, 0.49, a),
            _pair(lines[16].sample, lines[24].sample, "line", Answer.NO, 0.52),
            _pair(lines[17].sample, "K<1>", "known", Answer.YES, 0.999),
            _pair(lines[18].sample, "H-18", "source", Answer.CANNOT_SAY, None),
            _pair(lines[19].sample, "H-19", "source", Answer.NO, 0.5, "FD01-0040"),
        ]
    return tuple(rows)


def _pair(
    one: str, other: str, declared: str, same: Answer, agreement: float | None, suggestion: str = ""
) -> IdentityRow:
    return IdentityRow(
        sample=one,
        other_sample=other,
        declared=declared,
        same_genotype=same,
        agreement=agreement,
        compared_markers=740 if agreement is not None else 12,
        log_odds=float("inf") if same is Answer.YES else -122.5,
        suggestion=suggestion,
    )


def _plates(lines: tuple[LineRow, ...]) -> tuple[tuple[PlateRow, ...], tuple[WellRow, ...]]:
    wells = [
        WellRow(
            plate=line.plate,
            well=line.well,
            sample=line.sample,
            role="line",
            call_rate=line.call_rate,
            contaminant=line.contaminant,
            contaminant_share=line.contaminant_share,
            verdict=str(line.verdict),
            finding=str(line.finding),
        )
        for line in lines
    ]
    names = list(dict.fromkeys(line.plate for line in lines))
    for name in names:
        wells += _other_wells(name, is_dirty=name == "P1")
    plates = tuple(
        PlateRow(
            plate=name,
            wells=sum(well.plate == name for well in wells),
            blanks=2,
            dirty_blanks=int(name == "P1"),
            leaking_wells=int(name == "P1"),
            turned=(Answer.NO, Answer.YES, Answer.CANNOT_SAY)[k % 3],
            advice="Repeat the wells beside the dirty blank." if name == "P1" else "",
            controls=1,
            wrong_controls=int(name == "P2"),
        )
        for k, name in enumerate(names)
    )
    return plates, tuple(wells)


def _other_wells(plate: str, *, is_dirty: bool) -> list[WellRow]:
    row = {"plate": plate, "contaminant_share": None, "verdict": "", "finding": ""}
    return [
        WellRow(**row, well="H09", sample=f"blank {plate} 1", role="blank", call_rate=0.01, contaminant=""),
        WellRow(
            **row,
            well="H10",
            sample=f"blank {plate} 2",
            role="blank",
            call_rate=0.42 if is_dirty else None,
            contaminant="FD01-0047" if is_dirty else "",
        ),
        WellRow(**row, well="H11", sample=f"control {plate}", role="control", call_rate=0.99, contaminant=""),
        WellRow(**row, well="H12", sample=f"{P1} {plate}", role="parent", call_rate=0.99, contaminant=""),
    ]
