"""Invented parents, and a simulator of lines that shares no code with the package.

Gametes: crossovers by a Poisson process along each chromosome (Haldane 1919, J Genet 8:299-309).
"""

from __future__ import annotations

import numpy as np

from dhverify.genotypes import Genotypes, Markers
from dhverify.samples import Role, Sample, SampleSheet

LENGTH_CM = np.array([210.4, 161.2, 161.0, 150.4, 155.4, 110.8, 135.8, 136.6, 127.4, 113.0])


def material(n_markers=300, pedigrees=("P0/P1",), n_parents=4, n_inducers=1, seed=1, alike=False):
    """Genotypes of parents and inducers at random places, and a sheet of donors."""
    rng = np.random.default_rng(seed)
    chrom = np.sort(rng.choice(len(LENGTH_CM), n_markers, p=LENGTH_CM / LENGTH_CM.sum()))
    cm = rng.random(n_markers) * LENGTH_CM[chrom]
    order = np.lexsort((cm, chrom))
    names = [f"P{i}" for i in range(n_parents)] + [f"I{i}" for i in range(n_inducers)]
    calls = (2 * (rng.random((len(names), n_markers)) < 0.5)).astype(np.int8)
    if alike:
        calls[:] = calls[0]
    rows = [Sample(name=n, role=Role.PARENT) for n in names[:n_parents]]
    rows += [Sample(name=n, role=Role.INDUCER) for n in names[n_parents:]]
    rows += [Sample(name=f"D{i}", role=Role.DONOR, pedigree=text) for i, text in enumerate(pedigrees)]
    return genotypes(names, calls, chrom[order] + 1, cm[order]), SampleSheet(samples=tuple(rows))


def genotypes(names, calls, chrom, cm):
    n = calls.shape[1]
    markers = Markers(
        name=np.array([f"M{i:04d}" for i in range(n)]),
        chrom=np.array([str(c) for c in chrom]),
        pos_bp=np.full(n, -1, dtype=np.int64),
        cm=np.asarray(cm, dtype=np.float64),
        first_allele=np.array(["A"] * n),
        second_allele=np.array(["C"] * n),
    )
    return Genotypes(
        samples=np.array(names), markers=markers, calls=calls.astype(np.int8), half_calls=np.zeros(len(names), int)
    )


class Meiosis:
    """Makes gametes of many plants at once; a plant is an array (n_plants, 2, n_markers) of alleles."""

    def __init__(self, chrom, cm, rng):
        self.rng = rng
        gap = np.diff(np.asarray(cm), prepend=0.0) / 100
        is_new = np.concatenate([[True], np.asarray(chrom)[1:] != np.asarray(chrom)[:-1]])
        self.odd = np.where(is_new, 0.5, (1 - np.exp(-2 * np.abs(gap))) / 2)

    def gametes(self, plants):
        n, _, n_markers = plants.shape
        turns = self.rng.random((n, n_markers)) < self.odd
        which = np.cumsum(turns, axis=1) % 2
        return np.where(which == 0, plants[:, 0], plants[:, 1])

    def plants(self, tree, alleles, n):
        """Plants of a nested-tuple pedigree over names."""
        if isinstance(tree, str):
            return np.broadcast_to(alleles[tree], (n, 2, len(alleles[tree])))
        return np.stack([self.gametes(self.plants(side, alleles, n)) for side in tree], axis=1)

    def lines(self, kind, donor, inducer, alleles, n):
        """Genotypes (n, n_markers) of clean lines or of a wrong finding."""
        mother = self.plants(donor, alleles, n)
        if kind == "clean":
            return 2 * self.gametes(mother)
        if kind == "selfed donor":
            return self.gametes(mother) + self.gametes(mother)
        if kind == "hybrid":
            return self.gametes(mother) + self.gametes(self.plants(inducer, alleles, n))
        hybrid = np.stack([self.gametes(mother), self.gametes(self.plants(inducer, alleles, n))], axis=1)
        return self.gametes(hybrid) + self.gametes(hybrid)


def calls_of(genotype, error_rate, dropout, rng):
    """Heterozygotes drop out first; then a call is wrong, either other genotype."""
    lost = (genotype == 1) & (rng.random(genotype.shape) < dropout)
    seen = np.where(lost, 2 * rng.integers(0, 2, genotype.shape), genotype)
    wrong = rng.random(genotype.shape) < error_rate
    return np.where(wrong, (seen + rng.integers(1, 3, genotype.shape)) % 3, seen).astype(np.int8)


def best_errors(good, wrong, miss, false_fail):
    """Miss and false fail of simulated log likelihood ratios at their best cut-off."""
    cuts = np.unique(np.quantile(np.concatenate([good, wrong]), np.linspace(0, 1, 20001)))
    fails = np.searchsorted(np.sort(good), cuts, side="right") / len(good)
    passes = 1 - np.searchsorted(np.sort(wrong), cuts, side="right") / len(wrong)
    best = np.argmin(np.maximum(passes / miss, fails / false_fail))
    return passes[best], fails[best]
