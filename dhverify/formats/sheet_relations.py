"""The rows of a sample sheet against each other: names that must be there, wells, descent, pedigrees."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from dhverify.errors import Defect, PedigreeError
from dhverify.formats.defects import did_you_mean
from dhverify.pedigree import founders, parse_pedigree
from dhverify.samples import Role, Sample, Stage

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence

_STAGES: Final = tuple(Stage)
_SOURCE_ROLES: Final = frozenset({Role.LINE, Role.KNOWN, Role.OTHER})
_HAS_DONOR: Final = frozenset({Role.LINE, Role.CONTROL})


class Relations:
    """Checks of a whole sheet.

    Parameters
    ----------
    samples
        The rows, in sheet order.
    unread
        Names of rows that are no samples because something in them is wrong.

    """

    def __init__(self, samples: Sequence[Sample], unread: Collection[str] = ()) -> None:
        self.samples = samples
        self.unread = unread
        self.by_name = {sample.name: sample for sample in reversed(samples)}
        self.inducers = [sample.name for sample in samples if sample.role is Role.INDUCER]
        self.warnings: list[str] = []

    def defects(self) -> list[Defect]:
        """Everything that contradicts itself, by row; warnings are collected on the way."""
        found = [
            *self._doubled(),
            *self._wells(),
            *self._cycles(),
            *self._replicates(),
            *(defect for sample in self.samples for defect in self._row(sample)),
        ]
        return [defect for _, defect in sorted(found, key=lambda pair: pair[0])]

    def completed(self) -> tuple[Sample, ...]:
        """Return the rows, the inducer filled in where the sheet has exactly one."""
        if len(self.inducers) != 1:
            return tuple(self.samples)
        only = self.inducers[0]
        return tuple(
            replace(sample, inducer=only) if sample.role in _HAS_DONOR and not sample.inducer else sample
            for sample in self.samples
        )

    def _doubled(self) -> Iterator[tuple[int, Defect]]:
        for sample in self.samples:
            first = self.by_name[sample.name]
            if first is not sample:
                found = f"{sample.name} again (first in row {first.row})"
                yield _at(sample, "sample", found, "each sample once")

    def _wells(self) -> Iterator[tuple[int, Defect]]:
        first: dict[tuple[str, str], Sample] = {}
        for sample in self.samples:
            if not sample.well:
                continue
            other = first.setdefault((sample.plate, sample.well), sample)
            if other is not sample:
                plate = f" of plate {sample.plate}" if sample.plate else ""
                found = f"{sample.well}{plate}, which holds {other.name} (row {other.row})"
                yield _at(sample, "well", found, "one sample in a well")

    def _cycles(self) -> Iterator[tuple[int, Defect]]:
        told: set[str] = set()
        for sample in self.samples:
            chain = [sample.name]
            while (source := self._source_of(chain[-1])) and source not in chain:
                chain.append(source)
            cycle = chain[chain.index(source) :] if source else []
            if cycle and not told & set(cycle):
                told |= set(cycle)
                start = self.by_name[cycle[0]]
                found = " from ".join([*cycle, cycle[0]])
                yield _at(start, "source", found, "descent that does not come back to itself")

    def _source_of(self, name: str) -> str:
        return self.by_name[name].source if name in self.by_name else ""

    def _replicates(self) -> Iterator[tuple[int, Defect]]:
        first: dict[str, Sample] = {}
        for sample in self.samples:
            if sample.role is not Role.LINE or not sample.line or not sample.donor:
                continue
            other = first.setdefault(sample.line, sample)
            if other.donor != sample.donor:
                found = f"{sample.line}, of donor {sample.donor}, and in row {other.row} of donor {other.donor}"
                yield _at(sample, "line", found, "replicates of one line, of one donor")

    def _row(self, sample: Sample) -> Iterator[tuple[int, Defect]]:
        yield from self._named(sample, "donor", sample.donor, Role.DONOR)
        yield from self._named(sample, "inducer", sample.inducer, Role.INDUCER)
        if sample.role is Role.LINE and not sample.inducer and len(self.inducers) > 1:
            expected = "one of " + ", ".join(self.inducers)
            yield _at(sample, "inducer", f"nothing, and {len(self.inducers)} inducers in the sheet", expected)
        yield from self._descent(sample)
        yield from self._pedigree(sample)

    def _named(self, sample: Sample, column: str, name: str, role: Role) -> Iterator[tuple[int, Defect]]:
        if not name or name in self.unread:
            return
        there = self.by_name.get(name)
        if there is None:
            names = [other.name for other in self.samples if other.role is role]
            expected = did_you_mean(name, names, otherwise=f"a sample with a row of role {role}")
            yield _at(sample, column, f"{name}, which has no row", expected)
        elif there.role is not role:
            found = f"{name}, which has role {there.role} (row {there.row})"
            yield _at(sample, column, found, f"a sample of role {role}")

    def _descent(self, sample: Sample) -> Iterator[tuple[int, Defect]]:
        if not sample.source or sample.source in self.unread:
            return
        source = self.by_name.get(sample.source)
        if source is None:
            expected = did_you_mean(sample.source, self.by_name, otherwise="a sample of the sheet")
            yield _at(sample, "source", f"{sample.source}, which has no row", expected)
            return
        told = f"{source.name} (row {source.row})"
        if source.role not in _SOURCE_ROLES:
            expected = "the haploid or D0 plant that this one descends from"
            yield _at(sample, "source", f"{told}, which has role {source.role}", expected)
            return
        for column, own, other in (
            ("donor", sample.donor, source.donor),
            ("inducer", sample.inducer, source.inducer),
        ):
            if own and other and own != other:
                yield _at(sample, "source", f"{told}, of {column} {other}", f"a sample of {column} {own}")
        if sample.stage and source.stage and _STAGES.index(source.stage) > _STAGES.index(sample.stage):
            expected = f"a sample of stage {sample.stage} or earlier"
            yield _at(sample, "source", f"{told}, of stage {source.stage}", expected)

    def _pedigree(self, sample: Sample) -> Iterator[tuple[int, Defect]]:
        if not sample.pedigree or sample.role not in {Role.DONOR, Role.INDUCER}:
            return
        try:
            names = founders(parse_pedigree(sample.pedigree, source=f"row {sample.row}, column pedigree"))
        except PedigreeError as error:
            for defect in error.defects:
                where = f"row {sample.row}, column pedigree, {defect.where}"
                yield sample.row, replace(defect, where=where)
            return
        allowed = {Role.PARENT} if sample.role is Role.DONOR else {Role.PARENT, Role.INDUCER}
        for name in names:
            there = self.by_name.get(name)
            if there is None and name not in self.unread:
                self._warn_unnamed(sample, name, allowed)
            elif there is not None and there.role not in allowed:
                found = f"{name}, which has role {there.role} (row {there.row})"
                yield _at(sample, "pedigree", found, "samples of role " + " or ".join(sorted(allowed)))

    def _warn_unnamed(self, sample: Sample, name: str, allowed: set[Role]) -> None:
        names = [other.name for other in self.samples if other.role in allowed]
        hint = did_you_mean(name, names, otherwise="") if names else ""
        hint = f"; {hint}" if "did you mean" in hint else ""
        self.warnings.append(
            f"row {sample.row}, column pedigree: {name} has no row in the sheet and counts as not genotyped{hint}."
        )


def _at(sample: Sample, column: str, found: str, expected: str) -> tuple[int, Defect]:
    return sample.row, Defect(where=f"row {sample.row}, column {column}", found=found, expected=expected)
