"""Bad input, end to end: exit 2, one message that names what to mend, nothing written, never a traceback."""

from __future__ import annotations

import gzip
import subprocess
import sys
from pathlib import Path

import pytest

CALLS = """marker,chrom,pos,A,B,I,L1,L2
m1,1,100,AA,AA,GG,AA,AA
m2,1,200,AA,CC,CC,AA,CC
m3,2,300,TT,TT,GG,TT,TT
"""
SHEET = """sample,role,stage,donor,pedigree
A,parent,,,
B,parent,,,
I,inducer,,,
D,donor,,,A/B
L1,line,haploid,D,
L2,line,haploid,D,
"""


def run(folder: Path, *more: str, calls="calls.csv", sheet="samples.csv", out="results"):
    command = [sys.executable, "-m", "dhverify", "check", str(folder / calls), "--samples", str(folder / sheet)]
    command += ["--out", str(folder / out), *more]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "calls.csv").write_text(CALLS, encoding="utf-8")
    (tmp_path / "samples.csv").write_text(SHEET, encoding="utf-8")
    return tmp_path


def refused(folder, done, *words):
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
    for word in words:
        assert word in done.stderr, done.stderr
    assert not (folder / "results").exists() or not any((folder / "results").iterdir())


SHEETS = {
    "doubled samples": (SHEET + "L1,line,haploid,D,\n", ["samples.csv", "row 8", "L1"]),
    "unknown role": (SHEET.replace("I,inducer", "I,inducr"), ["row 4", "inducr"]),
    "unknown stage": (SHEET.replace("L2,line,haploid", "L2,line,seedling"), ["row 7", "seedling"]),
    "donor without a row": (SHEET.replace("L2,line,haploid,D", "L2,line,haploid,E"), ["row 7", "E"]),
    "pedigree": (SHEET.replace("A/B", "A//B"), ["pedigree"]),
    "two inducers": (SHEET + "J,inducer,,,\n", ["inducer"]),
    "no line in the genotypes": (SHEET.replace("L1,", "M1,").replace("L2,", "M2,"), ["M1"]),
    "no lines": ("\n".join(SHEET.splitlines()[:5]) + "\n", ["line"]),
    "several at once": (
        SHEET.replace("L2,line,haploid", "L2,line,seedling").replace("I,inducer", "I,x"),
        ["row 4", "row 7"],
    ),
    "empty": ("", ["samples.csv"]),
}


@pytest.mark.parametrize("name", SHEETS)
def test_sheets(folder, name):
    text, words = SHEETS[name]
    (folder / "samples.csv").write_text(text, encoding="utf-8")
    refused(folder, run(folder), *words)


GENOTYPES = {
    "wrong column count": (CALLS + "m4,2,400,AA\n", ["calls.csv", "row 5"]),
    "unknown call": (CALLS.replace("TT,TT,GG", "TT,TT,Q!"), ["Q!"]),
    "doubled marker": (CALLS + "m1,1,100,AA,AA,GG,AA,AA\n", ["m1"]),
    "empty": ("", ["calls.csv"]),
}


@pytest.mark.parametrize("name", GENOTYPES)
def test_genotypes(folder, name):
    text, words = GENOTYPES[name]
    (folder / "calls.csv").write_text(text, encoding="utf-8")
    refused(folder, run(folder), *words)


def test_files_that_are_no_genotypes(folder):
    whole = gzip.compress(b"##fileformat=VCFv4.3\n" * 4000)
    (folder / "cut.vcf.gz").write_bytes(whole[: len(whole) // 2])
    refused(folder, run(folder, calls="cut.vcf.gz"), "cut.vcf.gz")
    (folder / "empty.vcf").write_text("##fileformat=VCFv4.3\n#CHROM\tPOS\tID\n", encoding="utf-8")
    refused(folder, run(folder, calls="empty.vcf"), "empty.vcf")
    (folder / "junk.csv").write_bytes(bytes(range(256)) * 20)
    refused(folder, run(folder, calls="junk.csv"), "junk.csv")
    refused(folder, run(folder, calls="absent.csv"), "absent.csv")
    refused(folder, run(folder, calls="."))


def test_a_sheet_in_utf16_is_read_and_an_absent_one_refused(folder):
    (folder / "wide.csv").write_text(SHEET, encoding="utf-16")
    assert run(folder, "--quiet", sheet="wide.csv", out="other").returncode == 0
    refused(folder, run(folder, sheet="absent.csv"), "absent.csv")


def test_limits(folder):
    (folder / "limits.toml").write_text("min_confidens = 0.9\n", encoding="utf-8")
    refused(folder, run(folder, "--limits", str(folder / "limits.toml")), "min_confidens", "min_confidence")
    (folder / "limits.toml").write_text("min_confidence = 7\n", encoding="utf-8")
    refused(folder, run(folder, "--limits", str(folder / "limits.toml")), "min_confidence", "7")


def test_unknown_options_and_columns(folder):
    refused(folder, run(folder, "--colour", "red"), "--colour")
    refused(folder, run(folder, "--by", "tray"), "tray")


def test_an_output_folder_in_use_is_refused_and_a_strange_one_never_replaced(folder):
    strange = folder / "keep"
    strange.mkdir()
    (strange / "thesis.txt").write_text("years of work", encoding="utf-8")
    for more in ((), ("--force",)):
        done = run(folder, *more, out="keep")
        assert done.returncode == 2
        assert (strange / "thesis.txt").read_text(encoding="utf-8") == "years of work"


def test_the_same_call_given_twice(folder):
    (folder / "again.csv").write_text(CALLS, encoding="utf-8")
    done = run(folder, str(folder / "again.csv"))
    refused(folder, done, "L1")


def test_a_failed_well_is_no_error(folder):
    (folder / "samples.csv").write_text(SHEET + "L9,line,haploid,D,\n", encoding="utf-8")
    done = run(folder, "--quiet")
    assert done.returncode == 0, done.stderr
    assert done.stdout == ""
    rows = (folder / "results" / "lines.csv").read_text(encoding="utf-8").splitlines()
    last = next(row for row in rows if row.startswith("L9"))
    assert "retest,unresolved" in last
    assert "not genotyped" in last
    again = run(folder, "--quiet", "--force", "--strict")
    assert again.returncode == 1
