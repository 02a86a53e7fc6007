"""Genotype files that are broken, or are not what they claim to be."""

from __future__ import annotations

import gzip

import pytest

SPOILT = {
    "wrong column counts": (
        "m60,10,60000000,",
        "m60,10,60000000\nm61,1,1,AA,AA,AA,AA,AA,AA\nm62,10,60000001,",
        ("2 things are wrong", "row 61: found 3 columns; expected 8", "row 62: found 9 columns; expected 8"),
    ),
    "unknown symbols": (
        "m3,3,3000000,TT,TT,GG",
        "m3,3,3000000,TT,T!,QQ",
        ("sample B, marker m3: found T!; expected", "sample I, marker m3: found QQ; expected"),
    ),
    "a marker twice": ("m2,2,2000000", "m1,1,1000000", ("row 3: found marker m1 again (first at row 2); expected",)),
    "a sample twice": ("L1,L2", "L1,L1", ("column 8: found sample L1 again (first at column 7); expected",)),
    "a position in letters": (
        ",2000000,",
        ",two million,",
        ("row 3, column pos: found two million; expected a whole",),
    ),
    "marker and sample columns exchanged": ("marker,chrom,pos,A", "A,chrom,pos,marker", ("marker",)),
}


@pytest.mark.parametrize("name", SPOILT)
def test_a_spoilt_table_is_refused(lab, calls, name):
    old, new, says = SPOILT[name]
    assert old in calls
    lab.put("g.csv", calls.replace(old, new, 1))
    lab.refuses("g.csv", says=("g.csv", *says))


UNREADABLE = {
    "nothing": (b"", "nothing in it"),
    "a header only": (b"marker,chrom,pos,A,B,I,L1,L2\n", "a header and no rows"),
    "binary junk": (bytes(range(256)) * 20, "expected text saved as UTF-8"),
    "another encoding": ("marker,L1,L2\nmä,AA,AA\n".encode("latin-1"), "found a byte that is no UTF-8 text (0xe4)"),
    "UTF-16 without its mark": ("marker,L1,L2\nm1,AA,AA\n".encode("utf-16-le"), "UTF-16 text without its"),
    "VCF in UTF-16 without its mark": ("##fileformat=VCFv4.3\n#CHROM\n".encode("utf-16-be"), "saved as UTF-8"),
    "VCF in UTF-16": ("##fileformat=VCFv4.3\n#CHROM\n".encode("utf-16"), "found a VCF file, saved as UTF-16"),
    "only separators": (b",,\n,,\n", "nothing in it"),
    "a ZIP file": (b"PK\x03\x04junk", "found a ZIP or XLSX file; expected VCF"),
    "the first two bytes of a gzip file": (b"\x1f\x8b", "compressed data that end early"),
    "BCF that is none": (b"BCF\x02\x02junk", "damaged BCF data"),
}


@pytest.mark.parametrize("name", UNREADABLE)
def test_a_file_that_is_no_genotypes_is_refused(lab, name):
    data, says = UNREADABLE[name]
    lab.put("g.csv", data)
    lab.refuses("g.csv", says=("g.csv: the file: found ", "; expected ", says))


@pytest.mark.parametrize("kind", ["vcf", "csv"])
@pytest.mark.parametrize("kept", [0.1, 0.5, 0.98])
def test_a_truncated_gzip_file_is_refused(lab, request, kind, kept):
    whole = gzip.compress(request.getfixturevalue("vcf" if kind == "vcf" else "calls").encode())
    lab.put("g.gz", whole[: int(len(whole) * kept)])
    lab.refuses("g.gz", says=("g.gz: the file: found compressed data that end early; expected a complete file",))


def test_a_damaged_gzip_file_is_refused(lab, vcf):
    whole = bytearray(gzip.compress(vcf.encode()))
    whole[-12] ^= 0xFF
    lab.put("g.vcf.gz", bytes(whole))
    lab.refuses("g.vcf.gz", says=("g.vcf.gz: the file: found ", "expected a complete file"))


VCF = {
    "no records": (lambda text: "".join(row for row in text.splitlines(True) if row.startswith("#")), "no records"),
    "no header line": (lambda text: text.splitlines(keepends=True)[0], "no line that begins #CHROM"),
    "a short header line": (lambda text: text.replace("\tQUAL", "", 1), "line 3: found"),
    "CHROM and POS exchanged": (
        lambda text: text.replace("#CHROM\tPOS", "#POS\tCHROM"),
        "line 3: found #POS; expected",
    ),
    "a sample twice": (lambda text: text.replace("L1\tL2", "L1\tL1"), "line 3: found sample L1 twice"),
    "a record that ends early": (
        lambda text: text + "1\t99000000\tm99\tA\tC\t.\t.\t.\tGT\t0/0\n",
        "line 34: found 10 columns",
    ),
    "a genotype in letters": (lambda text: text.replace("1/1", "x/y", 1), "line 4, sample I: found genotype x/y"),
    "a position in letters": (lambda text: text.replace("\t2000000\t", "\tzwei\t"), "line 5, POS: found zwei"),
    "a zero byte": (lambda text: text.replace("m5", "m\0", 1), "line 8: found a zero byte"),
    "a carriage return": (lambda text: text.replace("\tm5\t", "\tm5\r\t", 1), "line 8: found a carriage return within"),
    "a zero byte in a name": (lambda text: text.replace("\tL2", "\tL\0", 1), "line 3: found a zero byte"),
    "a position without end": (lambda text: text.replace("\t2000000\t", f"\t{'9' * 5000}\t"), "line 5, POS: found 99"),
    "a position in other digits": (lambda text: text.replace("\t2000000\t", "\t\u00b2\t"), "line 5, POS: found"),
    "no samples": (
        lambda _: "##fileformat=VCFv4.3\n#CHROM\tPOS\tID\tREF\tALT\tQUAL\tFILTER\tINFO\n",
        "found sites without samples",
    ),
}


