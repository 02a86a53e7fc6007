"""References are judged too: do they agree with their offspring, are they inbred, are they somebody's copy."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom

from dhverify.analysis import Analysis
from dhverify.family_models import HETEROZYGOUS_INDUCER, FamilyModel
from dhverify.genotypes import MISSING
from dhverify.limits import Limits
from dhverify.lot import Lot
from dhverify.outcome import Answer, ReferenceRow
from dhverify.samples import Role, Sample

MIN_COPIES: Final = 2.0
"""Copies of a strand that must have been seen in offspring before a marker is compared."""
MIN_MARKERS: Final = 15
"""Markers compared from which it is said whether a reference agrees: at 15 a wrong inbred differs at none with
probability .637 ** 15 = .001 (computed; polymorphism .363: Yan et al. 2010, Mol Breeding 25:441-451)."""
SURE: Final = 0.75
"""A strand's allele is taken from offspring when this share of its copies show it."""
CALL_ERROR: Final = 0.01
"""Markers at which a call of a reference is wrong, beyond what its stock may differ (0.70 % in maize: Wang et al. 2020,
Sci Rep 10:16308)."""
BY_CHANCE: Final = 0.01
"""Probability of as many conflicts in a true reference below which they are no chance (common practice, no source)."""
COPY_AGREEMENT: Final = 0.995
"""Two references of different names are copies when they agree at this share of markers that vary in the lot."""


@dataclass(frozen=True, kw_only=True)
class ReferenceFindings:
    """Rows of ``references.csv``, and the references in doubt.

    Attributes
    ----------
    rows
        In sheet order.
    in_doubt
        Reason by sample name.

    """

    rows: tuple[ReferenceRow, ...]
    in_doubt: Mapping[str, str]


def judge_references(lot: Lot, analysis: Analysis, limits: Limits) -> ReferenceFindings:
    """Compare every genotyped reference with its offspring."""
    roles = (Role.PARENT, Role.DONOR, Role.INDUCER)
    references = [s for s in lot.samples if s.role in roles]
    copies = _copies(lot, [s for s in references if s.name not in analysis.silent])
    rows, doubt = [], {}
    for sample in references:
        row, is_bad = _reference(lot, analysis, limits, sample, copies.get(sample.name, ""))
        rows.append(row)
        if is_bad:
            doubt[sample.name] = row.reason
    return ReferenceFindings(rows=tuple(rows), in_doubt=doubt)


def family_doubt(model: FamilyModel, analysis: Analysis, doubt: Mapping[str, str]) -> str:
    """Why a family's lines cannot be trusted to their references; empty if they can."""
    names = [analysis.registry.infos[int(s)].sample for s in model.slots]
    names += [model.donor_sample, model.inducer_sample, model.family.inducer]
    found = [name for name in dict.fromkeys(names) if name and name in doubt]
    return " ".join(f"{name}: {doubt[name]}" for name in found)


def _reference(lot: Lot, analysis: Analysis, limits: Limits, sample: Sample, copy_of: str) -> tuple[ReferenceRow, bool]:
    calls = lot.seen.calls[lot.row[sample.name]]
    is_called = calls != MISSING
    rate = float(is_called.mean()) if len(calls) else 0.0
    het = float((calls[is_called] == 1).mean()) if is_called.any() else None
    agrees, reason = _agreement(lot, analysis, limits, sample, calls)
    impure = sample.name not in analysis.silent and _is_impure(sample, het, limits, analysis)
    is_bad = agrees is Answer.NO or impure or (bool(copy_of) and agrees is not Answer.YES)
    if impure and het is not None:
        reason = f"{reason} Heterozygous at {100 * het:.0f} % of its markers: not an inbred."
    if copy_of:
        reason = f"{reason} The same genotype as {copy_of}: one of the two is mislabelled."
    row = ReferenceRow(
        sample=sample.name,
        role=sample.role.value,
        call_rate=rate,
        heterozygosity=het,
        agrees=agrees,
        reason=reason.strip(),
    )
    return row, is_bad


def _is_impure(sample: Sample, het: float | None, limits: Limits, analysis: Analysis) -> bool:
    """A parent or inducer that should be inbred and is not; a cross of two inducers is no fault."""
    if het is None or sample.role is Role.DONOR:
        return False
    error = float(analysis.learnt.assay.calls.marker_hom_to_het.mean())
    if sample.role is Role.INDUCER and (sample.pedigree or het > HETEROZYGOUS_INDUCER):
        return False
    return het > limits.max_reference_conflict + 2 * error


def _agreement(
    lot: Lot, analysis: Analysis, limits: Limits, sample: Sample, calls: NDArray[np.int8]
) -> tuple[Answer, str]:
    if sample.name in analysis.silent:
        reason = f"{_plate_of(sample)}, or a part of it, does not stand as the sheet says; settle its layout first."
        return Answer.CANNOT_SAY, reason
    strands = [k for k, info in enumerate(analysis.registry.infos) if info.sample == sample.name]
    if strands:
        return _strand_agreement(analysis, limits, strands[0], calls)
    for number, model in enumerate(analysis.models):
        if model.family.donor == sample.name:
            if _founders_are_typed(analysis, model):
                return _pedigree_agreement(analysis, limits, model, calls)
            return _donor_agreement(lot, analysis, limits, number, calls)
    return Answer.CANNOT_SAY, "No line of this lot descends from it."


