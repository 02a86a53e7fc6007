"""Mapping functions, chromosome names, and which map places a marker where."""

import csv
import math
import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dhverify.errors import FormatError
from dhverify.genetic_map import (
    MAIZE_MAP,
    GeneticMap,
    MarkerMap,
    canonical_chromosome,
    canonical_chromosomes,
    haldane,
    haldane_inverse,
    kosambi,
    kosambi_inverse,
    place_markers,
)
from dhverify.genotypes import UNKNOWN_POSITION, Markers

DATA = Path(os.environ.get("DHVERIFY_DATA", Path(__file__).parents[2] / "shared" / "data"))


def markers(*rows, cm=None):
    """Markers from (name, chrom, pos_bp)."""
    names, chroms, positions = zip(*rows, strict=True) if rows else ((), (), ())
    return Markers(
        name=np.array(names, dtype=np.str_),
        chrom=np.array(chroms, dtype=np.str_),
        pos_bp=np.array(positions, dtype=np.int64),
        cm=np.full(len(rows), np.nan) if cm is None else np.array(cm, dtype=np.float64),
        first_allele=np.full(len(rows), "A"),
        second_allele=np.full(len(rows), "G"),
    )


def by_position(**chromosomes):
    places = {name: (np.array(bp, dtype=np.int64), np.array(cm)) for name, (bp, cm) in chromosomes.items()}
    return GeneticMap(by_position=places)


# ---------------------------------------------------------------- mapping functions


@pytest.mark.parametrize(
    ("function", "cm", "r"),
    [
        (haldane, 10, 0.09063),  # Haldane 1919, J Genet 8:299-309
        (haldane, 50, 0.31606),
        (kosambi, 10, 0.09869),  # Kosambi 1944, Ann Eugen 12:172-175
        (kosambi, 50, 0.38080),
    ],
)
def test_check_values_of_the_mapping_functions(function, cm, r):
    assert function(cm) == pytest.approx(r, abs=5e-6)


PAIRS = pytest.mark.parametrize(("to_r", "to_cm"), [(haldane, haldane_inverse), (kosambi, kosambi_inverse)])


@PAIRS
def test_ends_and_types_of_the_mapping_functions(to_r, to_cm):
    assert to_r(0.0) == 0.0
    assert to_r(math.inf) == 0.5
    assert to_cm(0.0) == 0.0
    assert to_cm(0.5) == math.inf
    assert type(to_r(3)) is type(to_cm(0.1)) is float
    grid = np.array([[0.0, 5.0], [20.0, 200.0]])
    assert to_r(grid).shape == (2, 2)
    assert to_r(grid)[1, 0] == to_r(20.0)
    assert to_cm(np.array([0.1, 0.2])).tolist() == [to_cm(0.1), to_cm(0.2)]


@PAIRS
@given(cm=st.floats(0, 250))
def test_the_inverse_gives_the_distance_back(to_r, to_cm, cm):
    assert to_cm(to_r(cm)) == pytest.approx(cm, rel=1e-6, abs=1e-9)


@given(st.floats(0, 300), st.floats(0, 300))
def test_each_function_adds_distances_by_its_own_rule(first, second):
    """No interference: r12 = r1 + r2 - 2 r1 r2; Kosambi: r12 = (r1 + r2) / (1 + 4 r1 r2)."""
    a, b = haldane(first), haldane(second)
    assert haldane(first + second) == pytest.approx(a + b - 2 * a * b)
    a, b = kosambi(first), kosambi(second)
    assert kosambi(first + second) == pytest.approx((a + b) / (1 + 4 * a * b))


def test_small_distances_keep_their_digits():
    assert haldane(1e-12) == pytest.approx(1e-14, rel=1e-9)
    assert haldane_inverse(1e-14) == pytest.approx(1e-12, rel=1e-9)


@pytest.mark.parametrize("function", [haldane, kosambi])
@pytest.mark.parametrize("distance", [-1.0, math.nan, np.array([1.0, -1e-9])])
def test_an_impossible_distance_is_refused(function, distance):
    with pytest.raises(ValueError, match="each map distance must be"):
        function(distance)


@pytest.mark.parametrize("function", [haldane_inverse, kosambi_inverse])
@pytest.mark.parametrize("fraction", [-0.01, 0.51, math.nan, np.array([0.1, 0.6])])
def test_an_impossible_fraction_is_refused(function, fraction):
    with pytest.raises(ValueError, match="each recombination fraction must be"):
        function(fraction)


# ---------------------------------------------------------------- names


