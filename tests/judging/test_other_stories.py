"""Stories of a line that its family alone does not tell: foreign stretches, sisters, one cross in two rows, bulks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from dhverify.alternatives import are_apart
from dhverify.checking import run_check
from dhverify.findings_table import FamilyShape, candidates
from dhverify.genotypes import MISSING
from dhverify.outcome import Answer, Finding, Flag, Verdict
from dhverify.samples import Role

QUIET = {"hybrid_share": 0.05, "n_donors": 2, "lines_per_donor": 25}


def truth_of(programme):
    return {row["sample"]: row for row in programme.truth}


def put(genotypes, name, calls):
    table = genotypes.calls.copy()
    table[genotypes.sample_index()[name]] = calls
    return replace(genotypes, calls=table)


def test_a_line_with_foreign_stretches_does_not_pass(simulated):
    """Two chromosomes of an inbred that is nobody's parent: found, counted in the share, and a retest."""
    programme, genotypes, sheet = simulated(seed=6, stage="D1", n_markers=800, **QUIET)
    truth = truth_of(programme)
    name = next(n for n, row in truth.items() if row["finding"] == "doubled haploid" and not row["segments"])
    rows = genotypes.sample_index()
    calls = genotypes.calls[rows[name]].copy()
    is_there = np.isin(genotypes.markers.chrom.astype(str), ("2", "3"))
    calls[is_there] = np.where(
        calls[is_there] == MISSING, MISSING, 2 * np.random.default_rng(1).integers(0, 2, is_there.sum())
    )
    outcome = run_check(put(genotypes, name, calls), sheet)
    line = next(x for x in outcome.lines if x.sample == name)
    assert line.verdict is not Verdict.PASS
    if line.finding is Finding.DOUBLED_HAPLOID:
        assert Flag.FOREIGN_ALLELES in line.flags
        assert {row.origin for row in outcome.segments if row.sample == name} == {"foreign"}
        assert line.foreign_share > 0.05
        assert line.inducer_share + line.donor_share + line.foreign_share == pytest.approx(1)
    assert not [row for row in outcome.segments if row.origin == "foreign" and row.sample != name]


def strands(rng, n=400):
    return (rng.random((2, n)) < 0.5).astype(float) * 0.98 + 0.01


def test_one_cross_in_two_rows_is_not_shown_to_differ():
    rng = np.random.default_rng(2)
    first, second = strands(rng), strands(rng)
    assert not are_apart(first, first[::-1])
    assert not are_apart(first, np.full_like(first, 0.5))
    assert are_apart(first, second)
    assert are_apart(first, np.vstack([first[0], second[0]])), "a parent in common"
    few = first.copy()
    few[:, :3] = 1 - few[:, :3]
    assert not are_apart(first, few)


def test_two_sisters_crossed_are_selfed_donor(simulated):
    """What two gametes of one three-way donor, of different plants, give is no outcross."""
    programme, genotypes, sheet = simulated(seed=8, stage="D1", donor_type="three-way", n_markers=700, **QUIET)
    truth, rows = truth_of(programme), genotypes.sample_index()
    clean = [n for n, row in truth.items() if row["finding"] == "doubled haploid" and not row["segments"]]
    donor_of = {s.name: s.donor for s in sheet}
    changed, made = genotypes, []
    for one, two in zip(clean[::4], clean[1::4], strict=False):
        if donor_of[one] != donor_of[two]:
            continue
        a, b = genotypes.calls[rows[one]], genotypes.calls[rows[two]]
        hybrid = np.where((a == MISSING) | (b == MISSING), MISSING, (a + b) // 2)
        changed = put(changed, one, np.where(np.isin(a, (0, 2)) & np.isin(b, (0, 2)), hybrid, MISSING))
        made.append((one, two))
    keep = np.array([str(n) not in {two for _, two in made} for n in changed.samples])
    without = replace(
        changed, samples=changed.samples[keep], calls=changed.calls[keep], half_calls=changed.half_calls[keep]
    )
    lines = {line.sample: line for line in run_check(without, sheet).lines}
    found = [lines[one].finding for one, _ in made]
    assert len(found) >= 6
    assert all(lines[one].verdict is not Verdict.PASS for one, _ in made)
    assert found.count(Finding.SELFED_DONOR) >= 0.8 * len(found), found


def test_a_bulk_of_selfed_progeny_mostly_looks_like_its_mother():
    shape = FamilyShape(donor=(0, 1), inducer=2, n_slots=3, has_plant=False, is_bulk=True)
    ways = {c.hypothesis.name: c for c in candidates(shape) if c.finding == Finding.SELFED_DONOR}
    weight = {name: c.d1_weight / sum(w.d1_weight for w in ways.values()) for name, c in ways.items()}
    assert weight["bulk of the selfed donor"] == pytest.approx(0.8)


def test_a_selfed_donor_plant_written_as_its_f1_is_told_how_to_be_written(simulated):
    programme, genotypes, sheet = simulated(
        seed=3, stage="haploid", donor_type="F2", donor_rows="plant", n_markers=500, **QUIET
    )
    assert programme.truth
    as_f1 = tuple(
        replace(s, pedigree=s.pedigree.split("//")[0]) if s.role is Role.DONOR and "//" in s.pedigree else s
        for s in sheet
    )
    typed = [s for s in as_f1 if s.role is Role.DONOR and s.name in genotypes.sample_index()]
    if not typed:
        pytest.skip("no donor plant was typed")
    rows = {row.sample: row for row in run_check(genotypes, replace(sheet, samples=as_f1)).references}
    told = [rows[s.name] for s in typed]
    assert all(row.agrees is not Answer.YES for row in told)
    assert len(told) >= 5
    for row, sample in zip(told, typed, strict=True):
        first, second = sample.pedigree.split("/")
        assert f"its pedigree is {first}/{second}//{first}/{second}" in row.reason


@pytest.mark.parametrize("platform", ["array", "reads"])
def test_two_samples_of_one_hybrid_are_no_leak(simulated, platform):
    """A hybrid that is typed twice explains itself as well as any share of itself does."""
    programme, genotypes, sheet = simulated(
        seed=5, stage="haploid", n_markers=300, platform=platform, depth=4.0, **{**QUIET, "hybrid_share": 0.2}
    )
    hybrids = [name for name, row in truth_of(programme).items() if row["finding"] == "hybrid"][:4]
    rows, n_samples = genotypes.sample_index(), len(genotypes.samples)
    again = np.array([rows[name] for name in hybrids])
    order = np.concatenate([np.arange(n_samples), again])
    twice = replace(
        genotypes,
        samples=np.concatenate([genotypes.samples, np.array([f"{name} again" for name in hybrids])]),
        calls=genotypes.calls[order],
        depths=None if genotypes.depths is None else genotypes.depths[order],
        half_calls=genotypes.half_calls[order],
    )
    by_name = {s.name: s for s in sheet}
    more = tuple(
        replace(by_name[name], name=f"{name} again", plate="P9", well=f"A{k + 1}") for k, name in enumerate(hybrids)
    )
    outcome = run_check(twice, replace(sheet, samples=(*sheet.samples, *more)))
    told = {row.sample: row.contaminant for row in outcome.wells}
    assert not [name for name in hybrids if told.get(name) or told.get(f"{name} again")]
