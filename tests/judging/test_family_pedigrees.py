"""Families built from sheets: whose strands they share, and what they rest on where a founder was not typed."""

from __future__ import annotations

import numpy as np
import pytest

from dhverify.errors import PedigreeError
from dhverify.family_models import HETEROZYGOUS_INDUCER, build_families, role_samples
from dhverify.findings_table import MAX_MEIOSES, FamilyShape, candidates, n_meioses, tree_slots
from dhverify.marker_classes import classify
from dhverify.samples import Family, Role, Sample, SampleSheet


def built(pedigrees, typed, *, inducer="I", inducer_pedigree="", is_bulk=False, plants=1):
    """Families of some donors; ``typed`` maps genotyped samples to their heterozygosity."""
    donors = [Sample(name=name, role=Role.DONOR, pedigree=text, plants=plants) for name, text in pedigrees.items()]
    rows = [*donors]
    if inducer:
        rows.append(Sample(name=inducer, role=Role.INDUCER, pedigree=inducer_pedigree))
    families = [(Family(donor=name, inducer=inducer), is_bulk) for name in pedigrees]
    return build_families(SampleSheet(samples=tuple(rows)), families, typed)


def named(registry, model):
    return [registry.infos[int(s)].name for s in model.slots]


def test_families_share_the_strands_of_common_parents_and_inducers():
    typed = dict.fromkeys(("A", "B", "C", "I"), 0.0)
    registry, models = built({"D1": "A/B", "D2": "A/C"}, typed)
    assert named(registry, models[0]) == ["A", "B", "I"]
    assert named(registry, models[1]) == ["A", "C", "I"]
    assert models[0].slots[0] == models[1].slots[0]
    assert models[0].shape == models[1].shape
    assert registry.typed(models[0].slots) == [True, True, True]
    assert "all parents genotyped" in models[0].basis
    assert "Inducer I: genotyped" in models[0].basis


@pytest.mark.parametrize(
    ("pedigree", "shape"),
    [
        ("A/B", (0, 1)),
        ("A/B//A", ((0, 1), 0)),
        ("A*2/B", (0, (0, 1))),
        ("A/B//C", ((0, 1), 2)),
        ("A/B//C/D", ((0, 1), (2, 3))),
    ],
)
def test_the_shape_is_the_pedigree(pedigree, shape):
    typed = dict.fromkeys("ABCDI", 0.0)
    _, (model,) = built({"X": pedigree}, typed)
    slots = tree_slots(shape)
    assert set(model.donor_slots) == set(slots)
    assert n_meioses(model.shape.donor) == n_meioses(shape)
    assert model.shape.n_slots == len(slots) + 1
    assert not model.is_unphased


def test_two_untyped_parents_are_unphased_and_said_to_be_inferred():
    _, (both,) = built({"X": "A/B"}, {"I": 0.0})
    assert both.is_unphased
    assert "A, B not genotyped, inferred from its own lines" in both.basis
    _, (one,) = built({"X": "A/B"}, {"A": 0.0, "I": 0.0})
    assert not one.is_unphased
    _, (plant,) = built({"X": "A/B"}, {"A": 0.0, "I": 0.0, "X": 0.4})
    assert plant.donor_sample == "X"
    assert "typed plant" in plant.basis


def test_a_donor_without_a_pedigree_is_two_chromosome_sets_of_its_own():
    registry, (first, second) = built({"X": "", "Y": ""}, {"I": 0.0})
    assert named(registry, first)[:2] == ["X chromosome 1", "X chromosome 2"]
    assert set(first.slots[:2]).isdisjoint(second.slots[:2])
    assert all(registry.infos[int(s)].is_anonymous for s in first.slots[:2])
    assert first.is_unphased


def test_a_typed_plant_of_a_complex_cross_goes_before_untyped_founders():
    typed = {"A": 0.0, "I": 0.0, "X": 0.3}
    registry, (model,) = built({"X": "A/B//C"}, typed)
    assert named(registry, model)[:2] == ["X chromosome 1", "X chromosome 2"]
    _, (pedigree,) = built({"X": "A/B//C"}, {"A": 0.0, "I": 0.0})
    assert len(pedigree.founder_names) == 3
    bulk_registry, (bulk,) = built({"X": "A/B//C"}, typed, plants=5)
    assert named(bulk_registry, bulk)[:3] == ["A", "B", "C"]


def test_a_pedigree_too_deep_to_follow_becomes_two_chromosome_sets():
    names = "ABCDEFGHJKMN"
    deep = "A/B"
    for rank, name in enumerate(names[2:], start=2):
        deep += f"{'//' if rank == 2 else f'/{rank}/'}{name}"
    _, (typed,) = built({"X": deep}, dict.fromkeys((*names, "I"), 0.0))
    assert typed.is_unphased
    assert "two chromosome sets" in typed.basis
    assert n_meioses(typed.shape.donor) + 1 <= MAX_MEIOSES
    five = "A/B//C/3/D/4/E"
    _, (untyped,) = built({"X": five}, {"I": 0.0})
    assert untyped.is_unphased


