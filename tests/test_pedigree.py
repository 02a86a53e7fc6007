"""Purdy notation: reading, writing, shares, and what is said when it cannot be read."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dhverify.errors import PedigreeError
from dhverify.pedigree import (
    MAX_LEVELS,
    Cross,
    Founder,
    expected_shares,
    format_pedigree,
    founders,
    parse_pedigree,
)

A, B, C, D, E = (Founder(name) for name in "ABCDE")


def cross(female, male):
    return Cross(female=female, male=male)


AB = cross(A, B)


@pytest.mark.parametrize(
    ("text", "node"),
    [
        ("A", A),
        ("A/B", AB),
        (" A / B ", AB),
        ("A/A", cross(A, A)),
        ("A/B//C", cross(AB, C)),
        ("C//A/B", cross(C, AB)),
        ("A/B//C/D", cross(AB, cross(C, D))),
        ("A/B//A/B", cross(AB, AB)),
        ("A/B/3/C//D/E", cross(AB, cross(C, cross(D, E)))),
        ("A/B//C/03/D/E", cross(cross(AB, C), cross(D, E))),
        ("A/B//C/3/D/4/E", cross(cross(cross(AB, C), D), E)),
        ("A/B//C/3/A//D/E/4/B", cross(cross(cross(AB, C), cross(A, cross(D, E))), B)),
        ("A*1/B", AB),
        ("A/1*B", AB),
        ("A*2/B", cross(A, AB)),
        ("B/2*A", cross(cross(B, A), A)),
        ("A*3/B", cross(A, cross(A, AB))),
        ("A * 3 / B", cross(A, cross(A, AB))),
        ("B/3*A", cross(cross(cross(B, A), A), A)),
        ("A/3*B", cross(cross(AB, B), B)),
        ("A*2/B//C", cross(cross(A, AB), C)),
        ("C*2//A/B", cross(C, cross(C, AB))),
        ("A/B//2*C", cross(cross(AB, C), C)),
        ("A*2/B//C/2*D", cross(cross(A, AB), cross(cross(C, D), D))),
        ("A/B//C/3/2*D", cross(cross(cross(AB, C), D), D)),
    ],
)
def test_reading(text, node):
    assert parse_pedigree(text) == node


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("H 12/K-7.1//O'Neil (red)", ("H 12", "K-7.1", "O'Neil (red)")),
        ("1/2", ("1", "2")),
        ("1/3//4", ("1", "3", "4")),
        ("1//3/4", ("1", "3", "4")),
        ("1/ 3 /4/5", None),
        ("5/4// 3 /2", ("5", "4", "3", "2")),
        ("12B*2/7A", ("12B", "7A")),
        ("7A/2*12B", ("7A", "12B")),
        ("3*2/B", ("3", "B")),
        ("B/2*3", ("B", "3")),
        ("B/2*3//C", ("B", "3", "C")),
        ("C//3*2/B", ("C", "3", "B")),
        ("ÄÖ/β-1//中", ("ÄÖ", "β-1", "中")),
        ("B73/Mo17-x", ("B73", "Mo17-x")),
    ],
)
def test_names(text, names):
    if names is None:
        with pytest.raises(PedigreeError):
            parse_pedigree(text)
    else:
        assert founders(parse_pedigree(text)) == names


def test_a_number_between_slashes_is_a_cross_mark_unless_a_space_says_it_is_a_name():
    assert parse_pedigree("A/B//C/3/D") == cross(cross(AB, C), D)
    assert parse_pedigree("A/B//C/ 3 ") == cross(AB, cross(C, Founder("3")))
    assert parse_pedigree("C/ 3 //A/B") == cross(cross(C, Founder("3")), AB)


FAULTS = [
    # text, position, found, a word of what is expected
    ("", 1, "an empty pedigree", "Purdy"),
    ("   ", 1, "an empty pedigree", "Purdy"),
    ("/A", 1, "no name", "on either side"),
    ("A/", 3, "no name", "on either side"),
    ("A/ //B", 4, "no name", "on either side"),
    ("A/B/C", 4, "a second /", "// if this is the later cross"),
    ("A/B//C//D", 7, "a second //", "/3/ if this is the later cross"),
    ("A/B//C/D//E", 9, "a second //", "/3/ if this is the later cross"),
    ("A/B//C/3/D/3/E", 11, "a second /3/", "/4/ if this is the later cross"),
    ("A///B", 2, "///", "/3/ for cross number 3"),
    ("A////B", 2, "////", "/4/ for cross number 4"),
    ("A/1/B", 2, "/1/", "a name of digits only needs a space"),
    ("A/2/B", 2, "/2/", "a name of digits only needs a space"),
    ("A/0/B", 3, "0", "a number from 1 to 200"),
    ("A/201/B", 3, "201", "a number from 1 to 200"),
    ("A/" + "9" * 5000 + "/B", 3, "9" * 30, "a number from 1 to 200"),
    ("A//B", 2, "//", "/, as this is cross number 1"),
    ("A/3/B", 2, "/3/", "/, as this is cross number 1"),
    ("A/B/4/C//D/E", 4, "/4/", "/3/, as this is cross number 3"),
    ("A*0/B", 3, "0", "a number from 1 to 200"),
    ("A*" + "9" * 5000 + "/B", 3, "9" * 30, "a number from 1 to 200"),
    ("C/B//A*201/D", 8, "201", "a number from 1 to 200"),
    ("A*2", 1, "a dose away from its cross", "A*3/B or B/3*A"),
    ("2*A", 1, "a dose away from its cross", "A*3/B or B/3*A"),
    ("2*A/B", 1, "a dose away from its cross", "A*3/B or B/3*A"),
    ("B/A*2", 3, "a dose away from its cross", "A*3/B or B/3*A"),
    ("A/B*2//C", 3, "a dose away from its cross", "alone on its side"),
    ("C//2*A/B", 4, "a dose away from its cross", "alone on its side"),
    ("A*2/2*B", 4, "a dose on both sides of one cross", "one side"),
    ("A*/B", 1, "A*", "a name without / and *"),
    ("*2/B", 1, "*2", "a name without / and *"),
    ("A*2*3/B", 1, "A*2*3", "a name without / and *"),
    ("A**2/B", 1, "A**2", "a name without / and *"),
    ("A*x/B", 1, "A*x", "a name without / and *"),
    ("(A/B)/C", 1, "(A", "is written A/B//C"),
    ("A/(B/C)", 3, "(B", "is written A/B//C"),
]


@pytest.mark.parametrize(("text", "position", "found", "expected"), FAULTS)
def test_faults_name_the_position_what_is_there_and_what_should_be(text, position, found, expected):
    with pytest.raises(PedigreeError) as caught:
        parse_pedigree(text, source="samples.csv, row 7, column pedigree")
    (defect,) = caught.value.defects
    assert defect.where == f"position {position}"
    assert defect.found == found
    assert expected in defect.expected
    assert str(caught.value).startswith(f"samples.csv, row 7, column pedigree: position {position}: found ")


def test_a_caret_stands_under_the_fault():
    with pytest.raises(PedigreeError) as caught:
        parse_pedigree("A/B/C")
    assert str(caught.value) == (
        "pedigree: position 4: found a second /; expected // if this is the later cross (A/B//C)\n    A/B/C\n       ^"
    )


def test_of_a_long_pedigree_the_surroundings_are_shown():
    text = "line\tone " + "x" * 100 + "/B/C and so on" + "y" * 100
    with pytest.raises(PedigreeError) as caught:
        parse_pedigree(text)
    shown, caret = str(caught.value).splitlines()[-2:]
    assert len(shown) <= 4 + 60
    assert shown[caret.index("^") :].startswith("/C and so on")
    with pytest.raises(PedigreeError, match="line one /B/C"):
        parse_pedigree("line\tone /B/C")


@pytest.mark.parametrize("name", ["", " ", " A", "A ", "A/B", "A*2", "A(1", "A)1"])
def test_names_that_the_notation_cannot_hold(name):
    with pytest.raises(ValueError, match=re.escape(repr(name))):
        Founder(name)


@pytest.mark.parametrize(
    ("text", "shares"),
    [
        ("A", {"A": 1.0}),
        ("A/B", {"A": 0.5, "B": 0.5}),
        ("A/A", {"A": 1.0}),
        ("A/B//A/B", {"A": 0.5, "B": 0.5}),
        ("A/B//C", {"A": 0.25, "B": 0.25, "C": 0.5}),
        ("A*2/B", {"A": 0.75, "B": 0.25}),
        ("B/2*A", {"B": 0.25, "A": 0.75}),
        # Purdy et al. 1968, Crop Sci 8:405-406
        ("A*3/B", {"A": 0.875, "B": 0.125}),
        ("B/3*A", {"B": 0.125, "A": 0.875}),
        (
            "Nebred//Hope/Turkey Red/3/Cheyenne/Ponca",
            {"Nebred": 0.25, "Hope": 0.125, "Turkey Red": 0.125, "Cheyenne": 0.25, "Ponca": 0.25},
        ),
    ],
)
def test_expected_shares(text, shares):
    found = expected_shares(parse_pedigree(text))
    assert found == shares
    assert list(found) == list(shares), "in order of first appearance"


def test_founders_come_in_order_of_first_appearance_each_once():
    assert founders(parse_pedigree("C/A//B/A/3/D*2/C")) == ("C", "A", "B", "D")


@pytest.mark.parametrize(
    ("text", "written"),
    [
        (" A / B // C / D ", "A/B//C/D"),
        ("A//A/B", "A*2/B"),
        ("B/A//A/3/A", "B/3*A"),
        ("A*2/A", "A*2/A"),
        ("A/B//A", "A/B//A"),
        ("A*2//B/C", "A*2//B/C"),
        ("A/B//C/3/2*D", "A/B//C/3/2*D"),
        ("1// 1 / 2", "1 // 1 / 2"),
        ("C/3//A/B", "C/ 3 //A/B"),
    ],
)
def test_writing(text, written):
    node = parse_pedigree(text)
    assert format_pedigree(node) == written
    assert parse_pedigree(written) == node


NAMES = st.one_of(
    st.sampled_from(["A", "B", "3", "4", "12", "H 12", "2A", "x-1.5", "O'Neil"]),
    st.text(max_size=8).filter(lambda name: name == name.strip() and name and not set(name) & set("/*()")),
)
NODES = st.recursive(NAMES.map(Founder), lambda sides: st.builds(Cross, female=sides, male=sides), max_leaves=24)


def walk(node):
    """Naive twin: the tree walked by plain recursion, (founder, share) from left to right."""
    if isinstance(node, Founder):
        return [(node.name, 1.0)]
    return [(name, share / 2) for side in (node.female, node.male) for name, share in walk(side)]


@given(NODES)
@settings(max_examples=400)
def test_what_is_written_reads_as_the_same_tree(node):
    assert parse_pedigree(format_pedigree(node)) == node


@given(NODES)
def test_shares_against_a_walk_through_the_tree(node):
    twin = {}
    for name, share in walk(node):
        twin[name] = twin.get(name, 0.0) + share
    assert expected_shares(node) == pytest.approx(twin)
    assert sum(expected_shares(node).values()) == pytest.approx(1.0)
    assert founders(node) == tuple(twin)


@given(st.text(alphabet="AB3 /*2()\n", max_size=25))
@settings(max_examples=1000)
def test_any_text_is_a_tree_or_a_pedigree_error(text):
    try:
        node = parse_pedigree(text)
    except PedigreeError as error:
        (defect,) = error.defects
        assert 1 <= int(defect.where.removeprefix("position ")) <= len(text) + 1
    else:
        assert parse_pedigree(format_pedigree(node)) == node


def ladder(n_levels):
    """``A/B//A/3/B/4/A...``: one cross more at each level."""
    marks = ["/", "//", *(f"/{order}/" for order in range(3, n_levels + 1))]
    return "A" + "".join(f"{mark}{'BA'[level % 2]}" for level, mark in enumerate(marks))


