"""Options, other input files, and the place where results go."""

from __future__ import annotations

import json
from hashlib import sha256

import pytest

from dhverify.errors import FormatError
from dhverify.formats.costs_file import read_cost_values

ABSENT = {
    "genotypes": (("absent.csv",), {}),
    "sheet": ((), {"sheet": "absent.csv"}),
    "limits": ((), {"more": ("--limits", "absent.csv")}),
    "map": ((), {"more": ("--map", "absent.csv")}),
    "counts": ((), {"more": ("--counts", "absent.csv")}),
}


@pytest.mark.parametrize("name", ABSENT)
def test_a_file_that_is_not_there(lab, name):
    genotypes, options = ABSENT[name]
    lab.refuses(*genotypes, **options, says=("absent.csv", "does not exist"))


@pytest.mark.parametrize("name", ABSENT)
def test_a_folder_given_as_a_file(lab, name):
    (lab.folder / "absent.csv").mkdir()
    genotypes, options = ABSENT[name]
    lab.refuses(*genotypes, **options, says=("absent.csv", "is a directory"))


OPTIONS = {
    "unknown option": (("--colour", "red"), ("--colour",)),
    "unknown layout": (("--layout", "tall"), ("--layout", "found tall; expected one of auto, vcf, wide")),
    "unknown coding": (("--coding", "letters"), ("--coding", "found letters; expected one of auto, bases")),
    "no job": (("--jobs", "0"), ("--jobs: found 0; expected a whole number of at least 1",)),
    "jobs in letters": (("--jobs", "many"), ("--jobs: found many; expected a whole number",)),
    "no such column": (("--by", "tray"), ("--by", "tray", "expected one of sample, role")),
    "a layout that the file has not": (("--layout", "long"), ("calls.csv: header", "sample, marker and genotype")),
    "a format that the file has not": (("--layout", "vcf"), ("calls.csv: line 1", "#CHROM")),
    "a coding that the file has not": (("--coding", "copies"), ("calls.csv", "sample A, marker m1: found AA")),
}


@pytest.mark.parametrize("name", OPTIONS)
def test_a_wrong_option(lab, name):
    more, says = OPTIONS[name]
    lab.refuses(more=more, says=says)


@pytest.mark.parametrize("lacking", ["--samples", "--out"])
def test_an_option_that_is_needed(lab, lacking, capsys):
    from dhverify.cli.main import main

    given = {"--samples": "samples.csv", "--out": "results"}
    del given[lacking]
    before = lab.contents()
    assert main(["check", "calls.csv", *(part for pair in given.items() for part in pair)]) == 2
    assert lacking in capsys.readouterr().err
    assert lab.contents() == before


LIMITS = {
    "unknown names and values out of range, all at once": (
        "min_confidens = 0.9\nmin_confidence = 7\nmax_inducer_share = 'x'\n",
        ("3 things are wrong", "min_confidens", "found 7; expected a number from 0.5", "max_inducer_share: found 'x'"),
    ),
    "no number": ("min_confidence = nan\n", ("limit min_confidence: found nan; expected a number",)),
    "a whole number": ("min_diagnostic_markers = 2.5\n", ("found 2.5; expected a whole number",)),
    "no TOML": ("min_confidence 0.9\n", ("line 1", "expected TOML")),
    "a table": ("[limits]\nmin_confidence = 0.9\n", ("limits", "expected one of min_confidence")),
    "junk": (bytes(range(256)), ("no UTF-8 text",)),
}


@pytest.mark.parametrize("name", LIMITS)
def test_limits(lab, name):
    text, says = LIMITS[name]
    lab.put("limits.toml", text)
    lab.refuses(more=("--limits", "limits.toml"), says=("limits.toml: ", *says))


MAPS = {
    "nothing": ("", ("nothing in it",)),
    "no cM": ("marker,chrom\nm1,1\n", ("header: found no column cm",)),
    "cM in letters": (
        "marker,chrom,cm\nm1,1,x\nm2,1,\n",
        ("2 things", "row 2, column cm: found x", "row 3, column cm"),
    ),
    "none of the markers": ("marker,chrom,cm\nz1,1,0\n", ("found none of the 60 markers", "expected marker names")),
    "a marker at two places": ("marker,chrom,cm\nm1,1,0\nm1,2,0\n", ("row 3, column marker: found m1 again",)),
}


@pytest.mark.parametrize("name", MAPS)
def test_maps(lab, name):
    text, says = MAPS[name]
    lab.put("map.csv", text)
    lab.refuses(more=("--map", "map.csv"), says=("map.csv: ", *says))


COUNTS = {
    "nothing": ("", ("nothing in it",)),
    "unknown donor": ("donor,kernels\nZ,100\n", ("row 2, column donor: found Z; expected one of D",)),
    "no numbers": ("donor,kernels,treated\nD,-4,x\n", ("row 2, column kernels: found -4", "column treated: found x")),
}


@pytest.mark.parametrize("name", COUNTS)
def test_counts(lab, name):
    text, says = COUNTS[name]
    lab.put("counts.csv", text)
    lab.refuses(more=("--counts", "counts.csv"), says=("counts.csv: ", *says))


