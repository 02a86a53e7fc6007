"""Whole numbers of planted faults, descent, duplicates, replicates, known lines and exchanged labels."""

from collections import Counter

import numpy as np
import pytest

from dhverify.simulation import SimulationSettings, simulate_programme


def programme_of(seed=1, **changes):
    settings = SimulationSettings(**{"hybrid_share": 0.0, "has_plates": False, "n_markers": 400, **changes})
    return simulate_programme(settings, np.random.default_rng(seed))


def dna_of(programme):
    return dict(zip(programme.samples.tolist(), programme.fraction, strict=True))


def sheet_of(programme):
    return {row["sample"]: row for row in programme.sheet}


def test_shares_give_whole_numbers_of_lines():
    programme = programme_of(
        n_donors=4,
        lines_per_donor=50,
        hybrid_share=0.1,
        donor_share=0.02,
        selfed_donor_share=0.03,
        parent_share=0.01,
        outcross_share=0.02,
        inducer_share=0.01,
        other_donor_share=0.02,
        mixture_share=0.03,
        unrelated_share=0.01,
        segment_share=0.05,
        duplicate_share=0.02,
        failed_share=0.02,
        wrong_tissue_share=0.01,
    )
    cases = Counter((row["finding"], row["case"]) for row in programme.truth)
    tissues = {row["tissue"] for row in programme.sheet} - {"leaf", ""}
    wrong = {key: n for key, n in cases.items() if key[1] == "wrong tissue"}
    assert sum(wrong.values()) == 2
    assert tissues <= {"pericarp", "endosperm"}
    assert {key: n for key, n in cases.items() if key not in wrong} == {
        ("haploid", ""): 130,
        ("hybrid", ""): 20,
        ("donor", ""): 4,
        ("selfed donor", ""): 6,
        ("parent", ""): 2,
        ("outcross", ""): 4,
        ("inducer", ""): 2,
        ("other donor", ""): 4,
        ("mixture", "mixture"): 6,
        ("unresolved", "unrelated material"): 2,
        ("haploid", "inducer segment"): 10,
        ("haploid", "duplicate"): 4,
        ("haploid", "failed well"): 4,
    }


def test_hybrids_fall_on_the_sorters_by_their_own_rates():
    """Three sorters with 0.4, 1 and 1.6 times the mean rate."""
    programme = programme_of(n_donors=10, lines_per_donor=200, hybrid_share=0.15)
    sheet = sheet_of(programme)
    of = Counter(sheet[row["sample"]]["sorter"] for row in programme.truth)
    hybrids = Counter(sheet[r["sample"]]["sorter"] for r in programme.truth if r["finding"] == "hybrid")
    rates = {sorter: hybrids[sorter] / of[sorter] for sorter in of}
    assert sum(hybrids.values()) == 300
    for sorter, expected in (("Ama", 0.06), ("Bruno", 0.15), ("Cleo", 0.24)):
        assert rates[sorter] == pytest.approx(expected, abs=0.055)  # 4 binomial standard errors of 667 lines


def test_duplicates_are_copies_of_a_clean_sister():
    programme = programme_of(duplicate_share=0.1)
    dna, truth = dna_of(programme), {row["sample"]: row for row in programme.truth}
    copies = [row for row in programme.truth if row["copy_of"]]
    assert len(copies) == 16
    for row in copies:
        model = truth[row["copy_of"]]
        assert (dna[row["sample"]] == dna[row["copy_of"]]).all()
        assert (model["donor"], model["genotype"]) == (row["donor"], row["genotype"])
        assert model["copy_of"] == ""


def test_a_lot_of_duplicates_only_stays_as_it_is():
    programme = programme_of(duplicate_share=1.0, n_donors=1, lines_per_donor=4)
    assert {(row["copy_of"], row["case"]) for row in programme.truth} == {("", "")}


@pytest.mark.parametrize("stage", ["both", "all"])
def test_descent_is_one_genotype(stage):
    programme = programme_of(stage=stage, descent_share=0.5, hybrid_share=0.1, selfed_donor_share=0.1)
    dna, truth = dna_of(programme), {row["sample"]: row for row in programme.truth}
    sheet = sheet_of(programme)
    pairs = [(row["sample"], row["source"]) for row in programme.sheet if row["source"]]
    stages = {"both": ("D1",), "all": ("D0", "D1")}[stage]
    assert Counter(sheet[sample]["stage"] for sample, _ in pairs) == dict.fromkeys(stages, 4 * 20)
    seen = Counter()
    for sample, source in pairs:
        mine, theirs = truth[sample], truth[source]
        kind = (sheet[sample]["stage"], theirs["finding"], mine["finding"])
        seen[kind] += 1
        is_same = bool((dna[sample] == dna[source]).all())
        assert is_same is (kind[1] == "haploid" or kind[0] == "D0")
        assert is_same is (mine["genotype"] == theirs["genotype"])
        assert all(sheet[sample][c] == sheet[source][c] for c in ("donor", "inducer", "sorter", "ear"))
    assert {(a, b) for _, a, b in seen} >= {
        ("haploid", "doubled haploid"),
        ("hybrid", "selfed hybrid"),
        ("selfed donor", "selfed donor"),
    }
    assert len({source for _, source in pairs}) == len(pairs)