def test_a_pedigree_of_200_levels_is_read_and_written():
    assert MAX_LEVELS == 200
    node = parse_pedigree(ladder(MAX_LEVELS))
    assert parse_pedigree(format_pedigree(node)) == node
    assert sum(expected_shares(node).values()) == pytest.approx(1.0)
    assert founders(node) == ("A", "B")
    assert parse_pedigree(f"A*{MAX_LEVELS}/B") == parse_pedigree(format_pedigree(parse_pedigree("A*200/B")))


def test_deeper_pedigrees_are_refused_plainly():
    with pytest.raises(PedigreeError, match="a number from 1 to 200"):
        parse_pedigree(ladder(MAX_LEVELS + 1))
    with pytest.raises(PedigreeError, match="a pedigree of 201 levels"):
        parse_pedigree("A*200//B/C")
    with pytest.raises(PedigreeError, match="a pedigree of 250 levels"):
        parse_pedigree("A*150/B//100*C")


def test_a_tree_built_by_hand_may_be_deeper_than_the_recursion_limit():
    node = A
    for level in range(5000):
        node = cross(node, (B, C)[level % 2])
    assert founders(node) == ("A", "B", "C")
    assert expected_shares(node)["C"] == pytest.approx(2 / 3)
    assert format_pedigree(node).endswith("/5000/C")


def test_a_tree_that_shares_its_branches_takes_no_time():
    node = AB
    for _ in range(150):
        node = cross(node, node)
    assert expected_shares(node) == {"A": 0.5, "B": 0.5}
    assert founders(node) == ("A", "B")
