from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dhverify.errors import FormatError
from dhverify.formats import read_genotypes


def names_and_calls(genotypes):
    return {
        (str(sample), str(marker)): int(genotypes.calls[i, j])
        for i, sample in enumerate(genotypes.samples)
        for j, marker in enumerate(genotypes.markers.name)
    }


def test_a_file_per_chromosome(vcf):
    one = vcf("s1 s2", "1 10 m1 A C GT:AD 0/1:3,4 1/1:0,5", name="one.vcf")
    two = vcf("s2 s1", "2 10 m2 A C GT 0/0 1/1", name="two.vcf")
    genotypes = read_genotypes([one, two])
    assert genotypes.samples.tolist() == ["s1", "s2"]
    assert genotypes.markers.name.tolist() == ["m1", "m2"]
    assert genotypes.calls.tolist() == [[1, 2], [2, 0]]
    assert genotypes.depths is not None
    assert genotypes.depths.tolist() == [[[3, 4], [0, 0]], [[0, 5], [0, 0]]]
    assert [name for name, _ in genotypes.checksums] == ["one.vcf", "two.vcf"]


def test_a_file_per_plate_with_turned_alleles(vcf):
    one = vcf("s1 s2", "1 10 m1 A C GT:AD 0/1:3,4 1/1:0,5", "1 11 m2 A C GT:AD 0/0:3,0 1/1:0,5", name="one.vcf")
    two = vcf("s3", "chr01 10 m1 C A GT:AD 1/1:1,9", "chr01 12 m3 A C GT:AD 0/1:2,2", name="two.vcf")
    genotypes = read_genotypes([one, two])
    assert genotypes.markers.name.tolist() == ["m1", "m2", "m3"]
    assert genotypes.calls.tolist() == [[1, 0, -1], [2, 2, -1], [0, -1, 1]]
    assert genotypes.depths is not None
    assert genotypes.depths[2].tolist() == [[9, 1], [0, 0], [2, 2]]
    assert "two.vcf: alleles given in the other order turned at 1 marker: m1." in genotypes.notes


def test_same_place_where_names_are_missing(vcf):
    one = vcf("s1", "1 10 . A C GT 0/1", "1 11 m2 A C GT 0/0", name="one.vcf")
    two = vcf("s2", "chr1 10 m1 A C GT 1/1", "1 11 . A C GT 0/1", name="two.vcf")
    genotypes = read_genotypes([one, two])
    assert genotypes.markers.name.tolist() == ["m1", "m2"]
    assert genotypes.calls.tolist() == [[1, 0], [2, 1]]


def test_same_place_with_other_names_is_another_marker(vcf):
    one = vcf("s1", "1 10 m1 A C GT 0/1", name="one.vcf")
    two = vcf("s2", "1 10 m9 A C GT 1/1", name="two.vcf")
    assert read_genotypes([one, two]).calls.tolist() == [[1, -1], [-1, 2]]


def test_one_name_at_two_places_is_set_aside(vcf):
    one = vcf("s1", "1 10 m1 A C GT 0/1", "1 20 m2 A C GT 0/1", name="one.vcf")
    two = vcf("s2", "1 11 m1 A C GT 1/1", "1 20 m2 A C GT 1/1", name="two.vcf")
    genotypes = read_genotypes([one, two])
    assert genotypes.markers.name.tolist() == ["m2"]
    assert [(m.name, m.pos_bp, m.reason) for m in genotypes.set_aside] == [
        ("m1", 10, "one name at two places"),
        ("m1", 11, "one name at two places"),
    ]
    assert any("one name at two places: m1" in warning for warning in genotypes.warnings)


def test_one_name_at_two_places_of_one_table_is_set_aside(write):
    genotypes = read_genotypes(write("x.csv", "marker,chrom,pos,s1\nm1,1,5,0\nm1,1,9,2\nm2,1,7,0\n"))
    assert genotypes.markers.name.tolist() == ["m2"]
    assert {m.reason for m in genotypes.set_aside} == {"one name at two places"}


def test_a_file_without_places_takes_part_by_name(vcf, write):
    one = write("one.csv", "sample,m1,m2\ns1,A,AC\ns2,C,C\n")
    two = vcf("s3", "1 10 m1 C A GT 0/1", "1 11 m2 A C GT 1/1", name="two.vcf")
    for files in ([one, two], [two, one]):
        genotypes = read_genotypes(files)
        calls = names_and_calls(genotypes)
        assert genotypes.markers.pos_bp.tolist() == [10, 11]
        assert genotypes.markers.chrom.tolist() == ["1", "1"]
        # the VCF names the order: C first at m1
        assert genotypes.markers.first_allele.tolist() == ["C", "A"]
        assert [calls[s, "m1"] for s in ("s1", "s2", "s3")] == [2, 0, 1]
        assert [calls[s, "m2"] for s in ("s1", "s2", "s3")] == [1, 2, 2]


