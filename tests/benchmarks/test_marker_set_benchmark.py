"""Processor time of a choice of markers as a ratio to reckoning its result in full, in one run."""

from __future__ import annotations

import time
from itertools import combinations

import numpy as np
import pytest

from dhverify.design.marker_set import choose_marker_set
from dhverify.design.marker_set_crosses import design_crosses
from dhverify.design.marker_set_errors import ErrorModel
from dhverify.design.marker_set_request import MarkerSetRequest
from dhverify.design.marker_set_rows import candidates_of, design_rows
from dhverify.genetic_map import place_markers
from dhverify.genotypes import Genotypes, Markers
from dhverify.samples import Role, Sample, SampleSheet

pytestmark = pytest.mark.benchmark

LENGTH_CM = np.array([210.4, 161.2, 161.0, 150.4, 155.4, 110.8, 135.8, 136.6, 127.4, 113.0])
"""Maize (Ogut et al. 2015, Heredity 114:552-563, doi:10.1038/hdy.2014.123)."""


def programme(n_markers, n_crosses, seed=1):
    """Six inbreds, two inducers, and as many single crosses x inducers as asked."""
    rng = np.random.default_rng(seed)
    names = [*(f"P{i}" for i in range(6)), "I0", "I1"]
    chrom = np.sort(rng.choice(10, n_markers, p=LENGTH_CM / LENGTH_CM.sum()))
    cm = rng.random(n_markers) * LENGTH_CM[chrom]
    markers = Markers(
        name=np.array([f"M{i:04d}" for i in range(n_markers)]),
        chrom=(chrom + 1).astype(str),
        pos_bp=np.full(n_markers, -1, dtype=np.int64),
        cm=cm,
        first_allele=np.full(n_markers, "A"),
        second_allele=np.full(n_markers, "C"),
    )
    calls = (2 * (rng.random((len(names), n_markers)) < 0.5)).astype(np.int8)
    genotypes = Genotypes(
        samples=np.array(names), markers=markers, calls=calls, half_calls=np.zeros(len(names), dtype=np.int64)
    )
    pairs = list(combinations(names[:6], 2))[: n_crosses // 2]
    rows = [Sample(name=name, role=Role.INDUCER) for name in names[6:]]
    rows += [Sample(name=f"{a}{b}", role=Role.DONOR, pedigree=f"{a}/{b}") for a, b in pairs]
    return genotypes, SampleSheet(samples=tuple(rows))


@pytest.mark.parametrize("spare", [0, 1])
def test_thirty_crosses_of_two_thousand_candidates(spare, record_property):
    """Ninety rows. One full reckoning of them takes about a second, so that a ratio below 60 is a minute."""
    genotypes, sheet = programme(2000, 30)
    request = MarkerSetRequest(spare=spare)
    start = time.process_time()
    outcome = choose_marker_set(genotypes, sheet, request)
    seconds = time.process_time() - start
    assert (len(outcome.crosses), outcome.n_met) == (30, 30)
    place = {str(name): index for index, name in enumerate(genotypes.markers.name)}
    chosen = [place[row.marker] for row in outcome.chosen]
    candidates = candidates_of(place_markers(genotypes.markers), np.zeros(2000, dtype=bool))
    rows = design_rows(design_crosses(genotypes, sheet), request)
    start = time.process_time()
    ErrorModel(rows, candidates, is_final=True).errors(chosen)
    ratio = seconds / (time.process_time() - start)
    record_property("ratio", round(ratio, 1))
    print(f"spare {spare}: {len(chosen)} markers, bound {outcome.lower_bound}; {seconds:.0f} s, ratio {ratio:.0f}")  # noqa: T201
    assert ratio < 60
