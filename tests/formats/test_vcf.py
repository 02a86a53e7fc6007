from __future__ import annotations

import gzip
import io

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dhverify.errors import FormatError
from dhverify.formats import read_genotypes, write_vcf
from dhverify.formats.vcf_calls import CallKind, parse_genotype, parse_genotypes
from dhverify.formats.vcf_source import RepairedVcf, VcfText


def test_haploid_alternate_is_homozygous_alternate(vcf):
    genotypes = read_genotypes(vcf("s1 s2 s3", "1 10 m1 A C GT 1 0 ."))
    assert genotypes.calls.tolist() == [[2], [0], [-1]]
    assert genotypes.half_calls.tolist() == [0, 0, 0]


def test_half_calls_are_missing_and_counted_unlike_haploid_calls(vcf):
    genotypes = read_genotypes(vcf("s1 s2 s3 s4", "1 10 m1 A C GT 1/. ./1 1 0|.", "1 11 m2 A C GT 1/1 1/. ./. 0"))
    assert genotypes.calls.tolist() == [[-1, 2], [-1, -1], [2, -1], [-1, 0]]
    assert genotypes.half_calls.tolist() == [1, 2, 0, 1]
    assert "calls.vcf: 4 half calls (one allele missing) set to missing." in genotypes.warnings


def test_phased_is_unphased(vcf):
    genotypes = read_genotypes(vcf("s1 s2 s3 s4", "1 10 m1 A C GT 0|1 1|0 0/1 1/0"))
    assert genotypes.calls.tolist() == [[1], [1], [1], [1]]


def test_more_than_two_alleles_in_a_call_are_missing_and_counted(vcf):
    genotypes = read_genotypes(vcf("s1 s2 s3 s4", "1 10 m1 A C GT 0/0/1 ././. 1/1/1 0/0/."))
    assert genotypes.calls.tolist() == [[-1], [-1], [-1], [-1]]
    assert "calls.vcf: 3 calls of three or more alleles set to missing." in genotypes.warnings
    assert genotypes.half_calls.tolist() == [0, 0, 0, 0]


@pytest.mark.parametrize("field", [".", "./.", ".|.", "./././."])
def test_missing_calls(vcf, field):
    genotypes = read_genotypes(vcf("s1 s2", f"1 10 m1 A C GT {field} 0/1"))
    assert genotypes.calls.tolist() == [[-1], [1]]
    assert genotypes.warnings == ()


def test_without_a_format_header_line_calls_are_read(vcf):
    records = ("s1 s2", "1 10 m1 A C GT 0/1 1/1")
    assert read_genotypes(vcf(*records, meta="")).calls.tolist() == [[1], [2]]
    meta = '##fileformat=VCFv4.3\n##FORMAT=<ID=GT,Number=1,Type=Integer,Description="wrong type">\n'
    assert read_genotypes(vcf(*records, meta=meta)).calls.tolist() == [[1], [2]]


def test_genotype_field_need_not_be_first_nor_there(vcf):
    genotypes = read_genotypes(
        vcf("s1 s2", "1 10 m1 A C GL:GT 1:0/1 2:1", "1 11 m2 A C GL 1 2", "1 12 m3 A C GT:GL 0/0 1/1:4")
    )
    assert genotypes.calls.tolist() == [[1, -1, 0], [2, -1, 2]]


def test_no_record_at_all_is_a_plain_error(vcf):
    with pytest.raises(FormatError, match="a header and no records"):
        read_genotypes(vcf("s1 s2"))


def test_no_genotype_field_at_all_is_a_plain_error(vcf):
    with pytest.raises(FormatError, match="no record with the field GT"):
        read_genotypes(vcf("s1", "1 10 m1 A C GL 1"))


def test_site_with_three_named_and_two_seen_alleles_is_told_in_those(vcf):
    genotypes = read_genotypes(
        vcf(
            "s1 s2 s3",
            "1 10 m1 A C,G GT 0/0 0/2 2/2",
            "1 11 m2 A C,G GT 1/1 1/2 2",
            "1 12 m3 A C,G GT 2/2 2/2 .",
            "1 13 m4 A C,G GT 0/0 0/0 .",
            "1 14 m5 A C,G GT . . .",
        )
    )
    assert genotypes.calls.tolist() == [[0, 0, 2, 0, -1], [1, 1, 2, 0, -1], [2, 2, -1, -1, -1]]
    assert genotypes.markers.first_allele.tolist() == ["A", "C", "A", "A", "A"]
    assert genotypes.markers.second_allele.tolist() == ["G", "G", "G", "", ""]


