"""Leaks: which well received whose DNA, and how much of it."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import plate_lots
import pytest

from dhverify.chained_leaks import with_chains
from dhverify.intervals import clopper_pearson
from dhverify.leaks import find_leaks
from dhverify.outcome import Finding
from dhverify.plate_layout import place_of
from dhverify.samples import Role

LOT = {"n_donors": 3, "lines_per_donor": 30, "n_markers": 800}
BULKS = {
    "hybrid_share": 0.15,
    "unselfed_hybrid_share": 0.15,
    "mixture_share": 0.1,
    "outcross_share": 0.05,
    "leaks": 5,
    "leak_low": 0.2,
}


def leaks_of(lot):
    assembled, analysis, evidence = lot.analysed()
    return find_leaks(assembled, analysis, with_chains(assembled, analysis, evidence))


def planted(lot):
    return {
        name: (row["contaminant"], float(row["contaminant_share"]))
        for name, row in lot.truth.items()
        if row["contaminant"]
    }


def answers(seeds, **settings):
    """Planted and found leaks into lines: (share, named right, share told or None), and wells called for nothing."""
    told, false, clean = [], 0, 0
    for seed in seeds:
        lot = plate_lots.plate_lot(seed=seed, **{**LOT, **settings})
        wanted, found = planted(lot), leaks_of(lot)
        for name, (source, share) in wanted.items():
            leak = found.get(name)
            told.append((share, leak is not None and leak.source == source, leak.share if leak else None))
        others = [s.name for s in lot.sheet if s.well and s.role is not Role.BLANK and s.name not in wanted]
        false += sum(name in found for name in others)
        clean += len(others)
    return told, false, clean


def can_be_told(share, settings):
    """Whether the share of a leak can be told: calls still hide a third of it up to .22, reads tell any."""
    return settings.get("platform") == "reads" or share <= 0.22


@pytest.mark.parametrize(
    ("settings", "lowest"),
    [
        ({}, 0.2),
        ({"stage": "D1"}, 0.2),
        ({"platform": "reads", "depth": 4.0}, 0.1),
        ({"platform": "reads", "depth": 8.0, "stage": "D1"}, 0.1),
    ],
)
def test_leaks_into_lines_are_named_with_their_share(settings, lowest):
    told, false, _ = answers((1, 2), leaks=6, leak_low=lowest, leak_high=0.4, **settings)
    assert len(told) >= 8
    assert np.mean([right for _, right, _ in told]) >= 0.95
    assert all(abs(share - own) <= 0.1 for own, right, share in told if right and share is not None)
    able = [share is not None for own, right, share in told if right and can_be_told(own, settings)]
    assert all(able)
    assert false == 0


@pytest.mark.parametrize(("low", "high", "least", "most"), [(0.2, 0.22, 0.8, 1.0), (0.36, 0.45, 0.0, 0.0)])
def test_calls_tell_the_share_only_while_they_hide_some_of_it(low, high, least, most):
    told, _, _ = answers((3,), leaks=8, leak_low=low, leak_high=high)
    named = [share is not None for _, right, share in told if right]
    assert len(named) >= 6
    assert least <= np.mean(named) <= most


@pytest.mark.accuracy
@pytest.mark.parametrize(
    ("settings", "lowest"), [({}, 0.2), ({"stage": "D1"}, 0.2), ({"platform": "reads", "depth": 4.0}, 0.1)]
)
def test_recall_and_precision_of_leaks(settings, lowest, record_property):
    told, false, clean = answers(range(20, 32), leaks=10, leak_low=lowest, leak_high=0.45, **settings)
    n_right = sum(right for _, right, _ in told)
    near = [abs(share - own) <= 0.1 for own, right, share in told if right and share is not None]
    able = [share is not None for own, right, share in told if right and can_be_told(own, settings)]
    low, high = clopper_pearson(n_right, len(told))
    text = (
        f"{n_right} of {len(told)} named ({low:.3f} to {high:.3f}); share told {len(near)}, within .10 {sum(near)};"
        f" of {len(able)} that can be told {sum(able)}; called for nothing {false} of {clean}"
    )
    record_property("leaks", text)
    print(settings, text)  # noqa: T201
    assert n_right / len(told) >= 0.95
    assert np.mean(near) >= 0.95
    assert np.mean(able) >= 0.9
    assert false <= 0.002 * clean


# references, hybrids, controls


@pytest.fixture(scope="module")
def parts(clean):
    return clean.analysed()


@pytest.fixture(scope="module")
def clean():
    return plate_lots.plate_lot(seed=5, hybrid_share=0.2, known_lines=3, **LOT)


def beside(lot, name):
    """A clean line, not of the sample's own family, in a well that touches the sample's if there is one."""
    able = [s for s in lot.sheet.lines if lot.truth[s.name]["finding"] == "haploid" and s.donor != name]
    same = [s for s in able if s.plate == lot.sheet[name].plate]
    near = [s for s in same if _touch(lot, name, s.name)]
    return (near or same or able)[0].name


SHOWS = {
    "from a fifth on": lambda rarer, rng: rarer > rng.normal(0.2, 0.03, len(rarer)),
    "from an eighth on": lambda rarer, _: rarer > 0.125,
    "more and more": lambda rarer, rng: rng.random(len(rarer)) < np.clip((rarer - 0.1) / 0.2, 0, 1),
}
"""What different arrays make of the rarer allele."""


def leaked(lot, name, source, share=0.3, seed=1, shows=SHOWS["from a fifth on"]):
    """Array calls of a sample with a share of another's DNA: heterozygous where the rarer allele shows."""
    own, other = lot.calls_of(name), lot.calls_of(source)
    second = (1 - share) * own / 2 + share * other / 2
    rng = np.random.default_rng(seed)
    rarer = np.minimum(second, 1 - second)
    seen = np.where(shows(rarer, rng), 1, np.where(second > 0.5, 2, 0))
    seen = np.where((own < 0) | (other < 0), -1, seen)
    return lot.with_calls(name, seen.astype(np.int8))