@pytest.mark.parametrize(
    ("written", "canonical"),
    [
        ("10", "10"),
        ("chr10", "10"),
        ("Chr10", "10"),
        ("CHR010", "10"),
        ("chr010", "10"),
        ("chr_7", "7"),
        (" chromosome 2 ", "2"),
        ("Chrom.3", "3"),
        ("1H", "1H"),
        ("chr01A", "1A"),
        ("scaf_21", "scaf_21"),
        ("X", "X"),
        ("chr", "chr"),
        ("", ""),
        ("0", ""),
        ("chr0", ""),
        ("000", ""),
        ("chrUn", ""),
        ("NA", ""),
        (".", ""),
    ],
)
def test_spellings_of_a_chromosome(written, canonical):
    assert canonical_chromosome(written) == canonical


def test_names_of_many_markers_at_once():
    assert canonical_chromosomes(np.array(["chr2", "02", "X", "0"])).tolist() == ["2", "2", "X", ""]
    assert canonical_chromosomes(np.zeros(0, dtype=np.str_)).shape == (0,)


# ---------------------------------------------------------------- the built-in map


def test_lengths_of_the_built_in_map():
    """Ogut et al. 2015, Heredity 114:552-563: 1,462 cM; version 5 of the reference assembly: 2,131.8 Mb."""
    assert MAIZE_MAP.chrom == tuple(str(number) for number in range(1, 11))
    assert MAIZE_MAP.length_cm.sum() == pytest.approx(1462.0)
    assert MAIZE_MAP.length_mb.sum() == pytest.approx(2131.8, abs=0.1)
    with pytest.raises(ValueError, match="read-only"):
        MAIZE_MAP.length_cm[0] = 1


def test_maize_positions_are_spread_over_the_chromosome():
    placed = place_markers(
        markers(
            ("start", "1", 1),
            ("half", "chr01", 154_225_000),
            ("end", "Chr1", 308_450_000),
            ("ten", "10", 76_220_000),
            ("lost", "1", UNKNOWN_POSITION),
            ("zero", "2", 0),
            ("nowhere", "chr0", 500),
        )
    )
    assert placed.chrom.tolist() == ["1", "1", "1", "10", "", "", ""]
    assert placed.cm[:4] == pytest.approx([0.0, 105.2, 210.4, 56.5], abs=1e-3)
    assert np.isnan(placed.cm[4:]).all()
    assert placed.is_placed.tolist() == [True] * 4 + [False] * 3
    assert "built-in maize map" in placed.description
    assert placed.warnings == ("3 of 7 markers have no place on the map and are used as unlinked.",)


def test_a_little_beyond_the_built_in_chromosome_still_fits_and_more_does_not():
    length = 152_440_000
    fits = place_markers(markers(("a", "10", int(length * 1.0199))))
    assert fits.cm[0] == pytest.approx(113.0 * 1.0199, rel=1e-6)
    beyond = place_markers(markers(("a", "10", int(length * 1.0201)), ("b", "1", 5_000_000)))
    assert beyond.cm == pytest.approx([155.504044, 5.0], rel=1e-6)
    assert "assume 1 cM/Mb" in beyond.description
    assert "155.5 Mb passes the 152.4 Mb of maize chromosome 10" in beyond.description


@pytest.mark.parametrize("other", ["11", "1H", "scaf_3", "X"])
def test_one_foreign_chromosome_means_another_genome(other):
    placed = place_markers(markers(("a", "1", 2_000_000), ("b", other, 3_000_000)))
    assert placed.cm == pytest.approx([2.0, 3.0])
    assert f"chromosome {other} is none of 1 to 10" in placed.description


@pytest.mark.parametrize("rows", [(), (("a", "", UNKNOWN_POSITION), ("b", "1", UNKNOWN_POSITION), ("c", "", 7))])
def test_without_positions_every_marker_is_unlinked(rows):
    placed = place_markers(markers(*rows))
    assert len(placed) == len(rows)
    assert not placed.is_placed.any()
    assert placed.chromosomes == ()
    assert placed.description == "No marker has a position on a genetic map."
    assert len(placed.warnings) == bool(rows)


# ---------------------------------------------------------------- precedence


def test_cm_of_the_genotype_file_come_before_the_built_in_map():
    placed = place_markers(markers(("a", "chr1", 300_000_000), ("b", "1", 10), ("c", "", 5), cm=[12.5, np.nan, 3.0]))
    assert placed.chrom.tolist() == ["1", "", ""]
    assert placed.cm[0] == 12.5
    assert placed.description == "Genetic positions come from the genotype file itself."
    assert placed.warnings == ("2 of 3 markers have no place on the map and are used as unlinked.",)


