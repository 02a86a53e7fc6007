"""The example beside the package: made by the simulator byte for byte, and telling the truth about itself."""

import csv
import gzip
import subprocess
import sys
import zlib
from pathlib import Path

import numpy as np
import pytest

from dhverify.simulation.example import example_files, example_programme, main

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "example_vcf"
FILES = {"README.md", "counts.csv", "genotypes.vcf.gz", "samples.csv", "truth.csv", "truth_others.csv"}


@pytest.fixture(scope="module")
def programme():
    return example_programme()


@pytest.fixture(scope="module")
def truth():
    with (EXAMPLE / "truth.csv").open(encoding="utf-8", newline="") as handle:
        return {row["sample"]: row for row in csv.DictReader(handle)}


@pytest.fixture(scope="module")
def story_rows():
    """Rows of the story's tables: cells, without the header."""
    lines = (EXAMPLE / "README.md").read_text(encoding="utf-8").splitlines()
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines if line.startswith("|")]


def test_the_example_is_made_again_byte_for_byte(tmp_path):
    command = [sys.executable, "-m", "dhverify.simulation.example", str(tmp_path)]
    done = subprocess.run(command, cwd=ROOT, check=False, capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")
    assert {path.name for path in EXAMPLE.iterdir()} == {path.name for path in tmp_path.iterdir()} == FILES
    for name in FILES - {"genotypes.vcf.gz"}:
        assert (tmp_path / name).read_bytes() == (EXAMPLE / name).read_bytes()
    made, there = ((folder / "genotypes.vcf.gz").read_bytes() for folder in (tmp_path, EXAMPLE))
    assert gzip.decompress(made) == gzip.decompress(there)
    if "ng" not in zlib.ZLIB_RUNTIME_VERSION:  # another zlib packs the same content into other bytes
        assert made == there


def test_the_example_is_small():
    assert sum(path.stat().st_size for path in EXAMPLE.iterdir()) < 300_000


def test_two_calls_give_the_same_bytes():
    assert example_files() == example_files()


def test_every_common_case_is_there(programme, truth):
    findings = {row["finding"] for row in truth.values()}
    assert findings >= {
        *("haploid", "doubled haploid", "hybrid", "selfed hybrid", "donor", "selfed donor", "outcross"),
        *("other donor", "mixture"),
    }
    cases = {row["case"].split(" with ")[0] for row in truth.values()}
    assert cases >= {
        *("mixture", "leak", "inducer segment", "duplicate", "failed well", "replicate of another line"),
        "label exchanged",
    }
    assert {row["segments"][-1] for row in truth.values() if row["segments"]} == {"1", "2"}
    others = {row["case"] for row in programme.others}
    assert {"dirty blank", "all het", "mostly missing"} <= others
    assert any(row["source"] for row in programme.sheet)
    assert {row["stage"] for row in programme.sheet} == {"", "haploid", "D1"}
    assert 96 <= len(programme.samples) <= 192
    assert 600 <= len(programme.markers) <= 1000


def test_the_story_tells_every_planted_case(truth, story_rows):
    told = {row[0]: row for row in story_rows if row[0] in truth}
    for sample, row in truth.items():
        is_wrong = row["finding"] not in ("haploid", "doubled haploid")
        assert sample in told or not (is_wrong or row["case"]), sample
        if is_wrong:
            assert f"`{row['finding']}`" in told[sample][3]
            assert told[sample][3].startswith("`retest`" if row["finding"] == "mixture" else "`fail`")
    text = (EXAMPLE / "README.md").read_text(encoding="utf-8")
    assert f"The other {len(truth) - len(told)} samples of lines" in text


def test_the_story_tells_the_wells(programme, story_rows):
    place = {row["sample"]: f"{row['plate']} {row['well']}" for row in programme.sheet}
    told = {row[0]: row for row in story_rows if row[0] in place}
    assert told
    assert all(row[1] == place[sample] for sample, row in told.items())
    blanks = [row for row in story_rows if row[0].startswith("blank ")]
    assert sum("dirty" in row[2] for row in blanks) == 1


def test_the_panel_can_see_each_inducer_segment(programme, truth):
    """At least five usable diagnostic markers lie in each."""
    dna = dict(zip(programme.samples.tolist(), programme.fraction, strict=True))
    pedigree = {row["sample"]: row["pedigree"] for row in programme.sheet}
    markers = programme.markers
    segments = [(row["donor"], row["segments"].split(":")) for row in truth.values() if row["segments"]]
    assert len(segments) == 3
    for donor, (chrom, span, _) in segments:
        start, end = map(int, span.split("-"))
        first, second = (dna[name] for name in pedigree[donor].split("/"))
        inside = (markers.true_chrom == chrom) & (markers.true_pos_bp >= start) & (markers.true_pos_bp <= end)
        diagnostic = inside & (first == second) & (dna["Inducer1"] != first) & (markers.kind == "good")
        assert diagnostic.sum() >= 5


def test_a_duplicate_and_a_descent_are_one_genotype(programme, truth):
    dna = dict(zip(programme.samples.tolist(), programme.fraction, strict=True))
    copies = [row for row in truth.values() if row["copy_of"]]
    assert len(copies) == 1
    assert np.array_equal(dna[copies[0]["sample"]], dna[copies[0]["copy_of"]])


def test_usage(capsys, tmp_path):
    assert main([]) == 2
    assert "usage" in capsys.readouterr().err
    (tmp_path / "file").write_text("in the way")
    assert main([str(tmp_path / "file")]) == 2
    assert "file" in capsys.readouterr().err
    assert main([str(tmp_path / "new")]) == 0
    assert {path.name for path in (tmp_path / "new").iterdir()} == FILES
