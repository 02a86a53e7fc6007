"""The lines of a programme as they are counted: replicates of one line once."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

from dhverify.errors import Defect, InputError
from dhverify.outcome import Finding, Flag
from dhverify.samples import Sample, SampleSheet, Stage

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from dhverify.evidence import LineEvidence

UNDECIDED = frozenset({Finding.MIXTURE, Finding.UNRESOLVED})
"""Findings that say nothing of what the line itself is."""


@dataclass(frozen=True, kw_only=True, eq=False)
class CountedLine:
    """A line, its replicates taken together.

    Attributes
    ----------
    samples
        Its samples at one stage, in sheet order.
    finding
        The most probable finding of those that agree.
    is_decided
        Whether that is anything but ``mixture`` and ``unresolved``, and the line is settled.
    wrong, hybrid
        Probability that it is not what its stage says, and that it is a hybrid, given that it is no mixture and
        can be resolved; 0 where it is not decided.
    is_haploid, haploid
        Whether it is a clean gamete, of its own donor or of another under a wrong label; and the probability of that.
    is_expected
        Whether the finding is the one that its stage expects.
    is_duplicate
        Whether it is in a duplicate group.
    has_inducer_segment
        Whether it is of the expected finding with an inducer segment; None where none could be looked for.
    is_settled
        Whether a sample of it stands where the sheet says. If not, what was found may be of any other line.

    """

    samples: tuple[Sample, ...]
    finding: Finding
    is_decided: bool
    wrong: float
    is_haploid: bool
    haploid: float
    hybrid: float
    is_expected: bool
    is_duplicate: bool
    has_inducer_segment: bool | None
    is_settled: bool

    @property
    def sample(self) -> Sample:
        """The first of its samples."""
        return self.samples[0]

    @property
    def stage(self) -> Stage | None:
        """Its stage."""
        return self.sample.stage


def counted_lines(sheet: SampleSheet, evidence: Mapping[str, LineEvidence]) -> tuple[CountedLine, ...]:
    """Gather the lines of a sheet, in the order of their first samples.

    Parameters
    ----------
    sheet
        The sample sheet.
    evidence
        By sample name; a line without any is taken as not genotyped.

    """
    members: dict[tuple[str, Stage | None], list[Sample]] = {}
    for sample in sheet.lines:
        key = f"line {sample.line}" if sample.line else f"sample {sample.name}"
        members.setdefault((key, sample.stage), []).append(sample)
    return tuple(_counted(tuple(samples), evidence) for samples in members.values())


def _counted(samples: tuple[Sample, ...], evidence: Mapping[str, LineEvidence]) -> CountedLine:
    known = [evidence[s.name] for s in samples if s.name in evidence]
    settled = [e for e in known if Flag.TURNED_PLATE not in e.flags]
    is_settled = bool(settled) or not known
    known = settled or known
    told = _told(known)
    means = _mean_posterior(told)
    decided = {finding: p for finding, p in means.items() if finding not in UNDECIDED}
    total = sum(decided.values())
    is_decided = is_settled and bool(told) and told[0].finding not in UNDECIDED and total > 0
    finding = told[0].finding if told else Finding.UNRESOLVED
    if is_decided:
        finding = max(decided, key=lambda f: decided[f])
    expected = told[0].expected if told else Finding.UNRESOLVED
    is_expected = is_decided and finding is expected
    return CountedLine(
        samples=samples,
        finding=finding,
        is_decided=is_decided,
        wrong=1 - decided.get(expected, 0.0) / total if is_decided else 0.0,
        is_haploid=is_decided and finding in {expected, Finding.OTHER_DONOR},
        haploid=(decided.get(expected, 0.0) + decided.get(Finding.OTHER_DONOR, 0.0)) / total if is_decided else 0.0,
        hybrid=decided.get(Finding.HYBRID, 0.0) / total if is_decided else 0.0,
        is_duplicate=any(e.duplicate_group or Flag.DUPLICATE in e.flags for e in known),
        has_inducer_segment=_has_segment(told) if is_expected else False,
        is_expected=is_expected,
        is_settled=is_settled,
    )


def _told(known: list[LineEvidence]) -> list[LineEvidence]:
    """Replicates that speak for the line: decided ones that agree with the others, else what there is."""
    agreeing = [e for e in known if Flag.LINE_MISMATCH not in e.flags] or known
    return [e for e in agreeing if e.finding not in UNDECIDED] or agreeing


def _mean_posterior(told: Iterable[LineEvidence]) -> dict[Finding, float]:
    total: dict[Finding, float] = {}
    told = list(told)
    for e in told:
        own = e.posterior or {e.finding: 1.0}
        for finding, p in own.items():
            total[finding] = total.get(finding, 0.0) + p / len(told)
    return total


def group_value(sample: Sample, column: str) -> str:
    """What a sample has in a column of the sheet; empty where it has nothing."""
    extra = dict(sample.extra)
    if column in extra:
        return extra[column]
    return str(getattr(sample, _field(column), "") or "")


def check_columns(sheet: SampleSheet, columns: Iterable[str]) -> None:
    """Refuse a column to group by that the sheet does not have.

    Raises
    ------
    InputError
        Naming every such column.

    """
    able = [*sheet.extra_columns, *(_SHEET_NAMES.get(f.name, f.name) for f in fields(Sample))]
    able = [name for name in dict.fromkeys(able) if name not in {"extra", "row"}]
    defects = [
        Defect(
            where=f"column {column}",
            found="no such column in the sheet",
            expected="one of " + ", ".join(able),
        )
        for column in columns
        if column not in able
    ]
    if defects:
        raise InputError("--by", defects)


_SHEET_NAMES = {"name": "sample"}


def _field(column: str) -> str:
    return "name" if column == "sample" else column


def _has_segment(samples: Sequence[LineEvidence]) -> bool | None:
    """Whether any sample of a clean line shows an inducer segment; None where none of them could."""
    if not any(evidence.can_show_segments for evidence in samples):
        return None
    return any(segment.origin == "inducer" for evidence in samples for segment in evidence.segments)
