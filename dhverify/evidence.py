"""All that the rooms below found for one line, gathered for the criteria."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import inf
from typing import Final

from dhverify.outcome import Answer, Finding, Flag, SegmentRow
from dhverify.samples import Sample


@dataclass(frozen=True, kw_only=True)
class Share:
    """A share with its 95 % interval; None where it is not known."""

    value: float | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, kw_only=True)
class LineMeasures:
    """What was measured of a line, apart from any finding.

    ``heterozygosity_chance`` is the probability that the assay alone gives a clean line so many heterozygotes.
    """

    call_rate: float
    called_markers: int
    heterozygosity: Share
    segregating_markers: int | None
    heterozygosity_segregating: float | None
    diagnostic_markers: int | None
    inducer: Share
    donor_share: float | None
    foreign: Share
    parent_shares: tuple[tuple[str, float], ...] = ()
    heterozygosity_chance: float = 1.0

    def without_family(self) -> LineMeasures:
        """Return what was measured of the sample alone, against no donor or inducer."""
        return replace(
            NO_MEASURES,
            call_rate=self.call_rate,
            called_markers=self.called_markers,
            heterozygosity=self.heterozygosity,
            heterozygosity_chance=self.heterozygosity_chance,
        )


NO_MEASURES: Final = LineMeasures(
    call_rate=0.0,
    called_markers=0,
    heterozygosity=Share(),
    segregating_markers=None,
    heterozygosity_segregating=None,
    diagnostic_markers=None,
    inducer=Share(),
    donor_share=None,
    foreign=Share(),
)
"""Of a sample that was not measured."""


@dataclass(frozen=True, kw_only=True)
class LineEvidence:
    """Everything known of one line (or control) before the verdict.

    Attributes
    ----------
    sample
        The row of the sheet.
    is_genotyped
        Whether any genotype file holds it.
    posterior
        Probability of each finding; the expected one under ``haploid`` or ``doubled haploid``.
    expected
        The finding that the stage expects.
    finding, confidence
        The most probable finding and its probability; ``unresolved`` without one.
    detail, named
        What is known beyond the finding (which pollen, how many selfings), and the plant it names.
    duplicate_group, duplicates
        Label of the samples of one genotype that are not declared so, and the names of the others.
    undeclared_source
        The line and the seedling that it may have been grown from, where the duplicates are just these two.
    log_evidence
        Log likelihood of all that was held against it, each finding by its share.
    is_poor_sample
        Whether a clean line is best explained by DNA that errs more than the lot.
    segment_probability
        Probability that an otherwise clean line carries a segment, found or not.
    flags
        Flags raised by identity and plates.

    """

    sample: Sample
    is_genotyped: bool
    posterior: Mapping[Finding, float]
    expected: Finding
    finding: Finding
    confidence: float | None
    detail: str = ""
    named: str = ""
    measures: LineMeasures | None = None
    segments: tuple[SegmentRow, ...] = ()
    segment_probability: float = 0.0
    log_evidence: float = -inf
    is_poor_sample: bool = False
    best_donor: str = ""
    best_donor_fit: float | None = None
    contaminant: str = ""
    contaminant_share: float | None = None
    excludes_inducer: bool = True
    inducer_is_known: bool = True
    duplicate_group: str = ""
    duplicates: tuple[str, ...] = ()
    undeclared_source: tuple[str, str] | None = None
    flags: frozenset[Flag] = field(default_factory=frozenset)
    notes: tuple[str, ...] = ()
    reference_agrees: Answer = Answer.YES

    @property
    def can_show_segments(self) -> bool:
        """Whether inducer segments could be looked for: the inducer is known and markers that show it were called."""
        return self.inducer_is_known and self.measures is not None and bool(self.measures.diagnostic_markers)

    @property
    def expected_probability(self) -> float:
        """Probability of the finding that the stage expects."""
        return self.posterior.get(self.expected, 0.0)

    def out_of_place(self) -> LineEvidence:
        """Return what is left where the sample stands elsewhere than the sheet says: what is known of it alone."""
        own = self.measures
        return LineEvidence(
            sample=self.sample,
            is_genotyped=self.is_genotyped,
            posterior={},
            expected=self.expected,
            finding=Finding.UNRESOLVED,
            confidence=None,
            measures=own.without_family() if own is not None else None,
            duplicate_group=self.duplicate_group,
            duplicates=self.duplicates,
            undeclared_source=self.undeclared_source,
            flags=self.flags,
            notes=self.notes,
        )
