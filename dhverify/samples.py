"""Samples as the sheet declares them, and the families they form."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum


class Role(StrEnum):
    """What a sample is on the sheet for."""

    LINE = "line"
    PARENT = "parent"
    DONOR = "donor"
    INDUCER = "inducer"
    BLANK = "blank"
    KNOWN = "known"
    CONTROL = "control"
    OTHER = "other"


class Stage(StrEnum):
    """Where in the programme a line was sampled."""

    HAPLOID = "haploid"
    D0 = "D0"
    D1 = "D1"


class Tissue(StrEnum):
    """What the DNA was taken from."""

    LEAF = "leaf"
    EMBRYO = "embryo"
    ENDOSPERM = "endosperm"
    PERICARP = "pericarp"
    SEED = "seed"


@dataclass(frozen=True, kw_only=True)
class Sample:
    """One row of the sample sheet; empty text where a column was left out.

    Attributes
    ----------
    name, role, stage, donor, inducer, pedigree, line, source, tissue, plants, plate, well, expected
        As in the sheet. ``stage`` is None for rows that are not lines; ``well`` is normalised (``A01``).
        ``inducer`` is filled in where the sheet has exactly one.
    extra
        (column, text) of columns that dhverify does not know, in sheet order.
    row
        Row number in the file, the header being row 1.

    """

    name: str
    role: Role
    stage: Stage | None = None
    donor: str = ""
    inducer: str = ""
    pedigree: str = ""
    line: str = ""
    source: str = ""
    tissue: Tissue = Tissue.LEAF
    plants: int = 1
    plate: str = ""
    well: str = ""
    expected: str = ""
    extra: tuple[tuple[str, str], ...] = ()
    row: int = 0


@dataclass(frozen=True, kw_only=True, order=True)
class Family:
    """Lines of one donor, induced by one inducer (both by name; the inducer may be empty)."""

    donor: str
    inducer: str


@dataclass(frozen=True, kw_only=True)
class SampleSheet:
    """A validated sample sheet.

    Attributes
    ----------
    samples
        The rows, in sheet order.
    extra_columns
        Names of unknown columns, in sheet order.
    source
        File name, for messages.
    checksum
        SHA-256 of the file, empty if it was not read from one.
    warnings
        What a user should look at, a sentence each.

    """

    samples: tuple[Sample, ...]
    extra_columns: tuple[str, ...] = ()
    source: str = "sample sheet"
    checksum: str = ""
    warnings: tuple[str, ...] = ()
    _by_name: dict[str, Sample] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_by_name", {sample.name: sample for sample in self.samples})

    def __getitem__(self, name: str) -> Sample:
        return self._by_name[name]

    def __contains__(self, name: object) -> bool:
        return name in self._by_name

    def __iter__(self) -> Iterator[Sample]:
        return iter(self.samples)

    def __len__(self) -> int:
        return len(self.samples)

    def with_role(self, role: Role) -> tuple[Sample, ...]:
        """Rows of one role, in sheet order."""
        return tuple(sample for sample in self.samples if sample.role is role)

    @property
    def lines(self) -> tuple[Sample, ...]:
        """Rows to verify, in sheet order."""
        return self.with_role(Role.LINE)

    @property
    def families(self) -> tuple[Family, ...]:
        """Families of the lines, in order of first appearance."""
        return tuple(dict.fromkeys(Family(donor=s.donor, inducer=s.inducer) for s in self.lines))
