"""Counts against the sample sheet: what cannot be counts of this programme is refused."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from dhverify.counted_lines import CountedLine
from dhverify.counts import Counts, CountsRow
from dhverify.errors import Defect, FormatError
from dhverify.samples import Role, SampleSheet, Stage


def check_counts(counts: Counts, sheet: SampleSheet, lines: Sequence[CountedLine]) -> None:
    """Refuse counts that cannot be those of a sheet.

    Raises
    ------
    FormatError
        Naming each row whose donor or inducer no line has, and each donor with more lines sorted as haploid than
        putative haploids counted.

    """
    known = {"donor": {s.donor for s in sheet.lines}, "inducer": {s.inducer for s in sheet.lines}}
    known["donor"] |= {s.name for s in sheet if s.role is Role.DONOR}
    known["inducer"] |= {s.name for s in sheet if s.role is Role.INDUCER} | {""}
    defects = []
    for row in counts:
        for column in ("donor", "inducer"):
            name = getattr(row, column)
            if name not in known[column]:
                where = f"row {row.row}, column {column}"
                expected = f"one of {', '.join(sorted(known[column] - {''}))}, as in {sheet.source}"
                defects.append(Defect(where=where, found=name, expected=expected))
    defects += _too_few(counts, lines)
    if defects:
        raise FormatError(counts.source, defects)


def _too_few(counts: Counts, lines: Sequence[CountedLine]) -> list[Defect]:
    """Donors with more lines sorted as haploid than were counted."""
    seedlings = Counter((li.sample.donor, li.sample.inducer) for li in lines if li.stage is Stage.HAPLOID)
    rows_of: dict[str, list[CountsRow]] = {}
    for row in counts:
        rows_of.setdefault(row.donor, []).append(row)
    defects = []
    for donor, rows in rows_of.items():
        putative = [row.putative_haploids for row in rows]
        inducers = {row.inducer for row in rows}
        total = sum(n or 0 for n in putative)
        n_lines = sum(n for (own, i), n in seedlings.items() if own == donor and ("" in inducers or i in inducers))
        if None in putative or n_lines <= total:
            continue
        places = "row " + " and ".join(str(row.row) for row in rows)
        expected = f"at least {n_lines}, the lines of {donor} at stage haploid in the sample sheet"
        defects.append(Defect(where=f"{places}, column putative_haploids", found=str(total), expected=expected))
    return defects
