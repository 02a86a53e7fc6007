"""The commands of the walk from a finished check to the next season run as they stand."""

from __future__ import annotations

import csv
import re
import shutil
from pathlib import Path

import dhverify
from dhverify.cli.main import main

DOCS = Path(__file__).parents[2] / "docs"


def test_the_walk_to_the_next_markers(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    page = (DOCS / "howto" / "next_season.md").read_text(encoding="utf-8")
    commands = re.findall(r"dhverify (markers .*)", page)
    assert len(commands) == 2
    dhverify.simulate("season", n_donors=1, lines_per_donor=20, n_markers=80, seed=2)
    sheet = dhverify.read_samples("season/samples.csv")
    dhverify.check(dhverify.read_genotypes(["season/genotypes.vcf.gz"], sheet=sheet), sheet).write("results")
    shutil.copy("season/genotypes.vcf.gz", "parents.vcf.gz")
    for name in ("samples.csv", "next_samples.csv"):
        shutil.copy("season/samples.csv", name)
    for command in commands:
        assert main([*command.split(), "--goal", "haploid"]) == 0
        assert "can verify the cross" in capsys.readouterr().out
    with Path("panel/crosses.csv").open(encoding="utf-8") as stream:
        assert {row["met"] for row in csv.DictReader(stream)} == {"yes"}


def test_sizes_that_are_told_of_the_real_parents():
    """The same figures are measured in test_marker_set_real."""
    page = " ".join((DOCS / "explanation" / "markers.md").read_text(encoding="utf-8").split())
    assert (
        "4 markers tell hybrids (proved: no fewer), and 21 tell all three wrong findings (proved: not fewer than 14)"
        in page
    )
