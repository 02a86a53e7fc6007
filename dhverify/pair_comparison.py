"""Pairs of samples compared: which agree enough to be looked at, at what they agree, and their log odds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.analysis import Analysis
from dhverify.findings_table import n_meioses
from dhverify.lot import Lot
from dhverify.marker_quality import sample_heterozygosity
from dhverify.one_plant import STRANDS_APART
from dhverify.pair_odds import PairOdds
from dhverify.pair_screen import CallBits, agreeing_pairs, packed
from dhverify.stretches import MAP_TRUST, map_stretches, seen_stretches

SEEN_MINOR_SHARE: Final = 0.05
"""Where the strands are not known, a marker segregates when the rarer allele has at least this share in the family
(common practice, no source)."""
MIN_CLEAN_SHARE: Final = 0.2
"""Share of clean lines from which a family shows its strands (common practice, no source)."""
AGREEMENT_RANGE: Final = (0.8, 0.95)
"""Copies are looked for among pairs that agree at this share at least; where in the range depends on the errors."""
AGREEMENT_SLACK: Final = 0.04
"""Pairs that agree at so much less than the errors allow are still looked at closely (common practice, no source; on
the safe side)."""


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """Two samples compared.

    Attributes
    ----------
    agreement
        Share of equal calls at markers that segregate in the families of the two; None without any.
    compared
        Such markers called in both.
    stretches
        Independent stretches of genome that they stand for.
    log_odds
        Natural log odds of one genotype against two gametes; nan where nothing can be said.

    """

    agreement: float | None
    compared: int
    stretches: float
    log_odds: float


class PairComparison:
    """Compares samples of a lot by name.

    Parameters
    ----------
    lot
        The lot.
    analysis
        What was learnt of it.
    donor_of
        For clean lines of another donor than the sheet says, by name, that donor.

    """

    def __init__(self, lot: Lot, analysis: Analysis, donor_of: Mapping[str, str] | None = None) -> None:
        self.lot, self.analysis = lot, analysis
        self.odds = PairOdds(lot, analysis, donor_of)
        self._is_elsewhere = {lot.row[name] for name in donor_of or {}}
        self.clean = analysis.clean_probability() > 0.5
        self.segregating = np.array(
            [self._segregating(number) for number in range(len(analysis.models))], dtype=bool
        ).reshape(len(analysis.models), lot.grid.n_markers)
        self.bits = CallBits(lot.seen.calls)
        self.mask = packed(self.segregating)
        self._stretches: dict[tuple[int, bool], tuple[float, float]] = {}

    def _segregating(self, model: int) -> NDArray[np.bool_]:
        """Markers that segregate in a family: by its strands, or by what its samples show.

        Strands that nobody typed are known from clean lines; without enough of these the samples decide.
        """
        family, learnt = self.analysis.models[model], self.analysis.learnt
        members = self.analysis.model_of == model
        founders = family.slots[list(family.donor_slots)]
        strands = learnt.strand_second[founders]
        apart = np.asarray(np.ptp(strands, axis=0) > STRANDS_APART)
        is_known = (np.abs(strands - 0.5) > 0.5 * STRANDS_APART).all(axis=0)
        is_typed = all(self.analysis.registry.typed(founders.tolist()))
        is_known &= is_typed or bool(self.clean[members].mean() >= MIN_CLEAN_SHARE)
        calls = learnt.seen.calls[self.analysis.rows[members]]
        first, second = (calls == 0).sum(axis=0), (calls == 2).sum(axis=0)
        het = (calls == 1).sum(axis=0)
        rarer = 2 * np.minimum(first, second) + het
        is_seen = rarer >= np.maximum(2, SEEN_MINOR_SHARE * 2 * (first + second + het))
        return np.asarray(np.where(is_known, apart, is_seen) & ~self.odds.shown_fixed(model))

    def panels(self) -> dict[str, tuple[int, float]]:
        """By donor, the markers that segregate among its lines and the independent stretches they stand for."""
        return {
            model.family.donor: (int(self.segregating[n].sum()), self._family_stretches(n, is_clean=True)[0])
            for n, model in enumerate(self.analysis.models)
        }

    def alike(self, names: Sequence[str], min_compared: int) -> list[tuple[str, str]]:
        """Pairs of samples that agree enough to be one genotype, exactly as if every pair were counted.

        Pairs of one family are compared at the markers that segregate in it; pairs across families must agree
        both at all markers and at those that segregate in either family.
        """
        rows = [self.lot.row[name] for name in names if not self.odds.is_fixed(self.lot.row[name])]
        model = np.array([self.odds.model_of_row.get(row, -1) for row in rows], dtype=np.int64)
        row_of = np.array(rows, dtype=np.int64)
        least = self._least_agreement()
        found: list[tuple[int, int]] = []
        for number in np.unique(model[model >= 0]):
            members = row_of[model == number]
            calls = self.lot.seen.calls[members][:, self.segregating[number]]
            pairs = agreeing_pairs(calls, min_agreement=least, min_compared=min_compared)
            found += zip(members[pairs.first].tolist(), members[pairs.second].tolist(), strict=True)
        if len(np.unique(model)) > 1:
            found += self._across(row_of, model, least, min_compared)
        name_of = [sample.name for sample in self.lot.samples]
        return [(name_of[a], name_of[b]) for a, b in sorted((min(p), max(p)) for p in found)]

    def _across(
        self, row_of: NDArray[np.int64], model: NDArray[np.int64], least: float, min_compared: int
    ) -> list[tuple[int, int]]:
        calls = self.lot.seen.calls[row_of]
        pairs = agreeing_pairs(calls, min_agreement=least, min_compared=min_compared)
        is_other = model[pairs.first] != model[pairs.second]
        first, second = row_of[pairs.first[is_other]], row_of[pairs.second[is_other]]
        equal, compared = self._counts(first, second)
        is_alike = (compared >= min_compared) & (equal >= least * compared)
        return list(zip(first[is_alike].tolist(), second[is_alike].tolist(), strict=True))

    def _least_agreement(self) -> float:
        """Share of equal calls from which a pair is looked at: well below what copies reach with these errors."""
        errors = self.analysis.learnt.assay.calls
        calls = self.lot.seen.calls[self.analysis.rows[self.clean]]
        het = sample_heterozygosity(calls)
        seen = float(np.nanmedian(het)) if np.isfinite(het).any() else 0.0
        wrong = max(seen, float(np.median(errors.marker_hom_to_het))) + errors.hom_to_other_hom
        low, high = AGREEMENT_RANGE
        return float(np.clip(1 - AGREEMENT_SLACK - 4 * wrong, low, high))

    def _counts(
        self, first: NDArray[np.int64], second: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Equal calls and compared markers at markers that segregate in the family of either sample."""
        equal, compared = np.zeros(len(first), dtype=np.int64), np.zeros(len(first), dtype=np.int64)
        for start in range(0, len(first), 4096):
            part = slice(start, start + 4096)
            mask = self._mask(first[part]) | self._mask(second[part])
            equal[part], compared[part] = self.bits.count(first[part], second[part], mask)
        return equal, compared

    def _mask(self, rows: NDArray[np.int64]) -> NDArray[np.uint64]:
        model = np.array([self.odds.model_of_row.get(int(row), -1) for row in rows], dtype=np.int64)
        mask = self.mask[model]
        mask[model < 0] = 0
        return mask

    def compare(self, pairs: Sequence[tuple[str, str]]) -> list[Comparison]:
        """Compare pairs of samples by name."""
        if not pairs:
            return []
        first = self.lot.rows([one for one, _ in pairs])
        second = self.lot.rows([two for _, two in pairs])
        equal, compared = self._counts(first, second)
        log_odds = self.odds.log_odds(first.tolist(), second.tolist())
        found = []
        for k in range(len(pairs)):
            stretches, worth = self._pair_stretches(int(first[k]), int(second[k]))
            n = int(compared[k])
            found.append(
                Comparison(
                    agreement=float(equal[k] / n) if n else None,
                    compared=n,
                    stretches=min(stretches, float(n)),
                    log_odds=float(log_odds[k]) * worth,
                )
            )
        return found

    def _pair_stretches(self, first: int, second: int) -> tuple[float, float]:
        """Independent stretches of a pair, and what one nat of its log odds is worth."""
        told = [
            self._family_stretches(self.odds.model_of_row[row], is_clean=self._is_clean(row))
            for row in (first, second)
            if row in self.odds.model_of_row
        ]
        if not told:
            return 0.0, 1.0
        return min(stretches for stretches, _ in told), min(worth for _, worth in told)

    def _is_clean(self, row: int) -> bool:
        number = self.analysis.line_of.get(row)
        return row in self._is_elsewhere or number is None or bool(self.clean[number])

    def _family_stretches(self, model: int, *, is_clean: bool) -> tuple[float, float]:
        """Stretches of a family, and how far its own lines bear out the map: at most 1.

        Where the lines vary more in their agreement than the map lets expect (no map, a wrong one, linked markers
        without a place), the log odds count the same evidence several times and are scaled down.
        """
        key = (model, is_clean)
        if key not in self._stretches:
            mask = self.segregating[model]
            promised = map_stretches(self.lot.grid, mask)
            alike = (self.analysis.model_of == model) & (self.clean == is_clean)
            seen = seen_stretches(self.lot.seen.calls[self.analysis.rows[alike]][:, mask])
            is_alike = not n_meioses(self.analysis.models[model].shape.donor)
            placed = float(np.isfinite(self.lot.grid.cm[mask]).mean()) if mask.any() else 0.0
            most = MAP_TRUST if is_alike else 2 * MAP_TRUST
            trust = 1 + (most - 1) * placed
            bounded = promised if seen is None else min(trust * seen, promised)
            self._stretches[key] = (bounded, bounded / promised if promised else 1.0)
        return self._stretches[key]
