"""What a check found, as plain records: one class per table of the results folder.

The field order of each record is the column order of its table. Unknown or not applicable is None.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from dhverify.limits import Limits


class Verdict(StrEnum):
    """What happens to a line."""

    PASS = "pass"  # noqa: S105
    FAIL = "fail"
    RETEST = "retest"


class Finding(StrEnum):
    """What the genotype of a sample says it is."""

    HAPLOID = "haploid"
    DOUBLED_HAPLOID = "doubled haploid"
    HYBRID = "hybrid"
    SELFED_HYBRID = "selfed hybrid"
    DONOR = "donor"
    SELFED_DONOR = "selfed donor"
    PARENT = "parent"
    OUTCROSS = "outcross"
    INDUCER = "inducer"
    OTHER_DONOR = "other donor"
    MIXTURE = "mixture"
    UNRESOLVED = "unresolved"


class Flag(StrEnum):
    """Criteria not met, or worth knowing."""

    NOT_GENOTYPED = "not genotyped"
    LOW_CALL_RATE = "low call rate"
    FEW_DIAGNOSTIC_MARKERS = "few diagnostic markers"
    HETEROZYGOSITY = "heterozygosity"
    INDUCER_ALLELES = "inducer alleles"
    INDUCER_SEGMENT = "inducer segment"
    FOREIGN_ALLELES = "foreign alleles"
    OTHER_DONOR = "other donor"
    DUPLICATE = "duplicate"
    SOURCE_MISMATCH = "source mismatch"
    LINE_MISMATCH = "line mismatch"
    MIXTURE = "mixture"
    WRONG_TISSUE = "wrong tissue"
    NEAR_A_DIRTY_BLANK = "near a dirty blank"
    TURNED_PLATE = "turned plate"
    WRONG_CONTROL = "wrong control"
    REFERENCE_IN_DOUBT = "reference in doubt"


class Answer(StrEnum):
    """An answer that knows when it does not know."""

    YES = "yes"
    NO = "no"
    CANNOT_SAY = "cannot say"


@dataclass(frozen=True, kw_only=True)
class LineRow:
    """A row of ``lines.csv``; ``extra`` (column, text) pairs follow the named columns."""

    sample: str
    line: str
    stage: str
    donor: str
    inducer: str
    verdict: Verdict
    finding: Finding
    confidence: float | None
    flags: tuple[Flag, ...]
    reasons: str
    call_rate: float | None
    called_markers: int
    heterozygosity: float | None
    heterozygosity_low: float | None
    heterozygosity_high: float | None
    segregating_markers: int | None
    heterozygosity_segregating: float | None
    diagnostic_markers: int | None
    inducer_share: float | None
    inducer_share_low: float | None
    inducer_share_high: float | None
    donor_share: float | None
    foreign_share: float | None
    parent_shares: tuple[tuple[str, float], ...]
    best_donor: str
    best_donor_fit: float | None
    inducer_segments: int | None
    inducer_segment_mb: float | None
    duplicate_group: str
    contaminant: str
    contaminant_share: float | None
    plate: str
    well: str
    source: str
    tissue: str
    plants: int
    extra: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, kw_only=True)
class DonorRow:
    """A row of ``donors.csv``: a donor x inducer x stage."""

    donor: str
    inducer: str
    stage: str
    lines: int
    passed: int
    failed: int
    retest: int
    diagnostic_markers: int | None
    segregating_markers: int | None
    wrong_share: float | None
    wrong_share_low: float | None
    wrong_share_high: float | None
    hybrid_share: float | None
    hybrid_share_low: float | None
    hybrid_share_high: float | None
    smallest_visible_segment_cm: float | None
    advice: str = ""
    basis: str = ""


@dataclass(frozen=True, kw_only=True)
class ReferenceRow:
    """A row of ``references.csv``."""

    sample: str
    role: str
    call_rate: float | None
    heterozygosity: float | None
    agrees: Answer
    reason: str


@dataclass(frozen=True, kw_only=True)
class AccountRow:
    """A row of ``account.csv``: a measure of a group."""

    by: str
    group: str
    measure: str
    count: float | None
    of: float | None
    rate: float | None
    low: float | None
    high: float | None
    shrunk_rate: float | None = None
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class MarkerRow:
    """A row of ``markers.csv``."""

    marker: str
    chrom: str
    pos: int | None
    cm: float | None
    call_rate: float | None
    heterozygosity: float | None
    usable: bool
    reason: str
    error_rate: float | None


@dataclass(frozen=True, kw_only=True)
class SegmentRow:
    """A row of ``segments.csv``: a segment in a line of the expected finding."""

    sample: str
    chrom: str
    start_bp: int | None
    end_bp: int | None
    start_cm: float | None
    end_cm: float | None
    origin: str
    copies: int
    markers: int
    confidence: float


@dataclass(frozen=True, kw_only=True)
class IdentityRow:
    """A row of ``identity.csv``: two samples that are, or should be, one genotype."""

    sample: str
    other_sample: str
    declared: str
    same_genotype: Answer
    agreement: float | None
    compared_markers: int
    log_odds: float | None
    suggestion: str = ""


@dataclass(frozen=True, kw_only=True)
class PlateRow:
    """A row of ``plates.csv``."""

    plate: str
    wells: int
    blanks: int
    dirty_blanks: int
    leaking_wells: int
    turned: Answer
    advice: str
    controls: int
    wrong_controls: int


@dataclass(frozen=True, kw_only=True)
class WellRow:
    """A row of ``wells.csv``: a row of the sheet that has a well."""

    plate: str
    well: str
    sample: str
    role: str
    call_rate: float | None
    contaminant: str
    contaminant_share: float | None
    verdict: str
    finding: str


@dataclass(frozen=True, kw_only=True)
class AssayRates:
    """Error rates of the assay as learnt from the lot (per call, shares)."""

    hom_to_het: float
    hom_to_other_hom: float
    dropout: float
    missing: float
    read_error: float | None
    source: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Track:
    """What a line shows along the map, for pictures; one entry per usable placed marker.

    ``strand`` is the most probable state: for a haploid or DH line the donor strand (index into ``strands``);
    negative where the line was not decoded. ``call`` is 0, 1, 2 or -1.
    """

    sample: str
    strands: tuple[str, ...]
    marker_index: NDArray[np.int64]
    strand: NDArray[np.int16]
    copies_of_inducer: NDArray[np.int8]
    call: NDArray[np.int8]
    is_foreign: NDArray[np.bool_]
    is_informative: NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True, eq=False)
class CheckOutcome:
    """Everything a check found; the report and the tables see only this.

    Attributes
    ----------
    lines, donors, references, account, markers, segments, identity, plates, wells
        Rows of the tables.
    limits, rates, priors
        What decided, and what was learnt.
    map_description, evidence_used
        Sentences: which map, and whether calls or reads.
    notes, warnings
        What was taken how; what a user should look at.
    inputs
        (file, SHA-256) of each input.
    expected_wrong_passes, expected_wrong_fails
        From the posteriors of the lines.
    tracks
        For pictures.
    strata
        Sheet columns that the account is repeated for.
    stories
        What may have happened to labels and plates, with the evidence.
    group_advice
        What stands out in the groups of the account.
    exchanges
        Pairs of labels that hold each other's DNA, as the stories tell.

    """

    lines: tuple[LineRow, ...]
    donors: tuple[DonorRow, ...]
    references: tuple[ReferenceRow, ...]
    account: tuple[AccountRow, ...]
    markers: tuple[MarkerRow, ...]
    segments: tuple[SegmentRow, ...]
    identity: tuple[IdentityRow, ...]
    plates: tuple[PlateRow, ...]
    wells: tuple[WellRow, ...]
    limits: Limits
    rates: AssayRates
    priors: tuple[tuple[str, tuple[tuple[str, float], ...]], ...]
    map_description: str
    evidence_used: str
    notes: tuple[str, ...]
    warnings: tuple[str, ...]
    inputs: tuple[tuple[str, str], ...]
    expected_wrong_passes: float
    expected_wrong_fails: float
    extra_columns: tuple[str, ...] = ()
    tracks: tuple[Track, ...] = field(default=(), repr=False)
    strata: tuple[str, ...] = ()
    stories: tuple[str, ...] = ()
    group_advice: tuple[str, ...] = ()
    exchanges: tuple[tuple[str, str], ...] = ()
