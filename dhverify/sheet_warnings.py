"""What the sheet leaves out that the genotypes ask for: which seedling a line was grown from, and pedigrees."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Final

from dhverify.samples import Role, Sample, SampleSheet, Stage

MIN_PAIRS: Final = 3
"""Copies that are a seedling and a line, from which the sheet is asked for its column source (common practice, no
source)."""
MOST_NAMED: Final = 5
_SEEDLINGS: Final = frozenset({Stage.HAPLOID, Stage.D0})


def undeclared_source(one: Sample, other: Sample) -> tuple[str, str] | None:
    """Return the line and the plant that it may have been grown from, of two samples of one genotype.

    None where they are no such pair: they are of one stage or of two donors, or the line has its source already.

    Examples
    --------
    >>> seedling = Sample(name="H12", role=Role.LINE, stage=Stage.HAPLOID, donor="D1")
    >>> line = Sample(name="L1", role=Role.LINE, stage=Stage.D1, donor="D1")
    >>> undeclared_source(seedling, line), undeclared_source(line, line)
    (('L1', 'H12'), None)

    """
    line, seedling = (one, other) if one.stage is Stage.D1 else (other, one)
    is_pair = line.stage is Stage.D1 and seedling.stage in _SEEDLINGS and line.donor == seedling.donor
    return (line.name, seedling.name) if is_pair and not line.source else None


def source_warning(sheet: SampleSheet, group_of: Mapping[str, str]) -> str:
    """Return a warning where most groups of undeclared copies are a line and its own seedling; else an empty text.

    Parameters
    ----------
    sheet
        The sheet.
    group_of
        By sample, the label of the samples of one genotype that are not declared so.

    """
    groups: dict[str, list[Sample]] = {}
    for name, label in group_of.items():
        groups.setdefault(label, []).append(sheet[name])
    found = [undeclared_source(*members) for members in groups.values() if len(members) == 2]
    pairs = [pair for pair in found if pair is not None]
    if len(pairs) < MIN_PAIRS or 2 * len(pairs) <= len(groups):
        return ""
    line, seedling = pairs[0]
    return (
        f"{len(pairs)} of {len(groups)} groups of copies are a seedling and a D1 line of its donor: if each line was"
        f" grown from that seedling, write so in the column source ({seedling} for {line}, and so on), then check again"
    )


def pedigree_warning(sheet: SampleSheet, genotyped: Collection[str]) -> str:
    """Return a warning where parents were typed, and donors without a pedigree cannot use them; else an empty text."""
    typed = [parent.name for parent in sheet.with_role(Role.PARENT) if parent.name in genotyped]
    donors = dict.fromkeys(family.donor for family in sheet.families if family.donor)
    lacking = [name for name in donors if name not in typed and not (name in sheet and sheet[name].pedigree)]
    if not typed or not lacking:
        return ""
    some = _some(lacking)
    verb, them = ("has", "it") if len(lacking) == 1 else ("have", "them")
    return (
        f"{some} {verb} no pedigree, so that the typed parents are not used for {them}; write it on the row of the"
        " donor, such as A/B for parents A and B"
    )


def unmatched_warnings(sheet: SampleSheet, genotyped: Sequence[str]) -> list[str]:
    """Return a warning of the samples that only the genotypes hold, and one of the lines that only the sheet holds.

    Examples
    --------
    >>> unmatched_warnings(SampleSheet(samples=()), ["X1"])
    ['1 genotyped sample is not on the sheet and left out: X1']

    """
    held = set(genotyped)
    unnamed = [name for name in genotyped if name not in sheet]
    missing = [line.name for line in sheet.lines if line.name not in held]
    texts = []
    if unnamed:
        what = "genotyped sample is" if len(unnamed) == 1 else "genotyped samples are"
        texts.append(f"{len(unnamed)} {what} not on the sheet and left out: {_some(unnamed)}")
    if missing:
        what = "line of the sheet is" if len(missing) == 1 else "lines of the sheet are"
        texts.append(f"{len(missing)} {what} in no genotype file: {_some(missing)}")
    return texts


def _some(names: Sequence[str]) -> str:
    return ", ".join(names[:MOST_NAMED]) + (", ..." if len(names) > MOST_NAMED else "")
