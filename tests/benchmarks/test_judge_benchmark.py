"""The judge's cost as a ratio to a bare forward recursion of the same size; opt in with ``-m benchmark``."""

from __future__ import annotations

import os
import time
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import numpy as np
import pytest

from dhverify.checking import run_check
from dhverify.simulation import SimulationSettings, simulate_programme

LINES = int(os.environ.get("DHVERIFY_BENCHMARK_LINES", "600"))
LARGEST_RATIO = 3000.0
"""Measured: 1,300 at 600 lines x 2,000 markers, where three learning rounds over all lines, posteriors and the search
for partners weigh most; some 80 states of all findings against one chain of two states."""


def lot(n_lines: int, n_markers: int):
    spec = spec_from_file_location("judging", Path(__file__).parents[1] / "judging" / "conftest.py")
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    settings = SimulationSettings(
        stage="haploid", n_donors=max(1, n_lines // 100), lines_per_donor=100, n_markers=n_markers, has_plates=False
    )
    return module.as_input(simulate_programme(settings, np.random.default_rng(1)))


def judged_seconds(n_lines: int, n_markers: int) -> float:
    genotypes, sheet = lot(n_lines, n_markers)
    start = time.perf_counter()
    run_check(genotypes, sheet, jobs=2)
    return time.perf_counter() - start


def bare_seconds(n_lines: int, n_markers: int) -> float:
    """One two-state forward recursion over ten chromosomes at once, in plain numpy."""
    rng = np.random.default_rng(2)
    steps = n_markers // 10
    chance = rng.random((steps, 2, 10 * n_lines))
    start = time.perf_counter()
    alpha = np.full((2, 10 * n_lines), 0.5)
    total = np.zeros(10 * n_lines)
    for step in range(steps):
        alpha = (0.98 * alpha + 0.02 * alpha[::-1]) * chance[step]
        scale = alpha.sum(axis=0)
        alpha /= scale
        total += np.log(scale)
    return time.perf_counter() - start


@pytest.mark.benchmark
def test_the_judge_costs_a_bounded_multiple_of_one_bare_recursion(record_property):
    judged, bare = judged_seconds(LINES, 2000), min(bare_seconds(LINES, 2000) for _ in range(3))
    record_property("ratio", judged / bare)
    assert judged / bare < LARGEST_RATIO


@pytest.mark.benchmark
def test_cost_is_linear_in_lines_and_markers():
    once = min(judged_seconds(300, 1000) for _ in range(2))
    assert judged_seconds(600, 1000) < 3.0 * once
    assert judged_seconds(300, 2000) < 3.0 * once
