"""Sample sheets that contradict themselves or the genotypes."""

from __future__ import annotations

import csv

import pytest

SPOILT = {
    "doubled sample": (
        [("L2,line,haploid,D,\n", "L2,line,haploid,D,\nL1,line,haploid,D,\nL1,line,haploid,D,\n")],
        (
            "2 things are wrong",
            "row 8, column sample: found L1 again (first in row 6); expected each sample once",
            "row 9, column sample: found L1 again",
        ),
    ),
    "unknown role": ([("I,inducer", "I,inducr")], ("row 4, column role: found inducr; expected inducer",)),
    "unknown stage": (
        [("L2,line,haploid", "L2,line,seedling")],
        ("row 7, column stage: found seedling; expected one of haploid, D0, D1",),
    ),
    "line without a stage": ([("L2,line,haploid", "L2,line,")], ("row 7, column stage: found nothing; expected one",)),
    "donor without a row": (
        [("L2,line,haploid,D", "L2,line,haploid,E")],
        ("row 7, column donor: found E, which has no row; expected",),
    ),
    "donor that is a parent": (
        [("L2,line,haploid,D", "L2,line,haploid,A")],
        ("row 7, column donor: found A, which has role parent (row 2); expected a sample of role donor",),
    ),
    "pedigree with a wrong mark": ([("A/B", "A//B")], ("row 5, column pedigree, position 2: found //; expected /",)),
    "pedigree that ends early": ([("A/B", "A/")], ("row 5, column pedigree, position 3: found no name",)),
    "pedigree with brackets": ([("A/B", "(A/B)/A")], ("row 5, column pedigree, position", "no brackets")),
    "pedigree with a dose of nothing": ([("A/B", "A*B")], ("row 5, column pedigree, position 1: found A*B",)),
    "pedigree over a line": ([("A/B", "A/L1")], ("row 5, column pedigree: found L1, which has role line (row 6)",)),
    "two inducers, none named": (
        [("I,inducer,,,\n", "I,inducer,,,\nJ,inducer,,,\n")],
        (
            "row 7, column inducer: found nothing, and 2 inducers in the sheet; expected one of I, J",
            "row 8, column inducer: found nothing",
        ),
    ),
    "no line in the genotypes": (
        [("L1,", "X1,"), ("L2,", "X2,")],
        ("column sample: found none of its 2 lines", "X1", "sample names as in the genotype files"),
    ),
    "no line at all": ([("L1,line,haploid,D", "L1,other,,"), ("L2,line,haploid,D", "L2,other,,")], ("role line",)),
    "too many and too few columns": (
        [("L2,line,haploid,D,\n", "L2,line,haploid,D,,,x\nL3,line\n")],
        ("row 7: found 7 columns; expected 5", "row 8: found 2 columns; expected 5"),
    ),
    "sample and role exchanged": (
        [("sample,role", "role,sample")],
        ("columns role and sample: found A, B and 4 more under role", "the two seem to be exchanged"),
    ),
    "stage and donor exchanged": (
        [("stage,donor", "donor,stage")],
        ("columns stage and donor: found D under stage and haploid under donor", "seem to be exchanged"),
    ),
    "stage and role exchanged": (
        [("role,stage", "stage,role")],
        ("columns stage and role: found parent, inducer and 2 more under stage and haploid under role",),
    ),
    "plate and well exchanged": (
        [("pedigree", "well,plate"), ("parent,,,", "parent,,,,"), ("inducer,,,", "inducer,,,,"), ("A/B", ",")]
        + [
            (f"{line},line,haploid,D,", f"{line},line,haploid,D,box 9,{well}")
            for line, well in (("L1", "A1"), ("L2", "B1"))
        ],
        ("columns well and plate: found box 9 under well and A1, B1 under plate",),
    ),
    "families under sample": (
        [("sample,", "sample,plot,")]
        + [(f"{name},{role}", f"{name},{name}{role},{role}") for name, role in (("A", "parent"), ("B", "parent"))]
        + [("I,inducer", "A,I7,inducer"), ("D,donor", "A,Q,donor"), ("L1,line", "A,L1,line"), ("L2,line", "A,L2,line")],
        ("column sample: found A, B again and again over 6 rows", "column plot holds such"),
    ),
    "names in another column": (
        [("pedigree", "plot"), ("A/B", "")]
        + [(f"{line},line,haploid,D,", f"X{line},line,haploid,D,{line}") for line in ("L1", "L2")],
        ("column sample: found none of its 2 lines", "column plot holds such names"),
    ),
    "no header": (
        [("sample,role,stage,donor,pedigree\n", "")],
        ("row 1 (header): found no column sample", "but A, parent"),
    ),
    "columns separated by bars": (
        [(",", "|")],
        ("row 1 (header): found one column, sample|role|stage", "separated by |"),
    ),
    "columns separated by blanks": ([(",", " ")], ("as if separated by blanks; expected columns separated by commas",)),
    "plants without end": (
        [("pedigree", "plants"), ("A/B", "9" * 5000)],
        ("row 5, column plants: found 999", "...; expected"),
    ),
    "no role": ([("sample,role", "sample,kind")], ("header", "no column role")),
    "a quote that does not end": ([("L2,line", '"L2,line')], ("row 7", "quote")),
    "a header only": ([(",", ",")], ("a header and no rows",)),
    "wells twice": (
        [(",pedigree", ",well"), ("A/B", ""), ("haploid,D,\n", "haploid,D,a1\n")],
        ("row 7, column well: found A01, which holds L1 (row 6); expected one sample in a well",),
    ),
}


