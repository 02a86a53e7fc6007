from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest

from dhverify.cli.messages import closing_lines, printable, sheet_message, warning_lines
from dhverify.cli.progress import progress_bars


def test_the_closing_summary_tells_counts_lines_and_report(outcome):
    lines = list(closing_lines(outcome, Path("results")))
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


def test_one_row_is_one_row():
    assert sheet_message(1, Path("s.csv")).startswith("s.csv: 1 row written.")


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
