"""The script that renews what the pages quote puts stale quotes right, and leaves the prose alone."""

from __future__ import annotations

import importlib.util
from pathlib import Path

DOCS = Path(__file__).parents[2] / "docs"
_SPEC = importlib.util.spec_from_file_location("quotes", DOCS / "quotes.py")
quotes = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(quotes)

PAGE = """\
# A page

```python
>>> 1 + 1
3
>>> a = 2
>>> a
2

```

3 is no result here.
"""


def test_printed_results_are_renewed_one_by_one():
    assert quotes.renewed_examples(PAGE) == PAGE.replace("1 + 1\n3\n", "1 + 1\n2\n")


def test_the_quotes_of_the_tutorial_are_renewed():
    fence = "```text\n{}\n```\n"
    tutorial = "# T\n## 1\n{}x\n## 2\ny\n## 3\n**D01-L1** is\n\n{}z\n## 4\n{}end\n"
    stale = tutorial.format(*map(fence.format, ("old\nold", "old", "old")))
    fresh = tutorial.format(*map(fence.format, ("a\nb", "why", "c")))
    assert quotes.renewed_tutorial(stale, "a\nb\nmore\n", {"D01-L1": "why"}, "c\nmore\n") == fresh


def test_the_example_is_checked_for_its_screen_and_reasons(tmp_path):
    screen, reasons = quotes.checked(tmp_path / "results")
    assert screen.startswith("150 lines in 153 samples: ")
    assert len(reasons) == 153