def test_strands_are_never_turned(vcf):
    one = vcf("s1", "1 10 m1 A G GT 0/1", "1 11 m2 A G GT 0/1", name="one.vcf")
    two = vcf("s2", "1 10 m1 T C GT 1/1", "1 11 m2 G A GT 1/1", name="two.vcf")
    genotypes = read_genotypes([one, two])
    assert genotypes.markers.name.tolist() == ["m2"]
    assert [(m.name, m.reason) for m in genotypes.set_aside] == [("m1", "alleles that cannot agree")]


def test_palindromic_alleles_in_the_other_order_are_the_same_alleles(vcf):
    one = vcf("s1", "1 10 m1 A T GT 0/0", name="one.vcf")
    two = vcf("s2", "1 10 m1 T A GT 0/0", name="two.vcf")
    assert read_genotypes([one, two]).calls.tolist() == [[0], [2]]


def test_a_plate_without_the_second_allele_agrees(vcf, write):
    one = vcf("s1", "1 10 m1 A . GT 0/0", name="one.vcf")
    two = vcf("s2", "1 10 m1 G A GT 0/1", name="two.vcf")
    genotypes = read_genotypes([one, two])
    assert (genotypes.markers.first_allele[0], genotypes.markers.second_allele[0]) == ("A", "G")
    assert genotypes.calls.tolist() == [[0], [1]]
    one = write("one.csv", "sample,m1,m2\ns1,G,T\ns2,G,-\n")
    two = write("two.csv", "sample,m1,m2\ns3,AG,T\ns4,A,C\n")
    genotypes = read_genotypes([one, two])
    assert genotypes.calls.tolist() == [[2, 2], [2, -1], [1, 2], [0, 0]]
    assert genotypes.markers.first_allele.tolist() == ["A", "C"]
    assert not any("turned" in note for note in genotypes.notes)


def test_three_bases_over_two_tables_cannot_agree(write):
    one = write("one.csv", "sample,m1,m2\ns1,A,A\ns2,G,A\n")
    two = write("two.csv", "sample,m1,m2\ns3,T,C\ns4,A,C\n")
    genotypes = read_genotypes([one, two])
    assert genotypes.markers.name.tolist() == ["m2"]
    assert genotypes.calls.tolist() == [[0], [0], [2], [2]]


def test_tables_without_allele_names_join_by_copies(vcf, write):
    one = write("one.csv", "sample,m1\ns1,0\ns2,2\n")
    two = write("two.csv", "sample,m1\ns3,1\ns4,0\n")
    assert read_genotypes([one, two]).calls.tolist() == [[0], [2], [1], [0]]
    three = vcf("s5", "1 10 m1 A C GT 1/1", name="three.vcf")
    genotypes = read_genotypes([one, three])
    assert genotypes.calls.tolist() == [[0], [2], [2]]
    assert genotypes.markers.second_allele.tolist() == ["C"]


def test_names_of_different_alphabets_cannot_agree(write):
    one = write("one.csv", "sample,m1,m2\ns1,1,2\ns2,2,1/2\n")
    two = write("two.csv", "sample,m1,m3\ns3,A,G\ns4,C,T\n")
    genotypes = read_genotypes([one, two])
    assert genotypes.markers.name.tolist() == ["m2", "m3"]
    assert genotypes.set_aside[0].reason == "alleles that cannot agree"


def test_allele_columns_with_an_unknown_first_allele_keep_the_second(write):
    one = write("one.csv", "marker,ref,alt,s1\nm1,-,T,2\nm2,-,T,2\n")
    two = write("two.csv", "marker,ref,alt,s2\nm1,C,T,2\nm2,T,C,2\n")
    genotypes = read_genotypes([one, two], coding="copies")
    assert genotypes.markers.first_allele.tolist() == ["C", "C"]
    assert genotypes.calls.tolist() == [[2, 2], [2, 0]]
    alone = read_genotypes(one, coding="copies")
    assert alone.markers.second_allele.tolist() == ["T", "T"]
    assert alone.calls.tolist() == [[2, 2]]


def test_the_same_call_given_twice_is_an_error(vcf):
    one = vcf("s1 s2", "1 10 m1 A C GT 0/1 1/1", name="one.vcf")
    two = vcf("s2 s3", "1 10 m1 A C GT 1/1 1/1", name="two.vcf")
    with pytest.raises(FormatError, match=r"one.vcf, two.vcf: sample s2, marker m1: found the call given twice"):
        read_genotypes([one, two])


def test_a_missing_call_given_again_is_filled_in(vcf):
    one = vcf("s1 s2", "1 10 m1 A C GT 0/1 ./.", name="one.vcf")
    two = vcf("s2 s3", "1 10 m1 A C GT 1/1 ./.", name="two.vcf")
    assert read_genotypes([one, two]).calls.tolist() == [[1], [2], [-1]]


