"""What the commands say at the end, for people."""

from __future__ import annotations

import shutil
import sys
import textwrap
import unicodedata
from collections import Counter
from typing import TYPE_CHECKING, Final

from dhverify.report.look import counted
from dhverify.samples import Role

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

    from dhverify.formats.template_guesses import TemplateRow
    from dhverify.outcome import CheckOutcome, LineRow

MOST_WARNINGS: Final = 20
MOST_TOLD: Final = 6
LONGEST_NAME: Final = 28
LONGEST_REASON: Final = 100


def closing_lines(outcome: CheckOutcome, folder: Path) -> Iterator[str]:
    """Yield the counts, what probably happened, what stands out, the lines to look at, and where the report is."""
    from dhverify.report.advice import urgent_advice
    from dhverify.report.folder_kind import REPORT
    from dhverify.report.page.sentences import answer, answer_continued, lines_to_look_at

    yield answer(outcome)
    yield from answer_continued(outcome)
    yield from _told("What probably happened (nothing was corrected):", outcome.stories)
    yield from _told("What stands out in the programme:", urgent_advice(outcome))
    lines = lines_to_look_at(outcome)
    if lines:
        total = sum(line.verdict != "pass" for line in outcome.lines)
        yield ""
        yield f"Look at these{f' first ({len(lines)} of {total})' if total > len(lines) else ''}:"
        yield from _table(lines)
    yield ""
    yield f"Report: {printable(str(folder / REPORT))}"


def warning_lines(outcome: CheckOutcome) -> Iterator[str]:
    """Yield warnings about the input, the first ones if there are many."""
    for warning in outcome.warnings[:MOST_WARNINGS]:
        yield f"warning: {printable(warning)}"
    if len(outcome.warnings) > MOST_WARNINGS:
        yield f"warning: and {len(outcome.warnings) - MOST_WARNINGS} more; summary.json holds all"


def fitted(lines: Iterable[str], width: int | None) -> Iterator[str]:
    """Fit lines to a screen: sentences are wrapped between words, rows of a table are cut; None fits everything.

    Examples
    --------
    >>> list(fitted(["one two three", "  - four five six", "  row of a table"], 11))
    ['one two', 'three', '  - four', '    five', '    six', '  row of a…']

    """
    for line in lines:
        is_item = line.startswith("  - ")
        if width is None or len(line) <= width:
            yield line
        elif line.startswith("  ") and not is_item:
            yield line[: width - 1] + "…"
        else:
            yield from textwrap.wrap(
                line, width, subsequent_indent="    " if is_item else "", break_long_words=False, break_on_hyphens=False
            )


def screen_width() -> int | None:
    """Return how wide the screen is, None where the text goes to a file or a pipe."""
    return shutil.get_terminal_size().columns if sys.stdout.isatty() else None


def sheet_message(rows: Sequence[TemplateRow], file: Path, genotypes: Sequence[Path]) -> str:
    """Return what was guessed for a sheet that was just written, what is empty, and what to do next."""
    here = printable(str(file))
    files = " ".join(printable(str(path)) for path in genotypes)
    return "\n".join(
        [
            f"{here}: {counted(len(rows), 'row')} written, from the sample names alone.",
            f"  guessed: {_roles(rows)}; the column guess names each guessed value",
            *_empty_cells(rows),
            "Look over each row: which names are parents or donors, and the stage of the lines, are guesses.",
            "Each donor that a line names needs a row of its own (role donor) and its pedigree, such as A/B, if known.",
            "Say in the columns line and source which samples are one on purpose, or they count as copies. Then run",
            f"  dhverify check {files} --samples {here} --out results",
        ]
    )


def _roles(rows: Sequence[TemplateRow]) -> str:
    roles = Counter(row.values["role"] for row in rows)
    return ", ".join(counted(count, role) for role, count in roles.most_common())


def _empty_cells(rows: Sequence[TemplateRow]) -> Iterator[str]:
    lines = [row for row in rows if row.values["role"] == Role.LINE]
    lacking = {column: sum(column not in row.values for row in lines) for column in ("stage", "donor")}
    told = [f"the {column} of {counted(count, 'line')}" for column, count in lacking.items() if count]
    controls = sum(row.values["role"] == Role.CONTROL for row in rows)
    if controls:
        told.append(f"the finding expected of {counted(controls, 'control')}")
    if told:
        yield f"  to fill in: {', '.join(told)}"


def simulation_message(folder: Path) -> str:
    """Return what to do with a programme that was just invented."""
    here = printable(str(folder))
    return (
        f"{here}: an invented programme; truth.csv tells what each line really is. Check it with\n"
        f"  dhverify check {here}/genotypes.vcf.gz --samples {here}/samples.csv --counts {here}/counts.csv"
        f" --out {here}-results"
    )


def printable(text: str) -> str:
    r"""Return a text that does nothing to a terminal: control and direction marks are replaced.

    Examples
    --------
    >>> printable("a\x1b[31mb")
    'a\ufffd[31mb'

    """
    return "".join(
        "\ufffd" if unicodedata.category(mark) in {"Cc", "Cf", "Cs"} and mark != "\n" else mark for mark in text
    )


def _told(heading: str, sentences: Sequence[str]) -> Iterator[str]:
    """Yield sentences under a heading, the first ones if there are many; nothing if there is none."""
    if not sentences:
        return
    yield ""
    yield heading
    for text in sentences[:MOST_TOLD]:
        yield printable(f"  - {' '.join(text.split())}")
    if len(sentences) > MOST_TOLD:
        yield f"  and {len(sentences) - MOST_TOLD} more; the report has all"


def _table(lines: Sequence[LineRow]) -> Iterator[str]:
    rows = [
        (_cut(line.sample, LONGEST_NAME), " ".join(filter(None, (line.plate, line.well))), *_judged(line))
        for line in lines
    ]
    widths = [max(len(row[column]) for row in rows) for column in range(4)]
    for row in rows:
        cells = [text.ljust(width) for text, width in zip(row, widths, strict=False)]
        yield printable("  " + "  ".join([*(cell for cell in cells if cell), row[4]])).rstrip()


def _judged(line: LineRow) -> tuple[str, str, str]:
    first_sentence = line.reasons.split(". ")[0]
    return str(line.verdict), str(line.finding), _cut(first_sentence, LONGEST_REASON)


def _cut(text: str, longest: int) -> str:
    one_line = " ".join(text.split())
    return one_line if len(one_line) <= longest else one_line[: longest - 1] + "…"
