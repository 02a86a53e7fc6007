"""What the commands say at the end, for people."""

from __future__ import annotations

import unicodedata
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from dhverify.outcome import CheckOutcome, LineRow

MOST_WARNINGS: Final = 20
LONGEST_NAME: Final = 28
LONGEST_REASON: Final = 100


def closing_lines(outcome: CheckOutcome, folder: Path) -> Iterator[str]:
    """Yield the counts, the lines to look at, and where the report is."""
    from dhverify.report.folder import REPORT
    from dhverify.report.page.sentences import answer, answer_continued, lines_to_look_at

    yield answer(outcome)
    yield from answer_continued(outcome)
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


def sheet_message(n_rows: int, file: Path) -> str:
    """Return what to do with a sheet that was just written."""
    rows = "row" if n_rows == 1 else "rows"
    return (
        f"{printable(str(file))}: {n_rows:,} {rows} written. What was guessed from"
        " names is marked as a guess: look over each row, fill in what is empty, then run\n"
        f"  dhverify check GENOTYPES --samples {printable(str(file))} --out results"
    )


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
