"""What the sheet leaves out: sources of lines and pedigrees of donors, told once and only where they are missing."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from dhverify.api import check, read_genotypes, read_samples
from dhverify.outcome import Flag
from dhverify.samples import Role, Sample, SampleSheet, Stage
from dhverify.sheet_warnings import pedigree_warning, source_warning, undeclared_source, unmatched_warnings

EXAMPLE = Path(__file__).parents[1] / "example_vcf"


def line(name, stage, donor="D1", source=""):
    return Sample(name=name, role=Role.LINE, stage=stage, donor=donor, source=source)


def copied(n_pairs, n_others=0):
    """A sheet of seedlings with their lines, and of lines copied among themselves; and the group of each sample."""
    samples, group_of = [], {}
    for k in range(n_pairs + n_others):
        first = line(f"H{k}", Stage.HAPLOID if k < n_pairs else Stage.D1)
        for one in (first, line(f"L{k}", Stage.D1)):
            samples.append(one)
            group_of[one.name] = f"copy {k}"
    return SampleSheet(samples=tuple(samples)), group_of


def test_a_seedling_and_a_line_of_its_donor_are_a_line_and_its_source():
    line_, *seedlings = line("L", Stage.D1), line("H", Stage.HAPLOID), line("Z", Stage.D0)
    for seedling in seedlings:
        assert undeclared_source(line_, seedling) == ("L", seedling.name)
        assert undeclared_source(seedling, line_) == ("L", seedling.name)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (line("L", Stage.D1), line("M", Stage.D1)),
        (line("H", Stage.HAPLOID), line("Z", Stage.D0)),
        (line("L", Stage.D1), line("H", Stage.HAPLOID, donor="D2")),
        (line("L", Stage.D1, source="G"), line("H", Stage.HAPLOID)),
        (line("L", Stage.D1), Sample(name="K", role=Role.KNOWN, donor="D1")),
    ],
)
def test_other_copies_are_not(one, other):
    assert undeclared_source(one, other) is None
    assert undeclared_source(other, one) is None


def test_sources_are_asked_for_where_most_copies_are_seedling_and_line():
    assert source_warning(*copied(3)).startswith("3 of 3 groups of copies are a seedling and a D1 line")
    assert "column source (H0 for L0, and so on)" in source_warning(*copied(3, 2))
    for n_pairs, n_others in ((2, 0), (3, 3), (0, 4), (0, 0)):
        assert source_warning(*copied(n_pairs, n_others)) == ""


def test_a_pedigree_is_asked_for_where_parents_are_typed():
    parent, donor = Sample(name="A", role=Role.PARENT), Sample(name="D1", role=Role.DONOR)
    sheet = SampleSheet(samples=(parent, donor, line("L", Stage.D1)))
    assert pedigree_warning(sheet, {"A", "L"}) == (
        "D1 has no pedigree, so that the typed parents are not used for it; write it on the row of the donor, such as"
        " A/B for parents A and B"
    )
    assert pedigree_warning(sheet, {"L"}) == ""
    with_pedigree = (parent, replace(donor, pedigree="A/B"), line("L", Stage.D1))
    assert pedigree_warning(SampleSheet(samples=with_pedigree), {"A", "L"}) == ""
    assert pedigree_warning(SampleSheet(samples=(parent, line("L", Stage.D1, donor="A"))), {"A", "L"}) == ""


def test_a_first_sheet_without_sources_and_pedigrees_is_told_both():
    full = read_samples(EXAMPLE / "samples.csv")
    genotypes = read_genotypes([EXAMPLE / "genotypes.vcf.gz"], sheet=full)
    told = check(genotypes, full).outcome
    assert told.warnings == ()
    assert set(told.exchanges) == {("D02-L002", "D03-L004"), ("D02-L005", "D02-L006")}
    bare = SampleSheet(samples=tuple(replace(sample, source="", line="", pedigree="") for sample in full))
    told = check(genotypes, bare).outcome
    asked = [text for text in told.warnings if "column source" in text]
    assert len(asked) == 1
    n_pairs = int(asked[0].split(" of ")[0])
    assert n_pairs > 20
    assert sum("have no pedigree" in text for text in told.warnings) == 1
    copies = [row for row in told.lines if Flag.DUPLICATE in row.flags and "was grown from" in row.reasons]
    assert len(copies) == 2 * n_pairs


@pytest.mark.parametrize(
    ("genotyped", "said"),
    [
        (["H0", "L0"], []),
        (["H0"], ["1 line of the sheet is in no genotype file: L0"]),
        ([], ["2 lines of the sheet are in no genotype file: H0, L0"]),
        (["H0", "L0", "X"], ["1 genotyped sample is not on the sheet and left out: X"]),
        (["H0", "L0", *"UVWXYZ"], ["6 genotyped samples are not on the sheet and left out: U, V, W, X, Y, ..."]),
    ],
)
def test_one_is_not_told_as_many(genotyped, said):
    assert unmatched_warnings(copied(1)[0], genotyped) == said