def test_a_cm_column_of_zeros_says_nothing():
    placed = place_markers(markers(("a", "1", 308_450_000), ("b", "1", 1), cm=[0.0, 0.0]))
    assert placed.cm[0] == pytest.approx(210.4)


def test_the_map_given_comes_before_the_genotype_file():
    own = GeneticMap(by_marker={"a": ("3", 7.0)}, description="the map in own.csv")
    placed = place_markers(markers(("a", "3", 5), cm=[99.0]), own)
    assert (placed.chrom[0], placed.cm[0]) == ("3", 7.0)
    assert placed.description == "Genetic positions come from the map in own.csv."
    assert placed.warnings == ()


# ---------------------------------------------------------------- a map by marker name


def test_markers_missing_in_the_map_are_unplaced_and_counted():
    own = GeneticMap(by_marker={"a": ("chr01", 7.0), "c": ("01", 7.0), "unused": ("9", 1.0)})
    placed = own.place(markers(("a", "1", 5), ("b", "1", 6), ("c", "1", 9)))
    assert placed.chrom.tolist() == ["1", "", "1"]
    assert placed.cm[[0, 2]].tolist() == [7.0, 7.0]
    assert placed.warnings == ("1 of 3 markers have no place on the map and are used as unlinked.",)


def test_a_map_without_chromosomes_takes_those_of_the_genotype_file():
    own = GeneticMap(by_marker={"a": ("", 7.0), "b": ("", 8.0)})
    placed = own.place(markers(("a", "chr4", 5), ("b", "", 6)))
    assert placed.chrom.tolist() == ["4", ""]
    assert np.isnan(placed.cm[1])


def test_the_chromosome_of_the_map_is_followed_and_said():
    own = GeneticMap(by_marker={"a": ("5", 7.0), "b": ("chr6", 1.0)})
    placed = own.place(markers(("a", "4", 5), ("b", "6", 5)))
    assert placed.chrom.tolist() == ["5", "6"]
    (warning,) = placed.warnings
    assert warning.startswith("1 of 2 markers lie on another chromosome in the map than in the genotype files;")


def test_a_map_of_other_markers_is_an_error():
    own = GeneticMap(by_marker={"x": ("5", 7.0)}, source="own.csv")
    with pytest.raises(FormatError, match=r"own\.csv: map: found none of the 2 markers of the genotype files"):
        own.place(markers(("a", "4", 5), ("b", "6", 5)))
    assert len(own.place(markers())) == 0


# ---------------------------------------------------------------- a map by position


def cm_step_by_step(position, map_bp, map_cm):
    """Naive twin of the interpolation."""
    rate = (map_cm[-1] - map_cm[0]) / (map_bp[-1] - map_bp[0])
    if position < map_bp[0]:
        return map_cm[0] - (map_bp[0] - position) * rate
    if position > map_bp[-1]:
        return map_cm[-1] + (position - map_bp[-1]) * rate
    for left_bp, right_bp, left, right in zip(map_bp, map_bp[1:], map_cm, map_cm[1:], strict=False):
        if left_bp <= position <= right_bp:
            return left + (right - left) * (position - left_bp) / (right_bp - left_bp)
    raise AssertionError(position)


@given(
    st.lists(st.integers(1, 10**9), min_size=2, max_size=12, unique=True),
    st.data(),
    st.lists(st.integers(1, 2 * 10**9), min_size=1, max_size=12),
)
def test_interpolation_against_its_naive_twin(map_bp, data, positions):
    map_bp = sorted(map_bp)
    steps = data.draw(st.lists(st.floats(0, 50), min_size=len(map_bp), max_size=len(map_bp)))
    map_cm = np.cumsum(steps).tolist()
    rows = [(f"m{row}", "1", position) for row, position in enumerate(positions)]
    placed = by_position(chr1=(map_bp, map_cm)).place(markers(*rows))
    twin = [cm_step_by_step(p, map_bp, map_cm) for p in positions]
    assert placed.cm == pytest.approx(twin, rel=1e-9, abs=1e-6)


def test_between_and_beyond_the_markers_of_the_map():
    own = by_position(chr2=([3_000_000, 1_000_000, 5_000_000], [4.0, 2.0, 10.0]))
    placed = own.place(
        markers(
            ("at", "2", 3_000_000),
            ("between", "02", 4_000_000),
            ("before", "2", 500_000),
            ("past", "2", 6_000_000),
        )
    )
    assert placed.cm == pytest.approx([4.0, 7.0, 1.0, 12.0])  # mean rate 2 cM/Mb
    assert placed.warnings == ()