def test_site_with_three_seen_alleles_is_set_aside_with_its_reason(vcf):
    genotypes = read_genotypes(vcf("s1 s2", "1 10 . A C,G GT 0/1 2/2", "1 11 m2 A C GT 0/0 1/1"))
    assert genotypes.markers.name.tolist() == ["m2"]
    assert [(m.name, m.pos_bp, m.reason) for m in genotypes.set_aside] == [
        ("1_10", 10, "more than two alleles among the samples")
    ]
    assert "1 marker set aside, more than two alleles among the samples: 1_10" in genotypes.warnings[0]


def test_spanning_deletion_is_an_allele_like_another(vcf):
    genotypes = read_genotypes(vcf("s1 s2", "1 10 m1 A C,* GT 0/0 2/2", "1 11 m2 A C,* GT 0/1 1/2"))
    assert genotypes.calls.tolist() == [[0], [2]]
    assert genotypes.markers.second_allele.tolist() == ["*"]
    assert len(genotypes.set_aside) == 1


def test_site_without_alternate_is_kept(vcf):
    genotypes = read_genotypes(vcf("s1 s2", "1 10 m1 A . GT 0/0 ./."))
    assert genotypes.calls.tolist() == [[0], [-1]]
    assert genotypes.markers.second_allele.tolist() == [""]


def test_depths_are_of_the_two_kept_alleles(vcf):
    genotypes = read_genotypes(
        vcf(
            "s1 s2",
            "1 10 m1 A C GT:AD 0/1:5,7 1/1:0,9",
            "1 11 m2 A C,G,T GT:AD 3/3:0,1,2,30 0/3:11,1,2,12",
            "1 12 m3 A C AD:GT .:0/0 3,.:0/1",
            "1 13 m4 A . GT:AD 0/0:8 0/0:9",
            "1 14 m5 A C GT 0/0 1/1",
        )
    )
    assert genotypes.depths is not None
    assert genotypes.depths.dtype == np.int32
    assert genotypes.depths.tolist() == [
        [[5, 7], [0, 30], [0, 0], [8, 0], [0, 0]],
        [[0, 9], [11, 12], [3, 0], [9, 0], [0, 0]],
    ]


def test_depths_of_a_file_with_one_allele_only(vcf):
    genotypes = read_genotypes(vcf("s1", "1 10 m1 A . GT:AD 0/0:8"))
    assert genotypes.depths is not None
    assert genotypes.depths.tolist() == [[[8, 0]]]


def test_without_depths_there_are_none(vcf):
    assert read_genotypes(vcf("s1", "1 10 m1 A C GT 0/0")).depths is None


def test_names_with_spaces_and_markers_without_names(write):
    header = "#CHROM\tPOS\tID\tREF\tALT\tQUAL\tFILTER\tINFO\tFORMAT\tline 1\tline 2\n"
    genotypes = read_genotypes(write("x.vcf", header + "chr1\t10\t.\tA\tC\t.\t.\t.\tGT\t0/0\t0/1\n"))
    assert genotypes.samples.tolist() == ["line 1", "line 2"]
    assert genotypes.markers.name.tolist() == ["chr1_10"]


def test_name_given_to_several_records_gets_their_place(vcf):
    genotypes = read_genotypes(vcf("s1", "1 10 rs1 A C GT 0/0", "2 10 rs1 A C GT 1/1", "2 11 rs2 A C GT 1/1"))
    assert genotypes.markers.name.tolist() == ["rs1_1_10", "rs1_2_10", "rs2"]
    assert "their place was added" in genotypes.warnings[0]


def test_two_records_of_one_place_with_other_alleles_are_set_aside(vcf):
    genotypes = read_genotypes(
        vcf("s1", "1 10 . A C GT 0/0", "1 10 . A T GT 0/1", "1 11 . A C GT 1/1", "1 10 . A C GT 0/0")
    )
    assert genotypes.markers.name.tolist() == ["1_11"]
    assert {m.reason for m in genotypes.set_aside} == {"alleles that cannot agree"}


def test_a_record_given_twice_is_an_error(vcf):
    with pytest.raises(FormatError, match="sample s1, marker 1_10: found the call given twice"):
        read_genotypes(vcf("s1", "1 10 . A C GT 0/0", "1 10 . A C GT 0/1"))


def test_allele_numbers_beyond_the_alternates_and_nonsense_are_named(vcf):
    with pytest.raises(FormatError) as caught:
        read_genotypes(vcf("s1 s2", "1 10 m1 A C GT 0/2 0/1", "1 11 m2 A C GT 0/0 A/C"))
    message = str(caught.value)
    assert "line 3, sample s1: found genotype 0/2; expected allele numbers from 0 to 1, or ." in message
    assert "line 4, sample s2: found genotype A/C" in message


