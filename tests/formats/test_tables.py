from __future__ import annotations

import gzip

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dhverify.errors import FormatError
from dhverify.formats import read_genotypes, read_sample_names, read_samples

SHEET = "sample,role,stage,donor\nF1,donor,,\ns1,line,D1,F1\ns2,line,D1,F1\ns3,line,D1,F1\n"
CALLS = [[0, 2, 1, -1], [2, 2, 0, 0], [1, 0, 0, 2]]


def check_same(genotypes):
    assert genotypes.samples.tolist() == ["s1", "s2", "s3"]
    assert genotypes.markers.name.tolist() == ["m1", "m2", "m3", "m4"]
    assert genotypes.calls.tolist() == CALLS


def test_a_row_per_sample(write):
    genotypes = read_genotypes(write("x.csv", "line,m1,m2,m3,m4\ns1,0,2,1,\ns2,2,2,0,0\ns3,1,0,0,2\n"))
    check_same(genotypes)
    assert genotypes.notes[0] == "x.csv: read as a row per sample, by the column names."
    assert genotypes.markers.pos_bp.tolist() == [-1] * 4


def test_a_row_per_marker(write):
    genotypes = read_genotypes(
        write(
            "x.tsv",
            "marker\tchrom\tpos\tcM\ts1\ts2\ts3\nm1\t1\t100\t0.5\t0\t2\t1\nm2\t1\t200\t\t2\t2\t0\n"
            "m3\tchr2\t\t3\t1\t0\t0\nm4\t\t\t\tNA\t0\t2\n",
        )
    )
    check_same(genotypes)
    assert genotypes.notes[0] == "x.tsv: read as a row per marker, by the column names."
    assert genotypes.markers.chrom.tolist() == ["1", "1", "chr2", ""]
    assert genotypes.markers.pos_bp.tolist() == [100, 200, -1, -1]
    np.testing.assert_array_equal(genotypes.markers.cm, [0.5, np.nan, 3, np.nan])


def test_a_row_per_call(write):
    rows = [
        f"s{i + 1},m{j + 1},{'' if call < 0 else call}\n" for i, row in enumerate(CALLS) for j, call in enumerate(row)
    ]
    genotypes = read_genotypes(write("x.csv", "Sample,Marker,Genotype\n" + "".join(rows)))
    check_same(genotypes)
    assert genotypes.notes[0] == "x.csv: read as a row per call, by the column names."


def test_a_row_per_call_with_places_and_gaps(write):
    text = "marker,sample,genotype,chrom,pos,cm\nm1,s1,0,1,5,0.1\nm1,s2,2,1,5,0.1\n,s1,1,2,7,\n"
    genotypes = read_genotypes(write("x.csv", text), layout="long")
    assert genotypes.markers.name.tolist() == ["m1", "2_7"]
    assert genotypes.markers.pos_bp.tolist() == [5, 7]
    assert genotypes.calls.tolist() == [[0, 1], [2, -1]]
    np.testing.assert_array_equal(genotypes.markers.cm, [0.1, np.nan])


@pytest.mark.parametrize("corner", ["id", "", "x"])
def test_the_sheet_tells_which_way_round(write, corner):
    sheet = read_samples(write("sheet.csv", SHEET))
    rows = write("rows.csv", f"{corner},m1,m2,m3,m4\ns1,0,2,1,\ns2,2,2,0,0\ns3,1,0,0,2\n")
    columns = write("columns.csv", f"{corner},s1,s2,s3\nm1,0,2,1\nm2,2,2,0\nm3,1,0,0\nm4,,0,2\n")
    for path in (rows, columns):
        genotypes = read_genotypes(path, sheet=sheet)
        check_same(genotypes)
        assert "by the sample sheet's names" in genotypes.notes[0]


def test_the_bases_tell_which_way_round(write):
    rows = "id,m1,m2,m3\nx1,A,C,T\nx2,G,C,T\nx3,A,T,T\nx4,A,T,C\n"
    genotypes = read_genotypes(write("x.csv", rows))
    assert genotypes.samples.tolist() == ["x1", "x2", "x3", "x4"]
    assert "as a marker has two bases" in genotypes.notes[0]
    columns = "id,x1,x2,x3,x4\nm1,A,G,A,A\nm2,C,C,T,T\nm3,T,T,T,C\n"
    np.testing.assert_array_equal(read_genotypes(write("y.csv", columns)).calls, genotypes.calls)