def test_a_chromosome_with_one_position_goes_on_at_one_cm_a_mb():
    own = by_position(chr2=([2_000_000], [50.0]))
    placed = own.place(markers(("a", "2", 1_000_000), ("b", "2", 2_000_000), ("c", "2", 5_000_000)))
    assert placed.cm == pytest.approx([49.0, 50.0, 53.0])


def test_spellings_of_one_chromosome_are_joined_and_repeats_are_harmless():
    own = GeneticMap(
        by_position={
            "1": (np.array([1_000_000, 2_000_000]), np.array([0.0, 1.0])),
            "chr01": (np.array([2_000_000, 3_000_000]), np.array([1.0, 5.0])),
        }
    )
    assert list(own.by_position) == ["1"]
    assert own.place(markers(("a", "chr1", 2_500_000))).cm == pytest.approx([3.0])


def test_equal_cm_at_several_positions_are_a_cold_stretch():
    own = by_position(chr1=([10, 20, 30, 40], [1.0, 2.0, 2.0, 3.0]))
    assert own.place(markers(("a", "1", 25))).cm.tolist() == [2.0]


def test_chromosomes_that_the_map_does_not_have():
    own = by_position(chr1=([1, 1_000_001], [0.0, 3.0]))
    placed = own.place(markers(("a", "1", 500_001), ("b", "10", 4_000_000), ("c", "2", 1_000_000), ("d", "", 5)))
    assert placed.chrom.tolist() == ["1", "10", "2", ""]
    assert placed.cm[:3] == pytest.approx([1.5, 4.0, 1.0])
    assert placed.warnings == (
        "The map has no chromosome 2, 10: 1 cM/Mb is taken there.",
        "1 of 4 markers have no place on the map and are used as unlinked.",
    )


def test_a_map_by_both_takes_the_name_first():
    own = GeneticMap(
        by_marker={"a": ("1", 30.0), "z": ("3", 8.0)},
        by_position={"1": (np.array([1, 1_000_001]), np.array([0.0, 50.0]))},
    )
    placed = own.place(markers(("a", "1", 500_001), ("b", "1", 500_001), ("c", "3", 9_000_000), ("d", "4", 9_000_000)))
    assert placed.cm[[0, 1, 3]] == pytest.approx([30.0, 25.0, 9.0])
    assert placed.chrom.tolist() == ["1", "1", "", "4"], "base pairs are not mixed into a chromosome known by name"
    assert placed.warnings[0] == "The map has no chromosome 4: 1 cM/Mb is taken there."


@pytest.mark.parametrize(
    ("positions", "message"),
    [
        (([10, 20, 30], [1.0, 3.0, 2.0]), "position 30: found a cM below that of the position before"),
        (([20, 10], [1.0, 3.0]), "position 20: found a cM below that of the position before"),
        (([10, 10], [1.0, 3.0]), "position 10: found two cM at one position"),
        (([10, 20], [1.0, np.nan]), "position 20: found a cM that is no finite number"),
        (([10, 20], [1.0, np.inf]), "position 20: found a cM that is no finite number"),
        (([0, 20], [1.0, 2.0]), "position 0: found a position that is not positive"),
    ],
)
def test_a_map_that_contradicts_itself_is_refused(positions, message):
    with pytest.raises(FormatError, match=f"chromosome 7, {message}"):
        by_position(chr07=positions)


def test_a_map_with_names_that_contradicts_its_positions_is_told_the_way_out():
    with pytest.raises(FormatError, match="or a map by marker name only, without positions"):
        GeneticMap(
            by_marker={"a": ("1", 2.0), "b": ("1", 1.0)},
            by_position={"1": (np.array([5, 9]), np.array([2.0, 1.0]))},
        )


def test_all_faults_of_a_map_come_in_one_error():
    with pytest.raises(FormatError) as caught:
        GeneticMap(
            by_marker={"a": ("1", math.nan)},
            by_position={"": (np.array([1]), np.array([1.0])), "2": (np.array([1, 2]), np.array([1.0, 0.0]))},
            source="own.csv",
        )
    assert [defect.where for defect in caught.value.defects] == [
        "marker a",
        "map",
        "chromosome 2, position 2",
    ]
    assert caught.value.source == "own.csv"


def test_an_empty_map_is_refused():
    with pytest.raises(FormatError, match="found no marker"):
        GeneticMap()
    with pytest.raises(FormatError, match="found no marker"):
        by_position(chr1=([], []))


def test_unequal_arrays_are_a_fault_of_the_caller():
    with pytest.raises(ValueError, match="chromosome 1: pos_bp has shape"):
        GeneticMap(by_position={"1": (np.array([1, 2]), np.array([1.0]))})


