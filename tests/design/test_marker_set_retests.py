"""Settling the retests of a finished check: from end to end, and by hand."""

from __future__ import annotations

import itertools
from dataclasses import replace

import marker_set_material as material
import numpy as np
import pytest

import dhverify
from dhverify.design.marker_set import choose_marker_set
from dhverify.design.marker_set_request import MarkerSetRequest
from dhverify.design.marker_set_retests import Retests, UndecidedLine


def part_of(genotypes, markers):
    """Genotypes at some markers, by number."""
    names = ("name", "chrom", "pos_bp", "cm", "first_allele", "second_allele")
    here = replace(genotypes.markers, **{name: getattr(genotypes.markers, name)[markers] for name in names})
    return replace(genotypes, markers=here, calls=genotypes.calls[:, markers])


@pytest.fixture(scope="module")
def programme(tmp_path_factory):
    """Two donors of 60 lines at 300 markers."""

    def make(seed):
        folder = tmp_path_factory.mktemp("programme")
        dhverify.simulate(folder, n_donors=2, lines_per_donor=60, n_markers=300, seed=seed)
        sheet = dhverify.read_samples(folder / "samples.csv")
        return dhverify.read_genotypes([folder / "genotypes.vcf.gz"], sheet=sheet), sheet

    return make


@pytest.mark.parametrize(("n_first", "seed"), [(6, 3), (9, 5), (12, 3)])
def test_lines_are_settled_by_the_markers_that_were_promised(programme, tmp_path, n_first, seed):
    """Check on a few markers, choose more for what is open, type them, check again: as many are decided as promised."""
    genotypes, sheet = programme(seed)
    first = np.sort(np.random.default_rng(seed).choice(300, n_first, replace=False))
    dhverify.check(part_of(genotypes, first), sheet).write(tmp_path / "results")
    rows = dhverify.choose_markers(genotypes, sheet, goal="haploid", results=tmp_path / "results").outcome.retests
    number = {str(name): place for place, name in enumerate(genotypes.markers.name)}
    further = [number[row.marker] for row in rows]
    assert not set(further) & set(first.tolist())
    again = dhverify.check(part_of(genotypes, np.sort([*first, *further])), sheet).lines.set_index("sample")
    helped = again.loc[list(rows[-1].samples)]
    decided = (helped["verdict"] != "retest").sum()
    assert len(helped) == rows[-1].lines > 20
    assert rows[-1].share > 0.95
    assert decided == pytest.approx(rows[-1].settled, abs=0.06 * rows[-1].lines)


def line(sample, **more):
    plain = {"stage": "haploid", "donor": "D0", "inducer": "I0", "finding": "haploid", "confidence": 0.8, "flags": ()}
    return UndecidedLine(sample=sample, **{**plain, **more})


def settle(genotypes, sheet, lines, *, typed=(), request=None, **more):
    retests = Retests(lines=tuple(lines), typed_markers=frozenset(typed), min_confidence=0.95, **more)
    return choose_marker_set(genotypes, sheet, request or MarkerSetRequest(goal="haploid"), retests=retests)


LINES = (
    line("a"),
    line("b", finding="hybrid", confidence=0.7, inducer=""),
    line("c", stage="D1", finding="unresolved", confidence=None),
    line("at fault", flags=("mixture",)),
    line("elsewhere", donor="another"),
)


def test_which_lines_are_served_and_why_not_the_others():
    genotypes, sheet = material.material(n_markers=100, seed=3)
    typed = [f"M{i:04d}" for i in range(30)]
    outcome = settle(genotypes, sheet, LINES, typed=typed)
    rows = outcome.retests
    assert rows[0].samples == ("a", "b", "c")
    assert [row.size for row in rows] == list(range(1, len(rows) + 1))
    assert rows[-1].share > 0.95
    assert all(later.share >= earlier.share - 0.05 for earlier, later in itertools.pairwise(rows))
    assert not set(typed) & {row.marker for row in rows}
    at_fault, elsewhere = outcome.notes
    assert "at fault" in at_fault
    assert "mixture" in at_fault
    assert "elsewhere" in elsewhere
    assert "give donor" in elsewhere