def test_a_guess_is_a_warning(write):
    genotypes = read_genotypes(write("x.csv", "id,a,b,c\nd,0,2,1\ne,0,0,0\n"))
    assert genotypes.n_markers == 3
    assert "taking it that there are more markers than samples" in genotypes.warnings[0]
    genotypes = read_genotypes(write("y.csv", "id,a,b\nd,0,2\ne,0,0\nf,1,0\n"))
    assert genotypes.markers.name.tolist() == ["d", "e", "f"]


def test_no_guess_for_a_square(write):
    with pytest.raises(FormatError, match="a first column named marker or sample"):
        read_genotypes(write("x.csv", "id,a,b\nd,0,2\ne,0,0\n"))


def test_columns_without_genotypes_are_left_out(write):
    text = "line,cross,plate,m1,m2,remark\ns1,C1,1,0,2,\ns2,C1,1,2,2,late\ns3,C2,2,1,-,\n"
    genotypes = read_genotypes(write("x.csv", text))
    assert genotypes.markers.name.tolist() == ["m1", "m2"]
    assert "x.csv: columns without genotypes left out: cross, plate, remark." in genotypes.notes


def test_sample_column_need_not_be_the_first(write):
    sheet = read_samples(write("sheet.csv", SHEET))
    path = write("x.csv", "plate,well,sample,m1,m2,m3,m4\n1,A01,s1,0,2,1,\n1,A02,s2,2,2,0,0\n1,A03,s3,1,0,0,2\n")
    check_same(read_genotypes(path))
    check_same(read_genotypes(path, sheet=sheet))


def test_columns_about_markers_are_left_out_but_no_sample_of_the_sheet(write):
    sheet = read_samples(write("sheet.csv", SHEET))
    path = write("x.csv", "marker,strand,s1,s2\nm1,+,0,2\nm2,+,0,1\n")
    genotypes = read_genotypes(path, sheet=sheet)
    assert genotypes.samples.tolist() == ["s1", "s2"]
    assert "columns without genotypes left out: strand" in genotypes.notes[1]
    path = write("y.csv", "marker,s3,s1,s2\nm1,+,0,2\nm2,+,0,1\n")
    with pytest.raises(FormatError, match=r"sample s3, marker m1: found \+"):
        read_genotypes(path, sheet=sheet)


def test_first_column_may_tell_the_place(write):
    genotypes = read_genotypes(write("x.csv", "chrom,pos,s1,s2\n1,5,0,2\n1,6,1,0\n"))
    assert genotypes.markers.name.tolist() == ["1_5", "1_6"]
    assert genotypes.samples.tolist() == ["s1", "s2"]


def variants():
    plain = "line,m1,m2,m3,m4\ns1,0,2,1,NA\ns2,2,2,0,0\ns3,1,0,0,2\n"
    return {
        "bom": b"\xef\xbb\xbf" + plain.encode(),
        "windows": plain.replace("\n", "\r\n").encode(),
        "gzip": gzip.compress(plain.encode()),
        "utf16": plain.encode("utf-16"),
        "semicolon": plain.replace(",", ";").encode(),
        "tab": plain.replace(",", "\t").encode(),
        "quoted": ("\n".join(",".join(f'"{v}"' for v in row.split(",")) for row in plain.split()) + "\n").encode(),
        "blanks": plain.replace(",", " , ").encode(),
        "empty rows": (plain.replace("\n", "\n\n") + ",,,,\n\n").encode(),
        "floats": plain.replace("0", "0.0").replace("1,NA", "1.0,NA").encode(),
        "no last end": plain.rstrip().encode(),
    }


@pytest.mark.parametrize("name", variants())
def test_ways_to_write_one_table(tmp_path, name):
    path = tmp_path / "table"
    path.write_bytes(variants()[name])
    check_same(read_genotypes(path))


