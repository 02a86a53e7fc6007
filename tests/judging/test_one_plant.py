"""Donors whose lines come of one plant: what is fixed in it, against a plain product and in simulated programmes."""

from __future__ import annotations

from itertools import product

import identity_lots as lots
import numpy as np
import plate_lots
import pytest

from dhverify.analysis import analyse
from dhverify.one_plant import log_odds_of_one, plant_posterior
from dhverify.pair_comparison import PairComparison
from dhverify.samples import Role, Sample

N_MARKERS = 24
FIXED = np.arange(N_MARKERS) < 12
SECOND = np.arange(N_MARKERS) < 6
CHROM = [str(1 + k // 6) for k in range(N_MARKERS)]
CM = [15.0 * (k % 6) for k in range(N_MARKERS)]


def small_lot(donor_calls, *, is_typed=False, pedigree="P1/P2//P1/P2"):
    """Lines of an F2 donor and, to know the parents by, of an F1 of the same two; perhaps the donor plant too."""
    rng = np.random.default_rng(3)
    beside = inherited(rng, 20)
    plant = np.where(FIXED, 2 * SECOND, 1)
    names = ["P1", "P2", *(f"L{k}" for k in range(len(donor_calls))), *(f"E{k}" for k in range(20))]
    samples = [Sample(name=name, role=Role.PARENT) for name in ("P1", "P2")]
    samples += [Sample(name="D", role=Role.DONOR, pedigree=pedigree)]
    samples += [Sample(name="E", role=Role.DONOR, pedigree="P1/P2")]
    samples += [lots.line(name, "D" if name.startswith("L") else "E") for name in names[2:]]
    calls = np.vstack([np.zeros(N_MARKERS), np.full(N_MARKERS, 2), donor_calls, beside])
    trial = lots.Trial(names, calls, samples, chrom=CHROM, cm=CM)
    if is_typed:
        trial = lots.Trial([*names, "D"], np.vstack([calls, plant]), samples, chrom=CHROM, cm=CM)
    lot, analysis, _ = trial.analysed()
    return lot, analysis


def inherited(rng, n):
    """Gametes of an F1 at the markers of the small lot."""
    gaps = np.diff(CM, prepend=np.inf)
    r = np.where(gaps == 15.0, (1 - np.exp(-0.3)) / 2, 0.5)
    return np.cumsum(rng.random((n, N_MARKERS)) < r, axis=1) % 2 * 2


def gametes(n, seed=5):
    """Gametes of a plant that is fixed on two of four chromosomes."""
    drawn = inherited(np.random.default_rng(seed), n)
    return np.where(FIXED, 2 * SECOND, drawn)


@pytest.fixture(scope="module")
def of_one():
    return small_lot(gametes(12))


def told(learnt, rows, own):
    """Chances of a plant's three genotypes at each marker, from one gamete of each line."""
    found = np.empty((learnt.grid.n_markers, 3))
    for marker, genotype in product(range(learnt.grid.n_markers), range(3)):
        chromosomes = {0: (0, 0), 1: (0, 2), 2: (2, 2)}[genotype]
        value = (0.25, 0.5, 0.25)[genotype] * (1 if own is None else own[marker, genotype])
        for row in rows:
            seen = learnt.assay.genotype_likelihood(learnt.seen, np.array([row]))[marker, 0]
            odd = (seen[0] + seen[2]) / 2
            value *= sum(0.5 * (0.98 * seen[allele] + 0.02 * odd) for allele in chromosomes)
        found[marker, genotype] = value
    return found / found.sum(axis=1, keepdims=True)


@pytest.mark.parametrize("is_typed", [False, True])
def test_a_plant_is_what_its_gametes_and_itself_show(is_typed):
    calls = gametes(7)
    calls[0, 0], calls[1, 13], calls[2, 5] = 0, 1, -1
    lot, analysis = small_lot(calls, is_typed=is_typed)
    rows = [lot.row[f"L{k}"] for k in range(7)]
    plant = lot.row["D"] if is_typed else None
    own = analysis.learnt.plant_genotype(plant) if is_typed else None
    found = plant_posterior(analysis.learnt, np.array(rows), plant)
    np.testing.assert_allclose(found, told(analysis.learnt, rows, own), atol=1e-10)
    assert found[13].argmax() == 1


def of_some_plants(learnt, rows, prior, n_plants):
    """Likelihood of lines at each marker where each comes of any of some plants; shape (n_markers,)."""
    found = np.zeros(learnt.grid.n_markers)
    for marker in range(learnt.grid.n_markers):
        for plants in product(range(3), repeat=n_plants):
            value = np.prod([prior[marker][genotype] for genotype in plants])
            for row in rows:
                seen = learnt.assay.genotype_likelihood(learnt.seen, np.array([row]))[marker, 0]
                second = np.mean([genotype / 2 for genotype in plants])
                shown = (1 - second) * seen[0] + second * seen[2]
                value *= 0.98 * shown + 0.02 * (seen[0] + seen[2]) / 2
            found[marker] += value
    return found


@pytest.mark.parametrize("pedigree", ["P1/P2//P1/P2", "P1*2/P2"])
def test_odds_of_one_plant_against_two_are_those_of_all_genotypes(pedigree):
    calls = gametes(6)
    calls[0, 0], calls[1, 13], calls[2, 5] = 0, 1, -1
    lot, analysis = small_lot(calls, pedigree=pedigree)
    model = next(m for m in analysis.models if m.family.donor == "D")
    rows = [lot.row[f"L{k}"] for k in range(6)]
    prior = []
    for one, two in analysis.learnt.strand_second[model.slots[list(model.donor_slots)]].T:
        of_f1 = (one + two) / 2
        sides = (of_f1, of_f1) if pedigree == "P1/P2//P1/P2" else (one, of_f1)
        a, b = sides
        prior.append([(1 - a) * (1 - b), a * (1 - b) + b * (1 - a), a * b])
    found = log_odds_of_one(analysis.learnt, np.array(rows), model)
    one, two = (of_some_plants(analysis.learnt, rows, prior, n) for n in (1, 2))
    np.testing.assert_allclose(found, np.log(one / two), atol=1e-9)


def test_nothing_seen_leaves_what_mendel_says(of_one):
    _, analysis = of_one
    none = plant_posterior(analysis.learnt, np.zeros(0, dtype=np.int64), None)
    np.testing.assert_allclose(none, np.tile([0.25, 0.5, 0.25], (N_MARKERS, 1)))


def test_the_strands_of_one_plant_carry_what_is_fixed_in_it_and_its_parents_stay(of_one):
    _, analysis = of_one
    learnt = analysis.learnt
    assert set(learnt.one_plant) == set(learnt.fixed_second) == {"D"}
    assert np.isfinite(learnt.fixed_second["D"]).tolist() == FIXED.tolist()
    model = next(m for m in analysis.models if m.family.donor == "D")
    strands, plain = learnt.family_strands(model), learnt.strand_second[model.slots]
    for slot in model.donor_slots:
        np.testing.assert_allclose(strands[slot, FIXED], np.where(SECOND, 0.995, 0.005)[FIXED])
        np.testing.assert_array_equal(strands[slot, ~FIXED], plain[slot, ~FIXED])
    parents = strands[list(model.shape.parents)]
    assert (np.ptp(parents, axis=0) > 0.9).all(), "its parents still differ where it is fixed"
    genotype = learnt.donor_genotype(model, None)[model.shape.plant]
    assert genotype.argmax(axis=1).tolist() == np.where(FIXED, 2 * SECOND, 1).tolist()
    other = next(m for m in analysis.models if m.family.donor == "E")
    assert other.shape.parents == ()
    assert learnt.donor_genotype(other, None) == {}
    np.testing.assert_array_equal(learnt.family_strands(other), learnt.strand_second[other.slots])


def test_what_is_fixed_in_their_plant_says_nothing_of_two_lines(of_one):
    lot, analysis = of_one
    alike, apart = PairComparison(lot, analysis).compare([("L0", "L1"), ("E0", "E1")])
    assert alike.compared == (~FIXED).sum()
    assert apart.compared == N_MARKERS


def test_lines_of_several_plants_have_no_one_plant():
    _, analysis = small_lot(inherited(np.random.default_rng(6), 12))
    assert analysis.learnt.one_plant == {}
    assert all(model.shape.parents == () for model in analysis.models)


# simulated programmes

QUIET = {"n_donors": 2, "hybrid_share": 0.08, "n_markers": 300, "has_plates": False}
UNTYPED = ("parents", "inducers")


def plants_taken(donor_type, donor_plants, seeds):
    """Donors whose lines are taken for those of one plant, and donors."""
    taken = n_donors = 0
    for seed in seeds:
        lot = plate_lots.plate_lot(
            seed=seed, donor_type=donor_type, donor_plants=donor_plants, lines_per_donor=32, typed=UNTYPED, **QUIET
        )
        analysis = analyse(lot.lot(), lot.sheet)
        taken += len(analysis.learnt.one_plant)
        n_donors += len({model.family.donor for model in analysis.models})
    return taken, n_donors


@pytest.mark.parametrize("donor_type", ["F2", "BC1"])
def test_one_plant_is_told_from_several(donor_type):
    """A marker fixed in all but one plant of a backcross is seen in few lines, and is not fixed."""
    taken, n_donors = plants_taken(donor_type, 1, (1, 2, 3))
    assert n_donors == 6
    assert taken >= 4, "a quarter of what the parents differ in has to be fixed in it"
    for donor_plants in (2, 4):
        assert plants_taken(donor_type, donor_plants, (1, 2, 3, 4))[0] == 0


@pytest.mark.parametrize("donor_type", ["F2", "BC1"])
def test_a_line_of_a_sister_plant_is_of_another_donor(donor_type):
    """Two plants of one cross, a row each: one line of every row stands under the other."""
    named, parents, n_known = [], [], 0
    for seed in (1, 2, 3):
        lot = plate_lots.plate_lot(
            seed=seed,
            donor_type=donor_type,
            donor_plants=2,
            donor_rows="plant",
            lines_per_donor=40,
            parent_share=0.05,
            **QUIET,
        )
        clean = [s for s in lot.sheet.lines if lot.truth[s.name]["finding"] == "haploid"]
        first = {s.donor: s.name for s in reversed(clean)}
        assert len(first) == 4
        true = {name: donor for donor, name in first.items()}
        other = {donor: f"{donor[:-1]}{3 - int(donor[-1])}" for donor in first}
        moved = {name.replace("-", "_"): {"donor": other[donor]} for name, donor in true.items()}
        _, analysis, evidence = lot.with_samples(**moved).analysed()
        n_known += len(analysis.learnt.one_plant)
        for name, donor in true.items():
            named.append((evidence[name].finding.value, evidence[name].best_donor) == ("other donor", donor))
        parents += [
            known.finding.value == "parent"
            for name, known in evidence.items()
            if lot.truth[name]["finding"] == "parent"
        ]
    assert len(named) == 12
    assert n_known >= 9
    assert np.mean(named) >= 0.9
    assert len(parents) >= 6
    assert np.mean(parents) >= 0.8
