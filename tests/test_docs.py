"""The pages follow the code, their links lead somewhere, and the README's example runs as written."""

from __future__ import annotations

import doctest
import re
import subprocess
import sys
from pathlib import Path

import pytest

from dhverify.outcome import Finding, Flag

ROOT = Path(__file__).parents[1]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]


def test_generated_pages_are_fresh():
    done = subprocess.run(
        [sys.executable, str(ROOT / "docs" / "generate.py"), "--check"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_links_lead_to_files(page):
    text = page.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", text):
        assert (page.parent / target).exists(), target


def test_the_glossary_has_every_finding_and_flag():
    text = (ROOT / "docs" / "glossary.md").read_text(encoding="utf-8")
    for word in [*Finding, *Flag]:
        assert f"`{word}`" in text


def test_the_python_page_runs(monkeypatch):
    monkeypatch.chdir(ROOT)
    result = doctest.testfile(str(ROOT / "docs" / "reference" / "python.md"), module_relative=False)
    assert result.attempted > 5
    assert result.failed == 0


def test_caution_stands_where_doubling_is_mentioned():
    for page in (ROOT / "README.md", ROOT / "docs" / "explanation" / "limits_of_genotypes.md"):
        assert "authorised disposer" in page.read_text(encoding="utf-8")
