"""What the assay makes of DNA: array calls or read depths, with errors, missing calls and bad markers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dhverify.simulation.settings import SimulationSettings

MISSING: Final = -1
BLOCK: Final = 64
"""Samples that are read at a time, so that large lots fit into memory."""

GOOD, ALL_HET, MOSTLY_MISSING, MISPLACED = "good", "all het", "mostly missing", "misplaced"


@dataclass(frozen=True, kw_only=True, eq=False)
class Assay:
    """A platform with markers of uneven quality.

    Parameters
    ----------
    settings
        Rates.
    marker_kind
        str, shape (n_markers,). ``good``, ``all het``, ``mostly missing`` or ``misplaced``.
    rng
        Source of randomness.

    """

    settings: SimulationSettings
    marker_kind: NDArray[np.str_]
    rng: np.random.Generator

    def read(
        self, fraction: NDArray[np.float32], dna_yield: NDArray[np.float64]
    ) -> tuple[NDArray[np.int8], NDArray[np.int32] | None]:
        """Genotype samples.

        Parameters
        ----------
        fraction
            float32, shape (n_samples, n_markers). Share of the second allele in the DNA.
        dna_yield
            float64, shape (n_samples,). 1 for good DNA, else the share of markers called at all.

        Returns
        -------
        calls
            int8, shape (n_samples, n_markers). Copies of the second allele; ``MISSING``.
        depths
            int32, shape (n_samples, n_markers, 2), or None on an array.

        """
        rates = self._uneven_rates(len(fraction))
        parts = [
            self._read_block(fraction[start : start + BLOCK], dna_yield[start : start + BLOCK], rates, start)
            for start in range(0, len(fraction), BLOCK)
        ]
        calls = np.concatenate([part[0] for part in parts])
        depths = [part[1] for part in parts if part[1] is not None]
        return calls, np.concatenate(depths) if depths else None

    def _uneven_rates(self, n_samples: int) -> _Rates:
        """Draw what differs between markers and between samples."""
        s, n = self.settings, len(self.marker_kind)
        return _Rates(
            marker_missing=uneven(n, variation=s.missing_marker_variation, rng=self.rng),
            sample_missing=uneven(n_samples, variation=s.missing_sample_variation, rng=self.rng),
            poor_missing=self.rng.uniform(0.6, 0.95, n),
            marker_depth=uneven(n, variation=s.depth_marker_variation, rng=self.rng),
            sample_depth=uneven(n_samples, variation=s.depth_sample_variation, rng=self.rng),
            marker_odds=np.exp(self.rng.normal(0.0, s.allele_bias, n)),
        )

    def _read_block(
        self, fraction: NDArray[np.float32], dna_yield: NDArray[np.float64], rates: _Rates, start: int
    ) -> tuple[NDArray[np.int8], NDArray[np.int32] | None]:
        """Genotype some samples, the first being number ``start``."""
        rows = slice(start, start + len(fraction))
        seen = np.where(self.marker_kind == ALL_HET, np.float32(0.5), fraction)
        chance = self.settings.missing * rates.marker_missing * rates.sample_missing[rows, None]
        chance = np.where(self.marker_kind == MOSTLY_MISSING, rates.poor_missing, np.clip(chance, 0.0, 0.98))
        is_missing = self.rng.random(seen.shape) < chance
        if self.settings.platform == "array":
            is_missing |= self.rng.random(seen.shape) >= dna_yield[:, None]
            calls = self._with_errors(self._called(seen))
            return np.where(is_missing, np.int8(MISSING), calls).astype(np.int8), None
        mean = self.settings.depth * rates.marker_depth * rates.sample_depth[rows, None]
        depths = self._depths(seen, mean, dna_yield, rates.marker_odds)
        depths[is_missing] = 0
        return call_reads(depths, read_error=self.settings.read_error), depths

    def _called(self, fraction: NDArray[np.float32]) -> NDArray[np.int8]:
        """Call without errors: heterozygous where enough of the minor allele shows."""
        s = self.settings
        threshold = self.rng.normal(s.visible_fraction, s.visible_fraction_sd, fraction.shape)
        minor = np.minimum(fraction, 1 - fraction)
        is_het = (minor > np.clip(threshold, 1e-3, 0.499)) | (minor == 0.5)
        major = np.where(fraction > 0.5, 2, 0)
        return np.where(is_het, 1, major).astype(np.int8)

    def _with_errors(self, calls: NDArray[np.int8]) -> NDArray[np.int8]:
        """Let heterozygotes drop out to either homozygote; then make calls wrong."""
        s = self.settings
        drops = (calls == 1) & (self.rng.random(calls.shape) < s.dropout)
        side = (2 * self.rng.integers(0, 2, calls.shape)).astype(np.int8)
        calls = np.where(drops, side, calls)
        wrong = self.rng.random(calls.shape) < s.error_rate
        to_het = self.rng.random(calls.shape) < s.het_error_share
        other = np.where(calls == 1, side, np.where(to_het, 1, 2 - calls))
        return np.where(wrong, other, calls).astype(np.int8)

    def _depths(
        self,
        fraction: NDArray[np.float32],
        mean: NDArray[np.float64],
        dna_yield: NDArray[np.float64],
        odds: NDArray[np.float64],
    ) -> NDArray[np.int32]:
        """Draw reads of either allele, with errors, allele bias and overdispersion of heterozygotes."""
        s = self.settings
        with np.errstate(divide="ignore"):
            limit = np.where(dna_yield < 1, -np.log1p(-np.minimum(dna_yield, 1.0)), np.inf)
        total = self.rng.poisson(np.minimum(mean, limit[:, None]))
        biased = fraction * odds / (fraction * odds + 1 - fraction)
        share = biased * (1 - s.read_error) + (1 - biased) * s.read_error
        if s.read_overdispersion > 0:
            scale = 1 / s.read_overdispersion - 1
            spread = self.rng.beta(np.maximum(share * scale, 1e-9), np.maximum((1 - share) * scale, 1e-9))
            share = np.where((fraction > 0) & (fraction < 1), spread, share)
        second = self.rng.binomial(total, np.clip(share, 0.0, 1.0))
        return np.stack([total - second, second], axis=-1).astype(np.int32)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Rates:
    """What differs between markers, shape (n_markers,), and between samples, shape (n_samples,)."""

    marker_missing: NDArray[np.float64]
    sample_missing: NDArray[np.float64]
    poor_missing: NDArray[np.float64]
    marker_depth: NDArray[np.float64]
    sample_depth: NDArray[np.float64]
    marker_odds: NDArray[np.float64]


def uneven(n: int, *, variation: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Factors of mean 1 with a coefficient of variation (gamma distributed); float64, shape (n,)."""
    if variation == 0:
        return np.ones(n)
    return rng.gamma(1 / variation**2, variation**2, n)