def test_a_blank_is_no_source():
    from dhverify.simulation.lines import Breeder
    from dhverify.simulation.specimens import blank_dna

    with pytest.raises(ValueError, match="no plant"):
        Breeder.descended(None, None, blank_dna(3, made_as="well", rng=np.random.default_rng(1)))


def test_source_mismatches_and_exchanged_sisters():
    programme = programme_of(stage="both", source_mismatches=3, exchanged_sisters=2)
    dna, sheet = dna_of(programme), sheet_of(programme)
    wrong = {
        row["sample"]: row["case"]
        for row in programme.truth
        if sheet[row["sample"]]["source"] and (dna[row["sample"]] != dna[sheet[row["sample"]]["source"]]).any()
    }
    assert Counter(case.split(" with ")[0] for case in wrong.values()) == {
        "source mismatch: from an untyped sister": 3,
        "label exchanged": 4,
    }
    for sample, case in wrong.items():
        if case.startswith("label exchanged"):
            partner = case.removeprefix("label exchanged with ")
            assert sheet[partner]["donor"] == sheet[sample]["donor"]
            assert (dna[sample] == dna[sheet[partner]["source"]]).all()


def test_exchanged_labels_of_two_donors():
    programme = programme_of(exchanged_pairs=3)
    moved = [row for row in programme.truth if row["case"].startswith("label exchanged")]
    assert len(moved) == 6
    assert {row["finding"] for row in moved} == {"other donor"}
    sheet = sheet_of(programme)
    assert all(row["donor"] != sheet[row["sample"]]["donor"] for row in moved)
    assert all(row["made_as"] == row["case"].removeprefix("label exchanged with ") for row in moved)


def test_replicates_and_an_odd_one():
    programme = programme_of(replicate_share=0.1, samples_per_replicate=3, wrong_replicates=2)
    dna, sheet = dna_of(programme), sheet_of(programme)
    sets = {}
    for row in programme.sheet:
        if row["line"]:
            sets.setdefault(row["line"], []).append(row["sample"])
    assert len(sets) == 16
    odd = 0
    for names in sets.values():
        assert len(names) == 3
        assert (dna[names[0]] == dna[names[1]]).all()
        assert len({sheet[name]["donor"] for name in names}) == 1
        odd += bool((dna[names[0]] != dna[names[2]]).any())
    assert odd == 2
    assert len(programme.truth) == 160 + 32


def test_no_clean_line_means_no_replicates():
    programme = programme_of(hybrid_share=1.0, replicate_share=0.5, exchanged_pairs=1, known_lines=1, known_copies=1)
    assert len(programme.truth) == 160
    assert {row["case"] for row in programme.truth} == {""}


def test_no_clean_source_means_no_mismatch():
    programme = programme_of(
        stage="both",
        hybrid_share=1.0,
        source_mismatches=1,
        exchanged_sisters=1,
        descent_share=1.0,
        lines_per_donor=3,
    )
    assert {row["case"] for row in programme.truth} == {""}


def test_known_lines_and_their_copies():
    programme = programme_of(known_lines=3, known_copies=2)
    dna = dna_of(programme)
    copies = [row for row in programme.truth if row["copy_of"]]
    assert [row["copy_of"] for row in copies] != []
    for row in copies:
        assert row["copy_of"].startswith("K")
        assert (dna[row["sample"]] == dna[row["copy_of"]]).all()
        assert row["finding"] == "haploid"
    known = [row for row in programme.sheet if row["role"] == "known"]
    assert [(row["sample"], row["donor"]) for row in known] == [
        ("K001", "D01"),
        ("K002", "D02"),
        ("K003", "D03"),
    ]


def test_mixtures_without_a_clean_line_take_a_reference_or_nothing():
    names = {"mixture_share": 1.0, "n_donors": 1, "lines_per_donor": 3}
    with_references = programme_of(**names)
    references = {row["sample"] for row in with_references.sheet if row["role"] != "line"}
    assert {row["finding"] for row in with_references.truth} == {"mixture"}
    assert {row["contaminant"] for row in with_references.truth} <= references
    without = programme_of(**names, typed=())
    assert {row["finding"] for row in without.truth} == {"haploid"}
    assert set(without.samples) == {row["sample"] for row in without.truth}


