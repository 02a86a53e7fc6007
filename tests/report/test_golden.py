"""Golden files of the shape of a result: the page's skeleton, the columns of the tables, the tree of the JSON.

They hold no verdicts and no measures, so that a better judge does not change them. After a wanted change of shape:
``DHVERIFY_RENEW=golden python -m pytest tests/report/test_golden.py``, and read the difference before it is kept.
"""

from __future__ import annotations

import csv
import json
import os
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from dhverify.api import check, read_counts, read_genotypes, read_samples
from dhverify.report.tables import TABLE_RECORDS, record_columns

GOLDEN = Path(__file__).with_name("golden")
EXAMPLE = Path(__file__).parents[2] / "example_vcf"
LANDMARKS = {"main", "header", "nav", "section", "footer"}
HEADINGS = {"h1", "h2", "h3"}
NUMBER = r"\d[\d,.]*"


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    """The results folder of the example."""
    samples = read_samples(EXAMPLE / "samples.csv")
    genotypes = read_genotypes([EXAMPLE / "genotypes.vcf.gz"], sheet=samples)
    found = check(genotypes, samples, counts=read_counts(EXAMPLE / "counts.csv"), by=["sorter"])
    return found.write(tmp_path_factory.mktemp("golden") / "results")


def compare(name, text):
    """Hold a text against a golden file, or write it there."""
    file = GOLDEN / name
    if os.environ.get("DHVERIFY_RENEW") == "golden":
        file.write_text(text, encoding="utf-8")
    assert text == file.read_text(encoding="utf-8")


class Skeleton(HTMLParser):
    """Landmarks, headings, captions and column heads of a page, one a line and indented; numbers are left out."""

    def __init__(self, text):
        super().__init__()
        self.lines, self.depth, self.words, self.reading = [], 0, [], None
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        given = dict(attributes)
        if tag in LANDMARKS:
            self.note(" ".join(filter(None, (tag, given.get("aria-labelledby"), given.get("aria-label")))))
            self.depth += 1
        elif tag in HEADINGS | {"caption"} or given.get("scope") == "col":
            self.reading, self.words = tag, []

    def handle_data(self, data):
        if self.reading:
            self.words.append(data)

    def handle_endtag(self, tag):
        if tag in LANDMARKS:
            self.depth -= 1
        elif tag == self.reading:
            words = " ".join("".join(self.words).split())
            self.note(f"{tag}: {re.sub(NUMBER, '#', words)}")
            self.reading = None

    def note(self, text):
        self.lines.append("  " * self.depth + text)


def test_the_skeleton_of_the_page(results):
    skeleton = Skeleton((results / "report.html").read_text(encoding="utf-8"))
    assert skeleton.depth == 0
    compare("page.txt", "\n".join(skeleton.lines) + "\n")


def test_the_columns_of_the_tables(results):
    told = []
    for name, record in TABLE_RECORDS.items():
        with (results / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            columns = next(csv.reader(file))
        kinds = dict(zip(*record_columns(record), strict=True))
        told += [f"{name}.{column}: {kinds.get(column, 'column of the sheet')}" for column in columns]
    compare("tables.txt", "\n".join(told) + "\n")


def test_the_rows_that_follow_the_sheet(results):
    rows = []
    for name in ("lines", "references", "wells"):
        with (results / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            rows += [f"{name}: {row['sample']}" for row in csv.DictReader(file)]
    compare("rows.txt", "\n".join(rows) + "\n")


def tree(value, path):
    """Yield the path and type of every value; names of findings and flags that occur are not of the shape."""
    if path in {"counts.findings", "counts.flags", "priors"}:
        yield f"{path}: by name"
    elif isinstance(value, dict):
        for name, inner in value.items():
            yield from tree(inner, f"{path}.{name}".lstrip("."))
    elif isinstance(value, list):
        kinds = {line for one in value for line in tree(one, f"{path}[]")}
        yield from sorted(kinds) or [f"{path}: empty list"]
    else:
        kinds = {str: "text", bool: "yes or no", int: "number", float: "number", type(None): "empty"}
        yield f"{path}: {kinds[type(value)]}"


def test_the_tree_of_the_summary(results):
    summary = json.loads((results / "summary.json").read_text(encoding="utf-8"))
    compare("summary.txt", "\n".join(tree(summary, "")) + "\n")