@pytest.mark.parametrize("name", VCF)
def test_a_spoilt_vcf_is_refused(lab, vcf, name):
    spoil, says = VCF[name]
    lab.put("g.vcf", spoil(vcf))
    lab.refuses("g.vcf", says=("g.vcf: ", "; expected ", says))


def test_every_wrong_call_of_a_vcf_is_named(lab, vcf):
    lab.put("g.vcf", vcf.replace("1/1", "x/y", 3))
    lab.refuses("g.vcf", says=("3 things are wrong", "line 4, sample I", "line 5, sample B", "line 5, sample I"))


def test_more_than_one_call_for_a_sample_and_marker_in_one_file(lab):
    lab.put("g.csv", "sample,marker,genotype\nL1,m1,AA\nL1,m2,AA\nL1,m1,CC\nL2,m1,AA\nL2,m1,AA\n")
    said = ("row 4: found sample L1 at marker m1 again (first at row 2)", "row 6: found sample L2 at marker m1 again")
    lab.refuses("g.csv", says=("g.csv: 2 things are wrong", *said))


def test_more_than_one_call_for_a_sample_and_marker_over_files(lab, calls):
    lab.put("again.csv", calls)
    lab.refuses("calls.csv", "again.csv", says=("again.csv", "sample L1, markers m1", "given twice", "each call once"))


def test_the_same_file_twice(lab):
    lab.refuses("calls.csv", "calls.csv", says=("calls.csv: the file: found the same file twice",))


def test_sample_and_marker_columns_of_a_long_table_exchanged(lab):
    lab.put("g.csv", "marker,sample,genotype\nL1,m1,AA\nL1,m2,CC\nL2,m1,AA\nL2,m2,GG\n")
    lab.refuses("g.csv", says=("samples.csv: column sample: found none of its 2 lines", "which hold m1, m2"))


def test_chromosome_and_position_exchanged_do_not_go_unnoticed(lab, calls):
    """Every marker then has a chromosome of its own, at the first few bases: no linkage is left to use."""
    lab.put("g.csv", calls.replace("chrom,pos", "pos,chrom"))
    found = "g.csv: columns chrom and pos: found chromosomes up to 60000000 and positions up to 10"
    lab.refuses("g.csv", says=(found, "the two seem to be exchanged"))


def test_chromosome_and_position_exchanged_in_a_vcf(lab, vcf):
    rows = [row.split("\t") if not row.startswith("#") else [row] for row in vcf.splitlines()]
    lab.put("g.vcf", "\n".join("\t".join([*row[1::-1], *row[2:]]) for row in rows) + "\n")
    lab.refuses("g.vcf", says=("g.vcf: columns CHROM and POS: found chromosomes up to 30000000",))


def test_numbered_scaffolds_are_no_exchanged_columns(lab, calls):
    """Names of many digits, positions in base pairs."""
    lab.put("g.csv", "\n".join(row.replace(",1,", ",100200,", 1) for row in calls.splitlines()))
    assert lab.run("g.csv", more=("--quiet",)).status == 0


def test_a_genotype_table_separated_by_bars(lab, calls):
    lab.put("g.csv", calls.replace(",", "|"))
    lab.refuses("g.csv", says=("row 1 (header): found one column, marker|chrom|pos", "as if separated by |"))


@pytest.mark.parametrize(("first", "second", "fits"), [("1", "2", "copies or alleles"), ("A", "B", "bases or parents")])
def test_calls_that_could_be_two_codings_are_asked_about(lab, calls, first, second, fits):
    text = calls
    for pair, letter in (("AA", first), ("TT", first), ("CC", second), ("GG", second)):
        text = text.replace(pair, letter)
    lab.put("g.csv", text)
    lab.refuses("g.csv", says=(f"g.csv: coding: found only {first}, {second}, which may be {fits}", "--coding"))


def test_a_sheet_given_as_genotypes_and_genotypes_given_as_a_sheet(lab):
    lab.refuses("samples.csv", says=("samples.csv: header: found a sample sheet", "handed in with --samples"))
    lab.refuses(sheet="calls.csv", says=("calls.csv: ", "no column sample", "no column role"))


def test_a_vcf_given_as_a_sheet_is_called_by_its_name(lab, vcf):
    lab.put("v.vcf", vcf)
    lab.refuses(sheet="v.vcf", says=("v.vcf: ", "VCF"))
