"""What a choice of markers found, as plain records: one class per table of its folder.

The field order of each record is the column order of its table. Unknown or not applicable is None.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from dhverify.design.marker_set_request import MarkerSetRequest


@dataclass(frozen=True, kw_only=True)
class ChosenRow:
    """A row of ``chosen.csv``: a chosen marker; ``helps`` names the crosses that it tells something in."""

    marker: str
    chrom: str
    pos: int | None
    order: int
    crosses: int
    cm: float | None
    helps: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class CrossRow:
    """A row of ``crosses.csv``: a donor x inducer."""

    donor: str
    inducer: str
    diagnostic: int
    segregating: int
    miss: float | None
    false_fail: float | None
    segment_power: float | None
    met: bool
    finding: str
    miss_se: float | None
    false_fail_se: float | None
    miss_spare: float | None
    false_fail_spare: float | None
    sisters_miss: float | None
    sisters_false_fail: float | None
    best_miss: float | None
    best_false_fail: float | None
    best_segment_power: float | None
    candidate_diagnostic: int
    candidate_segregating: int
    reason: str


@dataclass(frozen=True, kw_only=True)
class RetestRow:
    """A row of ``retests.csv``: so many further markers, and the share of undecided lines that they settle."""

    size: int
    marker: str
    settled: float
    lines: int
    share: float
    samples: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class PlacedMarker:
    """A candidate on the map, for the picture."""

    chrom: str
    cm: float
    marker: str
    is_chosen: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class MarkerSetOutcome:
    """Everything that a choice of markers found.

    Attributes
    ----------
    chosen, crosses, retests
        Rows of the tables.
    lower_bound, lower_bound_proof
        No set that meets the limits has fewer markers; how that was proved.
    request
        What was asked, with the error rates in force.
    n_candidates
        Markers that could have been chosen.
    map_description
        Which map.
    warnings
        What a user should look at, a sentence each.
    inputs
        (file, SHA-256) of each input.
    picture
        Candidates with a place on the map.
    rates_source
        Where the error rates come from.
    notes
        What is to be said of the lines that an earlier check left undecided.

    """

    chosen: tuple[ChosenRow, ...]
    crosses: tuple[CrossRow, ...]
    lower_bound: int
    lower_bound_proof: str
    request: MarkerSetRequest
    n_candidates: int
    map_description: str
    warnings: tuple[str, ...]
    inputs: tuple[tuple[str, str], ...]
    retests: tuple[RetestRow, ...] = ()
    picture: tuple[PlacedMarker, ...] = field(default=(), repr=False)
    rates_source: str = "as given, or as shipped"
    notes: tuple[str, ...] = ()

    @property
    def n_met(self) -> int:
        """Crosses whose goal is met."""
        return sum(row.met for row in self.crosses)