def test_names_with_the_delimiter_in_quotes(write):
    genotypes = read_genotypes(write("x.csv", 'sample,"m,1",m2\n"s ""1""",0,2\ns2,1,0\n'))
    assert genotypes.samples.tolist() == ['s "1"', "s2"]
    assert genotypes.markers.name.tolist() == ["m,1", "m2"]


def test_rows_of_a_wrong_length_are_all_named(write):
    with pytest.raises(FormatError) as caught:
        read_genotypes(write("x.csv", "sample,m1,m2\ns1,0\ns2,0,2\ns3,0,1,2\n"))
    assert [str(defect) for defect in caught.value.defects] == [
        "row 2: found 2 columns; expected 3 columns",
        "row 4: found 4 columns; expected 3 columns",
    ]


def test_all_defects_of_a_file_in_one_error(write):
    text = "sample,m1,m2,m1,\ns1,0,2,1,0\n,0,1,1,0\ns1,0,5,1,0\n"
    with pytest.raises(FormatError) as caught:
        read_genotypes(write("x.csv", text), coding="copies")
    message = str(caught.value)
    for part in (
        "row 3: found a sample without a name",
        "row 4: found sample s1 again (first at row 2)",
        "column 4: found marker m1 again (first at column 2)",
        "column 5: found a marker without a name",
        "sample s1, marker m2: found 5",
    ):
        assert part in message


def test_defects_of_marker_rows(write):
    text = (
        "marker,chrom,pos,cm,s1,s2,s1\nm1,1,5,x,0,0,0\nm1,1,5,1,0,0,0\n.,1,,1,0,0,0\nm2,1,1.5,1,0,0,0\n"
        "m3,1,-4,inf,0,0,0\n"
    )
    with pytest.raises(FormatError) as caught:
        read_genotypes(write("x.csv", text))
    message = str(caught.value)
    for part in (
        "row 2, column cm: found x; expected a number of centimorgans",
        "row 3: found marker m1 again (first at row 2)",
        "row 4: found a marker without a name or a place",
        "row 5, column pos: found 1.5; expected a whole number",
        "row 6, column pos: found -4",
        "row 6, column cm: found inf",
        "column 7: found sample s1 again (first at column 5)",
    ):
        assert part in message


def test_defects_of_a_row_per_call(write):
    text = "sample,marker,genotype\ns1,m1,0\ns1,m1,0\n,m1,1\ns2,,1\ns2,m1,7\n"
    with pytest.raises(FormatError) as caught:
        read_genotypes(write("x.csv", text), coding="copies")
    message = str(caught.value)
    for part in (
        "row 3: found sample s1 at marker m1 again (first at row 2)",
        "row 4: found no sample",
        "row 5: found no marker",
        "sample s2, marker m1: found 7",
    ):
        assert part in message


def test_ambiguous_coding_does_not_hide_other_defects(write):
    with pytest.raises(FormatError) as caught:
        read_genotypes(write("x.csv", "sample,m1\ns1,1\ns1,2\n"))
    assert "sample s1 again" in str(caught.value)
    assert "--coding" in str(caught.value)


def test_row_per_call_needs_its_columns(write):
    with pytest.raises(FormatError, match="lacking: genotype"):
        read_genotypes(write("x.csv", "sample,marker,value\ns1,m1,0\n"), layout="long")


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("", "nothing in it"),
        ("\n\n", "nothing in it"),
        ("sample,m1\n", "a header and no rows"),
        ('sample,m1\ns1,"0\n', "quotes in pairs"),
        ("sample\ns1\n", "no marker column"),
        ("marker,chrom,pos\nm1,1,4\n", "no sample column"),
    ],
)
def test_what_is_no_table(write, text, found):
    with pytest.raises(FormatError, match=found):
        read_genotypes(write("x.csv", text))


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (b"PK\x03\x04rest", "a ZIP or XLSX file"),
        (b"BZh9rest", "a bzip2 file"),
        (b"sample,m1\nM\xfcller,0\n", "no UTF-8 text"),
        (b"sample,m1\ns1,\x000\n", "a zero byte"),
    ],
)
def test_other_bytes(tmp_path, content, found):
    path = tmp_path / "x.csv"
    path.write_bytes(content)
    with pytest.raises(FormatError, match=found):
        read_genotypes(path)


