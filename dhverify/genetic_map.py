"""Where markers lie on the genetic map, and what a distance there means for recombination.

Positions are in cM; ``place_markers`` decides which map is used and says so in a sentence.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final, Protocol

import numpy as np

from dhverify.chromosomes import (
    MAIZE_MAP,
    ChromosomeLengths,
    canonical_chromosome,
    canonical_chromosomes,
    doubt_of_maize,
    maize_rate,
    misfit_to_maize,
    natural_order,
)
from dhverify.errors import Defect, FormatError
from dhverify.recombination import haldane, haldane_inverse, kosambi, kosambi_inverse

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

__all__ = [
    "MAIZE_MAP",
    "ChromosomeLengths",
    "GeneticMap",
    "MarkerMap",
    "PositionedMarkers",
    "canonical_chromosome",
    "canonical_chromosomes",
    "haldane",
    "haldane_inverse",
    "kosambi",
    "kosambi_inverse",
    "place_markers",
]

CM_PER_MB_UNKNOWN: Final = 1.0
"""Rate assumed where no map tells it: within a factor of two of the mean of maize (0.7 cM/Mb, computed from the
built-in lengths); common practice, no source."""


class PositionedMarkers(Protocol):
    """What a map needs to know of markers; ``Markers`` is one."""

    @property
    def name(self) -> NDArray[np.str_]: ...  # noqa: D102
    @property
    def chrom(self) -> NDArray[np.str_]: ...  # noqa: D102
    @property
    def pos_bp(self) -> NDArray[np.int64]: ...  # noqa: D102
    @property
    def cm(self) -> NDArray[np.float64]: ...  # noqa: D102


@dataclass(frozen=True, kw_only=True, eq=False)
class MarkerMap:
    """Where each marker lies.

    Attributes
    ----------
    chrom
        str, shape (n_markers,). Canonical name (``chr01`` is ``1``); empty where the marker is unplaced.
    cm
        float64, shape (n_markers,). Position in cM; nan where the marker is unplaced. May be negative where
        a marker lies before the first one of a map.
    description
        A sentence that says which map it is.
    warnings
        What a user should look at, a sentence each.

    """

    chrom: NDArray[np.str_]
    cm: NDArray[np.float64]
    description: str
    warnings: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.chrom.shape != self.cm.shape:
            raise ValueError(f"chrom has shape {self.chrom.shape}, cm has {self.cm.shape}")
        if not np.array_equal(self.chrom == "", np.isnan(self.cm)):
            raise ValueError("a marker has a chromosome and a position, or neither")
        for name in ("chrom", "cm"):
            object.__setattr__(self, name, _locked(getattr(self, name)))

    def __len__(self) -> int:
        return len(self.cm)

    @property
    def is_placed(self) -> NDArray[np.bool_]:
        """bool, shape (n_markers,). Whether the marker has a place; the others are used as unlinked."""
        return ~np.isnan(self.cm)

    @property
    def chromosomes(self) -> tuple[str, ...]:
        """Names of the chromosomes with markers, numbers first and in order of number."""
        return tuple(sorted({str(name) for name in self.chrom if name}, key=natural_order))

    def markers_of(self, chrom: str) -> NDArray[np.int64]:
        """int64, shape (n,). Index of the markers of one chromosome, by cM, ties in file order."""
        index = np.flatnonzero(self.chrom == chrom)
        return index[np.argsort(self.cm[index], kind="stable")].astype(np.int64)


@dataclass(frozen=True, kw_only=True, eq=False)
class GeneticMap:
    """A map of the user's own: by marker name, by position, or both (then the name comes first).

    Attributes
    ----------
    by_marker
        Marker name to (chromosome, cM). The chromosome may be empty: then the genotype file's is taken.
    by_position
        Chromosome to (pos_bp, cm), two equally long arrays in any order. Spellings of one chromosome
        (``1``, ``chr01``) are joined.
    description
        Half a sentence that names the map.
    source
        File name, for error messages.

    Raises
    ------
    FormatError
        If the map is empty, a number is not finite, or cM decreases while bp increases on a chromosome.

    """

    by_marker: Mapping[str, tuple[str, float]] = field(default_factory=dict)
    by_position: Mapping[str, tuple[NDArray[np.int64], NDArray[np.float64]]] = field(default_factory=dict)
    description: str = "the map given"
    source: str = "genetic map"

    def __post_init__(self) -> None:
        defects: list[Defect] = []
        by_marker = {str(m): (canonical_chromosome(c), float(cm)) for m, (c, cm) in self.by_marker.items()}
        defects += [
            Defect(where=f"marker {m}", found=f"{cm} cM", expected="a finite number")
            for m, (_, cm) in by_marker.items()
            if not np.isfinite(cm)
        ]
        by_position = {}
        for chrom, (pos_bp, cm) in _joined(self.by_position).items():
            defects += _position_defects(chrom, pos_bp, cm, has_names=bool(by_marker))
            by_position[chrom] = (_locked(pos_bp), _locked(cm))
        if not by_marker and not by_position:
            defects.append(Defect(where="map", found="no marker", expected="at least one row"))
        if defects:
            raise FormatError(self.source, defects)
        object.__setattr__(self, "by_marker", MappingProxyType(by_marker))
        object.__setattr__(self, "by_position", MappingProxyType(by_position))

    def place(self, markers: PositionedMarkers) -> MarkerMap:
        """Place markers by name, else by position.

        Between two markers of the map cM are interpolated linearly; beyond the ends they are extrapolated
        at the chromosome's mean rate (1 cM/Mb where the map has one position only). On a chromosome that a
        map by position does not have, 1 cM/Mb is taken, with a warning.

        Parameters
        ----------
        markers
            The markers of the genotype file.

        Returns
        -------
        MarkerMap
            Markers that the map does not have are unplaced and counted in a warning.

        Raises
        ------
        FormatError
            If a map by marker name has none of the markers.

        """
        own_chrom = canonical_chromosomes(markers.chrom)
        chrom, cm = self._placed_by_name(markers.name, own_chrom)
        is_named = ~np.isnan(cm)
        if not self.by_position and not is_named.any() and len(cm):
            found = f"none of the {len(cm)} markers of the genotype files"
            raise FormatError(
                self.source, [Defect(where="map", found=found, expected="marker names of the genotype files")]
            )
        is_open = ~is_named & _has_position(own_chrom, markers.pos_bp) & bool(self.by_position)
        filled, not_on_map = _filled_by_position(self, own_chrom, markers.pos_bp, is_open)
        cm = np.where(is_open, filled, cm)
        chrom = np.where(is_open & ~np.isnan(cm), own_chrom, chrom)
        moved = int(np.count_nonzero(is_named & (own_chrom != "") & (chrom != own_chrom)))
        warnings = [*_moved_warning(moved, len(cm)), *_not_on_map_warning(not_on_map), *_unplaced_warning(cm)]
        return MarkerMap(
            chrom=chrom,
            cm=cm,
            description=f"Genetic positions come from {self.description}.",
            warnings=tuple(warnings),
        )

    def _placed_by_name(
        self, names: NDArray[np.str_], own_chrom: NDArray[np.str_]
    ) -> tuple[NDArray[np.str_], NDArray[np.float64]]:
        places = [self.by_marker.get(str(name), ("", np.nan)) for name in names]
        chrom = _text([place[0] for place in places])
        chrom = np.where(chrom == "", own_chrom, chrom)
        cm = np.where(chrom == "", np.nan, np.array([place[1] for place in places], dtype=np.float64))
        return np.where(np.isnan(cm), "", chrom), cm


def place_markers(markers: PositionedMarkers, genetic_map: GeneticMap | None = None) -> MarkerMap:
    """Place markers on the best map there is.

    The map given, by marker name or by position; else the cM of the genotype file, if it has any but 0; else,
    where every chromosome is one of 1 to 10, no position passes the length of the maize chromosome, and the
    positions reach as far along them as those of so many markers should, the built-in maize map; else 1 cM/Mb.
    A choice that is a guess is said as a warning. Markers without a place are used as unlinked.

    Parameters
    ----------
    markers
        The markers of the genotype file.
    genetic_map
        The map given, if any.

    Returns
    -------
    MarkerMap
        Its ``description`` says which map it is.

    Raises
    ------
    FormatError
        If the map given is by marker name and has none of the markers.

    References
    ----------
    Ogut et al. 2015, Heredity 114:552-563, doi:10.1038/hdy.2014.123, for the built-in lengths.

    """
    if genetic_map is not None:
        return genetic_map.place(markers)
    chrom = canonical_chromosomes(markers.chrom)
    if np.any(np.isfinite(markers.cm) & (markers.cm != 0)):
        return _marker_map(chrom, markers.cm, "Genetic positions come from the genotype file itself.")
    has_position = _has_position(chrom, markers.pos_bp)
    if not has_position.any():
        return _marker_map(chrom, np.full(len(chrom), np.nan), "No marker has a position on a genetic map.")
    return _map_by_rate(chrom, markers.pos_bp, has_position)


def _map_by_rate(chrom: NDArray[np.str_], pos_bp: NDArray[np.int64], has_position: NDArray[np.bool_]) -> MarkerMap:
    """Place markers by base pairs: at the rates of maize where they fit it, else at 1 cM/Mb."""
    misfit = misfit_to_maize(chrom[has_position], pos_bp[has_position])
    if misfit:
        text = f"Genetic positions assume 1 cM/Mb: no map was given and the maize map does not fit ({misfit})."
        doubt = f"{text} If that is not so, hand in a map."
        rate = np.full(len(chrom), CM_PER_MB_UNKNOWN)
    else:
        text = (
            "Genetic positions come from the built-in maize map: the chromosome lengths in cM of Ogut et al. 2015,"
            " spread evenly over the base pairs of each chromosome."
        )
        doubt = doubt_of_maize(chrom[has_position], pos_bp[has_position])
        rate = maize_rate(chrom)
    placed = _marker_map(chrom, np.where(has_position, pos_bp / 1e6 * rate, np.nan), text)
    return replace(placed, warnings=(*filter(None, [doubt]), *placed.warnings))


def _joined(
    by_position: Mapping[str, tuple[NDArray[np.int64], NDArray[np.float64]]],
) -> dict[str, tuple[NDArray[np.int64], NDArray[np.float64]]]:
    """Positions of one chromosome under all its spellings, by bp, then cM."""
    parts: dict[str, list[tuple[NDArray[np.int64], NDArray[np.float64]]]] = {}
    for name, (pos_bp, cm) in by_position.items():
        pair = np.asarray(pos_bp, dtype=np.int64), np.asarray(cm, dtype=np.float64)
        if pair[0].ndim != 1 or pair[0].shape != pair[1].shape:
            raise ValueError(f"chromosome {name}: pos_bp has shape {pair[0].shape}, cm has {pair[1].shape}")
        if len(pair[0]):
            parts.setdefault(canonical_chromosome(str(name)), []).append(pair)
    joined = {}
    for name, pairs in parts.items():
        pos_bp, cm = (np.concatenate(arrays) for arrays in zip(*pairs, strict=True))
        order = np.lexsort((cm, pos_bp))
        joined[name] = (pos_bp[order], cm[order])
    return joined


def _position_defects(
    chrom: str, pos_bp: NDArray[np.int64], cm: NDArray[np.float64], *, has_names: bool
) -> list[Defect]:
    """List what is wrong on one chromosome of a map by position, the first place of each kind."""
    if not chrom:
        return [Defect(where="map", found=f"{len(cm)} positions without a chromosome", expected="a chromosome")]
    way_out = ", or a map by marker name only, without positions" if has_names else ""
    checks = (
        (pos_bp <= 0, "a position that is not positive", "base pairs from 1"),
        (~np.isfinite(cm), "a cM that is no finite number", "a finite number"),
        (_after(np.diff(pos_bp) == 0) & _after(np.diff(cm) > 0), "two cM at one position", "one cM"),
        (
            _after(np.diff(pos_bp) > 0) & _after(np.diff(cm) < 0),
            "a cM below that of the position before",
            f"cM that do not decrease while base pairs increase{way_out}",
        ),
    )
    return [
        Defect(where=f"chromosome {chrom}, position {pos_bp[is_wrong][0]}", found=found, expected=expected)
        for is_wrong, found, expected in checks
        if is_wrong.any()
    ]


def _after(is_wrong: NDArray[np.bool_]) -> NDArray[np.bool_]:
    return np.concatenate(([False], is_wrong))


def _filled_by_position(
    genetic_map: GeneticMap, chrom: NDArray[np.str_], pos_bp: NDArray[np.int64], is_open: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """CM of the open markers, and the chromosomes that the map does not have."""
    cm = np.full(len(chrom), np.nan)
    named = {place[0] for place in genetic_map.by_marker.values()}
    not_on_map = []
    for name in sorted({str(n) for n in chrom[is_open]}, key=natural_order):
        here = is_open & (chrom == name)
        if name in genetic_map.by_position:
            cm[here] = _interpolated(pos_bp[here], *genetic_map.by_position[name])
        elif name not in named:
            cm[here] = pos_bp[here] / 1e6 * CM_PER_MB_UNKNOWN
            not_on_map.append(name)
    return cm, tuple(not_on_map)


def _interpolated(
    pos_bp: NDArray[np.int64], map_bp: NDArray[np.int64], map_cm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """CM by linear interpolation; beyond the ends at the mean rate of the chromosome."""
    span_bp = int(map_bp[-1] - map_bp[0])
    rate = (map_cm[-1] - map_cm[0]) / span_bp if span_bp else CM_PER_MB_UNKNOWN / 1e6
    before = np.minimum(pos_bp - map_bp[0], 0)
    beyond = np.maximum(pos_bp - map_bp[-1], 0)
    return np.asarray(np.interp(pos_bp, map_bp, map_cm) + (before + beyond) * rate, dtype=np.float64)


def _has_position(chrom: NDArray[np.str_], pos_bp: NDArray[np.int64]) -> NDArray[np.bool_]:
    return np.asarray((chrom != "") & (pos_bp > 0))


def _marker_map(chrom: NDArray[np.str_], cm: NDArray[np.float64], description: str) -> MarkerMap:
    is_placed = (chrom != "") & np.isfinite(cm)
    cm = np.where(is_placed, cm, np.nan)
    return MarkerMap(
        chrom=np.where(is_placed, chrom, ""), cm=cm, description=description, warnings=_unplaced_warning(cm)
    )


def _unplaced_warning(cm: NDArray[np.float64]) -> tuple[str, ...]:
    n = int(np.count_nonzero(np.isnan(cm)))
    return (f"{n} of {len(cm)} markers have no place on the map and are used as unlinked.",) if n else ()


def _moved_warning(n: int, of: int) -> tuple[str, ...]:
    place = "on another chromosome in the map than in the genotype files"
    return (f"{n} of {of} markers lie {place}; the map is followed.",) if n else ()


def _not_on_map_warning(chromosomes: tuple[str, ...]) -> tuple[str, ...]:
    text = f"The map has no chromosome {', '.join(chromosomes)}: 1 cM/Mb is taken there."
    return (text,) if chromosomes else ()


def _text(values: Iterable[str]) -> NDArray[np.str_]:
    return np.array(list(values), dtype=np.str_)


def _locked(array: NDArray[Any]) -> NDArray[Any]:
    copy = np.array(array)
    copy.flags.writeable = False
    return copy
