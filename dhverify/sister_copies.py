"""A clean line that has a copy: few reads of it look like a mixture of another gamete with that copy, too."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.analysis import Analysis
from dhverify.copy_share import COPY_SHARE
from dhverify.findings_table import EXPECTED
from dhverify.judging import Option
from dhverify.partners import PartnerGenotypes

CLEAN_SISTER: Final = 0.9
"""Probability of a clean gamete from which another line may be the same one (common practice, no source)."""


class CleanLines:
    """The lines of a lot that surely are clean gametes, by donor.

    Parameters
    ----------
    analysis
        The lot.

    """

    def __init__(self, analysis: Analysis) -> None:
        self._donor = np.array([sample.donor for sample in analysis.judged], dtype=np.str_)
        self._is_clean = analysis.clean_probability() > CLEAN_SISTER

    def of_donor(self, line: int) -> NDArray[np.int64]:
        """Clean lines of the donor of a line, itself among them if it is one; int64, ascending."""
        return np.flatnonzero(self._is_clean & (self._donor == self._donor[line]))

    def sisters_of(self, line: int) -> NDArray[np.int64]:
        """Clean lines of the same donor, other than the line itself; int64, ascending."""
        lines = self.of_donor(line)
        return lines[lines != line]


class SisterCopies:
    """Scores samples as clean lines of the same gamete as a sister.

    Parameters
    ----------
    genotypes
        Genotypes of the samples of a lot.

    """

    def __init__(self, genotypes: PartnerGenotypes) -> None:
        self._genotypes = genotypes
        self._clean = CleanLines(genotypes.analysis)

    def options(self, line: int, partners: NDArray[np.int64]) -> list[Option]:
        """Return one option for each partner (by row) that is a clean line of the same donor."""
        analysis = self._genotypes.analysis
        rows = analysis.rows[self._clean.sisters_of(line)]
        sisters = [int(partner) for partner in partners if partner in rows]
        if not sisters:
            return []
        seen = analysis.learnt.assay.genotype_likelihood(analysis.learnt.seen, analysis.rows[[line]])[:, 0]
        return [
            Option(
                finding=EXPECTED,
                log_likelihood=float(np.log((seen * self._genotypes[sister]).sum(axis=1)).sum()),
                log_weight=float(np.log(COPY_SHARE / len(self._clean.of_donor(line)))),
            )
            for sister in sisters
        ]
