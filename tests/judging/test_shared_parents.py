"""Untyped parents that several donors share: their chromosome sets agree across families, or are taken apart."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from dhverify.checking import run_check
from dhverify.family_models import build_families
from dhverify.marker_grid import lay_out
from dhverify.outcome import Finding, Verdict
from dhverify.pedigree import founders, parse_pedigree
from dhverify.samples import Family, Role, SampleSheet
from dhverify.shared_parents import PhasedDonor, contradicting, joined, oriented

N_CHROMOSOMES, N_PER = 4, 40
HUB = ((0, 1), (0, 2), (0, 3), (4, 0))
CHAIN = ((0, 1), (2, 1), (2, 3), (3, 4))
RING = ((0, 1), (1, 2), (0, 2))


def grid_of(n_loose=0):
    chrom = np.array([*np.repeat([str(k + 1) for k in range(N_CHROMOSOMES)], N_PER), *[""] * n_loose])
    cm = np.array([*np.tile(np.arange(N_PER) * 3.0, N_CHROMOSOMES), *[np.nan] * n_loose])
    return lay_out(chrom, cm)


def inbreds(rng, n_markers, n=5):
    """Alleles of inbreds that differ pairwise at about a third of the markers."""
    return np.where(rng.random((n, n_markers)) < 0.2, 1, 0) ^ rng.integers(0, 2, n_markers)


def sets_of(parents, pair):
    """The two sets as phasing gives them, in the order of the parents."""
    first, second = parents[list(pair)]
    low, high = np.where(first == second, 0.01, 0.03), np.where(first == second, 0.99, 0.97)
    return np.array([np.where(first == 1, high, low), np.where(second == 1, high, low)])


def turned(rng, sets, grid):
    """Sets in an order of their own on every chromosome, and at every marker without a place."""
    found = sets.copy()
    for chain, chrom in enumerate(grid.chain_chrom):
        markers = grid.marker[:, chain][grid.marker[:, chain] >= 0]
        for part in [markers] if chrom else markers[:, None]:
            if rng.random() < 0.5:
                found[:, part] = sets[::-1, part]
    return found


def donors_of(rng, parents, pairs, grid):
    return [
        PhasedDonor(name=f"D{k}", strands=pair, second=turned(rng, sets_of(parents, pair), grid))
        for k, pair in enumerate(pairs)
    ]


def unknown(n_strands, n_markers):
    return np.full((n_strands, n_markers), 0.5)


@pytest.mark.parametrize("pairs", [HUB, CHAIN, RING])
@pytest.mark.parametrize("seed", range(6))
def test_every_set_is_given_to_its_own_parent(pairs, seed):
    rng = np.random.default_rng(seed)
    grid = grid_of(n_loose=20)
    parents = inbreds(rng, grid.n_markers)
    donors = donors_of(rng, parents, pairs, grid)
    known = unknown(5, grid.n_markers)
    placed = np.isfinite(grid.cm)
    for pair, found in zip(pairs, oriented(donors, known, grid), strict=True):
        np.testing.assert_array_equal(found[:, placed], sets_of(parents, pair)[:, placed])
    assert contradicting(donors, known, grid) == []


def agreeing(donors, turns, markers):
    """Markers that agree less those that do not, over all pairs of donors that share a parent, counted one by one."""
    total = 0.0
    for f, g in product(range(len(donors)), repeat=2):
        for side, other in product(range(2), repeat=2):
            if f < g and donors[f].strands[side] == donors[g].strands[other]:
                one = donors[f].second[side ^ turns[f]][markers]
                two = donors[g].second[other ^ turns[g]][markers]
                total += float(((2 * one - 1) * (2 * two - 1)).sum())
    return total


@pytest.mark.parametrize("seed", range(5))
def test_no_other_way_to_turn_the_sets_agrees_better(seed):
    rng = np.random.default_rng(100 + seed)
    grid = lay_out(np.repeat("1", N_PER), np.arange(N_PER) * 3.0)
    parents = inbreds(rng, N_PER)
    donors = [
        replace(d, second=np.where(rng.random(d.second.shape) < 0.05, 1 - d.second, d.second))
        for d in donors_of(rng, parents, HUB, grid)
    ]
    found = oriented(donors, unknown(5, N_PER), grid)
    turns = [int(not np.array_equal(f, d.second)) for f, d in zip(found, donors, strict=True)]
    best = max(agreeing(donors, way, np.arange(N_PER)) for way in product(range(2), repeat=len(donors)))
    assert agreeing(donors, turns, np.arange(N_PER)) == pytest.approx(best)


def test_a_parent_known_from_another_family_decides_alone():
    rng = np.random.default_rng(7)
    grid = grid_of()
    parents = inbreds(rng, grid.n_markers)
    donors = donors_of(rng, parents, [(0, 1)], grid)
    known = unknown(2, grid.n_markers)
    known[1] = np.where(parents[1] == 1, 0.95, 0.05)
    known[1, ::3] = 0.5
    (found,) = oriented(donors, known, grid)
    np.testing.assert_array_equal(found, sets_of(parents, (0, 1)))


def test_a_donor_that_shares_no_parent_keeps_its_sets():
    rng = np.random.default_rng(8)
    grid = grid_of()
    donors = donors_of(rng, inbreds(rng, grid.n_markers), [(0, 1), (2, 3)], grid)
    known = unknown(4, grid.n_markers)
    found = oriented(donors, known, grid)
    strands = joined(donors, found, known)
    for donor, sets in zip(donors, found, strict=True):
        np.testing.assert_array_equal(sets, donor.second)
        for strand, second in zip(donor.strands, sets, strict=True):
            np.testing.assert_allclose(strands[strand], second)


def test_families_that_agree_make_a_strand_surer_and_those_that_do_not_leave_it_open():
    grid = lay_out(np.repeat("1", 3), np.arange(3) * 3.0)
    one = PhasedDonor(name="X", strands=(0, 1), second=np.array([[0.8, 0.2, 0.97], [0.2, 0.2, 0.03]]))
    two = PhasedDonor(name="Y", strands=(0, 2), second=np.array([[0.8, 0.8, 0.97], [0.2, 0.8, 0.97]]))
    known = unknown(3, grid.n_markers)
    told = joined([one, two], [one.second, two.second], known)
    np.testing.assert_allclose(told[0][:2], [16 / 17, 0.5])
    assert 0.97 < told[0][2] <= 0.991
    np.testing.assert_allclose(told[2], two.second[1])


def test_a_donor_of_other_parents_is_found_and_no_other():
    rng = np.random.default_rng(9)
    grid = grid_of()
    parents = inbreds(rng, grid.n_markers, 7)
    donors = donors_of(rng, parents, HUB, grid)
    stranger = donors_of(rng, parents, [(5, 6)], grid)[0]
    wrong = [*donors, PhasedDonor(name="wrong", strands=(2, 0), second=stranger.second)]
    assert contradicting(wrong, unknown(5, grid.n_markers), grid) == [len(donors)]


def test_a_donor_apart_is_two_chromosome_sets_of_its_own(simulated):
    _, _, sheet = simulated(n_donors=2, lines_per_donor=4, parent_sharing="common")
    first, second = (sample.name for sample in sheet.with_role(Role.DONOR))
    inducer = sheet.with_role(Role.INDUCER)[0].name
    families = [(Family(donor=name, inducer=inducer), False) for name in (first, second)]
    registry, models = build_families(sheet, families, {inducer: 0.0}, apart=frozenset([second]))
    assert not any(registry.infos[int(slot)].is_anonymous for slot in models[0].slots)
    assert [registry.infos[int(slot)].is_anonymous for slot in models[1].slots] == [True, True, False]
    assert "other donors show other alleles of its parents" in models[1].basis
    assert "other alleles" not in models[0].basis


FAULTS = {
    "hybrid_share": 0.08,
    "selfed_donor_share": 0.06,
    "donor_share": 0.04,
    "parent_share": 0.04,
    "outcross_share": 0.03,
}


def without_references(genotypes, sheet, roles):
    kept = [k for k, name in enumerate(genotypes.samples) if sheet[str(name)].role not in roles]
    return replace(
        genotypes, samples=genotypes.samples[kept], calls=genotypes.calls[kept], half_calls=genotypes.half_calls[kept]
    )


def segregating_share(programme, sheet, outcome, donor):
    """Markers seen as segregating in a family, of those at which its parents differ."""
    is_usable = np.array([row.usable for row in outcome.markers])
    row = {str(name): k for k, name in enumerate(programme.samples)}
    parents = programme.fraction[[row[name] for name in founders(parse_pedigree(sheet[donor].pedigree))]]
    seen = next(d.segregating_markers for d in outcome.donors if d.donor == donor)
    return seen / int(((parents[0] != parents[1]) & is_usable).sum())


@pytest.mark.parametrize(
    ("sharing", "untyped"),
    [("common", (Role.PARENT, Role.DONOR)), ("chain", (Role.PARENT,))],
    ids=["common, nothing typed", "chain, donors typed"],
)
def test_donors_that_share_untyped_parents_are_judged_as_well_as_alone(simulated, sharing, untyped):
    programme, genotypes, sheet = simulated(
        seed=3, stage="haploid", n_donors=4, lines_per_donor=32, n_markers=600, parent_sharing=sharing, **FAULTS
    )
    outcome = run_check(without_references(genotypes, sheet, untyped), sheet)
    truth = {row["sample"]: row["finding"] for row in programme.truth}
    assert not [x.sample for x in outcome.lines if x.verdict is Verdict.PASS and x.finding.value != truth[x.sample]]
    wrong = [x.sample for x in outcome.lines if x.finding.value != truth[x.sample]]
    assert len(wrong) <= 1
    for donor in sheet.with_role(Role.DONOR):
        assert segregating_share(programme, sheet, outcome, donor.name) > 0.95


def test_a_pedigree_that_is_not_the_donors_spoils_no_family(simulated):
    programme, genotypes, sheet = simulated(
        seed=5, stage="haploid", n_donors=4, lines_per_donor=32, n_markers=600, parent_sharing="common", **FAULTS
    )
    first, second, *_ = (sample.name for sample in sheet.with_role(Role.DONOR))
    told = f"{founders(parse_pedigree(sheet[first].pedigree))[1]}/Nobody"
    rows = tuple(replace(s, pedigree=told) if s.name == second else s for s in sheet)
    misled = replace(sheet, samples=rows)
    assert isinstance(misled, SampleSheet)
    outcome = run_check(without_references(genotypes, sheet, (Role.PARENT, Role.DONOR)), misled)
    truth = {row["sample"]: row["finding"] for row in programme.truth}
    good = [x for x in outcome.lines if truth[x.sample] == Finding.HAPLOID.value]
    assert all(x.finding is Finding.HAPLOID for x in good)
    assert "other donors show other alleles of its parents" in next(
        d.basis for d in outcome.donors if d.donor == second
    )
    for donor in sheet.with_role(Role.DONOR):
        assert segregating_share(programme, sheet, outcome, donor.name) > 0.93