@pytest.mark.parametrize("more", [(), ("--force",)])
@pytest.mark.parametrize("name", ["thesis.txt", "lines.csv", "summary.json"])
def test_a_folder_that_is_no_results_folder_is_never_replaced(lab, name, more):
    (lab.folder / "keep").mkdir()
    lab.put(f"keep/{name}", '{"years": "of work"}')
    lab.refuses(out="keep", more=more, says=("keep: found a folder that holds other files", "never replaced"))


@pytest.mark.parametrize("more", [(), ("--force",)])
def test_a_file_where_results_should_go(lab, more):
    lab.refuses(out="calls.csv", more=more, says=("calls.csv: found a file; expected a folder",))
    lab.refuses(out="calls.csv/results", more=more, says=("calls.csv: found a file; expected a folder",))


def test_results_of_an_earlier_check_are_replaced_with_force_only(lab):
    assert lab.run(more=("--quiet",)).status == 0
    lab.refuses(says=("results: found the results of an earlier check; expected a new folder, or --force",))
    before = lab.contents()
    assert lab.run(more=("--quiet", "--force")).status == 0
    assert lab.contents() == before, "same input, same bytes, nothing left beside"


def test_a_file_of_the_user_in_a_results_folder_is_not_lost(lab):
    assert lab.run(more=("--quiet",)).status == 0
    lab.put("results/my_notes.txt", "years of work")
    lab.run(more=("--quiet", "--force"))
    notes = lab.results / "my_notes.txt"
    assert notes.exists(), "--force deleted a file that no check wrote"
    assert notes.read_text() == "years of work"


def test_wrong_input_does_not_cost_the_earlier_results(lab, sheet):
    assert lab.run(more=("--quiet",)).status == 0
    lab.put("s.csv", sheet.replace("A/B", "A//B"))
    lab.refuses(sheet="s.csv", more=("--force",), says=("row 5, column pedigree",))


def test_an_empty_folder_is_taken(lab):
    lab.results.mkdir()
    assert lab.run(more=("--quiet",)).status == 0
    assert (lab.results / "lines.csv").exists()


class TestExitStatus:
    def test_zero_where_it_ran(self, lab):
        done = lab.run()
        assert done.status == 0
        assert "report.html" in done.out

    def test_strict_is_one_where_a_line_does_not_pass(self, lab, sheet):
        lab.put("s.csv", sheet + "L3,line,haploid,D,\n")
        done = lab.run(sheet="s.csv", more=("--strict",))
        assert done.status == 1
        assert (lab.results / "lines.csv").exists(), "the results are written all the same"

    def test_strict_is_zero_where_all_pass(self, lab):
        assert lab.run(more=("--strict",)).status == 0
        rows = (lab.results / "lines.csv").read_text().splitlines()[1:]
        assert all(",pass," in row for row in rows)
        assert len(rows) == 2

    @pytest.mark.parametrize("more", [(), ("--strict",)])
    def test_quiet_is_silent(self, lab, sheet, more):
        lab.put("s.csv", sheet.replace("L2,line,haploid,D,\n", "L3,line,haploid,D,\n"))
        done = lab.run(sheet="s.csv", more=("--quiet", *more))
        assert (done.status, done.out, done.err) == (len(more), "", "")

    def test_quiet_still_tells_what_is_wrong(self, lab):
        lab.refuses(more=("--quiet", "--by", "tray"), says=("tray",))

    @pytest.mark.parametrize(("more", "status"), [((), 0), (("--by", "tray"), 2)])
    def test_the_status_reaches_the_shell(self, lab, more, status):
        done = lab.run_apart("--quiet", *more)
        assert done.status == status
        assert done.out == ""
        assert bool(done.err) == (status == 2)
        assert "Traceback" not in done.err


def test_every_table_that_was_read_is_named_with_its_checksum(lab):
    lab.put("counts.csv", "donor,kernels,putative_haploids,season\nD,300,30,\n")
    done = lab.run(more=("--counts", "counts.csv", "--quiet"))
    assert done.status == 0, done.err
    inputs = json.loads((lab.results / "summary.json").read_text())["inputs"]
    expected = {
        name: sha256((lab.folder / name).read_bytes()).hexdigest()
        for name in ("calls.csv", "samples.csv", "counts.csv")
    }
    assert {row["name"]: row["sha256"] for row in inputs} == expected


def test_what_is_doubtful_in_the_counts_is_said(lab):
    lab.put("counts.csv", "donor,kernels,putativ_haploids\nD,300,30\n")
    assert "warning: counts.csv: column putativ_haploids is not known" in lab.run(more=("--counts", "counts.csv")).err


def test_a_cost_of_thousands_of_digits_is_one_message(tmp_path):
    """Numbers that the language refuses to read are the file's fault, as in limits."""
    costs = tmp_path / "costs.toml"
    costs.write_text("plant = " + "9" * 5000 + "\n", encoding="utf-8")
    with pytest.raises(FormatError, match=r"costs\.toml: the file: found"):
        read_cost_values(costs)
