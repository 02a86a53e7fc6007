"""Files that are sound and hold nothing to judge by: every line is retested, and nothing is a fault."""

from __future__ import annotations

import csv

import pytest

NOTHING = {
    "one marker that tells nothing": lambda text: "\n".join(text.splitlines()[:2]) + "\n",
    "every call missing": lambda text: (
        text.replace("AA", "--").replace("CC", "--").replace("GG", "--").replace("TT", "--")
    ),
    "every sample alike": lambda text: text.replace("CC", "AA").replace("GG", "AA").replace("TT", "AA"),
    "every call heterozygous": lambda text: (
        text.replace("AA", "AC").replace("CC", "AC").replace("GG", "AC").replace("TT", "AC")
    ),
}


@pytest.mark.parametrize("name", NOTHING)
def test_a_file_that_tells_nothing_passes_nothing(lab, calls, name):
    lab.put("g.csv", NOTHING[name](calls))
    done = lab.run("g.csv")
    assert done.status == 0, done.err
    rows = list(csv.DictReader((lab.results / "lines.csv").read_text().splitlines()))
    assert len(rows) == 2
    assert "pass" not in {row["verdict"] for row in rows}
    for text in (path.read_text() for path in lab.results.glob("*.csv")):
        assert ",nan" not in text
