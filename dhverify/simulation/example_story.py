"""The story of the example: what was planted where, and the right answer for each, as Markdown."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from dhverify.simulation.plates import well_place
from dhverify.simulation.specimens import CLEAN

if TYPE_CHECKING:
    from dhverify.simulation.programme import Row, SimulatedProgramme

_HEAD: Final = """# An invented programme to try dhverify on

Everything here is made up: the plants, the names, the people who sorted the kernels. `truth.csv` and
`truth_others.csv` say what every sample really is, so that an answer can be checked.

A nursery has {n_donors} donors, each a cross of two inbreds:
{donors}.
One inducer, Inducer1, pollinated them all. {n_sorters} people, {sorters}, sorted the kernels. From
each donor {n_lines} seedlings of kernels sorted as haploid were sampled (stage haploid, `H` in the name), and
later {n_lines} new lines (stage D1, `L` in the name); about half of the lines name the seedling that they
descend from in the column `source`. {n_samples} samples went on {n_plates} plates of 96 wells and were typed
with an array of {n_markers} markers that gets {wrong_percent:.1f} % of calls wrong and misses {missing_percent:.0f} %.

| file | what |
| --- | --- |
| `genotypes.vcf.gz` | the calls |
| `samples.csv` | the sample sheet |
| `counts.csv` | kernels, sorted kernels, plants and ears, by donor and sorter |
| `truth.csv` | what each line really is |
| `truth_others.csv` | the same for references, controls, blanks, plates and bad markers |

    dhverify check example_vcf/genotypes.vcf.gz --samples example_vcf/samples.csv \\
        --counts example_vcf/counts.csv --by sorter --out results
    python -m dhverify.simulation.example example_vcf

The second command makes these files again, byte for byte.
"""

_ANSWERS: Final = {
    "hybrid": "`fail`, `hybrid`",
    "selfed hybrid": "`fail`, `selfed hybrid`",
    "donor": "`fail`, `donor`",
    "selfed donor": "`fail`, `selfed donor`",
    "outcross": "`fail`, `outcross`",
    "other donor": "`fail`, `other donor`",
    "mixture": "`retest`, `mixture`: take fresh tissue",
}

_WHAT: Final = {
    "hybrid": "donor gamete x inducer",
    "selfed hybrid": "seed of a selfed hybrid plant",
    "donor": "the donor plant itself",
    "selfed donor": "the donor, selfed",
    "outcross": "donor gamete x stray pollen",
    "other donor": "a clean line of another donor",
}


def story(programme: SimulatedProgramme) -> str:
    """Tell what was planted in the example and what the right answers are."""
    sections = [
        _head(programme),
        _table(
            "Planted cases among the lines",
            ("sample", "well", "what it is", "right answer"),
            _cases(programme),
        ),
        _table("Wells, controls and markers", ("what", "where", "right answer"), _others(programme)),
        _rest(programme),
    ]
    return "\n".join(sections)


def _head(programme: SimulatedProgramme) -> str:
    settings = programme.settings
    donors = [row for row in programme.sheet if row["role"] == "donor"]
    sorters = sorted({row["sorter"] for row in programme.sheet} - {""})
    return _HEAD.format(
        n_donors=_word(len(donors)),
        donors=", ".join(f"{row['sample']} = {row['pedigree']}" for row in donors),
        n_sorters=_word(len(sorters)).capitalize(),
        sorters=", ".join(sorters),
        n_lines=settings.lines_per_donor,
        n_samples=len(programme.samples),
        n_plates=_word(len({row["plate"] for row in programme.sheet} - {""})),
        n_markers=settings.n_markers,
        wrong_percent=100 * settings.error_rate,
        missing_percent=100 * settings.missing,
    )


def _word(number: int) -> str:
    return {1: "one", 2: "two", 3: "three", 4: "four"}.get(number, str(number))


def _table(title: str, header: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    lines = [f"## {title}", "", f"| {' | '.join(header)} |", f"| {' | '.join(['---'] * len(header))} |"]
    lines += [f"| {' | '.join(row)} |" for row in rows]
    return "\n".join([*lines, ""])


def _places(programme: SimulatedProgramme) -> dict[str, str]:
    return {row["sample"]: f"{row['plate']} {row['well']}".strip() for row in programme.sheet}


def _cases(programme: SimulatedProgramme) -> list[tuple[str, ...]]:
    """Rows of the table of planted cases, in the order of the sheet."""
    place, near, twins = _places(programme), _near_dirty_blanks(programme), _undeclared_copies(programme)
    odd_sets = _odd_replicates(programme)
    rows: list[tuple[str, ...]] = []
    for truth in programme.truth:
        sample = truth["sample"]
        what, answer = _told(truth)
        if not what and sample in twins:
            what, answer = f"the same genotype as {twins[sample]}", "`retest`, flag `duplicate`"
        if not what and sample in odd_sets:
            what, answer = "its replicate is another line", "`retest`, flag `line mismatch`"
        if not what and sample in near:
            what, answer = (
                f"clean, beside the dirty blank {near[sample]}",
                "`retest`, flag `near a dirty blank`",
            )
        if what:
            rows.append((sample, place[sample], what, answer))
    return rows


def _told(truth: Row) -> tuple[str, str]:
    """Tell what a line is, and the right answer, from the truth alone; empty for a clean line."""
    finding, case = truth["finding"], truth["case"]
    if finding == "mixture":
        share = float(truth["contaminant_share"])
        return f"{case}: {100 * share:.0f} % of the DNA is {truth['contaminant']}'s", _ANSWERS[finding]
    if finding in _ANSWERS:
        what = _WHAT[finding] + (f" ({truth['donor']})" if finding == "other donor" else "")
        what += f" (of {truth['pollen']}, an inbred that is not on the sheet)" if truth["pollen"] else ""
        return f"{what}; {case}" if case else what, _ANSWERS[finding]
    if case == "inducer segment":
        chrom, span, copies = truth["segments"].split(":")
        start, end = (int(bp) / 1e6 for bp in span.split("-"))
        kind = "added, heterozygous" if copies == "1" else "in place of the donor's, homozygous"
        what = f"clean but for inducer DNA, chromosome {chrom}, {start:.0f}-{end:.0f} Mb ({kind})"
        return what, "`fail`, flag `inducer segment`; the finding stays"
    answers = {
        "failed well": "`retest`, flag `low call rate`",
        "duplicate": "`retest`, flag `duplicate`",
        "replicate of another line": "`retest`, flag `line mismatch`",
    }
    if case == "duplicate":
        return f"a second sample of {truth['copy_of']} under its own name", answers[case]
    if case.startswith("label exchanged"):
        return f"{case}, a sister", "`retest`, flag `source mismatch`"
    return case, answers.get(case, "")


def _undeclared_copies(programme: SimulatedProgramme) -> dict[str, str]:
    """Lines of one genotype with a duplicate, and the duplicate's name."""
    genotype = {row["genotype"]: row["sample"] for row in programme.truth if row["case"] == "duplicate"}
    return {row["sample"]: genotype[row["genotype"]] for row in programme.truth if row["genotype"] in genotype}