def _plate_of(sample: Sample) -> str:
    return f"Plate {sample.plate}" if sample.plate else "Its plate"


def _strand_agreement(analysis: Analysis, limits: Limits, strand: int, calls: NDArray[np.int8]) -> tuple[Answer, str]:
    """Compare an inbred's own calls with what its copies in offspring show."""
    counts = analysis.strand_counts.values[strand]
    total = counts.sum(axis=1)
    second = counts[:, 1] / np.maximum(total, 1e-9)
    is_known = (total >= MIN_COPIES) & ((second > SURE) | (second < 1 - SURE)) & ((calls == 0) | (calls == 2))
    n = int(is_known.sum())
    if n < MIN_MARKERS:
        return Answer.CANNOT_SAY, f"Its offspring show its allele at {n} markers only."
    wrong = int(((second > 0.5) != (calls == 2))[is_known].sum())
    return _answer(wrong, n, limits)


def _answer(
    wrong: int, n: int, limits: Limits, what: str = "differ from what its offspring show"
) -> tuple[Answer, str]:
    """Hold a share of markers against the limit; over it, but not beyond chance, is no answer."""
    share, limit = wrong / n, limits.max_reference_conflict
    text = f"{wrong} of {n} markers ({100 * share:.1f} %) {what}"
    if share <= limit:
        return Answer.YES, f"{text}."
    text += f" (limit {100 * limit:g} %"
    if binom.sf(wrong - 1, n, min(limit + CALL_ERROR, 1.0)) < BY_CHANCE:
        return Answer.NO, f"{text})."
    return Answer.CANNOT_SAY, f"{text}, not beyond chance on so few)."


def _donor_agreement(
    lot: Lot, analysis: Analysis, limits: Limits, number: int, calls: NDArray[np.int8]
) -> tuple[Answer, str]:
    """Compare a donor plant's calls with the alleles that its clean lines carry."""
    clean = analysis.clean_probability()
    lines = np.flatnonzero((analysis.model_of == number) & (clean > 0.9) & ~analysis.is_silent())
    seen = lot.seen.calls[analysis.rows[lines]]
    is_fixed = (calls == 0) | (calls == 2)
    opposite = np.where(calls == 0, 2, 0)
    shown = ((seen == 0) | (seen == 2)) & is_fixed
    n = int(shown.any(axis=0).sum())
    if len(lines) < 3 or n < MIN_MARKERS:
        return Answer.CANNOT_SAY, f"{len(lines)} clean lines to compare it with."
    against = (shown & (seen == opposite)).sum(axis=0)
    wrong = int((against > 0.2 * np.maximum(shown.sum(axis=0), 1))[shown.any(axis=0)].sum())
    return _answer(wrong, n, limits)


def _founders_are_typed(analysis: Analysis, model: FamilyModel) -> bool:
    return all(analysis.registry.infos[int(model.slots[slot])].sample for slot in model.donor_slots)


def _pedigree_agreement(
    analysis: Analysis, limits: Limits, model: FamilyModel, calls: NDArray[np.int8]
) -> tuple[Answer, str]:
    """Compare a donor's calls with what its founders can give: their alleles, and in an F1 both of them."""
    values = analysis.learnt.strand_second[model.slots[list(model.donor_slots)]]
    is_sure = ((values < 0.1) | (values > 0.9)).all(axis=0) & (calls != MISSING)
    has_second, has_first = (values > 0.9).any(axis=0), (values < 0.1).any(axis=0)
    wrong = ((calls > 0) & ~has_second) | ((calls < 2) & ~has_first)
    if model.shape.donor == (0, 1) and model.donor_sample:
        dropout = analysis.learnt.assay.calls.dropout
        is_het = has_first & has_second
        lost = int(((calls != 1) & is_het & is_sure).sum())
        if lost > 3 * dropout * max(int((is_het & is_sure).sum()), 1) + 3 and analysis.learnt.seen.depths is None:
            wrong |= (calls != 1) & is_het
    n = int(is_sure.sum())
    if n < MIN_MARKERS:
        return Answer.CANNOT_SAY, f"Its founders are known at {n} markers only."
    answer, text = _answer(int((wrong & is_sure).sum()), n, limits, "are not what a plant of its pedigree shows")
    if answer is not Answer.YES and model.shape.donor == (0, 1):
        first, second = model.founder_names
        text += f" If it is a selfed plant of that cross (an F2), its pedigree is {first}/{second}//{first}/{second}."
    return answer, text


def _copies(lot: Lot, references: Sequence[Sample]) -> dict[str, str]:
    """References of different names that are one genotype."""
    if len(references) < 2:
        return {}
    calls = lot.seen.calls[lot.rows([s.name for s in references])]
    hom = [(calls == genotype).astype(np.float32) for genotype in range(3)]
    same = sum(table @ table.T for table in hom)
    called = sum(hom)
    both = called @ called.T
    varies = np.array([table.any(axis=0) for table in hom]).sum(axis=0) > 1
    n_varying = called[:, varies] @ called[:, varies].T
    agreement = 1 - (both - same) / np.maximum(n_varying, 1)
    is_copy = (n_varying >= MIN_MARKERS) & (agreement >= COPY_AGREEMENT)
    np.fill_diagonal(is_copy, val=False)
    return {
        references[int(first)].name: references[int(np.flatnonzero(is_copy[first])[0])].name
        for first in np.flatnonzero(is_copy.any(axis=1))
    }
