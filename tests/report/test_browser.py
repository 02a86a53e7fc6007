"""The page in a real browser (Debian's chromium, driven by playwright)."""

from __future__ import annotations

import shutil

import pytest

from dhverify.report.page import page_text

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
CHROMIUM = shutil.which("chromium")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium is installed")


@pytest.fixture(scope="module")
def browser():
    with playwright.sync_playwright() as started:
        found = started.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        yield found
        found.close()


@pytest.fixture
def opened(browser, tmp_path):
    """Open an outcome as a page; at the end, nothing may have been complained of or asked for."""
    complaints, contexts = [], []

    def open_page(outcome, **options):
        file = tmp_path / "report.html"
        file.write_text(page_text(outcome), encoding="utf-8")
        context = browser.new_context(viewport={"width": 1280, "height": 800}, **options)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("request", lambda r: complaints.append(r.url) if not r.url.startswith("file:") else None)
        page.goto(file.as_uri())
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert complaints == []


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


@pytest.mark.parametrize(
    ("control", "value", "n_rows"),
    [
        ("#f-verdict", "fail", 9),
        ("#f-finding", "mixture", 1),
        ("#f-donor", "=Donor 3", 4),
        ("#f-plate", "=P2", 8),
    ],
)
def test_filters(opened, outcome, control, value, n_rows):
    page = opened(outcome)
    page.select_option(control, value)
    playwright.expect(page.locator("#shown")).to_contain_text(f"Showing {n_rows} row")
    assert len(names(page)) == n_rows
    page.click("text=Show all")
    playwright.expect(page.locator("#shown")).to_have_text("Showing 100 rows.")


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
    assert "sheet_verdict looks fine" in text
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


def test_the_page_is_read_without_javascript(opened, outcome):
    page = opened(outcome, java_script_enabled=False)
    assert page.locator("#table-room").is_hidden()
    text = page.inner_text("main")
    assert "runs without JavaScript" in text
    assert outcome.lines[1].reasons in text


def test_no_scrolling_sideways_on_a_phone(opened, outcome):
    page = opened(outcome)
    page.set_viewport_size({"width": 390, "height": 844})
    page.locator("details[data-line] summary").first.click()
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_it_prints(opened, outcome):
    page = opened(outcome)
    page.emulate_media(media="print")
    assert page.pdf(format="A4").startswith(b"%PDF")


def test_an_empty_outcome_opens(opened, synthetic):
    page = opened(synthetic.empty_outcome())
    assert page.inner_text("#shown") == "Showing 0 rows."