def test_fault_of_the_disk_is_a_plain_error(write, monkeypatch):
    path = write("x.csv", "sample,m1\ns1,0\n")

    def broken(*_args, **_options):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("dhverify.formats.opening.open_bytes", broken)
    with pytest.raises(FormatError, match="Input/output error; expected a file that can be read"):
        read_genotypes(path)


def test_bases_that_do_not_tell_which_way_round(write):
    genotypes = read_genotypes(write("x.csv", "id,a,b,c\nd,A,C,A\ne,A,C,C\n"))
    assert "taking it that there are more markers" in genotypes.warnings[0]


def test_zip_inside_gzip_is_named(tmp_path):
    path = tmp_path / "x.csv.gz"
    path.write_bytes(gzip.compress(b"PK\x03\x04rest"))
    with pytest.raises(FormatError, match="a ZIP or XLSX file"):
        read_genotypes(path)


def test_no_file_a_directory_and_one_file_twice(write, tmp_path):
    with pytest.raises(FormatError, match="no such file"):
        read_genotypes(tmp_path / "absent.csv")
    with pytest.raises(FormatError, match="a directory"):
        read_genotypes(tmp_path)
    path = write("x.csv", "sample,m1\ns1,0\n")
    with pytest.raises(FormatError, match="the same file twice"):
        read_genotypes([path, path])
    with pytest.raises(FormatError, match="no file"):
        read_genotypes([])


def test_wrong_options(write):
    path = write("x.csv", "sample,m1\ns1,0\n")
    with pytest.raises(FormatError, match="--layout: found tall; expected one of auto, vcf, wide, long"):
        read_genotypes(path, layout="tall")
    with pytest.raises(FormatError, match="--coding: found letters"):
        read_genotypes(path, coding="letters")
    with pytest.raises(FormatError, match="expected a header line"):
        read_genotypes(path, layout="vcf")


def test_vcf_is_no_table(vcf):
    with pytest.raises(FormatError, match="found a VCF; expected a table"):
        read_genotypes(vcf("s1", "1 10 m1 A C GT 0/1"), layout="long")


# --- parents ---

PARENTS = (
    "sample,role,stage,donor,pedigree\nP1,parent,,,\nP2,parent,,,\nF1,donor,,,{}\ns1,line,D1,F1,\ns2,line,D1,F1,\n"
)
LETTERS = "sample,m1,m2,m3\ns1,A,B,H\ns2,B,-,A\n"


def test_parents_are_those_of_the_pedigree_and_follow_from_the_coding(write):
    sheet = read_samples(write("sheet.csv", PARENTS.format("P2/P1")))
    genotypes = read_genotypes(write("x.csv", LETTERS), sheet=sheet)
    assert genotypes.samples.tolist() == ["s1", "s2", "P2", "P1"]
    assert genotypes.calls.tolist() == [[0, 2, 1], [2, -1, 0], [0, 0, 0], [2, 2, 2]]
    assert "x.csv: A is P2, B is P1, H is both." in genotypes.notes
    assert genotypes.markers.first_allele.tolist() == ["A"] * 3
    assert genotypes.half_calls.tolist() == [0] * 4


def test_parents_that_are_in_the_file_are_not_added(write):
    sheet = read_samples(write("sheet.csv", PARENTS.format("P1/P2")))
    genotypes = read_genotypes(write("x.csv", LETTERS + "P1,A,A,A\nP2,B,B,B\n"), sheet=sheet)
    assert genotypes.samples.tolist() == ["s1", "s2", "P1", "P2"]


def test_parents_of_a_file_per_plate_are_added_once(write):
    sheet = read_samples(write("sheet.csv", PARENTS.format("P1/P2")))
    other = "sample,m1,m2,m3\ns3,A,B,H\n"
    genotypes = read_genotypes([write("x.csv", LETTERS), write("y.csv", other)], sheet=sheet)
    assert genotypes.samples.tolist() == ["s1", "s2", "s3", "P1", "P2"]


