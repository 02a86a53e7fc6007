"""What is measured of each line: call rate, heterozygosity, and shares of the genome with linkage allowed for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from dhverify.evidence import NO_MEASURES, LineMeasures, Share
from dhverify.family_models import FamilyModel
from dhverify.genotypes import MISSING
from dhverify.intervals import wilson
from dhverify.marker_classes import MarkerClasses
from dhverify.marker_grid import MarkerGrid


def genome_share_variance(chain_length_morgan: NDArray[np.float64]) -> float:
    """Variance of the share of one parent in a gamete of an F1.

    Parameters
    ----------
    chain_length_morgan
        float64, shape (n_chromosomes,).

    References
    ----------
    Frisch M, Melchinger AE (2007) Genetics 176:477-488, doi:10.1534/genetics.106.065433.

    Examples
    --------
    >>> float(round(genome_share_variance(np.full(10, 1.6)) ** 0.5, 4))
    0.1046

    """
    length = np.maximum(chain_length_morgan, 1e-6)
    variance = (length - (1 - np.exp(-2 * length)) / 2) / (4 * length**2)
    return float((length**2 * variance).sum() / length.sum() ** 2)


def independent_stretches(grid: MarkerGrid) -> float:
    """Number of independent coin tosses that tell as much of a genome share as the linked genome does."""
    lengths = grid.chain_length_morgan()
    if not len(lengths) or lengths.sum() <= 0:
        return float(grid.n_markers)
    return 0.25 / genome_share_variance(lengths)


def linked_interval(share: float, n_informative: int, stretches: float) -> tuple[float, float]:
    """95 % interval of a genome share: Wilson on independent stretches, at most as many as markers.

    The share of inducer in a line comes in runs, so that markers along one run count once.
    """
    n = max(min(float(n_informative), 2.0 * stretches), 1e-9)
    if n_informative == 0:
        return 0.0, 1.0
    low, high = wilson(min(max(share, 0.0), 1.0) * n, n)
    return float(low), float(high)


def line_measures(
    calls: NDArray[np.int8],
    *,
    model: FamilyModel | None,
    classes: MarkerClasses | None,
    grid: MarkerGrid,
    stretches: float,
    modelled: tuple[float, float, float] | None = None,
    parent_shares: tuple[tuple[str, float], ...] = (),
) -> LineMeasures:
    """Measure one line.

    Parameters
    ----------
    calls
        int8, shape (n_markers,). Calls at usable markers.
    model, classes
        Its family and the marker classes there.
    grid
        The chains, with map weights.
    stretches
        As of :func:`independent_stretches`.
    modelled
        Shares of donor, inducer and foreign alleles under the most probable finding, where it has one.
    parent_shares
        Share of each parent, where the pedigree is known.

    """
    is_called = calls != MISSING
    n_called = int(is_called.sum())
    n_het = int((calls == 1).sum())
    low, high = wilson(n_het, n_called) if n_called else (None, None)
    if model is None or classes is None or not n_called:
        none = None if model is None else 0
        return replace(
            NO_MEASURES,
            call_rate=n_called / max(len(calls), 1),
            called_markers=n_called,
            heterozygosity=Share(value=n_het / n_called if n_called else None, low=low, high=high),
            segregating_markers=none,
            diagnostic_markers=none,
        )
    segregating = is_called & classes.is_segregating
    diagnostic = is_called & classes.is_diagnostic
    alike = is_called & classes.is_alike
    inducer, foreign, donor = _shares(calls, classes, diagnostic, alike, grid, stretches, modelled)
    return LineMeasures(
        call_rate=n_called / max(len(calls), 1),
        called_markers=n_called,
        heterozygosity=Share(value=n_het / n_called if n_called else None, low=low, high=high),
        segregating_markers=int(segregating.sum()),
        heterozygosity_segregating=(float((calls[segregating] == 1).mean()) if segregating.any() else None),
        diagnostic_markers=int(diagnostic.sum()),
        inducer=inducer,
        donor_share=donor,
        foreign=foreign,
        parent_shares=parent_shares,
    )


def _shares(
    calls: NDArray[np.int8],
    classes: MarkerClasses,
    diagnostic: NDArray[np.bool_],
    alike: NDArray[np.bool_],
    grid: MarkerGrid,
    stretches: float,
    modelled: tuple[float, float, float] | None,
) -> tuple[Share, Share, float | None]:
    """Shares of inducer and foreign alleles, and what is left to the donor."""
    n_diagnostic, n_alike = int(diagnostic.sum()), int(alike.sum())
    if modelled is not None:
        donor, inducer, foreign = modelled
    else:
        inducer = allele_share(calls, diagnostic, classes.inducer_second, grid.weight)
        foreign = allele_share(calls, alike, ~classes.alike_second, grid.weight)
        total = inducer + foreign
        if total > 1:
            inducer, foreign = inducer / total, foreign / total
        donor = max(0.0, 1 - inducer - foreign)
    inducer_low, inducer_high = linked_interval(inducer, n_diagnostic, stretches)
    foreign_low, foreign_high = linked_interval(foreign, n_alike, stretches)
    inducer_share = Share(value=inducer, low=inducer_low, high=inducer_high) if n_diagnostic else Share()
    foreign_share = Share(value=foreign, low=foreign_low, high=foreign_high)
    if not n_diagnostic and not n_alike and modelled is None:
        return Share(), Share(), None
    if not n_diagnostic and modelled is None:
        return Share(), foreign_share, None
    return inducer_share, foreign_share, donor


def allele_share(
    calls: NDArray[np.int8],
    used: NDArray[np.bool_],
    is_second: NDArray[np.bool_],
    weight: NDArray[np.float64],
) -> float:
    """Share of one allele among the calls at some markers, weighted by map distance; 0 where none is called.

    Parameters
    ----------
    calls
        int8, shape (n_markers,).
    used
        bool, shape (n_markers,). Called markers to look at.
    is_second
        bool, shape (n_markers,). Whether the allele in question is the second one.
    weight
        float64, shape (n_markers,). Map weights.

    """
    total = float(weight[used].sum())
    if total <= 0:
        return 0.0
    copies = np.where(is_second, calls, 2 - calls)[used] / 2
    return float((copies * weight[used]).sum() / total)
