"""The invented programme as a whole: settings in; samples, calls, sheet, counts and truth out."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

import numpy as np

from dhverify.simulation.assay import GOOD, MISPLACED, Assay, marker_kinds
from dhverify.simulation.counts import count_rows
from dhverify.simulation.genome import Genome, build_genome
from dhverify.simulation.lines import Breeder
from dhverify.simulation.lot import Lot
from dhverify.simulation.materials import build_materials
from dhverify.simulation.meiosis import CrossoverMeioses, Meioses
from dhverify.simulation.plates import PlateTruth, Plating
from dhverify.simulation.references import reference_entries
from dhverify.simulation.relations import Relations

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from dhverify.simulation.settings import SimulationSettings
    from dhverify.simulation.specimens import Entry

Row = dict[str, str]
_BASES = ("AG", "AC", "CT", "GT", "CG", "AT", "GA", "CA", "TC", "TG", "GC", "TA")


@dataclass(frozen=True, kw_only=True, eq=False)
class SimulatedMarkers:
    """Markers in the order of the genotype file.

    Attributes
    ----------
    name, chrom, first_allele, second_allele
        str, shape (n_markers,). As in the file; ``chrom`` empty for an unplaced marker.
    pos_bp
        int64, shape (n_markers,). As in the file; -1 for an unplaced marker.
    kind
        str, shape (n_markers,). ``good``, ``all het``, ``mostly missing`` or ``misplaced``.
    true_chrom, true_pos_bp, true_cm
        Where the marker really is.

    """

    name: NDArray[np.str_]
    chrom: NDArray[np.str_]
    pos_bp: NDArray[np.int64]
    first_allele: NDArray[np.str_]
    second_allele: NDArray[np.str_]
    kind: NDArray[np.str_]
    true_chrom: NDArray[np.str_]
    true_pos_bp: NDArray[np.int64]
    true_cm: NDArray[np.float64]

    def __post_init__(self) -> None:
        for array in vars(self).values():
            array.flags.writeable = False

    def __len__(self) -> int:
        return len(self.name)


@dataclass(frozen=True, kw_only=True, eq=False)
class SimulatedProgramme:
    """An invented programme with known truth.

    Attributes
    ----------
    settings
        What it was made of.
    samples
        str, shape (n_samples,). Genotyped samples in file order.
    markers
        The markers in file order.
    calls
        int8, shape (n_samples, n_markers). Copies of the second allele; -1 missing.
    depths
        int32, shape (n_samples, n_markers, 2), or None. Reads of the first and second allele.
    fraction
        float32, shape (n_samples, n_markers). Share of the second allele in the DNA, before the assay.
    sheet, counts, truth, others
        Rows of the tables, every value as text: ``truth`` has a row for each line, ``others`` one for each
        other sample, plate and bad marker.

    """

    settings: SimulationSettings
    samples: NDArray[np.str_]
    markers: SimulatedMarkers
    calls: NDArray[np.int8]
    depths: NDArray[np.int32] | None
    fraction: NDArray[np.float32]
    sheet: tuple[Row, ...]
    counts: tuple[Row, ...]
    truth: tuple[Row, ...]
    others: tuple[Row, ...]

    def __post_init__(self) -> None:
        for array in (self.samples, self.calls, self.depths, self.fraction):
            if array is not None:
                array.flags.writeable = False


def simulate_programme(
    settings: SimulationSettings,
    rng: np.random.Generator,
    *,
    meioses: Meioses | None = None,
    genome: Genome | None = None,
) -> SimulatedProgramme:
    """Invent a programme.

    Parameters
    ----------
    settings
        What it is made of.
    rng
        Source of randomness; the same state gives the same programme.
    meioses
        Where meioses come from; as the settings say if None. Needs ``genome``.
    genome
        Markers at their true places; as the settings say if None.

    Returns
    -------
    SimulatedProgramme

    Examples
    --------
    >>> from dhverify.simulation import SimulationSettings
    >>> settings = SimulationSettings(n_donors=1, lines_per_donor=5, n_markers=100)
    >>> programme = simulate_programme(settings, np.random.default_rng(1))
    >>> programme.calls.shape
    (12, 100)

    """
    genome = genome or settings_genome(settings, rng)
    meioses = meioses or CrossoverMeioses(genome=genome, shape=settings.interference, rng=rng)
    materials = build_materials(settings, genome, meioses, rng)
    breeder = Breeder(settings=settings, genome=genome, materials=materials, meioses=meioses, rng=rng)
    entries = _entries(settings, breeder, rng)
    entries, plates = Plating(settings=settings, breeder=breeder, rng=rng).plated(entries)
    counts = count_rows(entries, settings, rng)
    typed = [entry for entry in entries if entry.is_typed]
    kinds = marker_kinds(settings, genome.n_markers, rng)
    fraction = np.stack([entry.specimen.fraction for entry in typed])
    dna_yield = np.array([entry.specimen.dna_yield for entry in typed])
    calls, depths = Assay(settings=settings, marker_kind=kinds, rng=rng).read(fraction, dna_yield)
    order, markers = _markers(settings, genome, kinds, rng)
    if settings.output == "depths":
        calls = np.full_like(calls, -1)
    return SimulatedProgramme(
        settings=settings,
        samples=np.array([entry.label.sample for entry in typed]),
        markers=markers,
        calls=np.ascontiguousarray(calls[:, order]),
        depths=None if depths is None or settings.output == "calls" else np.ascontiguousarray(depths[:, order]),
        fraction=np.ascontiguousarray(fraction[:, order]),
        sheet=tuple(_sheet_row(entry) for entry in entries),
        counts=tuple({k: str(v) for k, v in asdict(row).items()} for row in counts),
        truth=tuple(_truth_row(entry) for entry in entries if entry.label.role == "line"),
        others=tuple(_other_rows(entries, plates, markers)),
    )


def settings_genome(settings: SimulationSettings, rng: np.random.Generator) -> Genome:
    """Markers on the chromosomes of the settings."""
    return build_genome(
        settings.chromosomes,
        n_markers=settings.n_markers,
        placing=settings.marker_placing,
        power=settings.end_recombination,
        rng=rng,
    )


def _entries(settings: SimulationSettings, breeder: Breeder, rng: np.random.Generator) -> list[Entry]:
    references = reference_entries(settings, breeder.materials, rng)
    relations = Relations(settings=settings, breeder=breeder, rng=rng)
    lines = Lot(settings=settings, breeder=breeder, rng=rng).lines()
    known = relations.known()
    lines = relations.with_known_copies(lines, known)
    lines = relations.with_replicates(relations.with_exchanges(lines))
    return [*references, *relations.with_mixtures(lines, references), *known]


def _markers(
    settings: SimulationSettings, genome: Genome, kinds: NDArray[np.str_], rng: np.random.Generator
) -> tuple[NDArray[np.int64], SimulatedMarkers]:
    """Markers as the file has them, and the order that they stand in there."""
    n = genome.n_markers
    names = np.array([settings.chromosome_prefix + c.name for c in genome.chromosomes])
    lengths = np.array([c.length_bp for c in genome.chromosomes])
    chrom_index, pos = genome.chrom_index.copy(), genome.pos_bp.copy()
    for row in np.flatnonzero(kinds == MISPLACED):
        chrom_index[row] = rng.integers(len(names))
        pos[row] = rng.integers(1, lengths[chrom_index[row]] + 1)
    is_unplaced = np.zeros(n, dtype=bool)
    is_unplaced[rng.permutation(n)[: round(settings.unplaced_share * n)]] = True
    order = np.lexsort((pos, chrom_index, is_unplaced))
    alleles = np.array([list(pair) for pair in _BASES])[rng.integers(len(_BASES), size=n)]
    width = len(str(n))
    markers = SimulatedMarkers(
        name=np.array([f"m{i + 1:0{width}d}" for i in range(n)]),
        chrom=np.where(is_unplaced, "", names[chrom_index])[order],
        pos_bp=np.where(is_unplaced, -1, pos)[order],
        first_allele=alleles[order, 0],
        second_allele=alleles[order, 1],
        kind=kinds[order],
        true_chrom=names[genome.chrom_index][order],
        true_pos_bp=genome.pos_bp[order],
        true_cm=genome.cm[order],
    )
    return order, markers


def _sheet_row(entry: Entry) -> Row:
    label = entry.label
    is_material = label.role in ("line", "known", "control")
    return {
        "sample": label.sample,
        "role": label.role,
        "stage": label.stage,
        "donor": label.donor,
        "inducer": label.inducer,
        "pedigree": label.pedigree,
        "line": label.line,
        "source": label.source,
        "tissue": label.tissue or ("leaf" if is_material else ""),
        "plants": str(label.plants) if is_material or label.plants > 1 else "",
        "plate": entry.plate,
        "well": entry.well,
        "expected": label.expected,
        "sorter": label.sorter,
        "ear": label.ear,
        "season": label.season,
    }


def _truth_row(entry: Entry) -> Row:
    truth = entry.specimen
    is_line = truth.inducer_share is not None
    return {
        "sample": entry.label.sample,
        "finding": truth.finding,
        "donor": truth.donor,
        "copy_of": truth.copy_of,
        "segments": ";".join(map(str, truth.segments)),
        "contaminant": truth.contaminant,
        "contaminant_share": _number(truth.contaminant_share),
        "case": truth.case,
        "made_as": truth.made_as,
        "genotype": truth.genotype,
        "pollen": truth.pollen,
        "inducer_share": _number(truth.inducer_share),
        "parent_shares": ";".join(f"{name}={share:.4f}" for name, share in truth.parent_shares) if is_line else "",
    }


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.4f}".rstrip("0").rstrip(".")


def _other_rows(entries: Sequence[Entry], plates: Sequence[PlateTruth], markers: SimulatedMarkers) -> list[Row]:
    rows = []
    for entry in entries:
        truth = entry.specimen
        if entry.label.role != "line":
            rows.append(
                _other(
                    kind=entry.label.role,
                    name=entry.label.sample,
                    finding=truth.finding,
                    case=truth.case,
                    contaminant=truth.contaminant,
                    contaminant_share=_number(truth.contaminant_share),
                )
            )
    for plate in plates:
        case = "turned" if plate.is_turned else "shifted" if plate.is_shifted else ""
        rows.append(_other(kind="plate", name=plate.plate, case=case))
    for row in np.flatnonzero(markers.kind != GOOD):
        case = str(markers.kind[row])
        place = f": {markers.true_chrom[row]}:{markers.true_pos_bp[row]}" if case == MISPLACED else ""
        rows.append(_other(kind="marker", name=str(markers.name[row]), case=case + place))
    return rows


def _other(**values: str) -> Row:
    columns = ("kind", "name", "finding", "case", "contaminant", "contaminant_share")
    return {column: values.get(column, "") for column in columns}
