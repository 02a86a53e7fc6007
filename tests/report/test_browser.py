"""The page in a real browser: sorting, filters, stories, the keyboard, paper, no JavaScript, many lines."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace

import pytest

from dhverify.outcome import Finding, Verdict
from dhverify.report.counting import pile

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")

A4_POINTS = (595, 842)
CUT_SIDEWAYS = """[...document.querySelectorAll('main *')]
  .filter((box) => ['auto', 'scroll', 'hidden'].includes(getComputedStyle(box).overflowX))
  .filter((box) => box.clientWidth > 1 && box.scrollWidth > box.clientWidth)
  .map((box) => box.className + ' ' + box.getAttribute('aria-label'))"""
"""Boxes that show only a part of what they hold until they are scrolled sideways."""
TIME_TO_OPEN = "performance.getEntriesByType('navigation')[0].domComplete"
PAPER_WIDTH = 672
"""What an A4 page leaves between its margins, in CSS pixels."""


def names(page):
    return page.locator("#lines-table .open").all_inner_texts()


def test_rows_are_drawn_as_needed(opened, synthetic):
    page = opened(synthetic.make_outcome(450, n_markers=100))
    assert len(names(page)) == 100
    assert page.inner_text("#shown") == "Showing the first 100 of 450 rows."
    page.click("#more-rows")
    playwright.expect(page.locator("#lines-table .open").nth(199)).to_be_attached()


def test_sorting_goes_both_ways_and_says_so(opened, outcome):
    page = opened(outcome)
    button = page.locator("#lines-table thead button", has_text="Het.")
    button.click()
    head = page.locator("#lines-table thead th", has_text="Het.")
    assert head.get_attribute("aria-sort") == "ascending"
    button.click()
    assert head.get_attribute("aria-sort") == "descending"
    shares = page.locator("#lines-table tbody tr td:nth-child(7)").all_inner_texts()
    assert shares[0] == "36 %"
    assert shares[-1] == "–"


COLUMNS = {"#f-verdict": "verdict", "#f-finding": "finding", "#f-donor": "donor", "#f-plate": "plate"}


@pytest.mark.parametrize("control", COLUMNS)
def test_every_choice_of_a_filter_shows_as_many_rows_as_the_table_has(opened, outcome, control):
    page = opened(outcome)
    expected = Counter(str(getattr(line, COLUMNS[control])) for line in outcome.lines)
    choices = page.locator(f"{control} option").evaluate_all("all => all.map(one => one.value)")
    assert {choice.removeprefix("=") for choice in choices} == {"", *expected}
    for choice in choices[1:]:
        page.select_option(control, choice)
        n_rows = expected[choice.removeprefix("=")]
        playwright.expect(page.locator("#shown")).to_contain_text(f"Showing {n_rows} row")
        assert len(names(page)) == n_rows
    page.click("text=Show all")
    playwright.expect(page.locator("#shown")).to_have_text("Showing 100 rows.")


def test_filters_hold_together(opened, outcome):
    page = opened(outcome)
    page.select_option("#f-verdict", "fail")
    page.fill("#f-text", "donor 1 inducer")
    expected = [
        line.sample
        for line in outcome.lines
        if line.verdict is Verdict.FAIL and any("inducer" in str(flag) for flag in line.flags)
    ]
    playwright.expect(page.locator("#shown")).to_contain_text(f"Showing {len(expected)} row")
    assert names(page) == expected
    page.fill("#f-text", "no such text")
    playwright.expect(page.locator("#shown")).to_have_text("Showing 0 rows, of 100 in all.")


def test_text_filter_finds_hostile_names(opened, outcome, synthetic):
    page = opened(outcome)
    page.fill("#f-text", synthetic.MARKUP)
    playwright.expect(page.locator("#shown")).to_contain_text("Showing 1 row,")
    assert names(page) == [synthetic.MARKUP]


def test_a_line_opens_to_its_story_by_keyboard(opened, outcome):
    page = opened(outcome)
    first = page.locator("#lines-table .open").nth(8)
    first.focus()
    page.keyboard.press("Enter")
    story = page.locator("#lines-table .story")
    assert first.get_attribute("aria-expanded") == "true"
    text = story.inner_text()
    assert "limit 5 %" in text
    assert "inducer, chromosome 4, 31.5 to 62.3 cM" in text
    assert "44.3 Mb" in text
    assert "sheet_verdict: looks fine" in text
    assert story.locator("svg.track path.plum").get_attribute("d").count("M") == 2
    page.keyboard.press("Enter")
    assert story.count() == 0


def test_every_story_can_be_opened(opened, outcome):
    page = opened(outcome)
    page.evaluate("document.querySelectorAll('#lines-table .open').forEach((button) => button.click())")
    assert page.locator("#lines-table .story").count() == 100
    assert page.locator("svg.track").count() == len(outcome.tracks)


def test_a_pile_opens_to_the_same_story(opened, outcome):
    page = opened(outcome)
    details = page.locator("details[data-line]").first
    details.locator("summary").click()
    assert details.locator(".story svg.track").count() == 1


def test_the_counts_on_the_page_are_those_of_the_table(opened, outcome):
    page = opened(outcome)
    for verdict in Verdict:
        n = sum(line.verdict is verdict for line in outcome.lines)
        assert page.inner_text(f"#{verdict}").endswith(f": {n} samples")
    n_told = page.locator("details[data-line]").count()
    n_named = page.locator(".pile .names li").count()
    flagged = [line for line in pile(outcome, Verdict.PASS) if line.flags]
    assert n_told + n_named == len(outcome.lines) + len(flagged)
    rows = page.locator("section:has(> #donors) table").first.locator("tbody tr").all_inner_texts()
    assert len(rows) == len(outcome.donors)
    columns = [[int(n) for n in re.findall(r"\t(\d+)(?=\t)", row)[:4]] for row in rows]
    assert [sum(column) for column in zip(*columns, strict=True)] == [100, 80, 9, 11]


def test_the_counts_of_the_plates_are_those_of_the_table(opened, outcome):
    page = opened(outcome)
    for verdict in Verdict:
        n = sum(well.verdict == verdict for well in outcome.wells)
        assert page.locator(f".plate g.well.{verdict}").count() == n


def test_hostile_names_are_text_everywhere(opened, outcome, synthetic):
    page = opened(outcome)
    page.evaluate("document.querySelectorAll('#lines-table .open, summary').forEach((one) => one.click())")
    assert page.locator("main img, main script").count() == 0
    shown = names(page)
    for name in synthetic.HOSTILE:
        assert name in [line.sample for line in outcome.lines]
        assert " ".join(name.split()) in [" ".join(one.split()) for one in shown]
    stories = page.locator(".stories li").all_inner_texts()
    assert stories == list(synthetic.STORIES)


def test_the_keyboard_alone_is_enough(opened, outcome):
    page = opened(outcome)
    press = page.keyboard.press
    press("Tab")
    assert focused(page) == "To the answer"
    press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    tab_to(page, "document.activeElement.matches('details[data-line] > summary')")
    press("Enter")
    assert page.locator("details[data-line][open] .story").count() == 1
    tab_to(page, "document.activeElement.id === 'f-text'")
    page.keyboard.type("brinkley-free")
    playwright.expect(page.locator("#shown")).to_have_text("Showing 0 rows, of 100 in all.")
    tab_to(page, "document.activeElement.type === 'reset'")
    press("Space")
    playwright.expect(page.locator("#shown")).to_have_text("Showing 100 rows.")
    tab_to(page, "document.activeElement.textContent === 'Verdict'")
    press("Enter")
    assert page.locator("th[aria-sort=ascending]").inner_text().startswith("Verdict")
    tab_to(page, "document.activeElement.matches('#lines-table .open')")
    press("Enter")
    assert page.locator("#lines-table .story").count() == 1
    press("Tab")
    assert page.evaluate("document.activeElement.closest('.story') !== null")


def focused(page):
    return page.evaluate("document.activeElement.textContent")


def tab_to(page, condition, most=400):
    for _ in range(most):
        page.keyboard.press("Tab")
        if page.evaluate(condition):
            assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
            return
    pytest.fail(f"no tab stop where {condition}")


def test_a_name_in_what_to_do_leads_to_its_story(opened, outcome):
    page = opened(outcome)
    link = page.locator("section:has(> #todo) a").first
    link.focus()
    page.keyboard.press("Enter")
    details = page.locator("details[data-line]:target")
    playwright.expect(details.locator(".story")).to_be_visible()
    assert link.inner_text() in details.locator("summary").inner_text()


def test_the_page_is_read_without_javascript(opened, outcome):
    page = opened(outcome, java_script_enabled=False)
    assert page.locator("#table-room").is_hidden()
    text = page.inner_text("main")
    assert "runs without JavaScript" in text
    assert outcome.lines[1].reasons in text


def test_every_part_is_reached_without_javascript(opened, outcome):
    page = opened(outcome, java_script_enabled=False)
    for line in pile(outcome, Verdict.FAIL):
        assert page.get_by_text(line.reasons, exact=True).first.is_visible()
    assert page.locator("figure.plate svg").first.is_visible()
    folded = page.locator("details[data-line]").first
    folded.locator("summary").click()
    assert folded.locator(".measures").is_visible()


@pytest.mark.parametrize("width", [320, 390, 768])
def test_no_scrolling_sideways_on_a_small_screen(opened, outcome, width):
    page = opened(outcome, viewport={"width": width, "height": 844})
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    page.locator("#lines-table .open").first.click()
    assert page.locator(".story .track").count() > 0
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate(CUT_SIDEWAYS) == []


def test_on_a_phone_each_measure_of_a_story_names_its_column(opened, outcome):
    page = opened(outcome, viewport={"width": 390, "height": 844})
    page.locator("#lines-table .open").first.click()
    cell = page.locator(".story .limits-table td", has_text="at least").first
    assert cell.is_visible()
    assert cell.get_attribute("data-label") == "Limit"


def test_it_prints_on_a4(opened, outcome):
    page = opened(outcome, viewport={"width": PAPER_WIDTH, "height": 900})
    page.emulate_media(media="print")
    assert page.evaluate("document.documentElement.scrollWidth") <= PAPER_WIDTH
    for kept, shown in {"h1": True, "#fail": True, "figure.plate": True, "#lines-table": False, "nav": False}.items():
        assert page.locator(kept).first.is_visible() is shown
    printed = page.pdf(prefer_css_page_size=True)
    boxes = {tuple(round(float(edge)) for edge in box.split()[2:]) for box in media_boxes(printed)}
    assert boxes == {A4_POINTS}


def media_boxes(printed):
    assert printed.startswith(b"%PDF")
    return re.findall(r"/MediaBox \[([^\]]*)\]", printed.decode("latin-1"))


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_both_schemes_have_their_own_paper(opened, outcome, scheme):
    page = opened(outcome, color_scheme=scheme)
    paper, ink = page.evaluate(
        "(({ backgroundColor: b, color: c }) => [b, c])(getComputedStyle(document.documentElement))"
    )
    assert (brightness(paper) > brightness(ink)) == (scheme == "light")


def brightness(colour):
    return sum(int(part) for part in re.findall(r"\d+", colour)[:3])


@pytest.mark.parametrize("n_lines", [1000, 10_000])
def test_many_lines_open_and_draw_only_what_is_needed(opened, synthetic, n_lines):
    page = opened(synthetic.make_outcome(n_lines, n_markers=200))
    assert page.inner_text("#shown") == f"Showing the first 100 of {n_lines:,} rows."
    assert len(names(page)) == 100
    assert page.locator("details[data-line]").count() <= 3 * 300
    page.select_option("#f-finding", str(Finding.HYBRID))
    playwright.expect(page.locator("#shown")).to_have_text(f"Showing 1 row, of {n_lines:,} in all.")
    assert page.evaluate("document.querySelectorAll('main *').length") < 10 * n_lines + 10_000


def test_ten_times_the_lines_take_no_more_than_twenty_times_as_long_to_open(opened, synthetic):
    """Work that grows with the square of the lines takes a hundred times as long."""
    few, many = (
        opened(synthetic.make_outcome(n_lines, n_markers=200)).evaluate(TIME_TO_OPEN) for n_lines in (1000, 10_000)
    )
    assert few > 0
    assert many < 20 * few


def test_a_sheet_without_wells_needs_no_plates(opened, outcome):
    lines = tuple(replace(line, plate="", well="") for line in outcome.lines)
    page = opened(replace(outcome, lines=lines, plates=(), wells=()))
    assert page.locator("#plates, figure.plate").count() == 0
    assert "Without a plate" in page.inner_text("main")


def test_an_empty_outcome_opens(opened, synthetic):
    page = opened(synthetic.empty_outcome())
    assert page.inner_text("#shown") == "Showing 0 rows."