def test_of_many_bad_genotypes_twenty_are_listed(vcf):
    samples = " ".join(f"s{i}" for i in range(30))
    with pytest.raises(FormatError) as caught:
        read_genotypes(vcf(samples, "1 10 m1 A C GT " + " ".join(["0/7"] * 30)))
    assert len(caught.value.defects) == 21
    assert "found 10 more defects" in str(caught.value)


def test_many_alternates_and_long_fields(vcf):
    alternates = ",".join("A" + "C" * i for i in range(1, 120))
    genotypes = read_genotypes(vcf("s1 s2 s3", f"1 10 m1 A {alternates} GT 100|118 118 100/100"))
    assert genotypes.calls.tolist() == [[1], [2], [0]]
    genotypes = read_genotypes(vcf("s1 s2", "1 10 m1 A C GT 00000000000000/1 1/1"))
    assert genotypes.calls.tolist() == [[1], [2]]


def test_all_wrong_lines_are_named_at_once(vcf):
    path = vcf("s1 s2", "1 10 m1 A C GT 0/0", "1 x m2 A C GT 0/0 0/1", "1 12 m3 A C GT 0/0 0/1 0/1")
    with pytest.raises(FormatError) as caught:
        read_genotypes(path)
    assert [defect.where for defect in caught.value.defects] == ["line 3", "line 4, POS", "line 5"]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("##fileformat=VCFv4.3\n", "no line that begins #CHROM"),
        ("##fileformat=VCFv4.3\n1\t10\t.\tA\tC\t.\t.\t.\tGT\t0/0\n", "expected a header line"),
        ("##x\n#CHROM\tPOS\tID\tREF\tALT\tQUAL\tFILTER\tINFO\n", "sites without samples"),
        ("##x\n#CHROM\tPOS\tID\tREF\tALT\tQUAL\tFILTER\tINFO\tFORMAT\ts1\ts1\n", "sample s1 twice"),
        ("##x\n#CHROM\tPOS\tID\tREF\tALT\tQUAL\tFILTER\tINFO\tFORMAT\ts1\t\n", "a sample without a name"),
    ],
)
def test_wrong_headers(write, text, found):
    with pytest.raises(FormatError, match=found):
        read_genotypes(write("x.vcf", text))


def test_windows_line_ends_blank_lines_and_no_end_of_line(vcf, tmp_path):
    text = vcf("s1 s2", "1 10 m1 A C GT 0/1 1", "1 11 m2 A C GT 1/1 0/1").read_text()
    other = tmp_path / "windows.vcf"
    other.write_bytes(text.rstrip("\n").replace("\n", "\r\n").replace("1\r\n1\t11", "1\r\n\r\n1\t11").encode())
    assert read_genotypes(other).calls.tolist() == [[1, 2], [2, 1]]


def test_compressed_whatever_the_name(vcf, tmp_path):
    text = vcf("s1", "1 10 m1 A C GT 0/1").read_bytes()
    path = tmp_path / "no_ending"
    path.write_bytes(gzip.compress(text))
    assert read_genotypes(path).calls.tolist() == [[1]]


