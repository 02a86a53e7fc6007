"""What each kind of sample should look like at single markers, learnt from the other samples of the lot.

Deliberately plain (allele frequencies, markers taken as independent, no map): it is only used to compare whole
plates, and has to be learnt anew for every story about a plate.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final, TypeAlias

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
NOTHING: Final = np.empty(0, dtype=np.int64)
"""No row is left out."""
CLEAN_CONTROLS: Final = frozenset({"haploid", "doubled haploid"})

_Parts: TypeAlias = "list[tuple[float, NDArray[np.float64]]]"


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
        """Log likelihood that a row holds a sample of the sheet; None where nothing is expected of it.

        What the row itself tells of the sample is left out.
        """
        key = (self.kind(sample), row)
        if key not in self._fits:
            self._fit_each(sample, np.array([row]))
        return self._fits[key]

    def of_rows(self, sample: Sample, rows: NDArray[np.int64]) -> Frequencies | None:
        """Log likelihood that each row holds a sample of the sheet; shape (n_rows,); None as in ``of``."""
        parts = self._parts(sample, NOTHING)
        if parts is None:
            return None
        score = self._log_mix(parts, rows)
        donors, kind = self._donors_of(sample), self.kind(sample)
        is_own = np.array([bool(donors & self._donors_of(self.holds.get(int(row)))) for row in rows], dtype=bool)
        self._fit_each(sample, np.array([row for row in rows[is_own] if (kind, int(row)) not in self._fits]))
        for k in np.flatnonzero(is_own):
            own = self._fits[kind, int(rows[k])]
            score[k] = score[k] if own is None else own
        return score

    def _fit_each(self, sample: Sample, rows: NDArray[np.int64]) -> None:
        """Keep the log likelihood that each row holds a sample, the row itself left out."""
        if not len(rows):
            return
        parts, kind = self._parts(sample, rows), self.kind(sample)
        scores = [None] * len(rows) if parts is None else self._log_mix(parts, rows).tolist()
        self._fits.update({(kind, int(row)): score for row, score in zip(rows, scores, strict=True)})

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

    def _log_mix(self, parts: _Parts, rows: NDArray[np.int64]) -> Frequencies:
        """Log likelihood of rows under a mixture; genotypes of one for all, or of one for each row."""
        calls = self.calls[rows]
        scores = []
        for weight, genotypes in parts:
            log_chance = np.log(genotypes @ ERRORS)
            total = sum(_summed(calls == c, log_chance[..., c]) for c in range(3))
            scores.append(np.log(weight) + total)
        return np.asarray(np.logaddexp.reduce(np.array(scores), axis=0))

    def _parts(self, sample: Sample, left_out: NDArray[np.int64]) -> _Parts | None:
        """Genotypes that a sample may have, with their weights; float64, shape (n_left_out, n_markers, 3).

        Each of the left out rows is left out alone. Where that makes no difference, or with :data:`NOTHING`, one stands
        for all: shape (1, n_markers, 3).
        """
        if sample.role in {Role.LINE, Role.CONTROL} and sample.donor:
            return self._line_parts(sample, left_out)
        if sample.role is Role.DONOR:
            p = self._gametes(sample.name, left_out)
            het = 4 * p * (1 - p)
            first_generation = np.stack([(1 - het) * (1 - p), het, (1 - het) * p], axis=-1)
            return [(0.5, _mixed(first_generation)), (0.5, _united(p, p))]
        if sample.role is Role.PARENT:
            return [(1.0, _inbred(self._parent(sample.name, left_out)))]
        if sample.role is Role.INDUCER:
            return [(1.0, _inbred(self._inducer(sample.name, left_out)))]
        return None

    def _line_parts(self, sample: Sample, left_out: NDArray[np.int64]) -> _Parts | None:
        p = self._gametes(sample.donor, left_out)
        clean, hybrid = _inbred(p), _united(p, self._inducer(sample.inducer, left_out))
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
        return self._log_mix([(1.0, _inbred((second + 1) / (2 * n + 2)))], rows)

    def _gametes(self, donor: str, left_out: NDArray[np.int64]) -> Frequencies:
        """Expected second-allele share of a gamete of a donor; shape (n_left_out or 1, n_markers)."""
        second, n, _ = self._line_sums(donor, left_out)
        for parent, share in self.shares.get(donor, {}).items():
            own, called = self._typed(parent, left_out)
            second = second + PARENT_WEIGHT * share * own
            n = n + PARENT_WEIGHT * share * called
        return (second + 0.25) / (n + 0.5)

    def _line_sums(self, donor: str, left_out: NDArray[np.int64]) -> tuple[Frequencies, Frequencies, NDArray[np.int64]]:
        """Second alleles, calls and number of a donor's gametes."""
        sums = self.lines.get(donor)
        if sums is None:
            zero = np.zeros((1, self.calls.shape[1]))
            return zero, zero, np.zeros(1, dtype=np.int64)
        held = [self.holds.get(int(row)) for row in left_out]
        is_own = np.array([h is not None and h.role is Role.LINE and h.donor == donor for h in held], dtype=bool)
        is_own &= self.is_gamete[left_out]
        if not is_own.any():
            return sums.second[None], sums.n[None], np.array([sums.n_lines])
        own, called = allele_dose(self.calls[left_out])
        apart = is_own[:, None]
        return sums.second - own * apart, sums.n - called * apart, sums.n_lines - is_own.astype(np.int64)

    def _typed(self, name: str, left_out: NDArray[np.int64]) -> tuple[Frequencies, Frequencies]:
        """Alleles and calls of the first row that holds a sample; shape (n_left_out or 1, n_markers)."""
        rows = self.rows_of.get(name, ())
        if not rows:
            zero = np.zeros((1, self.calls.shape[1]))
            return zero, zero
        if rows[0] not in left_out:
            own, called = allele_dose(self.calls[rows[0]])
            return own[None], called[None]
        first = [next((k for k in rows if k != row), None) for row in left_out]
        calls = np.array([np.full(self.calls.shape[1], MISSING) if k is None else self.calls[k] for k in first])
        return allele_dose(calls)

    def _parent(self, name: str, left_out: NDArray[np.int64]) -> Frequencies:
        """Second-allele share of a parent, from the lines of its donors and their other parents."""
        second, n = np.full((1, self.calls.shape[1]), 0.25), np.full((1, self.calls.shape[1]), 0.5)
        for donor, shares in self.shares.items():
            if name not in shares:
                continue
            total, called, n_lines = self._line_sums(donor, left_out)
            value = total / np.maximum(called, 1e-9)
            known = np.full_like(value, shares[name])
            for other, share in shares.items():
                own, is_called = self._typed(other, left_out)
                if other != name:
                    value = value - share * np.where(is_called > 0, own, 0.0)
                    known = known + np.where(is_called > 0, 0.0, share)
            value = np.clip(value / known, 0.0, 1.0)
            weight = np.where(n_lines[:, None] >= FEWEST_LINES, np.minimum(called, 8.0), 0.0)
            second, n = second + weight * value, n + weight
        return np.asarray(second / n)

    def _inducer(self, name: str, left_out: NDArray[np.int64]) -> Frequencies:
        """Second-allele share of an inducer, from its own call and from hybrids."""
        own, called = self._typed(name, left_out)
        second, n = self.inducers.get(name, (np.zeros_like(own[0]), np.zeros_like(own[0])))
        told, is_told = self._told_by_hybrids(name, left_out)
        second, n = second - told, n - is_told
        return (second + PARENT_WEIGHT * own + 0.25) / (n + PARENT_WEIGHT * called + 0.5)

    def _told_by_hybrids(self, name: str, left_out: NDArray[np.int64]) -> tuple[Frequencies, Frequencies]:
        """What the left out rows that are hybrids of an inducer say of it; shape (n_left_out or 1, n_markers)."""
        found: dict[int, tuple[Frequencies, Frequencies]] = {}
        for number, row in enumerate(left_out):
            held = self.holds.get(int(row))
            if held is not None and name in self.inducers and _is_hybrid_of(held, name):
                mine = self._hybrid_dose(int(row), held.donor)
                if mine is not None:
                    found[number] = mine
        if not found:
            zero = np.zeros((1, self.calls.shape[1]))
            return zero, zero
        told = np.zeros((2, len(left_out), self.calls.shape[1]))
        for number, mine in found.items():
            told[:, number] = mine
        return told[0], told[1]

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
    return _mixed(np.stack([1 - p, np.zeros_like(p), p], axis=-1))


def _united(p: Frequencies, q: Frequencies) -> NDArray[np.float64]:
    return _mixed(np.stack([(1 - p) * (1 - q), p * (1 - q) + q * (1 - p), p * q], axis=-1))


def _summed(is_called: NDArray[np.bool_], log_chance: Frequencies) -> Frequencies:
    """Sum of the log chances of the calls of each row; of one chance for all rows, or of one for each."""
    if len(log_chance) == 1:
        return np.asarray(is_called.astype(np.float64) @ log_chance[0])
    return np.asarray(np.where(is_called, log_chance, 0.0).sum(axis=1))


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