def test_bulks_of_several_plants_beside_leaks_are_judged_and_received_nothing_as_hybrids():
    """A sample of five plants is no one hybrid: no leak is looked for in it as if it were."""
    lot = plate_lots.plate_lot(
        seed=2, stage="D1", plants_per_sample=5, n_donors=2, lines_per_donor=30, n_markers=400, **BULKS
    )
    assembled, analysis, evidence = lot.analysed()
    assert {s.plants for s in lot.sheet.lines} == {5}
    found = find_leaks(assembled, analysis, with_chains(assembled, analysis, evidence))
    odd = {Finding.MIXTURE, Finding.HYBRID, Finding.SELFED_HYBRID, Finding.OUTCROSS}
    assert sum(known.finding in odd for known in evidence.values()) >= 8
    lines = {s.name for s in lot.sheet.lines}
    assert {name for name in found if name in lines} <= {
        name for name, known in evidence.items() if known.finding is Finding.MIXTURE
    }
    clean = next(name for name, known in evidence.items() if known.finding is Finding.DOUBLED_HAPLOID)
    called = replace(evidence[clean], finding=Finding.HYBRID)
    assert clean not in find_leaks(assembled, analysis, {**evidence, clean: called})


@pytest.mark.parametrize("role", [Role.PARENT, Role.DONOR, Role.KNOWN])
def test_a_leak_into_a_reference_is_found(clean, role):
    name = next(s.name for s in clean.sheet if s.role is role)
    source = beside(clean, name)
    found = leaks_of(leaked(clean, name, source))
    assert found[name].source == source
    assert found[name].is_near == (clean.sheet[source].plate == clean.sheet[name].plate and _touch(clean, name, source))


def _touch(lot, name, source):
    (r1, c1), (r2, c2) = (place_of(lot.sheet[n].well) for n in (name, source))
    return max(abs(r1 - r2), abs(c1 - c2)) == 1


@pytest.mark.parametrize("shows", SHOWS)
def test_leaks_are_named_whatever_an_array_makes_of_the_rarer_allele(clean, shows):
    lines = [s.name for s in clean.sheet.lines if clean.truth[s.name]["finding"] == "haploid"]
    leaks = dict(zip(lines[1::10], lines[0::10], strict=False))
    lot = clean
    for number, (name, source) in enumerate(leaks.items()):
        lot = leaked(lot, name, source, share=0.25 + 0.02 * number, seed=number, shows=SHOWS[shows])
    found = leaks_of(lot)
    assert len(leaks) >= 6
    assert {name: leak.source for name, leak in found.items()} == leaks


def test_a_copy_of_a_known_line_did_not_leak_into_it():
    """At 2 reads a marker half of a genotype goes unseen, and its copy fills in what was not read."""
    lot = plate_lots.plate_lot(
        seed=0, stage="D1", platform="reads", depth=2.0, known_lines=3, known_copies=3, duplicate_share=0.08, **LOT
    )
    known = {sample.name for sample in lot.sheet.with_role(Role.KNOWN)}
    assert known & {row["copy_of"] for row in lot.truth.values()}
    assert not known & set(leaks_of(lot))


