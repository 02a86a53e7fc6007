"""Settings of an invented programme: every rate, size and choice, checked together."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Any, Final

from dhverify.errors import Defect, InputError
from dhverify.simulation.genome import MAIZE_CHROMOSOMES, Chromosome

if TYPE_CHECKING:
    from collections.abc import Iterator

STAGES_OF: Final = {
    "haploid": ("haploid",),
    "D0": ("D0",),
    "D1": ("D1",),
    "both": ("haploid", "D1"),
    "all": ("haploid", "D0", "D1"),
}
"""Stages that a programme samples, by the setting ``stage``."""

DONOR_TYPES: Final = ("F1", "F2", "BC1", "BC2", "three-way", "four-way", "five-way")
TYPED: Final = ("parents", "donors", "inducers")

FAULT_SHARES: Final = (
    "hybrid_share",
    "unselfed_hybrid_share",
    "donor_share",
    "selfed_donor_share",
    "parent_share",
    "outcross_share",
    "inducer_share",
    "other_donor_share",
    "mixture_share",
    "unrelated_share",
    "segment_share",
    "duplicate_share",
    "failed_share",
    "wrong_tissue_share",
)
"""Shares of the lines of a stage; the rest are clean lines of their donor."""


@dataclass(frozen=True, kw_only=True)
class Distortion:
    """A place where one of a donor's two strands is passed on more often than the other.

    ``share`` is the share of gametes that carry the favoured strand, of a donor with two different founders
    there; which founder is favoured is drawn once for the programme.
    """

    chrom: str
    cm: float
    share: float


def _number(default: float, low: float, high: float) -> Any:
    return field(default=default, metadata={"low": low, "high": high, "whole": False})


def _share(default: float) -> Any:
    return _number(default, 0.0, 1.0)


def _whole(default: int, low: int, high: int) -> Any:
    return field(default=default, metadata={"low": low, "high": high, "whole": True})


def _choice(default: str, *choices: str) -> Any:
    return field(default=default, metadata={"choices": choices})


@dataclass(frozen=True, kw_only=True)
class SimulationSettings:
    """What an invented programme is made of.

    Shares are 0 to 1. Faults are planted as whole numbers of lines: each share of the lines of a stage (of
    those without a source, where a stage descends from an earlier one), rounded. Hybrids fall on the sorters
    in proportion to the sorters' own rates, everything else at random.

    Raises
    ------
    InputError
        Naming every value that is wrong.

    Examples
    --------
    >>> SimulationSettings(n_donors=2).lines_per_donor
    40

    """

    # the programme
    stage: str = _choice("haploid", *STAGES_OF)
    n_donors: int = _whole(4, 1, 500)
    lines_per_donor: int = _whole(40, 1, 10_000)  # at each stage
    donor_type: str = _choice("F1", *DONOR_TYPES, "mixed")
    donor_plants: int = _whole(4, 1, 1000)  # plants of each donor whose plants differ
    donor_rows: str = _choice("cross", "cross", "plant")  # a row (typed: a bulk) of the cross, or of each plant
    parent_sharing: str = _choice("none", "none", "common", "chain")
    is_pedigree_known: bool = True
    n_inducers: int = _whole(1, 1, 20)
    inducer_type: str = _choice("inbred", "inbred", "hybrid")
    typed: tuple[str, ...] = TYPED
    parent_impurity: float = _number(0.0, 0.0, 0.5)
    mislabelled_parents: int = _whole(0, 0, 100)
    n_sorters: int = _whole(3, 1, 20)
    sorter_spread: float = _share(0.6)  # the worst sorter's rate is (1 + spread) times the mean
    n_seasons: int = _whole(1, 1, 10)
    plants_per_sample: int = _whole(1, 1, 100)  # at stage D1, plants of one ear in one sample

    # the genome, the inbreds and the meioses
    chromosomes: tuple[Chromosome, ...] = MAIZE_CHROMOSOMES
    chromosome_prefix: str = ""
    n_markers: int = _whole(1000, 1, 1_000_000)
    marker_placing: str = _choice("bp", "bp", "cm", "even")
    unplaced_share: float = _share(0.0)
    end_recombination: float = _number(3.0, 1.0, 10.0)
    polymorphism: float = _number(0.363, 0.01, 0.5)
    n_groups: int = _whole(1, 1, 20)
    group_divergence: float = _number(0.0, 0.0, 0.9)
    shared_ancestry: float = _number(0.0, 0.0, 0.95)
    ancestry_block_cm: float = _number(20.0, 0.1, 10_000.0)
    interference: float = _number(1.0, 1.0, 50.0)
    distortions: tuple[Distortion, ...] = ()

    # what goes wrong with lines
    hybrid_share: float = _share(0.1)  # at stage D1 these are selfed hybrids
    unselfed_hybrid_share: float = _share(0.0)  # at stage D1: hybrids that were not selfed
    donor_share: float = _share(0.0)
    selfed_donor_share: float = _share(0.0)
    parent_share: float = _share(0.0)
    outcross_share: float = _share(0.0)
    inducer_share: float = _share(0.0)
    other_donor_share: float = _share(0.0)
    mixture_share: float = _share(0.0)
    unrelated_share: float = _share(0.0)
    segment_share: float = _share(0.0)
    duplicate_share: float = _share(0.0)
    failed_share: float = _share(0.0)
    wrong_tissue_share: float = _share(0.0)
    nursery_pollen_share: float = _share(0.3)  # of outcrosses; the rest is pollen of an unknown inbred
    mixture_low: float = _number(0.1, 0.01, 0.5)
    mixture_high: float = _number(0.5, 0.01, 0.5)
    segment_low_bp: float = _number(5e6, 1e3, 1e9)
    segment_high_bp: float = _number(60e6, 1e3, 1e9)
    added_segment_share: float = _share(0.5)  # heterozygous, added to the line; the rest is homozygous

    # relations between samples
    descent_share: float = _share(0.5)  # lines of a later stage that name a source
    source_mismatches: int = _whole(0, 0, 10_000)
    exchanged_sisters: int = _whole(0, 0, 10_000)  # pairs of one donor, with sources
    exchanged_pairs: int = _whole(0, 0, 10_000)  # pairs of two donors
    replicate_share: float = _share(0.0)
    samples_per_replicate: int = _whole(2, 2, 10)
    wrong_replicates: int = _whole(0, 0, 10_000)
    known_lines: int = _whole(0, 0, 10_000)
    known_copies: int = _whole(0, 0, 10_000)

    # plates
    has_plates: bool = True
    plate_wells: int = field(default=96, metadata={"choices": (96, 384)})
    blanks_per_plate: int = _whole(2, 0, 20)
    controls_per_plate: int = _whole(1, 0, 20)
    dirty_blanks: int = _whole(0, 0, 1000)
    wrong_controls: int = _whole(0, 0, 1000)
    leaks: int = _whole(0, 0, 1000)
    leak_low: float = _number(0.1, 0.001, 0.5)
    leak_high: float = _number(0.4, 0.001, 0.5)
    turned_plates: int = _whole(0, 0, 1000)
    shifted_plates: int = _whole(0, 0, 1000)
    shift: str = _choice("column", "column", "row")

    # the assay
    platform: str = _choice("array", "array", "reads")
    output: str = _choice("both", "both", "calls", "depths")  # of reads
    error_rate: float = _number(0.005, 0.0, 0.5)
    het_error_share: float = _share(0.5)  # of wrong calls of homozygotes, the share called heterozygous
    dropout: float = _share(0.01)
    missing: float = _number(0.02, 0.0, 0.95)
    missing_marker_variation: float = _number(0.5, 0.0, 5.0)  # coefficient of variation
    missing_sample_variation: float = _number(0.5, 0.0, 5.0)
    visible_fraction: float = _number(0.2, 0.0, 0.5)  # least share of the minor allele that an array calls het
    visible_fraction_sd: float = _number(0.03, 0.0, 0.2)
    depth: float = _number(8.0, 0.01, 10_000.0)
    depth_marker_variation: float = _number(0.5, 0.0, 5.0)
    depth_sample_variation: float = _number(0.3, 0.0, 5.0)
    read_error: float = _number(0.005, 0.0, 0.2)
    read_overdispersion: float = _number(0.02, 0.0, 0.9)
    allele_bias: float = _number(0.2, 0.0, 3.0)  # standard deviation of the log odds of the second allele
    all_het_markers: float = _share(0.0)
    mostly_missing_markers: float = _share(0.0)
    misplaced_markers: float = _share(0.0)

    # counts
    induction_rate: float = _number(0.08, 0.001, 1.0)
    missed_haploid_share: float = _number(0.05, 0.0, 0.99)
    uncoloured_share: float = _number(0.02, 0.0, 0.5)
    survival: float = _number(0.7, 0.01, 1.0)
    doubling: float = _number(0.25, 0.01, 1.0)

    def __post_init__(self) -> None:
        defects = [defect for f in fields(self) if (defect := _defect(f.name, getattr(self, f.name), f.metadata))]
        if not defects:
            defects = list(_contradictions(self))
        if defects:
            raise InputError("simulation settings", defects)

    @property
    def stages(self) -> tuple[str, ...]:
        """Stages that are sampled, in the order of the programme."""
        return STAGES_OF[self.stage]


def _defect(name: str, value: Any, metadata: Any) -> Defect | None:
    where = f"setting {name}"
    if "choices" in metadata:
        if value in metadata["choices"]:
            return None
        return Defect(where=where, found=repr(value), expected="one of " + ", ".join(map(str, metadata["choices"])))
    if "low" not in metadata:
        is_wrong = name.startswith(("is_", "has_")) and not isinstance(value, bool)
        return Defect(where=where, found=repr(value), expected="true or false") if is_wrong else None
    low, high, is_whole = metadata["low"], metadata["high"], metadata["whole"]
    kind = "a whole number" if is_whole else "a number"
    is_number = isinstance(value, int if is_whole else int | float) and not isinstance(value, bool)
    if is_number and low <= value <= high:
        return None
    return Defect(where=where, found=repr(value), expected=f"{kind} from {low:g} to {high:g}")


def _contradictions(settings: SimulationSettings) -> Iterator[Defect]:
    """Yield what is wrong with settings taken together."""
    total = sum(getattr(settings, name) for name in FAULT_SHARES)
    if total > 1 + 1e-9:
        yield Defect(where="the shares of faults", found=f"a sum of {total:g}", expected="at most 1")
    if settings.n_donors == 1 and (settings.other_donor_share > 0 or settings.exchanged_pairs > 0):
        found = "other_donor_share or exchanged_pairs above 0 with one donor"
        yield Defect(where="setting n_donors", found=found, expected="at least 2 donors")
    for low, high in (
        ("mixture_low", "mixture_high"),
        ("segment_low_bp", "segment_high_bp"),
        ("leak_low", "leak_high"),
    ):
        if getattr(settings, low) > getattr(settings, high):
            yield Defect(where=f"setting {low}", found=f"more than {high}", expected=f"at most {high}")
    if settings.output != "both" and settings.platform != "reads":
        yield Defect(where="setting output", found=repr(settings.output), expected="both where platform is array")
    typed: Any = settings.typed
    wrong = [typed] if isinstance(typed, str) else sorted(set(typed) - set(TYPED))
    for name in wrong:
        yield Defect(where="setting typed", found=repr(name), expected="some of " + ", ".join(TYPED))
    yield from _plate_contradictions(settings)
    yield from _genome_contradictions(settings)


def _plate_contradictions(settings: SimulationSettings) -> Iterator[Defect]:
    needed = ("dirty_blanks", "wrong_controls", "leaks", "turned_plates", "shifted_plates")
    for name in needed:
        if getattr(settings, name) and not settings.has_plates:
            yield Defect(where=f"setting {name}", found="above 0", expected="0 where has_plates is false")
    if len(settings.stages) == 1:
        for name in ("source_mismatches", "exchanged_sisters"):
            if getattr(settings, name):
                yield Defect(where=f"setting {name}", found="above 0", expected="0 where one stage is sampled")
    if settings.wrong_replicates and not settings.replicate_share:
        yield Defect(where="setting wrong_replicates", found="above 0", expected="0 where replicate_share is 0")
    if settings.known_copies and not settings.known_lines:
        yield Defect(where="setting known_copies", found="above 0", expected="0 where known_lines is 0")


def _genome_contradictions(settings: SimulationSettings) -> Iterator[Defect]:
    bad = settings.all_het_markers + settings.mostly_missing_markers + settings.misplaced_markers
    if bad > 1:
        yield Defect(where="the shares of bad markers", found=f"a sum of {bad:g}", expected="at most 1")
    if not settings.chromosomes:
        yield Defect(where="setting chromosomes", found="none", expected="at least one")
    for chromosome in settings.chromosomes:
        if not chromosome.name or chromosome.length_cm <= 0 or chromosome.length_bp < settings.n_markers:
            expected = "a name, a length above 0 cM and at least one base pair a marker"
            yield Defect(where="setting chromosomes", found=repr(chromosome), expected=expected)
    names = [chromosome.name for chromosome in settings.chromosomes]
    if len(set(names)) < len(names):
        yield Defect(where="setting chromosomes", found="a name twice", expected="unique names")
    lengths = {chromosome.name: chromosome.length_cm for chromosome in settings.chromosomes}
    for distortion in settings.distortions:
        is_placed = distortion.chrom in lengths and 0 <= distortion.cm <= lengths[distortion.chrom]
        if not is_placed or not 0 < distortion.share < 1:
            expected = "a chromosome of the genome, a place on it and a share between 0 and 1"
            yield Defect(where="setting distortions", found=repr(distortion), expected=expected)
