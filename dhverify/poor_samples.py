"""Clean lines whose sample errs more than the lot: poor DNA looks like a little of everything.

The error rates of the assay are those of the lot. A sample of poor DNA shows more false heterozygotes than they
explain, scattered over the genome; without a hypothesis of its own it would be taken for a mixture or an outcross.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.alternatives import linked_log_likelihood
from dhverify.analysis import Analysis
from dhverify.findings_table import EXPECTED, clean
from dhverify.judging import Option
from dhverify.observation import AssayModel
from dhverify.scoring import LearntLot

POOR_SAMPLE: Final = "errs more than the lot"
POOR_SHARE: Final = 0.003
"""Share of clean lines whose sample errs much more than the lot (common practice, no source)."""
EXTRA_ERRORS: Final = (0.02, 0.05, 0.1, 0.2)
"""Calls of a poor sample that are wrong beyond those of the lot (common practice, no source)."""
OTHER_HOMOZYGOTE: Final = 0.2
"""Share of the wrong calls of a homozygote that show the other homozygote (common practice, no source)."""


def poor_samples(analysis: Analysis, lines: NDArray[np.int64]) -> dict[int, Option]:
    """Score lines in doubt as clean lines of poor DNA.

    Only where calls are used: reads of poor DNA are few, and their number is part of their likelihood.

    Parameters
    ----------
    analysis
        The lot.
    lines
        Judged samples in doubt.

    Returns
    -------
    dict
        One option by judged sample.

    """
    options: dict[int, Option] = {}
    if analysis.learnt.seen.depths is not None:
        return options
    worse = [_worse(analysis.learnt, extra) for extra in EXTRA_ERRORS]
    for number in np.unique(analysis.model_of[lines]):
        members = lines[analysis.model_of[lines] == number]
        model = analysis.models[int(number)]
        gamete = clean(model.shape)
        rows = analysis.rows[members]
        scores = [linked_log_likelihood(lot, rows, lot.slot_values(model), gamete) for lot in worse]
        pooled = np.logaddexp.reduce(scores, axis=0) - np.log(len(scores))
        options |= _options(members, pooled)
    return options


def _options(members: NDArray[np.int64], scores: NDArray[np.float64]) -> dict[int, Option]:
    weight = float(np.log(POOR_SHARE))
    return {
        int(line): Option(finding=EXPECTED, log_likelihood=float(score), log_weight=weight, detail=POOR_SAMPLE)
        for line, score in zip(members, scores, strict=True)
    }


def _worse(learnt: LearntLot, extra: float) -> LearntLot:
    """The lot with an assay that errs more."""
    calls = learnt.assay.calls
    worse = AssayModel(
        calls=replace(
            calls,
            marker_hom_to_het=calls.marker_hom_to_het + (1 - OTHER_HOMOZYGOTE) * extra,
            hom_to_other_hom=calls.hom_to_other_hom + OTHER_HOMOZYGOTE * extra,
        ),
        reads=learnt.assay.reads,
    )
    return replace(learnt, assay=worse)