def test_inducers_typed_untyped_crossed_and_heterozygous():
    typed = {"A": 0.0, "B": 0.0}
    _, (none,) = built({"X": "A/B"}, typed, inducer="")
    assert "unknown inducer: not genotyped" in none.basis
    _, (untyped,) = built({"X": "A/B"}, typed)
    assert "not genotyped, inferred from hybrids" in untyped.basis
    registry, (open_pair,) = built({"X": "A/B"}, {**typed, "I": HETEROZYGOUS_INDUCER + 0.01})
    assert named(registry, open_pair)[2:] == ["I chromosome 1", "I chromosome 2"]
    assert len(open_pair.inducer_slots) == 2
    registry, (crossed,) = built({"X": "A/B"}, {**typed, "J": 0.0, "K": 0.0}, inducer_pedigree="J/K")
    assert named(registry, crossed)[2:] == ["J", "K"]
    assert "a cross of J and K" in crossed.basis
    registry, (itself,) = built({"X": "A/B"}, {**typed, "I": 0.0}, inducer_pedigree="J/K")
    assert named(registry, itself)[2:] == ["I"]
    registry, (deep,) = built({"X": "A/B"}, {**typed, "J": 0.0}, inducer_pedigree="J/K//L/M/3/N")
    assert len(deep.inducer_slots) == 1


def test_a_pedigree_that_cannot_be_read_is_an_error_that_names_the_donor():
    with pytest.raises(PedigreeError, match="pedigree of X"):
        built({"X": "A//"}, {"I": 0.0})


def test_samples_by_role_come_in_sheet_order():
    rows = (
        Sample(name="b", role=Role.PARENT),
        Sample(name="x", role=Role.LINE),
        Sample(name="a", role=Role.INDUCER),
    )
    assert role_samples(SampleSheet(samples=rows), Role.PARENT, Role.INDUCER) == ["b", "a"]


CLASS_CASES = {
    "diagnostic": ((0.01, 0.01, 0.99), "is_diagnostic"),
    "diagnostic the other way": ((0.99, 0.99, 0.01), "is_diagnostic"),
    "segregating": ((0.01, 0.99, 0.99), "is_segregating"),
    "alike": ((0.01, 0.01, 0.01), "is_alike"),
    "alike the other way": ((0.99, 0.99, 0.99), "is_alike"),
    "inducer unknown": ((0.01, 0.01, 0.5), None),
    "parent unknown": ((0.01, 0.5, 0.99), None),
}


def test_marker_classes_of_an_f1_by_hand():
    _, (model,) = built({"X": "A/B"}, dict.fromkeys("ABI", 0.0))
    found = classify(model, np.array([values for values, _ in CLASS_CASES.values()]).T)
    for marker, (values, name) in enumerate(CLASS_CASES.values()):
        for kind in ("is_diagnostic", "is_segregating", "is_alike"):
            assert getattr(found, kind)[marker] == (kind == name)
        if name == "is_diagnostic":
            assert found.inducer_second[marker] == (values[2] > 0.5)
        if name == "is_alike":
            assert found.alike_second[marker] == (values[0] > 0.5)


def test_a_heterozygous_inducer_is_diagnostic_where_either_strand_differs_and_alike_where_neither_does():
    _, (model,) = built({"X": "A/B"}, {"A": 0.0, "B": 0.0, "I": 0.3})
    values = np.array([[0.01, 0.01, 0.01], [0.01, 0.01, 0.01], [0.99, 0.01, 0.99], [0.01, 0.01, 0.99]])
    found = classify(model, values)
    assert found.is_diagnostic.tolist() == [True, False, True]
    assert found.is_alike.tolist() == [False, True, False]


def test_a_three_way_donor_is_diagnostic_only_where_no_founder_has_the_inducers_allele():
    _, (model,) = built({"X": "A/B//C"}, dict.fromkeys("ABCI", 0.0))
    values = np.array([[0.01, 0.01], [0.01, 0.01], [0.01, 0.99], [0.99, 0.99]])
    found = classify(model, values)
    assert found.is_diagnostic.tolist() == [True, False]
    assert found.is_segregating.tolist() == [False, True]


def test_deep_candidates_are_left_out_but_never_the_expected_finding():
    shape = FamilyShape(donor=(((0, 1), (2, 3)), ((4, 5), (6, 7))), inducer=8, n_slots=9, has_plant=False)
    found = candidates(shape)
    assert found[0].finding == "expected"
    assert all(len(c.hypothesis.factors) <= MAX_MEIOSES or c.finding == "expected" for c in found)
