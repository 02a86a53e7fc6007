"""Which samples are one genotype: as the sheet declares it, against it, and where it says nothing.

Pairs that nothing declares start from long odds, because a lot has many pairs and few copies; a declared pair
starts from even odds. A yes also needs enough compared markers and enough independent stretches of genome: on two
chromosomes sisters are alike by chance too often to tell.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from dhverify.analysis import Analysis
from dhverify.copy_share import ACROSS_SHARE, COPY_SHARE, EXCHANGED_SHARE, copy_threshold, learnt_copy_share, logit
from dhverify.declared_identity import (
    LINE,
    NONE,
    SOURCE,
    DeclaredPair,
    agreeing_replicates,
    declared_groups,
    declared_pairs,
    mismatch_flags,
    suggested,
)
from dhverify.donor_exchanges import donor_stories, fitting_donor
from dhverify.exchanges import Findings, Story, tell_stories
from dhverify.genotypes import MISSING
from dhverify.identity_findings import IdentityFindings
from dhverify.limits import Limits
from dhverify.lot import Lot
from dhverify.outcome import Answer, Flag, IdentityRow
from dhverify.pair_comparison import PairComparison
from dhverify.samples import Role, SampleSheet

DECLARED_SHARE: Final = 0.96
"""Share of declared pairs that are one genotype: 25 of 615 released lines had purity or label problems (Qu et al.
2022, Plants 11:3092). It is asked of a no, not granted to a yes."""
SOME_DONORS: Final = 5
"""Donors that a warning names."""
MIN_STRETCHES: Final = 12.0
"""Independent stretches without which no two samples are said to be one genotype: sisters then agree at all of them
in 2 ** -12 = 2e-4 of pairs; two maize chromosomes have 5 to 9 (computed), five to ten chromosomes 15 to 40."""
POOR_SHARE: Final = 0.4
"""A sample called at less than this share of the lot's lower quartile is poor DNA; it is not said to be a copy of
another without the sheet saying so (common practice, no source)."""


def judge_identity(lot: Lot, analysis: Analysis, sheet: SampleSheet, limits: Limits) -> IdentityFindings:
    """Compare declared pairs, look for undeclared ones, and tell what may have happened.

    Parameters
    ----------
    lot
        The genotyped samples.
    analysis
        What was learnt of them.
    sheet
        What is declared.
    limits
        ``min_identity_markers`` and ``min_confidence`` are used.

    """
    elsewhere = fitting_donor(analysis)
    judge = _Judge(lot, analysis, sheet, limits, elsewhere)
    judge.compare_declared()
    judge.look_for_copies()
    stories = judge.stories()
    told = {name for story in stories for name in story.meant}
    stories += donor_stories(sheet, elsewhere, told | judge.strayed())
    groups = judge.copy_groups({pair for story in stories for pair in story.explained})
    return IdentityFindings(
        rows=judge.rows(stories),
        duplicate_group=groups,
        flags=judge.flags(groups, stories),
        agreeing_replicates=agreeing_replicates(sheet, judge.answer),
        blind=judge.blind(),
        stories=tuple(story.text for story in stories),
        holds={label: meant for s in stories for label, meant in s.meant.items() if meant in sheet},
        displaced={label: story.move for story in stories if story.move for label in story.meant},
        rests_on={story.text: story.rests_on for story in stories if story.rests_on},
    )


class _Judge:
    """Compares pairs and keeps what was found."""

    def __init__(
        self, lot: Lot, analysis: Analysis, sheet: SampleSheet, limits: Limits, elsewhere: Mapping[str, str]
    ) -> None:
        self.lot, self.sheet, self.limits, self.elsewhere = lot, sheet, limits, elsewhere
        self.comparison = PairComparison(lot, analysis, elsewhere)
        self.declared = declared_pairs(sheet, lot.row)
        self.groups = declared_groups(sheet)
        clean = analysis.clean_probability() > 0.5
        self.is_clean = {s.name: bool(c) for s, c in zip(analysis.judged, clean, strict=True)}
        compared = [s.name for s in lot.samples if s.role in (Role.LINE, Role.KNOWN)]
        self.n_of_donor = Counter(sheet[name].donor for name in compared)
        poor = _poor(lot)
        self.candidates = [name for name in compared if name not in poor]
        self.found: dict[frozenset[str], IdentityRow] = {}
        self.misfits: set[str] = set()
        self.left: set[str] = set()
        self.copy_share = COPY_SHARE
        self.stretches: dict[frozenset[str], float] = {}
        self.torn: set[str] = set()

    def answer(self, one: str, two: str) -> Answer | None:
        """Answer of a pair, None where it was not compared."""
        row = self.found.get(frozenset({one, two}))
        return None if row is None else row.same_genotype

    def blind(self) -> str:
        """Say for which donors with several lines no two of them could be said to be one genotype."""
        panels = {
            donor: (markers, stretches)
            for donor, (markers, stretches) in self.comparison.panels().items()
            if self.n_of_donor[donor] > 1 and (markers < self.limits.min_identity_markers or stretches < MIN_STRETCHES)
        }
        if not panels:
            return ""
        donors = list(panels)
        named = ", ".join(donors[:SOME_DONORS])
        named += f" and {len(donors) - SOME_DONORS} more donors" if len(donors) > SOME_DONORS else ""
        most, widest = (max(values) for values in zip(*panels.values(), strict=True))
        return (
            f"Copies cannot be told from sisters among the lines of {named}: at most {most} markers segregate there"
            f" (min_identity_markers {self.limits.min_identity_markers}), which stand for {widest:.0f} independent"
            f" stretches of genome ({MIN_STRETCHES:.0f} are needed)."
        )

    def compare_declared(self) -> None:
        """Answer every declared pair."""
        typed = [p for p in self.declared if p.sample in self.lot.row and p.other_sample in self.lot.row]
        self._compare(typed)
        for pair in self.declared:
            key = frozenset({pair.sample, pair.other_sample})
            if key not in self.found:
                self.found[key] = IdentityRow(
                    sample=pair.sample,
                    other_sample=pair.other_sample,
                    declared=pair.declared,
                    same_genotype=Answer.CANNOT_SAY,
                    agreement=None,
                    compared_markers=0,
                    log_odds=None,
                )

    def look_for_copies(self) -> None:
        """Compare all undeclared pairs that agree enough to be one genotype, and keep those that are."""
        broken = [r for r in self.found.values() if r.declared == SOURCE and r.same_genotype is Answer.NO]
        self.misfits, self.left = {row.sample for row in broken}, {row.other_sample for row in broken}
        torn = [r for r in self.found.values() if r.declared == LINE and r.same_genotype is Answer.NO]
        self.torn = {name for row in torn for name in (row.sample, row.other_sample)}
        pairs = [
            self._ordered(one, two)
            for one, two in self.comparison.alike(self.candidates, self.limits.min_identity_markers)
            if self.groups.root(one) != self.groups.root(two)
            and Role.LINE in (self.sheet[one].role, self.sheet[two].role)
        ]
        self._compare(pairs)
        self._learn_copy_share(pairs)

    def _learn_copy_share(self, pairs: Sequence[DeclaredPair]) -> None:
        """Learn how many lines have a copy among those of their donor, and answer again."""
        keys = [frozenset({p.sample, p.other_sample}) for p in pairs]
        open_rows = {key: row for key in keys if (row := self.found[key]).declared == NONE and row.log_odds is not None}
        told = [
            (row.log_odds, self.n_of_donor[donor])
            for row in open_rows.values()
            if (donor := self._common_donor(row)) is not None
        ]
        if not told:
            return
        log_odds, n_others = np.array(told, dtype=np.float64).T
        self.copy_share = learnt_copy_share(log_odds, n_others, len(self.candidates))
        for key, row in open_rows.items():
            answer = self._answer(row, row.compared_markers, self.stretches[key], row.log_odds or 0.0)
            self.found[key] = replace(row, same_genotype=answer)

    def _common_donor(self, pair: IdentityRow | DeclaredPair) -> str | None:
        """Donor of both samples of a pair; None where these differ."""
        donors = {self.elsewhere.get(name, self.sheet[name].donor) for name in (pair.sample, pair.other_sample)}
        return donors.pop() if len(donors) == 1 else None

    def _ordered(self, one: str, two: str) -> DeclaredPair:
        if self.sheet[one].role is Role.KNOWN:
            one, two = two, one
        return DeclaredPair(sample=one, other_sample=two, declared=NONE)

    def _compare(self, pairs: Sequence[DeclaredPair]) -> None:
        pairs = [p for p in pairs if frozenset({p.sample, p.other_sample}) not in self.found]
        compared = self.comparison.compare([(p.sample, p.other_sample) for p in pairs])
        for pair, seen in zip(pairs, compared, strict=True):
            self.stretches[frozenset({pair.sample, pair.other_sample})] = seen.stretches
            has_odds = seen.compared > 0 and np.isfinite(seen.log_odds)
            self.found[frozenset({pair.sample, pair.other_sample})] = IdentityRow(
                sample=pair.sample,
                other_sample=pair.other_sample,
                declared=pair.declared,
                same_genotype=self._answer(pair, seen.compared, seen.stretches, seen.log_odds),
                agreement=seen.agreement,
                compared_markers=seen.compared,
                log_odds=seen.log_odds if has_odds else None,
            )

    def _answer(self, pair: DeclaredPair | IdentityRow, compared: int, stretches: float, log_odds: float) -> Answer:
        if compared < self.limits.min_identity_markers or not np.isfinite(log_odds):
            return Answer.CANNOT_SAY
        even = logit(self.limits.min_confidence)
        if log_odds <= -even - logit(DECLARED_SHARE):
            return Answer.CANNOT_SAY if self._may_segregate(pair) else Answer.NO
        needed = self._copy_threshold(pair) if pair.declared == NONE else even
        return Answer.YES if log_odds >= needed and stretches >= MIN_STRETCHES else Answer.CANNOT_SAY

    def _copy_threshold(self, pair: DeclaredPair | IdentityRow) -> float:
        donor = self._common_donor(pair)
        confidence = self.limits.min_confidence
        if self._may_be_exchanged(pair):
            return copy_threshold(len(self.misfits), confidence, copy_share=EXCHANGED_SHARE)
        if {pair.sample, pair.other_sample} <= self.torn:
            return copy_threshold(len(self.torn), confidence, copy_share=EXCHANGED_SHARE)
        if donor is not None:
            return copy_threshold(self.n_of_donor[donor], confidence, copy_share=self.copy_share)
        return copy_threshold(self.n_of_donor.total(), confidence, copy_share=ACROSS_SHARE)

    def _may_be_exchanged(self, pair: DeclaredPair | IdentityRow) -> bool:
        """Whether one sample does not fit its source, and the other is a source that its descendant does not fit."""
        one, two = pair.sample, pair.other_sample
        return (one in self.misfits and two in self.left) or (two in self.misfits and one in self.left)

    def _may_segregate(self, pair: DeclaredPair | IdentityRow) -> bool:
        """Whether a descendant differs from its source because the source is no clean gamete: it segregates."""
        names = (pair.sample, pair.other_sample)
        return pair.declared == SOURCE and not any(self.is_clean.get(name, True) for name in names)

    def _undeclared(self) -> list[IdentityRow]:
        return [row for row in self.found.values() if row.declared == NONE and row.same_genotype is Answer.YES]

    def stories(self) -> tuple[Story, ...]:
        """Tell what may have happened to labels."""
        declared = [self.found[frozenset({p.sample, p.other_sample})] for p in self.declared]
        kept = tuple((r.sample, r.other_sample) for r in declared if r.same_genotype is Answer.YES)
        broken = [r for r in declared if r.same_genotype is Answer.NO]
        return tell_stories(
            self.sheet,
            Findings(
                undeclared=tuple((r.sample, r.other_sample) for r in self._undeclared()),
                kept=kept,
                broken=tuple((r.sample, r.other_sample) for r in broken),
                descendants=frozenset(r.sample for r in broken),
                groups=self.groups,
                fits_own_donor=frozenset(name for name, is_clean in self.is_clean.items() if is_clean),
                replicates=frozenset(self.torn),
            ),
        )

    def copy_groups(self, explained: set[tuple[str, str]]) -> dict[str, str]:
        """Label samples of one genotype that are not declared so; what a story explains is no copy.

        Pairs are joined from the surest on; two groups with a pair that is certainly not one genotype stay
        apart, however well a poor sample fits both.
        """
        party_of = {sample.name: [sample.name] for sample in self.lot.samples}
        edges = [
            row
            for row in self.found.values()
            if row.same_genotype is Answer.YES and (row.sample, row.other_sample) not in explained
        ]
        for row in sorted(edges, key=lambda r: (-(r.log_odds or 0.0), r.sample, r.other_sample)):
            one, two = party_of[row.sample], party_of[row.other_sample]
            if one is not two and not any(self.answer(a, b) is Answer.NO for a in one for b in two):
                one += two
                party_of.update(dict.fromkeys(two, one))
        copies = {name for row in edges if row.declared == NONE for name in (row.sample, row.other_sample)}
        labels: dict[str, str] = {}
        for name, party in party_of.items():
            is_split = len({self.groups.root(member) for member in party}) > 1
            if name not in labels and is_split and copies & set(party):
                label = f"copy {len(set(labels.values())) + 1}"
                labels.update(dict.fromkeys(party, label))
        return labels

    def rows(self, stories: Iterable[Story]) -> tuple[IdentityRow, ...]:
        """Declared pairs in sheet order with suggestions, then undeclared pairs of one genotype."""
        holder = {meant: label for story in stories for label, meant in story.meant.items()}
        same_as = self._same_as()
        place = {sample.name: number for number, sample in enumerate(self.sheet)}
        declared = [
            self._suggesting(self.found[frozenset({p.sample, p.other_sample})], same_as, holder) for p in self.declared
        ]
        none = sorted(self._undeclared(), key=lambda r: (place[r.sample], place[r.other_sample]))
        return (*declared, *none)

    def _same_as(self) -> dict[str, list[str]]:
        """By sample, those that are one genotype with it and not declared so, in sheet order."""
        alike = {frozenset({row.sample, row.other_sample}) for row in self._undeclared()}
        place = {sample.name: number for number, sample in enumerate(self.sheet)}
        found: dict[str, list[str]] = {}
        for pair in alike:
            for name in pair:
                found.setdefault(name, []).extend(pair - {name})
        return {name: sorted(names, key=place.__getitem__) for name, names in found.items()}

    def strayed(self) -> set[str]:
        """Lines whose source is not one genotype with them, but is with another sample: where theirs is, is known."""
        held = self._same_as()
        return {name for name in self.misfits if self.sheet[name].source in held}

    def _suggesting(
        self, row: IdentityRow, same_as: Mapping[str, Sequence[str]], holder: Mapping[str, str]
    ) -> IdentityRow:
        """Add the sample that fits in place of one that does not: as a story tells it, else by its genotype."""
        if row.same_genotype is not Answer.NO:
            return row
        told = holder.get(row.sample, "") if row.declared == SOURCE else ""
        fitting = same_as.get(row.other_sample, [])
        if told in fitting or (told and not fitting and row.other_sample not in holder.values()):
            return replace(row, suggestion=told)
        return replace(row, suggestion=suggested(row.other_sample, same_as, self.sheet[row.sample], self.sheet))

    def flags(self, groups: Mapping[str, str], stories: Iterable[Story]) -> dict[str, frozenset[Flag]]:
        """Flags of samples of role line."""
        flags: dict[str, set[Flag]] = {}
        for name, found in mismatch_flags(self.sheet, self.declared, self.answer).items():
            flags.setdefault(name, set()).update(found)
        for name in groups:
            flags.setdefault(name, set()).add(Flag.DUPLICATE)
        for name in {name for story in stories if story.move for name in story.meant}:
            flags.setdefault(name, set()).add(Flag.TURNED_PLATE)
        lines = {sample.name for sample in self.sheet.lines}
        return {name: frozenset(found) for name, found in flags.items() if name in lines}


def _poor(lot: Lot) -> set[str]:
    """Samples called at far fewer markers than is usual in the lot."""
    names = [s.name for s in lot.samples if s.role in (Role.LINE, Role.KNOWN)]
    if not names:
        return set()
    rate = (lot.seen.calls[lot.rows(names)] != MISSING).mean(axis=1)
    cut = POOR_SHARE * float(np.quantile(rate, 0.25))
    return {name for name, share in zip(names, rate, strict=True) if share < cut}
