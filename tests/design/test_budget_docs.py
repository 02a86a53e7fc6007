"""The figures in the pages about budgets are those that come out."""

from __future__ import annotations

import re
import textwrap
from pathlib import Path

from dhverify.cli.main import main
from dhverify.design.budget_chances import chance, fewest_units, known_rate, spread
from dhverify.design.budget_plans import Flow

DOCS = Path(__file__).parents[2] / "docs"


def blocks(text, language):
    found = re.findall(rf"^ *```{language}\n(.*?)\n *```", text, flags=re.DOTALL | re.MULTILINE)
    return [textwrap.dedent(one) + "\n" for one in found]


def test_the_walk_through_shows_what_is_printed(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    page = (DOCS / "howto" / "next_season.md").read_text(encoding="utf-8")
    account, answer = blocks(page, "text")
    Path("results").mkdir()
    Path("results/summary.json").write_text('{"kind": "dhverify check"}')
    Path("results/account.csv").write_text(account)
    Path("costs.toml").write_text(blocks(page, "toml")[0])
    commands = re.findall(r"dhverify (budget .*)", page)
    assert len(commands) == 2
    for place, command in enumerate(commands):
        assert main(command.split()) == 0
        shown = capsys.readouterr()
        if place == 0:
            assert shown.out.startswith(answer)
            assert shown.err.startswith("warning: Doubling success")
        else:
            assert shown.err == ""
    assert Path("plan/needs.csv").exists()
    assert Path("plan/flips.csv").exists()


def test_the_figures_of_the_explanation():
    page = " ".join((DOCS / "explanation" / "budget.md").read_text(encoding="utf-8").split())
    most, least = (fewest_units(100, 0.9, spread([known_rate(share)])) for share in (0.03, 0.05))
    assert f"100 lines with 90 % need {least:,} to {most:,} haploids" in page
    assert 0.45 < chance(30, 300, spread([known_rate(0.1)])) < 0.55
    flow = Flow(
        induction_rate=0.1,
        false_haploid_rate=0.05,
        missed_haploid_rate=0.05,
        survival=0.8,
        hybrid_survival=0.8,
        doubling=0.2,
        rogued=0.0,
    )
    assert f"with h = 0.10, a = 0.05 and b = 0.05 that is {flow.hybrid_share:.3f}" in page
    assert f"`plant = {15 / 6000:g}` or `plant = {120 / 6000:g}`" in page