# ---------------------------------------------------------------- the map of markers


def test_the_map_is_locked():
    own = GeneticMap(by_marker={"a": ("1", 2.0)}, by_position={"1": (np.array([1]), np.array([2.0]))})
    placed = own.place(markers(("a", "1", 5)))
    for array in (placed.cm, placed.chrom, *own.by_position["1"]):
        assert not array.flags.writeable
    with pytest.raises(TypeError):
        own.by_marker["b"] = ("1", 2.0)


def test_chromosomes_come_in_order_of_number_and_markers_in_order_of_cm():
    names = ["10", "2", "X", "2", "", "1H", "2"]
    placed = MarkerMap(chrom=np.array(names), cm=np.array([1.0, 9.0, 1.0, 3.0, np.nan, 0.0, 9.0]), description="A map.")
    assert placed.chromosomes == ("2", "10", "1H", "X")
    assert placed.markers_of("2").tolist() == [3, 1, 6]
    assert placed.markers_of("5").tolist() == []


def test_a_map_that_contradicts_its_own_shape_is_a_fault_of_the_caller():
    with pytest.raises(ValueError, match="chrom has shape"):
        MarkerMap(chrom=np.array(["1"]), cm=np.array([1.0, 2.0]), description="")
    with pytest.raises(ValueError, match="a chromosome and a position, or neither"):
        MarkerMap(chrom=np.array(["1"]), cm=np.array([np.nan]), description="")


def test_a_published_maize_map_places_its_own_markers():
    """Map of the European NAM dent panel (Giraud et al. 2014, Genetics 198:1717-1734): 10 chromosomes."""
    path = DATA / "maize_eunam_dent_map.csv"
    if not path.exists():
        pytest.skip(f"{path.name} is not there: set DHVERIFY_DATA to the folder with the open data sets")
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    own = GeneticMap(by_marker={row["marker"]: (row["chr"], float(row["cM"])) for row in rows})
    placed = own.place(markers(*((row["marker"], f"chr{row['chr']}", 1) for row in rows)))
    assert placed.is_placed.all()
    assert placed.chromosomes == MAIZE_MAP.chrom
    assert placed.warnings == ()
    spans = [np.ptp(placed.cm[placed.markers_of(chrom)]) for chrom in placed.chromosomes]
    assert 1000 < sum(spans) < 2000


# ---------------------------------------------------------------- is it maize at all


def spread(n, reach, chroms=range(1, 11)):
    """Markers drawn evenly over the first share of some maize chromosomes."""
    rng = np.random.default_rng(n)
    length = dict(zip(MAIZE_MAP.chrom, MAIZE_MAP.length_mb, strict=True))
    names = [str(chroms[k % len(chroms)]) for k in range(n)]
    rows = [(f"m{k}", name, int(rng.uniform(0, reach) * length[name] * 1e6) + 1) for k, name in enumerate(names)]
    return markers(*rows)


@pytest.mark.parametrize(("n", "chroms"), [(24, list(range(1, 11))), (12, [4]), (1000, list(range(1, 11)))])
def test_small_panels_of_maize_keep_the_maize_map_without_a_word(n, chroms):
    placed = place_markers(spread(n, 1.0, chroms))
    assert "built-in maize map" in placed.description
    assert placed.warnings == ()


@pytest.mark.parametrize(("n", "reach"), [(6, 2e-6), (54, 4e-5), (300, 0.26), (1000, 0.45)])
def test_positions_that_stay_near_the_starts_are_of_another_genome(n, reach):
    """So many markers of maize reach so short a way with probability reach ** n (computed)."""
    placed = place_markers(spread(n, reach))
    assert "assume 1 cM/Mb" in placed.description
    assert f"all {n} positions lie within the first" in placed.description
    assert any("hand in a map" in warning for warning in placed.warnings)
    assert np.nanmax(placed.cm) <= 310 * reach


@pytest.mark.parametrize(("n", "reach"), [(1, 0.2), (5, 0.3), (12, 0.4)])
def test_too_few_positions_to_tell_keep_the_maize_map_with_a_warning(n, reach):
    placed = place_markers(spread(n, reach))
    assert "built-in maize map" in placed.description
    assert len(placed.warnings) == 1
    assert f"so few positions ({n}) cannot tell" in placed.warnings[0]


def test_another_genome_is_said_as_a_warning():
    placed = place_markers(markers(("a", "1H", 5_000_000), ("b", "2H", 9_000_000)))
    assert placed.warnings == (f"{placed.description} If that is not so, hand in a map.",)
