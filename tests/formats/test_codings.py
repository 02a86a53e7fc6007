from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dhverify.errors import FormatError
from dhverify.formats import read_genotypes
from dhverify.formats.call_codings import (
    CODINGS,
    HALF,
    IUPAC,
    UNKNOWN,
    best_coding,
    decode,
    decoder,
    fitting_codings,
)

MISSING_SYMBOLS = ["", "-", "--", "N", "NN", "NA", ".", "./.", "?", "n", "na"]


@pytest.mark.parametrize("coding", CODINGS)
@pytest.mark.parametrize("symbol", MISSING_SYMBOLS)
def test_missing_in_every_coding(coding, symbol):
    assert decode(symbol, coding) == (-1, -1)


@pytest.mark.parametrize("symbol", ["-1", "9"])
def test_missing_in_copies_only(symbol):
    assert decode(symbol, "copies") == (-1, -1)
    assert all(decode(symbol, coding) == (UNKNOWN, UNKNOWN) for coding in CODINGS if coding != "copies")


@pytest.mark.parametrize("symbol", ["AG", "A/G", "A|G", "A:G", "ag", " AG ", "R"])
def test_two_bases(symbol):
    assert decode(symbol, "bases") == (0, 2)


@pytest.mark.parametrize("symbol", ["C", "CC", "C/C", "c"])
def test_one_base_is_homozygous(symbol):
    assert decode(symbol, "bases") == (1, 1)


@pytest.mark.parametrize("symbol", ["B", "D", "H", "V", "AGC", "A,G", "X", "1", "AX", "A//G"])
def test_what_is_no_call_of_bases(symbol):
    assert decode(symbol, "bases") == (UNKNOWN, UNKNOWN)


@pytest.mark.parametrize("symbol", ["A/N", "N|A", "A-", "-A", "A/."])
def test_half_calls_of_bases(symbol):
    assert decode(symbol, "bases") == (HALF, HALF)


def test_two_base_codes_against_an_outside_table():
    from Bio.Data.IUPACData import ambiguous_dna_values

    outside = {code: "".join(sorted(bases)) for code, bases in ambiguous_dna_values.items() if len(bases) == 2}
    assert outside == IUPAC


def test_codes_of_one_and_three_bases_against_an_outside_table():
    from Bio.Data.IUPACData import ambiguous_dna_values

    for code, bases in ambiguous_dna_values.items():
        first, second = decode(code, "bases")
        if len(bases) <= 2:
            assert {"ACGT"[first], "ACGT"[second]} == set(bases)
        else:
            assert first in {-1, UNKNOWN}


@pytest.mark.parametrize(
    ("symbol", "pair"),
    [
        ("1", (0, 0)),
        ("2", (1, 1)),
        ("1/2", (0, 1)),
        ("2|1", (1, 0)),
        ("1:1", (0, 0)),
        ("12", (0, 1)),
        ("1/.", (HALF, HALF)),
    ],
)
def test_alleles(symbol, pair):
    assert decode(symbol, "alleles") == pair


@pytest.mark.parametrize("symbol", ["0", "3", "1/3", "A", "0/1"])
def test_what_is_no_call_of_alleles(symbol):
    assert decode(symbol, "alleles") == (UNKNOWN, UNKNOWN)


def test_copies_and_parents():
    assert [decode(symbol, "copies") for symbol in ("0", "1", "2", "2.0")] == [(0, 0), (0, 1), (1, 1), (1, 1)]
    assert [decode(symbol, "parents") for symbol in "ABHa"] == [(0, 0), (1, 1), (0, 1), (0, 0)]
    assert decode("3", "copies") == decode("C", "parents") == decode("AB", "parents") == (UNKNOWN, UNKNOWN)


@pytest.mark.parametrize(
    ("symbols", "fits"),
    [
        ("0 1 2", ("copies",)),
        ("0", ("copies",)),
        ("0 2 -1", ("copies",)),
        ("1 2", ("copies", "alleles")),
        ("1", ("copies", "alleles")),
        ("1 2 9", ("copies", "alleles")),
        ("1 2 1/2", ("alleles",)),
        ("11 12 22", ("alleles",)),
        ("A B H", ("parents",)),
        ("A H", ("parents",)),
        ("A B", ("bases", "parents")),
        ("A", ("bases", "parents")),
        ("B", ("bases", "parents")),
        ("A C", ("bases",)),
        ("AA AG", ("bases",)),
        ("R Y", ("bases",)),
        ("A X", ()),
        ("", CODINGS),
    ],
)
def test_which_codings_fit(symbols, fits):
    assert fitting_codings([*symbols.split(), "-", "NA"]) == fits


def test_best_coding_explains_most_calls():
    assert best_coding(["A/G", "CC", "3"], np.array([5, 5, 2])) == "bases"


@given(st.text(max_size=4), st.sampled_from(CODINGS))
def test_any_text_is_decoded_or_refused(text, coding):
    first, second = decode(text, coding)
    assert (first >= 0) == (second >= 0)
    lookup = decoder([text], coding)
    assert (lookup.first[0], lookup.second[0]) == (first, second)