def test_many_calls_given_twice_are_counted(write):
    header = "sample," + ",".join(f"m{i}" for i in range(40)) + "\n"
    rows = "".join(f"s{i}," + ",".join("0" for _ in range(40)) + "\n" for i in range(30))
    with pytest.raises(FormatError) as caught:
        read_genotypes([write("one.csv", header + rows), write("two.csv", header + rows)])
    assert len(caught.value.defects) == 21
    assert "10 more defects" in str(caught.value)
    first = "sample s0, markers m0, m1, m2, m3, m4 and 35 more: found calls given twice, again in two.csv"
    assert first in str(caught.value)


def test_half_calls_add_up(vcf):
    one = vcf("s1 s2", "1 10 m1 A C GT 0/. 1/1", name="one.vcf")
    two = vcf("s2 s1", "2 10 m2 A C GT ./1 1/.", name="two.vcf")
    assert read_genotypes([one, two]).half_calls.tolist() == [2, 1]


def test_nothing_left_is_an_error(vcf):
    one = vcf("s1", "1 10 m1 A G GT 0/1", name="one.vcf")
    two = vcf("s2", "1 10 m1 T C GT 1/1", name="two.vcf")
    with pytest.raises(FormatError, match=r"none that can be used \(alleles that cannot agree\)"):
        read_genotypes([one, two])
    with pytest.raises(FormatError, match="none that can be used"):
        read_genotypes(vcf("s1 s2", "1 10 m1 A G,T GT 0/1 2/2"))


def test_cm_is_taken_from_the_file_that_has_it(write):
    one = write("one.csv", "marker,chrom,pos,s1\nm1,1,5,0\n")
    two = write("two.csv", "marker,chrom,cm,s2\nm1,1,7.5,0\n")
    genotypes = read_genotypes([one, two])
    assert genotypes.markers.cm.tolist() == [7.5]
    assert genotypes.markers.pos_bp.tolist() == [5]


def test_only_the_file_with_repeated_names_is_said(vcf):
    one = vcf("s1", "1 10 rs1 A C GT 0/1", "1 20 rs1 A C GT 0/0", name="one.vcf")
    two = vcf("s2", "1 10 m2 A C GT 1/1", name="two.vcf")
    assert [warning.split(":")[0] for warning in read_genotypes([one, two]).warnings] == ["one.vcf"]


def test_repeated_names_of_one_file_are_told_apart_in_all(vcf):
    one = vcf("s1", "1 10 rs1 A C GT 0/1", "1 20 rs1 A C GT 0/0", name="one.vcf")
    two = vcf("s2", "1 10 rs1 A C GT 1/1", "1 30 m3 A C GT 1/1", name="two.vcf")
    genotypes = read_genotypes([one, two])
    assert genotypes.markers.name.tolist() == ["rs1_1_10", "rs1_1_20", "m3"]
    assert genotypes.calls.tolist() == [[1, 0, -1], [2, -1, 2]]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=30)
@given(st.data())
def test_cut_up_and_joined_is_the_whole(tmp_path_factory, data):
    """Any cut of a table into plates and chromosomes, alleles turned at will, joins to the same calls."""
    n, m = data.draw(st.integers(2, 5)), data.draw(st.integers(2, 6))
    calls = np.array([[data.draw(st.sampled_from([0, 1, 2, -1])) for _ in range(m)] for _ in range(n)])
    rows, columns = data.draw(st.integers(1, n - 1)), data.draw(st.integers(1, m - 1))
    folder = tmp_path_factory.mktemp("cut")
    files = []
    for r in (slice(0, rows), slice(rows, n)):
        for c in (slice(0, columns), slice(columns, m)):
            turn = data.draw(st.booleans())
            block = np.where(calls[r, c] < 0, -1, 2 - calls[r, c]) if turn else calls[r, c]
            lines = ["marker,chrom,pos,ref,alt," + ",".join(f"s{i}" for i in range(n)[r])]
            for j, column in zip(range(m)[c], block.T, strict=True):
                alleles = "G,A" if turn else "A,G"
                lines.append(f"m{j},1,{j + 1},{alleles}," + ",".join("" if x < 0 else str(x) for x in column))
            files.append(folder / f"{len(files)}.csv")
            files[-1].write_text("\n".join(lines) + "\n")
    genotypes = read_genotypes(data.draw(st.permutations(files)), coding="copies")
    order_s, order_m = np.argsort(genotypes.samples), np.argsort(genotypes.markers.pos_bp)
    joined = genotypes.calls[np.ix_(order_s, order_m)]
    is_turned = genotypes.markers.first_allele[order_m] == "G"
    joined = np.where(is_turned & (joined >= 0), 2 - joined, joined)
    np.testing.assert_array_equal(joined, calls)
