"""The pages that plan fit a narrow screen, and the help of their commands is laid out as written."""

from __future__ import annotations

import re

import marker_set_material as material
import pytest

import dhverify
from dhverify.cli.main import cli


def panel(folder):
    genotypes, sheet = material.material(n_markers=60, pedigrees=("P0/P1", "P2/P3"), seed=3)
    settings = {"spare": 1, "identity": True, "segment_cm": 30, "segment_power": 0.5, "size": 12}
    return dhverify.choose_markers(genotypes, sheet, **settings).write(folder)


def season(folder):
    rates = {"induction_rate": 0.1, "false_haploid_rate": 0.02, "missed_haploid_rate": 0.0, "survival": 0.8}
    return dhverify.plan_budget(20, **rates, doubling=0.2, costs={"assay": 2, "unit": "hours"}).write(folder)


@pytest.mark.parametrize("make", [panel, season])
def test_every_cell_is_labelled_where_rows_are_stacked(make, tmp_path):
    """On a narrow screen the head of a table is hidden, and each cell says what it is."""
    page = (make(tmp_path / "plan") / "report.html").read_text(encoding="utf-8")
    tables = re.findall(r"<table[^>]*>.*?</table>", page, flags=re.DOTALL)
    with_head = [table for table in tables if "<thead>" in table]
    assert len(with_head) >= 2
    for table in with_head:
        assert table.startswith('<table class="stack">')
        head = re.findall(r"<th[^>]*>(.*?)</th>", table.partition("</thead>")[0])
        for row in re.findall(r"<tr[^>]*>(.*?)</tr>", table.partition("<tbody>")[2]):
            labels = re.findall(r'<td[^>]* data-label="([^"]+)"', row)
            assert len(labels) == row.count("<td") == len(head) - 1
            assert [label.lower() for label in labels] == [text.lower() for text in head[1:]]


@pytest.mark.parametrize("name", sorted(cli.commands))
def test_no_help_text_holds_the_mark_of_a_paragraph(name):
    command = cli.commands[name]
    told = command.get_help(command.make_context(name, [], resilient_parsing=True))
    assert "\\b" not in told
    assert "\b" not in told
    assert f"dhverify {name}" in told