@given(st.sampled_from("ACGT"), st.sampled_from("ACGT"), st.sampled_from(["", "/", "|", ":"]))
def test_bases_in_any_order_and_with_any_separator(first, second, mark):
    assert sorted(decode(first + mark + second, "bases")) == sorted(("ACGT".index(first), "ACGT".index(second)))


# --- in files ---


def test_auto_says_what_it_took(write):
    genotypes = read_genotypes(write("x.csv", "sample,m1,m2\ns1,A/G,CC\ns2,AA,C\n"))
    assert "x.csv: calls read as bases." in genotypes.notes
    assert genotypes.calls.tolist() == [[1, 0], [0, 0]]
    assert genotypes.markers.first_allele.tolist() == ["A", "C"]
    assert genotypes.markers.second_allele.tolist() == ["G", ""]


@pytest.mark.parametrize(("a", "b"), [("1", "2"), ("A", "B"), ("A", "A")])
def test_where_two_codings_fit_one_has_to_be_named(write, a, b):
    path = write("x.csv", f"sample,m1,m2\ns1,{a},{b}\ns2,{a},-\n")
    with pytest.raises(FormatError, match="--coding"):
        read_genotypes(path)


def test_named_coding_is_taken(write):
    path = write("x.csv", "sample,m1,m2\ns1,1,2\ns2,1,-\n")
    assert read_genotypes(path, coding="copies").calls.tolist() == [[1, 2], [1, -1]]
    assert read_genotypes(path, coding="alleles").calls.tolist() == [[0, 2], [0, -1]]
    path = write("y.csv", "sample,m1,m2\ns1,A,B\ns2,A,-\n")
    assert read_genotypes(path, coding="parents").calls.tolist() == [[0, 2], [0, -1]]


def test_unknown_symbols_are_named_with_their_place(write):
    path = write("x.csv", "sample,m1,m2\ns1,0,2\ns2,5,1\ns3,0,x\n")
    with pytest.raises(FormatError) as caught:
        read_genotypes(path)
    message = str(caught.value)
    assert "sample s2, marker m1: found 5; expected copies: 0, 1, 2" in message
    assert "sample s3, marker m2: found x" in message


def test_many_unknown_symbols_are_counted(write):
    rows = "".join(f"s{i}," + ",".join(["7" if i % 2 else "0"] * 20) + "\n" for i in range(10))
    path = write("x.csv", "sample," + ",".join(f"m{i}" for i in range(20)) + "\n" + rows)
    with pytest.raises(FormatError) as caught:
        read_genotypes(path, coding="copies")
    assert len(caught.value.defects) == 21
    assert "found 80 more defects" in str(caught.value)


def test_file_without_a_call_is_warned_of(write):
    genotypes = read_genotypes(write("x.csv", "sample,m1\ns1,-\ns2,NA\n"))
    assert genotypes.calls.tolist() == [[-1], [-1]]
    assert "x.csv: not one call in the file." in genotypes.warnings


def test_half_calls_are_counted(write):
    genotypes = read_genotypes(write("x.csv", "sample,m1,m2\ns1,A/N,CC\ns2,AG,C/-\n"))
    assert genotypes.calls.tolist() == [[-1, 0], [1, -1]]
    assert genotypes.half_calls.tolist() == [1, 1]
    assert "2 half calls" in genotypes.warnings[0]


def test_marker_with_three_bases_is_set_aside(write):
    genotypes = read_genotypes(write("x.csv", "sample,m1,m2\ns1,A,C\ns2,G,C\ns3,T,G\n"))
    assert genotypes.markers.name.tolist() == ["m2"]
    assert genotypes.set_aside[0].reason == "more than two bases among the samples"


def test_allele_order_is_alphabetical_whatever_the_order_of_rows(write):
    one = read_genotypes(write("x.csv", "sample,m1\ns1,T\ns2,C\n"))
    other = read_genotypes(write("y.csv", "sample,m1\ns2,C\ns1,T\n"))
    assert (one.markers.first_allele[0], one.markers.second_allele[0]) == ("C", "T")
    assert one.calls.tolist() == [[2], [0]]
    assert other.calls.tolist() == [[0], [2]]


def test_allele_columns_set_the_order(write):
    genotypes = read_genotypes(
        write(
            "x.csv",
            "marker,chrom,pos,ref,alt,s1,s2\nm1,1,5,T,C,T,C\nm2,1,6,G,-,G,A\nm3,1,7,A,C,A,G\nm4,1,8,A,-,C,G\n",
        )
    )
    assert genotypes.markers.name.tolist() == ["m1", "m2"]
    assert genotypes.calls.tolist() == [[0, 0], [2, 2]]
    assert genotypes.markers.first_allele.tolist() == ["T", "G"]
    assert [m.reason for m in genotypes.set_aside] == [
        "a base that its allele columns do not name",
        "more than two bases among the samples",
    ]


def test_allele_columns_name_the_alleles_of_copies(write):
    genotypes = read_genotypes(write("x.csv", "marker,ref,alt,s1,s2\nm1,T,C,0,2\nm2,G,A,1,0\n"))
    assert genotypes.markers.second_allele.tolist() == ["C", "A"]
    assert genotypes.calls.tolist() == [[0, 1], [2, 0]]