def test_parents_have_no_call_at_markers_of_another_coding(write, vcf):
    sheet = read_samples(write("sheet.csv", PARENTS.format("P1/P2")))
    path = vcf("s1 s2", "1 10 v1 A C GT:AD 0/1:2,3 1/1:0,4")
    genotypes = read_genotypes([write("x.csv", LETTERS), path], sheet=sheet)
    assert genotypes.calls[2:].tolist() == [[0, 0, 0, -1], [2, 2, 2, -1]]
    assert genotypes.depths is not None
    assert genotypes.depths[2:].sum() == 0


def test_first_parent_may_be_named(write):
    sheet = read_samples(write("sheet.csv", PARENTS.format("P1/P2")))
    genotypes = read_genotypes(write("x.csv", LETTERS), sheet=sheet, first_parent="P2")
    assert "x.csv: A is P2, B is P1, H is both." in genotypes.notes
    with pytest.raises(FormatError, match="P9 as first parent; expected P1 or P2"):
        read_genotypes(write("x.csv", LETTERS), sheet=sheet, first_parent="P9")


@pytest.mark.parametrize(("pedigree", "found"), [("", "name nobody"), ("P1/P2//P3", "name P1, P2, P3")])
def test_parents_need_exactly_two(write, pedigree, found):
    sheet = read_samples(write("sheet.csv", PARENTS.format(pedigree)))
    with pytest.raises(FormatError, match=f"{found}; expected exactly two parents"):
        read_genotypes(write("x.csv", LETTERS), sheet=sheet)


def test_parents_in_two_orders_are_refused(write):
    sheet = read_samples(write("sheet.csv", PARENTS.format("P1/P2") + "F2,donor,,,P2/P1\n"))
    with pytest.raises(FormatError, match="different first parents"):
        read_genotypes(write("x.csv", LETTERS), sheet=sheet)


def test_without_a_sheet_nobody_says_who_they_are(write):
    genotypes = read_genotypes(write("x.csv", LETTERS))
    assert "no sheet says who they are" in genotypes.notes[-1]
    assert genotypes.samples.tolist() == ["s1", "s2"]


# --- sample names ---


def test_sample_names_need_no_coding(write, vcf):
    table = write("x.csv", "sample,m1\ns1,1\ns2,2\n")
    long = write("y.csv", "sample,marker,genotype\ns3,m1,A\ns1,m1,B\n")
    assert read_sample_names([table, long, vcf("s4 s1", "1 10 m1 A C GT 0/1 1")]) == ("s1", "s2", "s3", "s4")
    assert read_sample_names(table, layout="wide") == ("s1", "s2")


def test_sample_names_of_a_wrong_file(write, vcf):
    with pytest.raises(FormatError, match="sample s1 again"):
        read_sample_names(write("x.csv", "sample,m1\ns1,1\ns1,2\n"))
    with pytest.raises(FormatError, match="sample s1 twice"):
        read_sample_names(vcf("s1 s1", "1 10 m1 A C GT 0/1 1"))
    with pytest.raises(FormatError, match="no line that begins #CHROM"):
        read_sample_names(write("x.vcf", "##fileformat=VCFv4.3\n"))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=30)
@given(st.data())
def test_three_layouts_hold_the_same(tmp_path_factory, data):
    n_samples, n_markers = data.draw(st.integers(1, 5)), data.draw(st.integers(1, 6))
    calls = [[data.draw(st.sampled_from(["0", "1", "2", ""])) for _ in range(n_markers)] for _ in range(n_samples)]
    samples, markers = [f"s{i}" for i in range(n_samples)], [f"m{i}" for i in range(n_markers)]
    folder = tmp_path_factory.mktemp("layouts")
    texts = {
        "rows": [["sample", *markers], *([s, *row] for s, row in zip(samples, calls, strict=True))],
        "columns": [["marker", *samples], *([m, *(row[i] for row in calls)] for i, m in enumerate(markers))],
        "long": [
            ["sample", "marker", "genotype"],
            *([s, m, calls[i][j]] for i, s in enumerate(samples) for j, m in enumerate(markers)),
        ],
    }
    expected = [[-1 if call == "" else int(call) for call in row] for row in calls]
    for name, rows in texts.items():
        path = folder / f"{name}.csv"
        path.write_text("".join(",".join(row) + "\n" for row in rows))
        assert read_genotypes(path, coding="copies").calls.tolist() == expected