@pytest.mark.parametrize(
    ("typed", "roles"),
    [
        (("parents", "donors", "inducers"), {"parent", "donor", "inducer"}),
        (("donors",), {"donor"}),
        (("parents", "donors"), {"parent", "donor"}),
        ((), set()),
    ],
)
def test_what_is_typed(typed, roles):
    programme = programme_of(typed=typed)
    sheet = sheet_of(programme)
    assert {sheet[str(name)]["role"] for name in programme.samples} - {"line"} == roles
    assert {row["role"] for row in programme.sheet} == {"parent", "donor", "inducer", "line"}


def test_inducer_that_is_a_cross():
    programme = programme_of(n_inducers=2, inducer_type="hybrid", inducer_share=0.2)
    sheet = sheet_of(programme)
    assert sheet["Inducer2"]["pedigree"] == "Inducer2a/Inducer2b"
    assert sheet["Inducer2a"]["role"] == "parent"
    dna = dna_of(programme)
    differ = dna["Inducer1a"] != dna["Inducer1b"]
    assert (dna["Inducer1"][differ] == 0.5).all()
    assert Counter(row["inducer"] for row in programme.sheet if row["role"] == "line") == {
        "Inducer1": 80,
        "Inducer2": 80,
    }
    het = [(dna[r["sample"]] == 0.5).sum() / differ.sum() for r in programme.truth if r["finding"] == "inducer"]
    assert min(het) < 0.8  # selfed
    assert max(het) > 0.8  # the plant itself


def test_donor_plants_in_one_row_or_in_rows_of_their_own():
    together = programme_of(donor_type="F2", donor_plants=3)
    assert {row["donor"] for row in together.truth} == {"D01", "D02", "D03", "D04"}
    bulk = dna_of(together)["D01"]
    assert sheet_of(together)["D01"]["plants"] == "3"
    assert set(np.round(6 * bulk, 4).tolist()) <= set(range(7))
    assert not np.isin(bulk, (0.0, 0.5, 1.0)).all()
    apart = programme_of(donor_type="F2", donor_plants=3, donor_rows="plant", exchanged_pairs=1)
    donors = [row for row in apart.sheet if row["role"] == "donor"]
    assert [row["sample"] for row in donors][:3] == ["D01-1", "D01-2", "D01-3"]
    assert len({row["pedigree"] for row in donors}) == 4
    moved = [row for row in apart.truth if row["case"]]
    sheet = sheet_of(apart)
    assert all(row["donor"][:3] != sheet[row["sample"]]["donor"][:3] for row in moved)


def test_mixed_donors_that_share_parents():
    chain = programme_of(donor_type="mixed", n_donors=6, parent_sharing="chain", lines_per_donor=5)
    pedigrees = [row["pedigree"] for row in chain.sheet if row["role"] == "donor"]
    assert pedigrees[0] == "Bolen/Damok"
    assert pedigrees[1] == "Damok/Ferip//Damok/Ferip"
    common = programme_of(n_donors=3, parent_sharing="common", lines_per_donor=5)
    assert all(r["pedigree"].startswith("Bolen/") for r in common.sheet if r["role"] == "donor")
    unknown = programme_of(is_pedigree_known=False, lines_per_donor=5)
    assert {row["pedigree"] for row in unknown.sheet} == {""}


def test_impure_and_mislabelled_parents():
    programme = programme_of(parent_impurity=0.05, mislabelled_parents=2, polymorphism=0.5)
    cases = {row["name"]: row["case"] for row in programme.others if row["kind"] == "parent"}
    assert sum(case.startswith("mislabelled: it is ") for case in cases.values()) == 2
    dna, truth = dna_of(programme), programme.truth
    for donor in ("D01", "D02", "D03", "D04"):
        first, second = next(r["pedigree"] for r in programme.sheet if r["sample"] == donor).split("/")
        lines = np.array([dna[row["sample"]] for row in truth if row["donor"] == donor])
        both = (dna[first] == dna[second]) & (dna[first] != 0.5)
        conflict = (lines != dna[first])[:, both].mean()
        is_wrong = any(cases[name].startswith("mislabelled") for name in (first, second))
        assert bool(conflict > 0.2) is is_wrong
        assert conflict > 0.01


def test_labels_are_not_exchanged_where_one_donor_has_no_clean_line():
    programme = programme_of(n_donors=2, lines_per_donor=1, hybrid_share=0.5, exchanged_pairs=1)
    assert sorted((row["finding"], row["case"]) for row in programme.truth) == [
        ("haploid", ""),
        ("hybrid", ""),
    ]
