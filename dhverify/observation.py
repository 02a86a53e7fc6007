"""What the assay makes of a genotype: likelihoods of calls and of reads."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaln, gammaln

from dhverify import assumptions
from dhverify.genotypes import MISSING, locked

N_GENOTYPES: Final = 3
"""Copies of the second allele in a diploid: 0, 1 or 2."""
CALLS: Final = locked(np.array([0, 1, 2, MISSING], dtype=np.int8))
"""Calls in the order of :meth:`CallErrors.table`."""
MAX_DEPTH: Final = 60
"""Reads beyond this at one marker are scaled down to it: they say no more about a genotype."""


@dataclass(frozen=True, kw_only=True, eq=False)
class CallErrors:
    """Error rates of genotype calls.

    Attributes
    ----------
    marker_hom_to_het
        float64, shape (n_markers,). Homozygotes called heterozygous.
    hom_to_other_hom
        Homozygotes called the other homozygote.
    dropout
        Heterozygotes called homozygous.

    """

    marker_hom_to_het: NDArray[np.float64]
    hom_to_other_hom: float
    dropout: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "marker_hom_to_het", locked(self.marker_hom_to_het))

    def table(self) -> NDArray[np.float64]:
        """Probability of a call given the genotype.

        Returns
        -------
        ndarray
            float64, shape (n_markers, 4, 3): call 0, 1, 2 or missing (likelihood 1), by genotype 0, 1, 2.

        """
        return self._table

    @cached_property
    def _table(self) -> NDArray[np.float64]:
        to_het = self.marker_hom_to_het
        other = np.full_like(to_het, self.hom_to_other_hom)
        right = 1.0 - to_het - other
        lost = np.full_like(to_het, self.dropout / 2)
        kept = 1.0 - 2 * lost
        rows = [[right, lost, other], [to_het, kept, to_het], [other, lost, right]]
        table = np.ones((len(to_het), 4, N_GENOTYPES))
        table[:, :3] = np.array(rows).transpose(2, 0, 1)
        table.flags.writeable = False
        return table


@dataclass(frozen=True, kw_only=True, eq=False)
class ReadErrors:
    """Error rates of allele depths.

    Attributes
    ----------
    read_error
        Reads of a homozygote that show the other allele.
    overdispersion
        Intraclass correlation of the reads of one heterozygote.
    wrong_locus
        Genotypes that the reads show wrongly whatever their number.
    first_share
        Expected share of first-allele reads of a heterozygote.

    """

    read_error: float = assumptions.READ_ERROR.mean
    overdispersion: float = assumptions.READ_OVERDISPERSION
    wrong_locus: float = assumptions.WRONG_LOCUS
    first_share: float = 0.5
    _table: NDArray[np.float64] = field(init=False, repr=False)
    _shares: dict[float, NDArray[np.float64]] = field(init=False, repr=False, default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_table", locked(self._tabulate()))

    def of(self, depths: NDArray[np.int32]) -> NDArray[np.float64]:
        """Likelihood of reads given the genotype.

        Parameters
        ----------
        depths
            int32, shape (..., 2). Reads of the first and second allele.

        Returns
        -------
        ndarray
            float64, shape (..., 3), scaled so that the best genotype has 1 at most.

        """
        scaled = _scaled_depths(depths)
        result: NDArray[np.float64] = self._table[scaled[..., 0], scaled[..., 1]]
        return result

    def at_share(self, depths: NDArray[np.int32], second_share: NDArray[np.float64]) -> NDArray[np.float64]:
        """Likelihood of reads when the second allele has the given shares of the DNA.

        Returns
        -------
        ndarray
            float64, shape (..., n_shares).

        """
        scaled = _scaled_depths(depths)
        tables = np.stack([self._share_table(round(float(share), 6)) for share in second_share], axis=-1)
        result: NDArray[np.float64] = tables[scaled[..., 0], scaled[..., 1]]
        return result

    def _share_table(self, share: float) -> NDArray[np.float64]:
        if share not in self._shares:
            first, second = np.indices((MAX_DEPTH + 1, MAX_DEPTH + 1))
            self._shares[share] = self._mixed(first, second, share)
        return self._shares[share]

    def _tabulate(self) -> NDArray[np.float64]:
        first, second = np.indices((MAX_DEPTH + 1, MAX_DEPTH + 1))
        table = np.stack([self._mixed(first, second, share) for share in (0.0, 0.5, 1.0)], axis=-1)
        return table / table.max(axis=-1, keepdims=True)

    def _mixed(self, first: NDArray[np.int64], second: NDArray[np.int64], share: float) -> NDArray[np.float64]:
        """Beta-binomial probability at one share, with a floor for wrong loci."""
        chance = _read_probability(first, second, self._mean(share), self.overdispersion)
        floor = np.mean(
            [_read_probability(first, second, self._mean(s), self.overdispersion) for s in (0.0, 0.5, 1.0)],
            axis=0,
        )
        return (1 - self.wrong_locus) * chance + self.wrong_locus * floor

    def _mean(self, second_share: float) -> float:
        """Expected share of second-allele reads, with allele bias and read error."""
        weight = second_share * (1 - self.first_share)
        biased = weight / (weight + (1 - second_share) * self.first_share)
        return biased * (1 - self.read_error) + (1 - biased) * self.read_error


def _read_probability(
    first: NDArray[np.int64], second: NDArray[np.int64], mean: float, correlation: float
) -> NDArray[np.float64]:
    """Beta-binomial probability; read errors themselves are taken as independent."""
    is_pure = min(mean, 1 - mean) < 0.05
    n = first + second
    ways = gammaln(n + 1) - gammaln(first + 1) - gammaln(second + 1)
    if is_pure or correlation <= 0:
        return np.exp(ways + second * np.log(mean) + first * np.log1p(-mean))
    size = (1 - correlation) / correlation
    a, b = mean * size, (1 - mean) * size
    return np.exp(ways + betaln(second + a, first + b) - betaln(a, b))


def _scaled_depths(depths: NDArray[np.int32]) -> NDArray[np.int64]:
    """Depths no larger than the table, in the same proportion."""
    total = depths.sum(axis=-1, keepdims=True)
    factor = np.minimum(1.0, MAX_DEPTH / np.maximum(total, 1))
    return np.rint(depths * factor).astype(np.int64)


@dataclass(frozen=True, kw_only=True, eq=False)
class Observations:
    """What was observed of samples at usable markers: calls, and reads where they are used.

    Attributes
    ----------
    calls
        int8, shape (n_samples, n_markers).
    depths
        int32, shape (n_samples, n_markers, 2), or None where calls are used.

    """

    calls: NDArray[np.int8]
    depths: NDArray[np.int32] | None

    @property
    def n_samples(self) -> int:
        """Number of samples."""
        return self.calls.shape[0]

    @property
    def n_markers(self) -> int:
        """Number of markers."""
        return self.calls.shape[1]


@dataclass(frozen=True, kw_only=True, eq=False)
class AssayModel:
    """The assay: how calls and reads err."""

    calls: CallErrors
    reads: ReadErrors

    def genotype_likelihood(self, seen: Observations, samples: NDArray[np.int64]) -> NDArray[np.float64]:
        """Likelihood of what was seen of some samples, given each genotype.

        Returns
        -------
        ndarray
            float64, shape (n_markers, n_samples, 3); 1 where nothing was seen.

        """
        if seen.depths is not None:
            return np.ascontiguousarray(self.reads.of(seen.depths[samples]).transpose(1, 0, 2))
        return calls_likelihood(self.calls.table(), seen.calls[samples])

    def mixed_likelihood(
        self,
        seen: Observations,
        samples: NDArray[np.int64],
        genotypes: NDArray[np.float64],
        markers: NDArray[np.int64],
    ) -> NDArray[np.float64]:
        """Likelihood of what was seen of some samples, given genotype probabilities.

        Parameters
        ----------
        seen
            What was observed of all samples.
        samples
            Sample rows.
        genotypes
            float64, shape (n_markers, 3, n_mixes). Genotype probabilities of each mix, at all markers.
        markers
            Which markers to look at, in which order.

        Returns
        -------
        ndarray
            float64, shape (len(markers), n_mixes, n_samples).

        """
        given = genotypes[markers].transpose(0, 2, 1)
        if seen.depths is not None:
            return given @ self.reads.of(seen.depths[np.ix_(samples, markers)]).transpose(1, 2, 0)
        is_call = seen.calls[np.ix_(samples, markers)].T[:, None] == CALLS[:, None]
        return (given @ self.calls.table()[markers].transpose(0, 2, 1)) @ is_call.astype(np.float64)


def calls_likelihood(table: NDArray[np.float64], calls: NDArray[np.int8]) -> NDArray[np.float64]:
    """Look calls up in a table of likelihoods.

    Parameters
    ----------
    table
        float64, shape (n_markers, 4, n_columns).
    calls
        int8, shape (n_samples, n_markers).

    Returns
    -------
    ndarray
        float64, shape (n_markers, n_samples, n_columns).

    """
    code = np.where(calls < 0, 3, calls).T
    result: NDArray[np.float64] = table[np.arange(len(table))[:, None], code]
    return result