def _odd_replicates(programme: SimulatedProgramme) -> set[str]:
    """Return the samples of replicate sets in which one is another line."""
    line = {row["sample"]: row["line"] for row in programme.sheet}
    wrong = {line[row["sample"]] for row in programme.truth if row["case"] == "replicate of another line"}
    return {sample for sample, name in line.items() if name in wrong}


def _near_dirty_blanks(programme: SimulatedProgramme) -> dict[str, str]:
    """Return the samples beside, above or below a dirty blank, and the blank."""
    sheet = {row["sample"]: row for row in programme.sheet}
    dirty = [sheet[row["name"]] for row in programme.others if row["case"] == "dirty blank"]
    near = {}
    for blank in dirty:
        row, column = well_place(blank["well"])
        for other in programme.sheet:
            if other["plate"] == blank["plate"]:
                r, c = well_place(other["well"])
                if abs(r - row) + abs(c - column) == 1:
                    near[other["sample"]] = blank["sample"]
    return near


def _others(programme: SimulatedProgramme) -> list[tuple[str, ...]]:
    """Rows of the table of everything else."""
    place = _places(programme)
    kinds = {row["name"]: row["kind"] for row in programme.others}
    rows: list[tuple[str, ...]] = []
    for other in programme.others:
        name, case = other["name"], other["case"]
        if other["kind"] == "blank":
            answer = f"dirty: it holds DNA of {other['contaminant']}" if case else "clean"
            rows.append((f"blank {name}", place[name], answer))
        elif other["kind"] == "control":
            rows.append((f"control {name}", place[name], f"`{other['finding']}`, as expected"))
        elif other["kind"] == "marker":
            what = "heterozygous in every sample" if case == "all het" else "missing in most samples"
            rows.append((f"marker {name}", "", f"not usable: {what}"))
        elif other["kind"] == "plate":
            rows.append((f"plate {name}", "", "not turned"))
    references = [name for name, kind in kinds.items() if kind in ("parent", "donor", "inducer")]
    rows.append((f"references {', '.join(references)}", "", "agree with their offspring"))
    return rows


def _rest(programme: SimulatedProgramme) -> str:
    told = {row[0] for row in _cases(programme)}
    rest = [row for row in programme.truth if row["sample"] not in told]
    if any(row["finding"] not in CLEAN for row in rest):  # pragma: no cover
        raise AssertionError("a planted case without a story")
    return f"## Everything else\n\nThe other {len(rest)} samples of lines are what their labels say: `pass`.\n"
