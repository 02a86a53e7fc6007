"""Leaks: which well received whose DNA, and how much of it."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from dhverify.intervals import clopper_pearson
from dhverify.leaks import find_leaks
from dhverify.outcome import Finding
from dhverify.plate_layout import place_of
from dhverify.samples import Role

_SPEC = importlib.util.spec_from_file_location("plate_lots", Path(__file__).with_name("plate_lots.py"))
plate_lots = importlib.util.module_from_spec(_SPEC)
sys.modules["plate_lots"] = plate_lots
_SPEC.loader.exec_module(plate_lots)

LOT = {"n_donors": 3, "lines_per_donor": 30, "n_markers": 800}


def leaks_of(lot):
    assembled, analysis, evidence = lot.analysed()
    return find_leaks(assembled, analysis, evidence)


def planted(lot):
    return {
        name: (row["contaminant"], float(row["contaminant_share"]))
        for name, row in lot.truth.items()
        if row["contaminant"]
    }


def answers(seeds, *, with_chains=False, **settings):
    """Planted and found leaks into lines: (share, named right, share told or None), and wells called for nothing."""
    told, false, clean = [], 0, 0
    for seed in seeds:
        lot = plate_lots.plate_lot(seed=seed, **{**LOT, **settings})
        wanted, found = planted(lot), leaks_of(lot)
        for name, (source, share) in wanted.items():
            if source in wanted and not with_chains:  # what stands in the source's well is not what leaked
                continue
            leak = found.get(name)
            told.append((share, leak is not None and leak.source == source, leak.share if leak else None))
        others = [s.name for s in lot.sheet if s.well and s.role is not Role.BLANK and s.name not in wanted]
        false += sum(name in found for name in others)
        clean += len(others)
    return told, false, clean


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
    assert false == 0


@pytest.mark.accuracy
@pytest.mark.parametrize(
    ("settings", "lowest"), [({}, 0.2), ({"stage": "D1"}, 0.2), ({"platform": "reads", "depth": 4.0}, 0.1)]
)
def test_recall_and_precision_of_leaks(settings, lowest, record_property):
    told, false, clean = answers(range(20, 32), with_chains=True, leaks=10, leak_low=lowest, leak_high=0.45, **settings)
    n_right = sum(right for _, right, _ in told)
    near = [abs(share - own) <= 0.1 for own, right, share in told if right and share is not None]
    low, high = clopper_pearson(n_right, len(told))
    text = (
        f"{n_right} of {len(told)} named ({low:.3f} to {high:.3f}); share told {len(near)}, within .10 {sum(near)};"
        f" called for nothing {false} of {clean}"
    )
    record_property("leaks", text)
    print(settings, text)  # noqa: T201
    assert n_right / len(told) >= 0.95
    assert np.mean(near) >= 0.95
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


def leaked(lot, name, source, share=0.3, seed=1):
    """Array calls of a sample with a share of another's DNA: heterozygous where the rarer allele shows."""
    own, other = lot.calls_of(name), lot.calls_of(source)
    second = (1 - share) * own / 2 + share * other / 2
    rng = np.random.default_rng(seed)
    rarer = np.minimum(second, 1 - second)
    seen = np.where(rarer > rng.normal(0.2, 0.03, len(own)), 1, np.where(second > 0.5, 2, 0))
    seen = np.where((own < 0) | (other < 0), -1, seen)
    return lot.with_calls(name, seen.astype(np.int8))


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


def test_on_a_moved_plate_only_mixtures_are_told(clean):
    name = next(s.name for s in clean.sheet if s.role is Role.PARENT)
    lot = leaked(clean, name, beside(clean, name))
    plates = frozenset(s.plate for s in lot.sheet)
    assert find_leaks(*lot.analysed(), moved=plates) == {}


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
