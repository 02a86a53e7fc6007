"""The programmes of the accuracy suite and what the judge has to reach on them.

The judge is given genotypes and a sample sheet, never the settings below.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field, replace
from typing import Any, Final

from dhverify.simulation import SEVEN_CHROMOSOMES, Distortion

IS_SHORT: Final = os.environ.get("DHVERIFY_ACCURACY", "") == "short"

FAULTS: Final = {
    "hybrid_share": 0.08,
    "donor_share": 0.015,
    "selfed_donor_share": 0.03,
    "parent_share": 0.015,
    "outcross_share": 0.03,
    "inducer_share": 0.015,
    "other_donor_share": 0.03,
    "mixture_share": 0.03,
    "unrelated_share": 0.015,
    "segment_share": 0.06,
    "failed_share": 0.01,
    "segment_high_bp": 150e6,
}
"""A quarter of the lines are not what their label says; mixtures from a tenth of another sample's DNA on; segments
up to a length that bears five diagnostic markers on an array of 1,000 often enough to count them."""

FEW_FAULTS: Final = {
    **FAULTS,
    **dict.fromkeys([name for name in FAULTS if name.endswith("_share")], 0.0),
    "hybrid_share": 0.01,
    "selfed_donor_share": 0.004,
    "outcross_share": 0.003,
    "other_donor_share": 0.003,
    "segment_share": 0.02,
}
MANY_FAULTS: Final = {**FAULTS, "hybrid_share": 0.2, "selfed_donor_share": 0.06, "outcross_share": 0.05}
PANEL_FAULTS: Final = {**FAULTS, "segment_share": 0.0}


@dataclass(frozen=True, kw_only=True)
class Targets:
    """Shares to be reached (``ece`` not exceeded); None where nothing is promised."""

    caught: float | None = None
    not_failed: float | None = None
    cause: float | None = None
    segments: float | None = None
    false_segments: float | None = None
    ece: float | None = None


ARRAY: Final = Targets(caught=0.995, not_failed=0.995, cause=0.98, segments=0.95, false_segments=0.005, ece=0.01)
NOISY: Final = Targets(caught=0.99, not_failed=0.99, cause=0.97, ece=0.015)
SNP96: Final = Targets(caught=0.985, not_failed=0.99, cause=0.97)
SNP24: Final = Targets(caught=0.995, not_failed=0.97)
NOTHING: Final = Targets()


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """A programme, its targets, and findings that cannot be told by what is typed in it (each with the reason).

    ``typed`` are the references whose genotypes the judge is given; all of them are drawn, so that the truth is
    known of each.
    """

    name: str
    settings: dict[str, Any]
    targets: Targets
    typed: tuple[str, ...] = ("parents", "donors", "inducers")
    apart: dict[str, str] = field(default_factory=dict)
    is_in_short: bool = False


def _scenario(name: str, targets: Targets, **settings: Any) -> Scenario:
    own = {key: settings.pop(key) for key in ("typed", "apart", "is_in_short") if key in settings}
    return Scenario(name=name, settings={**FAULTS, **settings}, targets=targets, **own)


READS: Final = {"platform": "reads", "depth": 2.0}
SHORT: Final = {"is_in_short": True}

SCENARIOS: Final = (
    _scenario("array, haploids", ARRAY, stage="haploid", **SHORT),
    _scenario("array, D1", ARRAY, stage="D1", **SHORT),
    _scenario("array of 20,000, D1", ARRAY, stage="D1", n_markers=20_000, n_donors=4, lines_per_donor=40),
    _scenario("noisy array, D1", NOISY, stage="D1", error_rate=0.03, dropout=0.1, missing=0.25, **SHORT),
    _scenario("noisy array, haploids", NOISY, stage="haploid", error_rate=0.03, dropout=0.1, missing=0.25),
    _scenario("reads 2x, D1", ARRAY, stage="D1", **READS, **SHORT),
    _scenario("reads 2x, haploids", ARRAY, stage="haploid", **READS),
    _scenario("reads 0.5x, haploids", NOTHING, stage="haploid", platform="reads", depth=0.5),
    _scenario("reads 0.5x, D1", NOTHING, stage="D1", platform="reads", depth=0.5),
    _scenario("96 SNPs, D1", SNP96, stage="D1", n_markers=96, **PANEL_FAULTS, **SHORT),
    _scenario("96 SNPs, haploids", NOTHING, stage="haploid", n_markers=96, **PANEL_FAULTS),
    _scenario("24 SNPs, haploids", SNP24, stage="haploid", n_markers=24, **PANEL_FAULTS, **SHORT),
    _scenario("F2 donors, haploids", ARRAY, stage="haploid", donor_type="F2"),
    _scenario("BC1 donors, D1", ARRAY, stage="D1", donor_type="BC1"),
    _scenario("three-way donors, D1", ARRAY, stage="D1", donor_type="three-way"),
    _scenario("four-way donors, haploids", ARRAY, stage="haploid", donor_type="four-way", **SHORT),
    _scenario("hybrid inducer, D1", ARRAY, stage="D1", inducer_type="hybrid"),
    _scenario("hybrid inducer, haploids", ARRAY, stage="haploid", inducer_type="hybrid", **SHORT),
    _scenario("no parents typed, D1", ARRAY, stage="D1", typed=("inducers",), **SHORT),
    _scenario("no parents typed, haploids", ARRAY, stage="haploid", typed=("inducers",)),
    _scenario("only donors typed, haploids", ARRAY, stage="haploid", typed=("donors",)),
    _scenario("only donors typed, D1", ARRAY, stage="D1", typed=("donors",), **SHORT),
    _scenario("no inducer typed, haploids", ARRAY, stage="haploid", typed=("parents", "donors"), **SHORT),
    _scenario("no inducer typed, D1", ARRAY, stage="D1", typed=("parents", "donors")),
    _scenario("nothing typed, haploids", NOTHING, stage="haploid", typed=()),
    _scenario("many small families", ARRAY, stage="haploid", n_donors=50, lines_per_donor=6),
    _scenario("donors share a parent, D1", ARRAY, stage="D1", parent_sharing="common"),
    _scenario("donors in a chain, haploids", ARRAY, stage="haploid", parent_sharing="chain"),
    _scenario("donors share an untyped parent, D1", ARRAY, stage="D1", parent_sharing="common", typed=("inducers",)),
    _scenario(
        "only donors typed, in a chain, haploids", ARRAY, stage="haploid", parent_sharing="chain", typed=("donors",)
    ),
    _scenario("impure parents, D1", ARRAY, stage="D1", parent_impurity=0.04),
    _scenario("interference, haploids", ARRAY, stage="haploid", interference=4.0),
    _scenario("distortion, haploids", ARRAY, stage="haploid", distortions=(Distortion(chrom="3", cm=60.0, share=0.9),)),
    _scenario("seven chromosomes, D1", ARRAY, stage="D1", chromosomes=SEVEN_CHROMOSOMES),
    _scenario(
        "unplaced and bad markers, D1",
        ARRAY,
        stage="D1",
        unplaced_share=0.1,
        misplaced_markers=0.02,
        all_het_markers=0.01,
        mostly_missing_markers=0.01,
    ),
    _scenario("low polymorphism, haploids", ARRAY, stage="haploid", polymorphism=0.12),
    _scenario("both stages", ARRAY, stage="both", n_donors=4, lines_per_donor=40, **SHORT),
    _scenario("2 % bad lines, D1", ARRAY, stage="D1", **FEW_FAULTS),
    _scenario("40 % bad lines, haploids", ARRAY, stage="haploid", **MANY_FAULTS),
)

FULL_SIZE: Final = {"n_donors": 6, "lines_per_donor": 50}
SHORT_SIZE: Final = {"n_donors": 4, "lines_per_donor": 40}


def scenarios(*, is_short: bool = IS_SHORT) -> tuple[Scenario, ...]:
    """All scenarios in full size, or the short form's in small size."""
    size = SHORT_SIZE if is_short else FULL_SIZE
    chosen = [s for s in SCENARIOS if s.is_in_short or not is_short]
    return tuple(replace(s, settings={**size, **s.settings}) for s in chosen)
