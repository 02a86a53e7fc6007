"""What the model assumes before it has seen the lot: error rates of the assay, and shares of the findings.

These are starting points of a learning model, not limits: with data they are replaced by what the lot shows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final


@dataclass(frozen=True, kw_only=True)
class PriorRate:
    """A rate as a beta prior: mean, weight in pseudo-observations, and where it comes from."""

    mean: float
    weight: float
    source: str


HOM_TO_HET: Final = PriorRate(
    mean=0.004,
    weight=500.0,
    source="array error below 2 % in maize (Yan et al. 2010, Mol Breeding 25:441-451)",
)
HOM_TO_OTHER_HOM: Final = PriorRate(
    mean=0.002,
    weight=500.0,
    source="sequencing error 0.70 % in maize (Wang et al. 2020, Sci Rep 10:16308); split of the error: common"
    " practice, no source",
)
DROPOUT: Final = PriorRate(mean=0.03, weight=100.0, source="common practice, no source")
READ_ERROR: Final = PriorRate(mean=0.005, weight=2000.0, source="common practice, no source")
READ_OVERDISPERSION: Final = 0.02
"""Intraclass correlation of the reads of one heterozygote (common practice, no source)."""
WRONG_LOCUS: Final = 0.002
"""Share of genotypes that reads show wrongly whatever their number (misplaced reads; common practice, no source)."""

EXPECTED_FINDINGS: Final = "expected"
"""Key of the expected finding in the priors below."""

HAPLOID_PRIOR: Final[Mapping[str, float]] = MappingProxyType(
    {
        EXPECTED_FINDINGS: 0.80,
        "hybrid": 0.11,
        "selfed hybrid": 0.002,
        "donor": 0.004,
        "selfed donor": 0.02,
        "parent": 0.0015,
        "outcross": 0.015,
        "inducer": 0.004,
        "other donor": 0.012,
        "mixture": 0.02,
        "unresolved": 0.01,
    }
)
"""Shares of the findings at stages haploid and D0. A sorter with a colour marker lets hybrids through, 9 to 50 %
of what it calls haploid (computed from sorting error rates); the rest common practice, no source."""

D1_PRIOR: Final[Mapping[str, float]] = MappingProxyType(
    {
        EXPECTED_FINDINGS: 0.86,
        "hybrid": 0.012,
        "selfed hybrid": 0.03,
        "donor": 0.004,
        "selfed donor": 0.02,
        "parent": 0.0015,
        "outcross": 0.015,
        "inducer": 0.004,
        "other donor": 0.02,
        "mixture": 0.02,
        "unresolved": 0.012,
    }
)
"""Shares of the findings at stage D1: 25 of 615 released tropical lines had purity or label problems (Qu et al.
2022, Plants 11:3092); how they divide is common practice, no source."""

PRIOR_WEIGHT: Final = 30.0
"""Lines that the shipped shares of the findings count for, against the lot's own."""

SEGMENT_LINE_SHARE: Final = 0.05
"""Share of clean lines that keep a stretch of inducer (reported: 1 of 42, Zhao et al. 2013, Plant Physiol
163:721-731; 7.37 %, Qiu et al. 2014, Curr Plant Biol 1:83-90)."""
SEGMENT_GENOME_SHARE: Final = 0.012
"""Expected share of the genome in such stretches within the model of a line that has one."""
SEGMENT_MEAN_CM: Final = 20.0
"""Mean length of such a stretch (common practice, no source)."""