def test_hybrids_received_nothing_where_no_marker_has_a_place():
    lot = plate_lots.plate_lot(seed=1, unplaced_share=1.0, hybrid_share=0.2, **LOT)
    assert leaks_of(lot) == {}


def test_a_leak_into_an_inducer_leaves_the_lines_alone(clean):
    name = next(s.name for s in clean.sheet if s.role is Role.INDUCER)
    found = leaks_of(leaked(clean, name, beside(clean, name), share=0.22))
    assert set(found) <= {name}


def test_nothing_is_found_on_a_clean_plate(parts):
    assert find_leaks(*parts) == {}


def test_a_leak_into_a_hybrid_of_another_family_is_found():
    lot = plate_lots.plate_lot(seed=7, platform="reads", depth=12.0, hybrid_share=0.2, **LOT)
    hybrid = next(s.name for s in lot.sheet.lines if lot.truth[s.name]["finding"] == "hybrid")
    source = next(
        s.name
        for s in lot.sheet.lines
        if lot.truth[s.name]["finding"] == "haploid" and s.donor != lot.sheet[hybrid].donor
    )
    index = lot.genotypes.sample_index()
    depths = lot.genotypes.depths.copy()
    rng = np.random.default_rng(3)
    kept = rng.binomial(depths[index[hybrid]], 0.7)
    added = rng.binomial(depths[index[source]], 0.3)
    depths[index[hybrid]] = kept + added
    lot = replace(lot, genotypes=replace(lot.genotypes, depths=depths))
    found = leaks_of(lot)
    assert set(found) == {hybrid}
    assert found[hybrid].source == source
    assert found[hybrid].share == pytest.approx(0.3, abs=0.1)


def test_mixtures_among_the_findings_are_taken_over(clean, parts):
    assembled, analysis, evidence = parts
    one, other = (s.name for s in clean.sheet.lines[:2])
    mixed = replace(evidence[one], finding=Finding.MIXTURE, contaminant=other, contaminant_share=0.3)
    (leak,) = find_leaks(assembled, analysis, {**evidence, one: mixed}).values()
    assert (leak.sample, leak.source, leak.share) == (one, other, 0.3)
    unknown = replace(mixed, contaminant="a stranger")
    assert find_leaks(assembled, analysis, {**evidence, one: unknown}) == {}


def test_nothing_is_told_of_samples_that_wait_for_a_layout(clean):
    name = next(s.name for s in clean.sheet if s.role is Role.PARENT)
    lot = leaked(clean, name, beside(clean, name))
    parts = lot.analysed()
    (leak,) = find_leaks(*parts).values()
    assert find_leaks(*parts, unsettled=frozenset({leak.sample})) == {}
    assert find_leaks(*parts, unsettled=frozenset({leak.source})) == {}


def test_a_lot_without_wells_or_markers_has_no_leaks(clean, parts):
    bare = replace(clean, sheet=replace(clean.sheet, samples=tuple(replace(s, well="") for s in clean.sheet)))
    assert leaks_of(bare) == {}
    assembled, analysis, evidence = parts
    blind = replace(assembled, seen=replace(assembled.seen, calls=assembled.seen.calls[:, :0], depths=None))
    assert find_leaks(blind, analysis, evidence) == {}


def test_in_a_large_lot_sources_are_looked_for_on_the_same_plate(clean, monkeypatch):
    name = next(s.name for s in clean.sheet if s.role is Role.PARENT)
    source = beside(clean, name)
    monkeypatch.setattr("dhverify.leaks.MOST_SAMPLES", 10)
    lot = leaked(clean, name, source)
    assert leaks_of(lot)[name].source == source
    apart = lot.with_samples(**{source.replace("-", "_"): {"plate": "elsewhere"}})
    found = leaks_of(apart)
    assert name not in found or found[name].source != source


# wells that received DNA and passed their own on


def test_the_gamete_that_stood_in_a_well_first_is_found_in_its_neighbour():
    lot = plate_lots.plate_lot(seed=20, leaks=10, leak_low=0.2, leak_high=0.45, **LOT)
    assembled, analysis, evidence = lot.analysed()
    found = with_chains(assembled, analysis, evidence)
    wanted = planted(lot)
    changed = {name for name in evidence if found[name] is not evidence[name]}
    assert changed
    for name in changed:
        assert evidence[name].finding is Finding.SELFED_DONOR
        assert found[name].finding is Finding.MIXTURE
        assert found[name].contaminant == wanted[name][0]
        assert wanted[name][0] in wanted  # which holds another's DNA itself
        assert sum(found[name].posterior.values()) == pytest.approx(1)


