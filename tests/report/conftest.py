from __future__ import annotations

import importlib.util
import shutil
from pathlib import Path

import pytest

from dhverify.report.page import page_text

_SPEC = importlib.util.spec_from_file_location("synthetic_outcome", Path(__file__).with_name("synthetic_outcome.py"))
_MODULE = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(_MODULE)


@pytest.fixture(scope="session")
def synthetic():
    """The module that makes synthetic outcomes."""
    return _MODULE


@pytest.fixture(scope="session")
def outcome():
    """Every case, hostile names included, over two plates."""
    return _MODULE.make_outcome(100)


@pytest.fixture(scope="session")
def browser():
    """Debian's chromium, driven by playwright."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("no chromium is installed")
    with playwright.sync_playwright() as started:
        found = started.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        yield found
        found.close()


@pytest.fixture
def opened_text(browser, tmp_path):
    """Open HTML as a file; at the end, nothing may have been complained of, asked for or popped up."""
    complaints, contexts = [], []

    def open_page(text, **options):
        file = tmp_path / "report.html"
        file.write_text(text, encoding="utf-8")
        context = browser.new_context(**{"viewport": {"width": 1280, "height": 800}, **options})
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("dialog", lambda dialog: (complaints.append(dialog.message), dialog.dismiss()))
        page.on("request", lambda r: complaints.append(r.url) if not r.url.startswith("file:") else None)
        page.goto(file.as_uri())
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert complaints == []


@pytest.fixture
def opened(opened_text):
    """Open an outcome as a page."""
    return lambda outcome, **options: opened_text(page_text(outcome), **options)
