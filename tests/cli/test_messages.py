from __future__ import annotations

import re
import sys
from dataclasses import replace
from itertools import count
from pathlib import Path

import pytest

from dhverify.cli.messages import (
    MOST_TOLD,
    closing_lines,
    fitted,
    printable,
    screen_width,
    sheet_message,
    warning_lines,
)
from dhverify.cli.progress import progress_bars
from dhverify.formats.template_guesses import TemplateRow


def test_the_closing_summary_tells_counts_lines_and_report(outcome):
    silent = replace(outcome, stories=(), group_advice=(), donors=())
    lines = list(closing_lines(silent, Path("results")))
    assert lines[0] == "100 lines: 80 may go on, 9 must not, 11 need a new test."
    assert lines[-1] == f"Report: {Path('results') / 'report.html'}"
    assert sum(line.startswith("  ") for line in lines) == 20
    assert any("FD01-0001" in line and "selfed hybrid" in line for line in lines)
    assert all(len(line) < 220 for line in lines[5:])


def test_more_lines_than_are_shown_are_counted(synthetic):
    outcome = synthetic.make_outcome(30)
    failing = replace(outcome, lines=tuple(replace(line, verdict=outcome.lines[0].verdict) for line in outcome.lines))
    assert "Look at these first (20 of 30):" in list(closing_lines(failing, Path("r")))


def test_a_lot_without_trouble_names_no_line(outcome):
    good = replace(outcome, lines=tuple(line for line in outcome.lines if line.verdict == "pass"))
    assert not any(line.startswith("Look at") for line in closing_lines(good, Path("r")))


def test_many_warnings_are_cut(outcome):
    lines = list(warning_lines(replace(outcome, warnings=tuple(f"w{k}" for k in range(25)))))
    assert len(lines) == 21
    assert lines[-1] == "warning: and 5 more; summary.json holds all"
    assert list(warning_lines(outcome)) == ["warning: calls.csv, sample <x>: not on the sheet, left out."]


@pytest.mark.parametrize("text", ["\x1b[31mred", "a\u202eb", "\x07"])
def test_nothing_reaches_the_terminal_that_would_act_on_it(text):
    assert "\ufffd" in printable(text)


def test_line_ends_of_a_message_are_kept():
    assert printable("one\ntwo") == "one\ntwo"


def sheet_rows(*roles, **values):
    return [TemplateRow(sample=f"s{k}", values={"role": role, **values}) for k, role in enumerate(roles)]


def test_the_message_on_a_sheet_says_what_was_guessed_what_is_empty_and_what_to_run():
    text = sheet_message(sheet_rows("line", "line", "control"), Path("s.csv"), [Path("a.vcf"), Path("b\x1b.vcf")])
    assert text.splitlines()[:3] == [
        "s.csv: 3 rows written, from the sample names alone.",
        "  guessed: 2 lines, 1 control; the column guess names each guessed value",
        "  to fill in: the stage of 2 lines, the donor of 2 lines, the finding expected of 1 control",
    ]
    assert text.endswith("\n  dhverify check a.vcf b\ufffd.vcf --samples s.csv --out results")


def test_the_message_on_a_full_sheet_asks_for_nothing_to_be_filled_in():
    text = sheet_message(sheet_rows("line", stage="D1", donor="A"), Path("s.csv"), [Path("a.vcf")])
    assert text.startswith("s.csv: 1 row written")
    assert "to fill in" not in text


def test_progress_is_silent_where_nobody_watches(capsys):
    for is_wanted in (True, False):
        with progress_bars(is_wanted=is_wanted) as progress:
            assert progress is None
    assert capsys.readouterr().err == ""


def test_progress_shows_a_bar_for_each_step_on_a_terminal(capsys, monkeypatch):
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    with progress_bars(is_wanted=True) as progress:
        for done in (1, 2, 2, 4):
            progress("learning", done, 4)
        progress("judging", 0, 0)
    shown = capsys.readouterr().err
    assert "learning" in shown
    assert "judging" in shown
    assert "100%" in shown


def test_each_bar_is_filled_when_its_step_is_done(capsys, monkeypatch):
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    with progress_bars(is_wanted=True) as progress:
        for done in (0, 1, 2):
            progress("learning", done, 3)
        progress("doubting", 0, 5)
    shown = capsys.readouterr().err
    for step in ("learning", "doubting"):
        assert re.search(rf"{step}  \[#+\]  100%", shown)


def test_the_time_left_is_told_from_the_first_part_that_is_done(capsys, monkeypatch):
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    now = count(1_000_000_000.0, 0.1)
    monkeypatch.setattr("click._termui_impl.time.time", lambda: next(now))
    with progress_bars(is_wanted=True) as progress:
        progress("learning", 0, 1000)
        progress("learning", 1, 1000)
        shown = capsys.readouterr().err
    assert re.search(r"\d\d:\d\d:\d\d", shown)


def test_work_that_stops_does_not_fill_its_bar(capsys, monkeypatch):
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)

    def stop():
        with progress_bars(is_wanted=True) as progress:
            progress("learning", 1, 4)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stop()
    assert "100%" not in capsys.readouterr().err


def test_stories_and_what_stands_out_are_told_briefly(outcome):
    many = replace(outcome, stories=tuple(f"Story\n{k}." for k in range(MOST_TOLD + 2)), group_advice=("s\x1b1",))
    lines = list(closing_lines(many, Path("results")))
    start = lines.index("What probably happened (nothing was corrected):")
    assert lines[start + 1] == "  - Story 0."
    assert lines[start + MOST_TOLD + 1] == "  and 2 more; the report has all"
    assert "  - s\ufffd1" in lines
    assert start < lines.index("What stands out in the programme:") < len(lines) - 1


def test_nothing_is_told_where_nothing_happened(outcome):
    donors = tuple(replace(row, advice="") for row in outcome.donors)
    lines = list(closing_lines(replace(outcome, stories=(), group_advice=(), donors=donors), Path("results")))
    assert not any(line.startswith("What ") for line in lines)


def test_what_goes_to_a_pipe_is_neither_wrapped_nor_cut(monkeypatch):
    monkeypatch.setattr(sys.stdout, "isatty", lambda: False)
    assert screen_width() is None
    long = ["word " * 100, "  " + "cell " * 100]
    assert list(fitted(long, screen_width())) == long


def test_a_terminal_gets_lines_that_fit(monkeypatch, outcome):
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    monkeypatch.setenv("COLUMNS", "60")
    plain = replace(outcome, lines=outcome.lines[1:20])
    lines = list(fitted(closing_lines(plain, Path("results")), screen_width()))
    assert max(len(line) for line in lines) <= 60
    assert lines[-1] == f"Report: {Path('results') / 'report.html'}"
