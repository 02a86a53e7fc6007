"""What was found of identities in a lot."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from itertools import chain

from dhverify.declared_identity import KNOWN, LINE, SOURCE
from dhverify.outcome import Answer, Flag, IdentityRow


@dataclass(frozen=True, kw_only=True)
class IdentityFindings:
    """Which samples are one genotype.

    Attributes
    ----------
    rows
        Declared pairs in sheet order, then undeclared pairs found.
    duplicate_group
        Label of samples of one genotype that are not declared so, by name.
    flags
        By sample: duplicate, line mismatch, source mismatch, turned plate.
    agreeing_replicates
        Lines that agree within a replicate set, to be judged together.
    stories
        What may have happened to labels, with the evidence, a sentence or two each.
    holds
        For labels of a story, the label that their DNA was meant for, where the sheet has it.
    blind
        Why copies could not be looked for among the lines of some donors, a sentence; empty where they could.
    displaced
        For labels of a story about a plate, a row or a column, how it came out of place.
    rests_on
        By story: samples that it takes to stand as the sheet says.

    """

    rows: tuple[IdentityRow, ...]
    duplicate_group: Mapping[str, str]
    flags: Mapping[str, frozenset[Flag]]
    agreeing_replicates: tuple[tuple[str, ...], ...]
    blind: str
    stories: tuple[str, ...]
    holds: Mapping[str, str]
    displaced: Mapping[str, str]
    rests_on: Mapping[str, frozenset[str]] = field(default_factory=dict)

    def beside(self, displaced: Collection[str]) -> IdentityFindings:
        """The same without what rests on samples that proved to stand elsewhere than the sheet says.

        These are stories, and mismatches of a sample that stands in its place with such samples only.
        """
        gone = {text for text, names in self.rests_on.items() if not names.isdisjoint(displaced)}
        untold = frozenset(chain.from_iterable(self.rests_on[text] for text in gone))
        return replace(
            self,
            stories=tuple(text for text in self.stories if text not in gone),
            holds={label: meant for label, meant in self.holds.items() if label not in untold},
            flags={name: own - self._untold_flags(name, displaced) for name, own in self.flags.items()},
        )

    def _untold_flags(self, name: str, displaced: Collection[str]) -> frozenset[Flag]:
        """Mismatches of a sample with displaced ones only; none of a sample that is displaced itself."""
        if name in displaced:
            return frozenset()
        untold = set()
        for flag, kinds in ((Flag.SOURCE_MISMATCH, {SOURCE}), (Flag.LINE_MISMATCH, {LINE, KNOWN})):
            others = [
                row.other_sample if row.sample == name else row.sample
                for row in self.rows
                if row.declared in kinds and row.same_genotype is Answer.NO and name in (row.sample, row.other_sample)
            ]
            if others and all(other in displaced for other in others):
                untold.add(flag)
        return frozenset(untold)

    def same_as(self, name: str) -> tuple[str, ...]:
        """Samples that were compared with a sample and found to be one genotype with it, in the order of the rows."""
        pairs = [(row.sample, row.other_sample) for row in self.rows if row.same_genotype is Answer.YES]
        return tuple(two if one == name else one for one, two in pairs if name in (one, two))

    def duplicates(self, name: str) -> tuple[str, ...]:
        """Names of the other samples of a duplicate's group; none if it is no duplicate."""
        label = self.duplicate_group.get(name)
        return tuple(other for other, group in self.duplicate_group.items() if group == label and other != name)