@pytest.mark.parametrize("settings", [{}, {"platform": "reads", "depth": 4.0}])
def test_true_selfed_donors_beside_mixtures_stay_what_they_are(settings):
    lot = plate_lots.plate_lot(
        seed=3,
        outcross_share=0.1,
        selfed_donor_share=0.25,
        leaks=10,
        leak_low=0.2,
        leak_high=0.4,
        **{**LOT, **settings},
    )
    assembled, analysis, evidence = lot.analysed()
    found = with_chains(assembled, analysis, evidence)
    wanted = planted(lot)
    changed = {name for name in evidence if found[name] is not evidence[name]}
    assert all(name in wanted and found[name].contaminant == wanted[name][0] for name in changed)
    n_selfed = sum(row["finding"] == "selfed donor" for row in lot.truth.values())
    assert n_selfed > 15


def test_lines_that_were_not_judged_are_left_alone(clean, parts):
    assembled, analysis, evidence = parts
    one, other = (s.name for s in clean.sheet.lines[:2])
    odd = {
        **evidence,
        one: replace(evidence[one], finding=Finding.MIXTURE, contaminant="a stranger"),
        other: replace(evidence[other], finding=Finding.SELFED_DONOR),
    }
    assert with_chains(assembled, analysis, odd) == odd


@pytest.mark.parametrize(("settings", "least"), [({}, 0.5), ({"platform": "reads", "depth": 4.0}, 0.95)])
def test_two_wells_that_leaked_into_each_other(settings, least):
    """In calls the two look like one heterozygous plant, and stay that where nothing tells them apart."""
    lot = plate_lots.plate_lot(seed=3, **{**LOT, **settings})
    lines = [s.name for s in lot.sheet.lines if lot.truth[s.name]["finding"] == "haploid"]
    pairs = [(one, two) for one, two in pairwise(lines) if _beside(lot, one, two)][::6][:6]
    for number, (one, two) in enumerate(pairs):
        shares = (0.25 + 0.03 * number, 0.35)
        lot = both_leaked(lot, one, two, shares, seed=number)
    assembled, analysis, evidence = lot.analysed()
    found = with_chains(assembled, analysis, evidence)
    named = [found[a].contaminant == b for one, two in pairs for a, b in ((one, two), (two, one))]
    assert len(named) >= 10
    assert np.mean(named) >= least
    assert not any(found[name].finding is lot.truth[name]["finding"] for pair in pairs for name in pair)
    wells = {name for pair in pairs for name in pair}
    assert all(known.finding is not Finding.MIXTURE for name, known in found.items() if name not in wells)


def both_leaked(lot, one, two, shares, seed):
    """A lot in which two samples hold a share of each other's DNA."""
    if lot.genotypes.depths is None:
        first, second = leaked(lot, one, two, shares[0], seed), leaked(lot, two, one, shares[1], seed + 100)
        return first.with_calls(two, second.calls_of(two))
    index, rng = lot.genotypes.sample_index(), np.random.default_rng(seed)
    depths, calls = lot.genotypes.depths.copy(), lot.genotypes.calls.copy()
    for name, other, share in ((one, two, shares[0]), (two, one, shares[1])):
        mine, its = (lot.genotypes.depths[index[n]] for n in (name, other))
        n_its = rng.binomial(mine.sum(axis=1), share)
        of_second = np.clip(np.maximum(its[:, 1], 0.003) / np.maximum(its.sum(axis=1), 0.006), 0.003, 0.997)
        kept = np.array(
            [
                rng.hypergeometric(*pair[::-1], total - n)
                for pair, total, n in zip(mine, mine.sum(1), n_its, strict=True)
            ]
        )
        second_reads = kept + rng.binomial(n_its, of_second)
        depths[index[name]] = np.stack([mine.sum(axis=1) - second_reads, second_reads], axis=1)
        read = depths[index[name]]
        calls[index[name]] = np.where(
            read.sum(axis=1) == 0, -1, (read[:, 1] > 0) * 1 + ((read[:, 0] == 0) & (read[:, 1] > 0))
        )
    return replace(lot, genotypes=replace(lot.genotypes, calls=calls, depths=depths))


def _beside(lot, one, two):
    return lot.sheet[one].plate == lot.sheet[two].plate and _touch(lot, one, two)
