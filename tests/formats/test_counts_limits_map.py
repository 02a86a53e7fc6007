from __future__ import annotations

import tomllib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dhverify.counts import COUNT_COLUMNS, STEPS
from dhverify.errors import FormatError, LimitsError
from dhverify.formats import limits_text, read_counts, read_limits, read_map
from dhverify.formats.defects import a_few, capped, counted, did_you_mean
from dhverify.limits import Limits, limit_infos


def test_counts_are_kept_with_their_groups(write):
    counts = read_counts(
        write("c.tsv", "Donor\tInducer\tSeason\tKernels\td1_ears\nF1\tI1\t2021\t300\t\nF1\tI1\t2022\t\t4\n")
    )
    assert len(counts) == 2
    first, second = counts
    assert (first.donor, first.inducer, first.kernels, first.d1_ears) == ("F1", "I1", 300, None)
    assert (second.kernels, second.count("d1_ears"), second.row) == (None, 4, 3)
    assert second.extra == (("Season", "2022"),)
    assert counts.extra_columns == ("Season",)
    assert counts.source == "c.tsv"
    assert len(counts.checksum) == 64


def test_steps_are_counts():
    assert set(STEPS) <= set(COUNT_COLUMNS)


@given(st.lists(st.integers(0, 50), min_size=7, max_size=7))
def test_counts_are_accepted_where_no_step_grows(tmp_path_factory, numbers):
    path = tmp_path_factory.mktemp("counts") / "c.csv"
    path.write_text("donor," + ",".join(STEPS) + "\nF1," + ",".join(map(str, numbers)) + "\n")
    if numbers == sorted(numbers, reverse=True):
        assert [read_counts(path).rows[0].count(step) for step in STEPS] == numbers
    else:
        with pytest.raises(FormatError):
            read_counts(path)


def test_limits_as_shipped_round_trip(write):
    text = limits_text()
    assert read_limits(write("limits.toml", text)) == Limits()
    assert list(tomllib.loads(text)) == [info.name for info in limit_infos()]


def test_limits_text_says_what_a_person_needs():
    text = limits_text(Limits(min_diagnostic_markers=9))
    for info in limit_infos():
        assert f"Unit: {info.unit}; from {info.low:g} to {info.high:g}" in text.replace("\n# ", " ")
        assert info.source in text.replace("\n# ", " ")
        assert info.reason in text.replace("\n# ", " ")
    assert "min_diagnostic_markers = 9" in text
    assert "shipped as 5, changed" in text
    assert max(map(len, text.splitlines())) <= 100


@given(st.floats(0.6, 0.999), st.integers(1, 500))
def test_changed_limits_round_trip(tmp_path_factory, confidence, markers):
    limits = Limits(min_confidence=confidence, min_diagnostic_markers=markers)
    path = tmp_path_factory.mktemp("limits") / "l.toml"
    path.write_text(limits_text(limits))
    assert read_limits(path) == limits


def test_limits_not_named_stay_as_shipped(write):
    limits = read_limits(write("l.toml", "min_call_rate = 0.25\n"))
    assert limits == Limits(min_call_rate=0.25)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("min_confidnce = 0.9\n", "did you mean min_confidence"),
        ("min_call_rate = 1.5\n", "limit min_call_rate: found 1.5; expected a number from"),
        ("min_call_rate = '0.5'\n", "limit min_call_rate"),
        ("min_call_rate = true\n", "limit min_call_rate"),
        ("min_diagnostic_markers = nan\n", "limit min_diagnostic_markers: found nan; expected a whole number"),
        ("min_diagnostic_markers = 2.5\n", "expected a whole number"),
        ("[section]\nmin_call_rate = 0.5\n", "limit section"),
        ("min_call_rate 0.5\n", "expected TOML: name = value"),
    ],
)
def test_wrong_limits(write, text, found):
    with pytest.raises(LimitsError, match=found):
        read_limits(write("l.toml", text))


def test_no_limits_file(tmp_path):
    with pytest.raises(LimitsError, match="no such file"):
        read_limits(tmp_path / "absent.toml")


def test_map_by_marker(write):
    genetic_map = read_map(write("m.csv", "marker,chr,cM\nm1,chr1,0\nm2,2,1.5\n"))
    assert dict(genetic_map.by_marker) == {"m1": ("1", 0.0), "m2": ("2", 1.5)}
    assert genetic_map.description == "the map m.csv"


def test_map_by_position(write):
    genetic_map = read_map(write("m.csv", "chrom,pos,cm\n1,200,1.5\nchr01,100,0\n2,5,0\n"))
    pos_bp, cm = genetic_map.by_position["1"]
    np.testing.assert_array_equal(pos_bp, [100, 200])
    np.testing.assert_array_equal(cm, [0.0, 1.5])
    assert not genetic_map.by_marker


def test_map_by_both(write):
    genetic_map = read_map(write("m.csv", "marker,chrom,pos,cm\nm1,1,100,0\n,1,300,2\nm3,2,,4\n"))
    assert set(genetic_map.by_marker) == {"m1", "m3"}
    np.testing.assert_array_equal(genetic_map.by_position["1"][0], [100, 300])


def test_two_markers_of_one_position_may_differ_in_cm(write):
    genetic_map = read_map(write("m.csv", "marker,chrom,pos,cm\nm1,1,100,0\nm2,1,100,0.1\n"))
    assert genetic_map.by_marker["m2"] == ("1", 0.1)


def test_map_of_a_real_cross(data):
    genetic_map = read_map(data / "barley_steptoe_morex_rflp_map.csv")
    assert len(genetic_map.by_marker) == 223
    assert genetic_map.by_marker["MWG036B"] == ("1", 3.3)


def test_small_words():
    assert counted(0, "marker") == "0 markers"
    assert a_few(["a"]) == "a"
    assert did_you_mean("zzz", ["line"], otherwise="a role") == "a role"
    assert capped([]) == []


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf"), -1, 10**400, "0.9", None, True])
@pytest.mark.parametrize("name", ["min_confidence", "min_diagnostic_markers"])
def test_limits_from_python_are_checked_as_those_of_a_file(name, value):
    with pytest.raises(LimitsError, match=f"limit {name}: found .*; expected a"):
        Limits(**{name: value})


def test_limits_from_python_take_numbers_of_any_kind():
    limits = Limits(min_confidence=np.float32(0.75), min_diagnostic_markers=np.int64(7), min_segment_markers=4.0)
    assert limits == Limits(min_confidence=0.75, min_diagnostic_markers=7, min_segment_markers=4)
    assert type(limits.min_diagnostic_markers) is type(limits.min_segment_markers) is int


def test_a_limit_of_thousands_of_digits_is_no_fault(write):
    with pytest.raises(LimitsError, match="expected TOML"):
        read_limits(write("l.toml", f"min_call_rate = {'9' * 5000}\n"))


def test_a_map_with_chromosomes_and_positions_exchanged(write):
    path = write("m.csv", "chrom,pos,cm\n1000000,1,0\n2000000,1,3\n3000000,2,8\n")
    with pytest.raises(
        FormatError, match="columns chrom and pos: found chromosomes up to 3000000 and positions up to 2"
    ):
        read_map(path)


def test_a_vcf_is_no_map_no_counts_and_no_limits(write):
    path = write("x.vcf", "##fileformat=VCFv4.3\n#CHROM\tPOS\n")
    for read, error in ((read_map, FormatError), (read_counts, FormatError), (read_limits, LimitsError)):
        with pytest.raises(error, match="found a VCF file"):
            read(path)