def test_truncated_compressed_file_says_what_to_do(vcf, tmp_path):
    records = [f"1 {pos} m{pos} A C GT 0/1 1/1" for pos in range(1, 3000)]
    data = gzip.compress(vcf("s1 s2", *records).read_bytes())
    path = tmp_path / "cut.vcf.gz"
    path.write_bytes(data[: len(data) // 2])
    with pytest.raises(FormatError, match="end early; expected a complete file: copy or download it again"):
        read_genotypes(path)


def test_damaged_compressed_file_says_what_to_do(vcf, tmp_path):
    data = bytearray(gzip.compress(vcf("s1", "1 10 m1 A C GT 0/1").read_bytes()))
    data[-8] ^= 0xFF
    path = tmp_path / "bad.vcf.gz"
    path.write_bytes(data)
    with pytest.raises(FormatError, match="damaged compressed data"):
        read_genotypes(path)


def test_block_compressed_file_cut_between_blocks_is_warned_of(vcf, tmp_path):
    pysam = pytest.importorskip("pysam")
    plain, packed = vcf("s1", "1 10 m1 A C GT 0/1"), tmp_path / "x.vcf.gz"
    pysam.tabix_compress(str(plain), str(packed))
    assert read_genotypes(packed).warnings == ()
    packed.write_bytes(packed.read_bytes()[:-28])
    assert "it may have been cut off" in read_genotypes(packed).warnings[0]


def test_chunks_give_the_same_as_one_piece(vcf, monkeypatch):
    rng = np.random.default_rng(3)
    calls = rng.choice(["0/0", "0/1", "1/1", "1", "./.", "0/.", "1/2"], size=(50, 7))
    records = [f"1 {i + 1} m{i} A C,G GT:AD " + " ".join(f"{c}:1,2,3" for c in row) for i, row in enumerate(calls)]
    path = vcf("a b c d e f g", *records)
    whole = read_genotypes(path)
    monkeypatch.setattr("dhverify.formats.vcf_reader._CHUNK_BYTES", 500)
    pieces = read_genotypes(path)
    np.testing.assert_array_equal(whole.calls, pieces.calls)
    np.testing.assert_array_equal(whole.depths, pieces.depths)
    np.testing.assert_array_equal(whole.half_calls, pieces.half_calls)
    assert whole.set_aside == pieces.set_aside


def naive_dose(text: str) -> int:
    """A slow twin: copies of allele 1 of a biallelic site."""
    alleles = text.replace("|", "/").split("/")
    if len(alleles) > 2 or "." in alleles:
        return -1
    return 2 * int(alleles[0]) if len(alleles) == 1 else alleles.count("1")


@given(st.lists(st.sampled_from(["0", "1", ".", "0/0", "0|1", "1/0", "1|1", "./1", "0/.", ".|.", "0/1/1", "./."])))
def test_against_a_slow_twin(fields):
    kinds, first, second = parse_genotypes(np.array(fields, dtype="S8"))
    doses = np.where(kinds == CallKind.CALL, first + second, -1)
    assert doses.tolist() == [naive_dose(field) for field in fields]


@given(st.integers(0, 300), st.integers(0, 300), st.sampled_from("/|"))
def test_any_allele_numbers(first, second, mark):
    assert parse_genotype(f"{first}{mark}{second}".encode()) == (CallKind.CALL, first, second)


@pytest.mark.parametrize("text", [b"a", b"0/x", b"-1", b"0/-1", b"0;1"])
def test_what_is_no_genotype(text):
    assert parse_genotype(text)[0] is CallKind.BAD


def test_leading_phase_mark_of_newer_versions():
    assert parse_genotype(b"|0|1") == (CallKind.CALL, 0, 1)


def test_written_and_read_again_is_the_same(vcf, tmp_path):
    genotypes = read_genotypes(
        vcf(
            "s1 s2",
            "1 10 m1 A C GT:AD 0/1:5,7 1/1:0,9",
            "1 11 . A . GT:AD 0/0:3,0 .:0",
            "2 5 m3 AT A GT 1 0/1",
        )
    )
    for name in ("again.vcf", "again.vcf.gz"):
        write_vcf(genotypes, tmp_path / name)
        again = read_genotypes(tmp_path / name)
        np.testing.assert_array_equal(again.calls, genotypes.calls)
        np.testing.assert_array_equal(again.depths, genotypes.depths)
        assert again.markers.name.tolist() == genotypes.markers.name.tolist()
        assert again.samples.tolist() == genotypes.samples.tolist()


def test_table_without_alleles_is_written_too(write, tmp_path):
    write_vcf(read_genotypes(write("x.csv", "marker,s1,s2\nm1,0,2\nm2,0,0\n")), tmp_path / "x.vcf")
    again = read_genotypes(tmp_path / "x.vcf")
    assert again.calls.tolist() == [[0, 0], [2, 0]]
    assert again.markers.second_allele.tolist() == ["<2>", ""]


def test_checksum_and_name_of_the_input(vcf):
    path = vcf("s1", "1 10 m1 A C GT 0/1")
    ((name, digest),) = read_genotypes(path).checksums
    assert name == "calls.vcf"
    assert len(digest) == 64


def test_result_is_locked_and_small(vcf):
    genotypes = read_genotypes(vcf("s1", "1 10 m1 A C GT 0/1"))
    assert genotypes.calls.dtype == np.int8
    with pytest.raises(ValueError, match="read-only"):
        genotypes.calls[0, 0] = 0


def test_stream_below_a_repaired_header(vcf):
    path = vcf("s1", "1 10 m1 A C GT 0/1", meta="##fileformat=VCFv4.1\n##x=y\n")
    raw = RepairedVcf(VcfText(path=path))
    text = io.BufferedReader(raw, 7).read().decode()
    assert raw.readable()
    assert text.count("##fileformat") == 1
    assert "##x" not in text
    assert text.endswith("\n1\t10\tm1\tA\tC\t.\t.\t.\tGT\t0/1\n")