@pytest.mark.parametrize("name", SPOILT)
def test_a_spoilt_sheet_is_refused(lab, sheet, name):
    changes, says = SPOILT[name]
    text = sheet.splitlines(keepends=True)[0] if name == "a header only" else sheet
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    lab.put("s.csv", text)
    lab.refuses(sheet="s.csv", says=("s.csv", *says))


def test_all_defects_of_one_sheet_come_at_once_in_the_order_of_rows(lab, sheet):
    text = sheet.replace("I,inducer", "I,x").replace("A/B", "A//B").replace("L2,line,haploid", "L2,line,seedling")
    lab.put("s.csv", text + "L1,line,haploid,E,\n,line,,,\n")
    said = lab.refuses(sheet="s.csv", says=("s.csv: 8 things are wrong",))
    rows = [row.split(",")[0].strip() for row in said.splitlines() if row.startswith("  row ")]
    assert rows == ["row 4", "row 5", "row 7", "row 8", "row 8", "row 9", "row 9", "row 9"]


def test_a_long_list_of_defects_is_cut_and_counted(lab, sheet):
    lab.put("s.csv", sheet + "".join(f"M{n},line,seedling,D,\n" for n in range(50)))
    said = lab.refuses(sheet="s.csv", says=("row 8, column stage: found seedling", "30 more defects"))
    assert len(said.splitlines()) < 30


UNREADABLE = {
    "nothing": (b"", "nothing in it"),
    "blank lines": (b"\n \n\n", "nothing in it"),
    "binary junk": (bytes(range(256)) * 20, "no UTF-8 text"),
    "another encoding": ("sample,role\nÄ,parent\n".encode("latin-1"), "found a byte that is no UTF-8 text (0xc4)"),
    "UTF-16 without its mark": ("sample,role\nA,parent\n".encode("utf-16-le"), "UTF-16 text without its"),
    "BCF": (b"BCF\x02\x02" + bytes(40), "found a BCF file"),
    "VCF saved as UTF-16": ("##fileformat=VCFv4.3\n".encode("utf-16"), "found a VCF file, saved as UTF-16"),
    "a cut UTF-16 file": ("sample,role\nA,parent\n".encode("utf-16")[:-1], "expected text saved as UTF-8"),
    "a workbook that is none": (b"PK\x03\x04junk", "a workbook that cannot be read"),
}


@pytest.mark.parametrize("name", UNREADABLE)
def test_a_sheet_that_is_no_text_is_refused(lab, name):
    data, says = UNREADABLE[name]
    lab.put("s.csv", data)
    lab.refuses(sheet="s.csv", says=("s.csv: the file: found ", "; expected ", says))


def test_a_sheet_in_utf16_as_spreadsheets_save_it_is_read(lab, sheet):
    lab.put("s.csv", sheet.replace(",", "\t").encode("utf-16"))
    assert lab.run(sheet="s.csv", more=("--quiet",)).status == 0


def test_a_failed_well_is_no_error_but_a_retest(lab, sheet):
    lab.put("s.csv", sheet + "L3,line,haploid,D,\n")
    done = lab.run(sheet="s.csv")
    assert done.status == 0, done.err
    rows = csv.DictReader((lab.results / "lines.csv").read_text().splitlines())
    failed = next(row for row in rows if row["sample"] == "L3")
    assert (failed["verdict"], failed["finding"], failed["confidence"]) == ("retest", "unresolved", "")
    assert failed["flags"] == "not genotyped"


def test_a_sample_without_a_row_is_left_out_with_a_warning(lab, sheet):
    lab.put("s.csv", sheet.replace("L2,line,haploid,D,\n", ""))
    done = lab.run(sheet="s.csv")
    assert done.status == 0
    assert "warning:" in done.err
    assert "L2" in done.err
