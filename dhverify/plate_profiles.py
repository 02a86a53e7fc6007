"""What each kind of sample should look like at single markers, learnt from the other samples of the lot.

Deliberately plain (allele frequencies, markers taken as independent, no map): it is only used to compare whole
plates, and has to be learnt anew for every story about a plate.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dhverify.gamete_sums import (
    FEWEST_LINES,
    Frequencies,
    GameteSums,
    allele_dose,
    hybrid_dose,
    hybrid_sums,
    line_sums,
    rows_of,
)
from dhverify.genotypes import MISSING
from dhverify.pedigree import expected_shares, parse_pedigree
from dhverify.samples import Role, Sample, SampleSheet

ERRORS: Final = np.array([[0.98, 0.012, 0.008], [0.1, 0.8, 0.1], [0.008, 0.012, 0.98]])
"""Chance of each call (column) given the genotype (row), on the safe side (common practice, no source)."""
HYBRID_HETEROZYGOSITY: Final = 0.15
"""Heterozygous at more of the compared markers, a line is not counted as a gamete of its donor."""
PARENT_WEIGHT: Final = 2.0
"""Gametes that a typed parent's own calls count for in its donor's profile (common practice, no source)."""
LINE_MIX: Final = (0.78, 0.18, 0.04)
"""A line is a clean gamete, a hybrid, or selfed donor (common practice, no source)."""
CLEAN_CONTROLS: Final = frozenset({"haploid", "doubled haploid"})


@dataclass(frozen=True, kw_only=True, eq=False)
class Profiles:
    """Expected genotypes of everything on the sheet, under one story."""

    calls: NDArray[np.int8]
    rows_of: Mapping[str, Sequence[int]]
    sheet: SampleSheet
    lines: Mapping[str, GameteSums]
    is_gamete: NDArray[np.bool_]
    holds: Mapping[int, Sample]
    hybrids: Mapping[tuple[str, str], tuple[Frequencies, Frequencies]]
    shares: Mapping[str, Mapping[str, float]]
    _fits: dict[tuple[tuple[str, ...], int], float | None] = field(init=False, repr=False, default_factory=dict)

    @cached_property
    def inducers(self) -> dict[str, tuple[Frequencies, Frequencies]]:
        """What hybrids say of each inducer: sums of second alleles and of calls."""
        found: dict[str, tuple[Frequencies, Frequencies]] = {}
        for (inducer, _), (second, n) in self.hybrids.items():
            so_far = found.get(inducer)
            found[inducer] = (second, n) if so_far is None else (so_far[0] + second, so_far[1] + n)
        return found

    def of_donors(self, donors: Collection[str]) -> Profiles:
        """The same with the pedigrees of some donors only: what is not near a plate tells nothing of it."""
        return replace(self, shares={donor: shares for donor, shares in self.shares.items() if donor in donors})

    def changed(self, told: Mapping[int, Sample | None]) -> Profiles:
        """What is learnt where some rows hold something else, or nothing that is known.

        Parameters
        ----------
        told
            What each of these rows holds.

        """
        told = {row: origin for row, origin in told.items() if self.holds.get(row) is not origin}
        if not told:
            return self
        holds = {row: held for row, held in {**self.holds, **told}.items() if held is not None}
        pairs = [(row, held) for row, origin in told.items() for held in (self.holds.get(row), origin) if held]
        donors = {held.donor for _, held in pairs if held.donor}
        names = {held.name for _, held in pairs}
        lines = {**self.lines, **line_sums(self.calls, self.is_gamete, holds, donors)}
        return replace(
            self,
            holds=holds,
            rows_of={**self.rows_of, **dict.fromkeys(names, ()), **rows_of(holds, names)},
            lines=lines,
            hybrids={
                **{key: sums for key, sums in self.hybrids.items() if key[1] not in donors},
                **hybrid_sums(self.calls, self.is_gamete, holds, lines, donors),
            },
        )

    def of(self, sample: Sample, row: int) -> float | None:
        """Log likelihood that a row holds a sample of the sheet; None where nothing is expected of it."""
        key = (self.kind(sample), row)
        if key not in self._fits:
            parts = self._parts(sample, row)
            self._fits[key] = None if parts is None else float(self._log_mix(parts, np.array([row]))[0])
        return self._fits[key]

    def of_rows(self, sample: Sample, rows: NDArray[np.int64]) -> Frequencies | None:
        """Log likelihood that each row holds a sample of the sheet; shape (n_rows,); None as in ``of``."""
        parts = self._parts(sample, None)
        if parts is None:
            return None
        score = self._log_mix(parts, rows)
        for k, row in enumerate(rows):
            if self._donors_of(sample) & self._donors_of(self.holds.get(int(row))):
                own = self.of(sample, int(row))
                score[k] = score[k] if own is None else own
        return score

    def anything(self, rows: NDArray[np.int64], wells: Sequence[Sample]) -> NDArray[np.float64]:
        """Log likelihood that rows hold something of a plate, every well being as likely; shape (n_rows,).

        Each row is left out of what it is compared with.
        """
        kinds = Counter(self.kind(sample) for sample in wells if sample.role is not Role.BLANK)
        example = {self.kind(sample): sample for sample in wells}
        weights, scores = [1.0], [self._as_stranger(rows)]
        for kind, n_wells in kinds.items():
            sample = example[kind]
            score = self.of_rows(sample, rows)
            if score is None:
                continue
            weights.append(float(n_wells))
            scores.append(score)
        share = np.log(np.array(weights) / sum(weights))
        return np.asarray(np.logaddexp.reduce(np.array(scores) + share[:, None], axis=0))

    def _donors_of(self, sample: Sample | None) -> set[str]:
        """Donors whose gametes a sample tells of; an inducer stands for itself."""
        if sample is None:
            return set()
        if sample.role is Role.PARENT:
            return {donor for donor, shares in self.shares.items() if sample.name in shares}
        return {sample.name} if sample.role in {Role.DONOR, Role.INDUCER} else {sample.donor}

    @staticmethod
    def kind(sample: Sample) -> tuple[str, ...]:
        """What tells a sample from others: those of one kind look alike."""
        if sample.role in {Role.LINE, Role.CONTROL}:
            return (sample.role, sample.donor, sample.inducer, sample.expected)
        return (sample.role, sample.name)

    def _log_mix(self, parts: list[tuple[float, NDArray[np.float64]]], rows: NDArray[np.int64]) -> Frequencies:
        calls = self.calls[rows]
        scores = []
        for weight, genotypes in parts:
            log_chance = np.log(genotypes @ ERRORS)
            total = sum((calls == c).astype(np.float64) @ log_chance[:, c] for c in range(3))
            scores.append(np.log(weight) + total)
        return np.asarray(np.logaddexp.reduce(np.array(scores), axis=0))

    def _parts(self, sample: Sample, row: int | None) -> list[tuple[float, NDArray[np.float64]]] | None:
        if sample.role in {Role.LINE, Role.CONTROL} and sample.donor:
            return self._line_parts(sample, row)
        if sample.role is Role.DONOR:
            p = self._gametes(sample.name, row)
            het = 4 * p * (1 - p)
            first_generation = np.stack([(1 - het) * (1 - p), het, (1 - het) * p], axis=1)
            return [(0.5, _mixed(first_generation)), (0.5, _united(p, p))]
        if sample.role is Role.PARENT:
            return [(1.0, _inbred(self._parent(sample.name, row)))]
        if sample.role is Role.INDUCER:
            return [(1.0, _inbred(self._inducer(sample.name, row)))]
        return None

    def _line_parts(self, sample: Sample, row: int | None) -> list[tuple[float, NDArray[np.float64]]] | None:
        p = self._gametes(sample.donor, row)
        clean, hybrid = _inbred(p), _united(p, self._inducer(sample.inducer, row))
        if sample.role is Role.LINE:
            return list(zip(LINE_MIX, (clean, hybrid, _united(p, p)), strict=True))
        expected = sample.expected.casefold()
        if expected in CLEAN_CONTROLS:
            return [(1.0, clean)]
        return [(1.0, hybrid)] if expected == "hybrid" else None

    def _as_stranger(self, rows: NDArray[np.int64]) -> Frequencies:
        """Log likelihood that rows hold an inbred with the alleles of the rest of the lot; shape (n_rows,)."""
        is_called = self.calls != MISSING
        copies = np.where(is_called, self.calls, 0)
        second, n = copies.sum(axis=0) - copies[rows], is_called.sum(axis=0) - is_called[rows]
        pools = (second + 1) / (2 * n + 2)
        return np.array(
            [self._log_mix([(1.0, _inbred(pool))], np.array([row]))[0] for row, pool in zip(rows, pools, strict=True)]
        )

    def _gametes(self, donor: str, row: int | None) -> Frequencies:
        """Expected second-allele share of a gamete of a donor, a row left out."""
        second, n, _ = self._line_sums(donor, row)
        for parent, share in self.shares.get(donor, {}).items():
            own, called = self._typed(parent, row)
            second = second + PARENT_WEIGHT * share * own
            n = n + PARENT_WEIGHT * share * called
        return (second + 0.25) / (n + 0.5)

    def _line_sums(self, donor: str, row: int | None) -> tuple[Frequencies, Frequencies, int]:
        zero = np.zeros(self.calls.shape[1])
        sums = self.lines.get(donor)
        if sums is None:
            return zero, zero, 0
        held = self.holds.get(row) if row is not None else None
        is_own = held is not None and held.role is Role.LINE and held.donor == donor and self.is_gamete[row]
        if not is_own or row is None:
            return sums.second, sums.n, sums.n_lines
        own, called = allele_dose(self.calls[row])
        return sums.second - own, sums.n - called, sums.n_lines - 1

    def _typed(self, name: str, row: int | None) -> tuple[Frequencies, Frequencies]:
        """Alleles and calls of the rows that hold a sample, a row left out."""
        rows = [k for k in self.rows_of.get(name, ()) if k != row]
        if not rows:
            zero = np.zeros(self.calls.shape[1])
            return zero, zero
        return allele_dose(self.calls[rows[0]])

    def _parent(self, name: str, row: int | None) -> Frequencies:
        """Second-allele share of a parent, from the lines of its donors and their other parents."""
        second, n = np.full(self.calls.shape[1], 0.25), np.full(self.calls.shape[1], 0.5)
        for donor, shares in self.shares.items():
            if name not in shares:
                continue
            total, called, n_lines = self._line_sums(donor, row)
            if n_lines < FEWEST_LINES:
                continue
            value = total / np.maximum(called, 1e-9)
            known = np.full_like(value, shares[name])
            for other, share in shares.items():
                own, is_called = self._typed(other, row)
                if other != name:
                    value = value - share * np.where(is_called > 0, own, 0.0)
                    known = known + np.where(is_called > 0, 0.0, share)
            value = np.clip(value / known, 0.0, 1.0)
            weight = np.minimum(called, 8.0)
            second, n = second + weight * value, n + weight
        return np.asarray(second / n)

    def _inducer(self, name: str, row: int | None) -> Frequencies:
        """Second-allele share of an inducer, from its own call and from hybrids."""
        own, called = self._typed(name, row)
        second, n = self.inducers.get(name, (np.zeros_like(own), np.zeros_like(own)))
        held = self.holds.get(row) if row is not None else None
        if row is not None and held is not None and name in self.inducers and _is_hybrid_of(held, name):
            mine = self._hybrid_dose(row, held.donor)
            if mine is not None:
                second, n = second - mine[0], n - mine[1]
        return (second + PARENT_WEIGHT * own + 0.25) / (n + PARENT_WEIGHT * called + 0.5)

    def _hybrid_dose(self, row: int, donor: str) -> tuple[Frequencies, Frequencies] | None:
        return None if self.is_gamete[row] else hybrid_dose(self.calls[row], self.lines.get(donor))


def is_expected(sample: Sample) -> bool:
    """Whether anything is expected of what a sample of the sheet looks like."""
    if sample.role is Role.CONTROL:
        return bool(sample.donor) and sample.expected.casefold() in {"hybrid", *CLEAN_CONTROLS}
    if sample.role is Role.LINE:
        return bool(sample.donor)
    return sample.role in {Role.DONOR, Role.PARENT, Role.INDUCER}


def _is_hybrid_of(sample: Sample, inducer: str) -> bool:
    return sample.role in {Role.LINE, Role.CONTROL} and sample.inducer == inducer and bool(sample.donor)


def _inbred(p: Frequencies) -> NDArray[np.float64]:
    return _mixed(np.stack([1 - p, np.zeros_like(p), p], axis=1))


def _united(p: Frequencies, q: Frequencies) -> NDArray[np.float64]:
    return _mixed(np.stack([(1 - p) * (1 - q), p * (1 - q) + q * (1 - p), p * q], axis=1))


def _mixed(genotypes: NDArray[np.float64]) -> NDArray[np.float64]:
    """Genotype probabilities with a floor."""
    return 0.98 * genotypes + 0.02 / 3


def learn_profiles(
    calls: NDArray[np.int8],
    samples: Sequence[Sample],
    is_full: NDArray[np.bool_],
    holds: Mapping[str, Sample | None],
    sheet: SampleSheet,
) -> Profiles:
    """Learn what everything on a sheet looks like, under a story.

    Parameters
    ----------
    calls
        int8, shape (n_samples, n_markers).
    samples
        The row of the sheet that each row of ``calls`` is named after.
    is_full
        bool, shape (n_samples,). Whether a well holds DNA.
    holds
        For each sample of the sheet, the one that it really holds under the story, if any.
    sheet
        The sample sheet.

    """
    told = {row: origin for row, s in enumerate(samples) if (origin := holds[s.name]) is not None and is_full[row]}
    called = (calls != MISSING).sum(axis=1)
    is_gamete = (calls == 1).sum(axis=1) <= HYBRID_HETEROZYGOSITY * np.maximum(called, 1)
    lines = line_sums(calls, is_gamete, told)
    return Profiles(
        calls=calls,
        rows_of=rows_of(told),
        sheet=sheet,
        lines=lines,
        is_gamete=is_gamete,
        holds=told,
        hybrids=hybrid_sums(calls, is_gamete, told, lines),
        shares=parent_shares(sheet),
    )


def parent_shares(sheet: SampleSheet) -> dict[str, dict[str, float]]:
    """Expected share of each founder in each donor whose pedigree is known."""
    return {
        sample.name: expected_shares(parse_pedigree(sample.pedigree, source=f"pedigree of {sample.name}"))
        for sample in sheet
        if sample.role is Role.DONOR and sample.pedigree
    }
