"""A clean line that has a copy: few reads of it look like a mixture of another gamete with that copy, too."""

from __future__ import annotations

from collections import Counter
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.copy_share import COPY_SHARE
from dhverify.findings_table import EXPECTED
from dhverify.judging import Option
from dhverify.partners import PartnerGenotypes

CLEAN_SISTER: Final = 0.9
"""Probability of a clean gamete from which another line may be the same one (common practice, no source)."""


class SisterCopies:
    """Scores samples as clean lines of the same gamete as a sister.

    Parameters
    ----------
    genotypes
        Genotypes of the samples of a lot.

    """

    def __init__(self, genotypes: PartnerGenotypes) -> None:
        analysis = genotypes.analysis
        self._genotypes = genotypes
        self._number = {int(row): line for line, row in enumerate(analysis.rows)}
        self._donor = [sample.donor for sample in analysis.judged]
        self._is_clean = analysis.clean_probability() > CLEAN_SISTER
        self._n_clean = Counter(donor for donor, clean in zip(self._donor, self._is_clean, strict=True) if clean)

    def options(self, line: int, partners: NDArray[np.int64]) -> list[Option]:
        """Return one option for each partner (by row) that is a clean line of the same donor."""
        analysis = self._genotypes.analysis
        row, donor = int(analysis.rows[line]), self._donor[line]
        sisters = [int(p) for p in partners if self._is_sister(line, self._number.get(int(p), line))]
        if not sisters:
            return []
        seen = analysis.learnt.assay.genotype_likelihood(analysis.learnt.seen, np.array([row]))[:, 0]
        return [
            Option(
                finding=EXPECTED,
                log_likelihood=float(np.log((seen * self._genotypes[sister]).sum(axis=1)).sum()),
                log_weight=float(np.log(COPY_SHARE / self._n_clean[donor])),
            )
            for sister in sisters
        ]

    def _is_sister(self, line: int, other: int) -> bool:
        return other != line and self._donor[other] == self._donor[line] and bool(self._is_clean[other])
