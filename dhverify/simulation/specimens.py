"""What stands behind a label: the DNA of a sample and the truth about it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dhverify.simulation.meiosis import Plant

CLEAN: Final = ("haploid", "doubled haploid")
MIXTURE_FROM: Final = 0.1
"""From this share of another sample's DNA on, the truth calls a sample a mixture."""

BLANK_YIELD: Final = 0.02
"""Share of markers that a well without DNA is called at."""


@dataclass(frozen=True, kw_only=True)
class Segment:
    """A stretch of inducer DNA in a line; 1-based, both ends included."""

    chrom: str
    start_bp: int
    end_bp: int
    copies: int

    def __str__(self) -> str:
        return f"{self.chrom}:{self.start_bp}-{self.end_bp}:{self.copies}"


@dataclass(frozen=True, kw_only=True)
class Label:
    """What the sheet says of a sample; an empty text is an empty cell."""

    sample: str
    role: str
    stage: str = ""
    donor: str = ""
    inducer: str = ""
    pedigree: str = ""
    line: str = ""
    source: str = ""
    tissue: str = ""
    plants: int = 1
    expected: str = ""
    sorter: str = ""
    ear: str = ""
    season: str = ""


@dataclass(frozen=True, kw_only=True, eq=False)
class Specimen:
    """DNA, and what it really is.

    Attributes
    ----------
    fraction
        float32, shape (n_markers,). Share of the second allele in the DNA.
    dna_yield
        1 for good DNA; below it, the share of markers that are called at all.
    finding
        What it is; empty for a blank.
    donor
        The donor that it really comes from; empty if none.
    made_as
        Name of the sample that the DNA was meant for.
    genotype
        The same text for samples that are one genotype.
    copy_of, segments, contaminant, contaminant_share, pollen, case
        As in the truth table.
    plant
        The plant that the DNA is of, for what descends from it; None for a blank.
    inducer_share
        Share of the genome (by map distance) that comes from inducers; one copy counts half.
    parent_shares
        (name, share) of the inbred parents, likewise.

    """

    fraction: NDArray[np.float32]
    dna_yield: float = 1.0
    finding: str
    donor: str = ""
    made_as: str
    genotype: str
    copy_of: str = ""
    segments: tuple[Segment, ...] = ()
    contaminant: str = ""
    contaminant_share: float | None = None
    pollen: str = ""
    case: str = ""
    plant: Plant | None = None
    inducer_share: float | None = None
    parent_shares: tuple[tuple[str, float], ...] = ()

    @property
    def is_clean(self) -> bool:
        """Whether it is an ordinary clean line with good DNA."""
        return self.finding in CLEAN and not (self.case or self.contaminant) and self.dna_yield == 1.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Entry:
    """A row of the sheet with the DNA behind it; ``is_typed`` if it is in the genotype file.

    ``fault`` is what was planned for a line (empty: nothing; ``source``: it descends from one).
    """

    label: Label
    specimen: Specimen
    is_typed: bool = True
    fault: str = ""
    plate: str = ""
    well: str = ""

    @property
    def is_clean(self) -> bool:
        """Whether it is an ordinary clean line for which nothing else was planned."""
        return self.label.role == "line" and self.fault in ("", "source") and self.specimen.is_clean


def expected_finding(stage: str) -> str:
    """Return what a line of a stage should be.

    Examples
    --------
    >>> expected_finding("D0"), expected_finding("D1")
    ('haploid', 'doubled haploid')

    """
    return "doubled haploid" if stage == "D1" else "haploid"


def blank_dna(n_markers: int, *, made_as: str, rng: np.random.Generator) -> Specimen:
    """Nothing but noise: a few calls at random."""
    fraction = np.asarray(rng.integers(0, 3, n_markers) / 2, dtype=np.float32)
    return Specimen(
        fraction=fraction,
        dna_yield=BLANK_YIELD,
        finding="",
        made_as=made_as,
        genotype=f"nothing in {made_as}",
    )


def mixed(specimen: Specimen, other: Specimen, *, name: str, share: float, case: str) -> Specimen:
    """DNA of a specimen with a share of another's (``name``: the sample that it comes from)."""
    fraction = ((1 - share) * specimen.fraction + share * other.fraction).astype(np.float32)
    is_mixture = share >= MIXTURE_FROM
    return replace(
        specimen,
        fraction=fraction,
        finding="mixture" if is_mixture else specimen.finding,
        contaminant=name,
        contaminant_share=share,
        genotype=f"{specimen.genotype} with {other.genotype}",
        case=case,
    )


def under_label(specimen: Specimen, label: Label, *, case: str, parents: frozenset[str] = frozenset()) -> Specimen:
    """Truth about DNA that ends up under another sample's label.

    A finding is a statement about the label's donor: a clean line of another donor becomes ``other donor``,
    an inbred is a ``parent`` where it is one of ``parents``, the label's donor's own, and what else is of
    another donor fits nothing there.
    """
    if label.role != "line":
        return replace(specimen, case=case)
    finding = specimen.finding
    if specimen.dna_yield <= BLANK_YIELD or not finding:
        finding = "unresolved"
    elif specimen.finding in (*CLEAN, "other donor"):
        is_own = specimen.donor == label.donor
        finding = expected_finding(label.stage) if is_own else "other donor"
    elif specimen.finding == "parent":
        finding = "parent" if specimen.genotype in parents else "unresolved"
    elif specimen.finding not in ("inducer", "mixture") and specimen.donor != label.donor:
        finding = "unresolved"
    return replace(specimen, finding=finding, case=case)