def test_what_is_said_where_nothing_can_be_settled():
    genotypes, sheet = material.material(n_markers=60, seed=3)
    nobody = settle(genotypes, sheet, ())
    assert (nobody.retests, nobody.notes) == ((), ("The earlier check left no sample undecided.",))
    doubtful = settle(genotypes, sheet, [line(f"x{i}", flags=("duplicate",)) for i in range(15)])
    assert doubtful.retests == ()
    assert "15 undecided samples (x0," in doubtful.notes[0]
    assert "and 3 more" in doubtful.notes[0]
    used = settle(genotypes, sheet, LINES[:1], typed=map(str, genotypes.markers.name))
    assert used.retests == ()
    assert "Type the parents at more markers" in used.notes[0]


def one_marker_each(n, allele):
    """Parents alike at n unlinked markers; the inducer has ``allele`` there."""
    names = ["P0", "P1", "I0"]
    calls = np.array([[0] * n, [0] * n, [2 * allele] * n])
    return material.genotypes(names, calls, np.arange(n) % 10 + 1, 20.0 + np.arange(n))


def test_expected_share_settled_by_hand():
    """One diagnostic marker: the posterior of a line at even odds, by Bayes."""
    sheet = material.material(pedigrees=("P0/P1",))[1]
    request = MarkerSetRequest(goal="haploid", error_rate=0.02, dropout=0.0)
    outcome = settle(
        one_marker_each(1, 1), sheet, [line("a", confidence=None)], request=request, priors={"haploid": {"hybrid": 1.0}}
    )
    # homozygote seen: 0.98 / (0.98 + 0.01) = 0.99; heterozygote seen: 0.01 / (0.01 + 0.98); the third call says nothing
    assert outcome.retests[0].share == pytest.approx(0.99, abs=0.02)


def test_a_check_asks_for_enough_markers():
    """Whatever the posterior says, no line is settled with fewer called, or fewer diagnostic, than the limits say."""
    sheet = material.material(pedigrees=("P0/P1",))[1]
    priors = {"haploid": {"hybrid": 1.0}}
    undecided = [line("a", confidence=0.9, called_markers=3, diagnostic_markers=1)]
    called = settle(one_marker_each(9, 1), sheet, undecided, min_called_markers=6, priors=priors).retests
    assert [row.settled for row in called[:2]] == [0, 0]
    assert called[2].settled > 0.9
    loose = settle(one_marker_each(9, 1), sheet, undecided, min_called_markers=0, priors=priors).retests
    assert loose[0].settled > 0.8


def test_a_parent_of_the_donor_is_told_by_segregating_markers():
    """A line that shows one parent throughout may be that parent: diagnostic markers do not decide it."""
    sheet = material.material(pedigrees=("P0/P1",))[1]
    n = 20
    calls = np.array([[0] * n, [0] * (n // 2) + [2] * (n // 2), [2] * (n // 2) + [0] * (n // 2)])
    genotypes = material.genotypes(["P0", "P1", "I0"], calls, np.arange(n) % 10 + 1, 20.0 + np.arange(n))
    undecided = [line("a", confidence=0.8, called_markers=12, diagnostic_markers=9, segregating_markers=1)]
    priors = {"haploid": {"hybrid": 0.1, "parent": 0.01}}
    rows = settle(genotypes, sheet, undecided, priors=priors).retests
    assert {row.marker for row in rows[:4]} <= {f"M{i:04d}" for i in range(n // 2, n)}
    excluded = [replace(undecided[0], largest_parent_share=0.6)]
    assert settle(genotypes, sheet, excluded, priors={"haploid": {"parent": 0.01}}).retests[0].marker != rows[0].marker