def call_reads(depths: NDArray[np.int32], *, read_error: float) -> NDArray[np.int8]:
    """Call the genotype of the highest likelihood, reads being independent.

    Parameters
    ----------
    depths
        int32, shape (..., 2). Reads of the first and second allele.
    read_error
        Share of reads that show the other allele.

    Returns
    -------
    int8, shape (...)
        0, 1, 2, or ``MISSING`` without reads. One read gives a homozygote.

    Examples
    --------
    >>> call_reads(np.array([[0, 0], [1, 0], [4, 4], [0, 9]], dtype=np.int32), read_error=0.01).tolist()
    [-1, 0, 1, 2]

    """
    error = max(read_error, 0.002)
    first, second = depths[..., 0], depths[..., 1]
    hom_first = first * np.log(1 - error) + second * np.log(error)
    hom_second = second * np.log(1 - error) + first * np.log(error)
    het = (first + second) * np.log(0.5)
    best = np.argmax(np.stack([hom_first, het, hom_second]), axis=0).astype(np.int8)
    return np.where(first + second == 0, np.int8(MISSING), best).astype(np.int8)


def marker_kinds(settings: SimulationSettings, n_markers: int, rng: np.random.Generator) -> NDArray[np.str_]:
    """Kind of each marker: the shares of the settings, rounded, at random; str, shape (n_markers,)."""
    kinds = np.full(n_markers, GOOD, dtype="U14")
    order = rng.permutation(n_markers)
    shares = (
        (ALL_HET, settings.all_het_markers),
        (MOSTLY_MISSING, settings.mostly_missing_markers),
        (MISPLACED, settings.misplaced_markers),
    )
    start = 0
    for kind, share in shares:
        n = round(share * n_markers)
        kinds[order[start : start + n]] = kind
        start += n
    return kinds
