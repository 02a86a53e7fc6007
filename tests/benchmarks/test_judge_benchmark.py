"""The judge's time as a ratio to a bare forward recursion of the same size, its memory as one to the calls it is given.

Opt in with ``-m benchmark``. Time is processor time, so that other work on the machine counts little. The lot has 100
lines of each F1 donor on full plates, a tenth of them hybrids, parents and inducer typed. Its size is 10,000 lines x
2,000 markers, which the published costs are of; DHVERIFY_BENCHMARK_LINES sets another. Ratios of small lots are larger:
learning looks at up to 800 lines several times, and a bare recursion that fits the cache is done in no time.
"""

from __future__ import annotations

import multiprocessing
import os
import resource
import sys
import time
from dataclasses import dataclass

import numpy as np
import pytest

from dhverify.checking import run_check
from dhverify.genotypes import MISSING, Genotypes, Markers
from dhverify.outcome import Finding
from dhverify.samples import Role, Sample, SampleSheet, Stage

pytestmark = [
    pytest.mark.benchmark,
    pytest.mark.skipif(sys.platform == "win32", reason="peak memory is read by the resource module"),
]
LINES = int(os.environ.get("DHVERIFY_BENCHMARK_LINES", "10000"))
MARKERS = 2000
FAMILY = 100
CHROMOSOMES = 10
LENGTH_CM = 150.0
HYBRIDS = 0.1
WELLS = 96
ERROR, MISSED = 0.005, 0.02
LARGEST_TIME_RATIO = 150.0
LARGEST_MEMORY_RATIO = 35.0
"""Beyond the fixed part. 10,000 lines x 2,000 markers, 19 MB of calls of a byte each, so stay below 1 GB in all."""
FIXED_MB = 150.0
"""What a lot of any size takes: the tables of the lines that are judged together, in two threads."""


def drawn_lot(n_lines: int, n_markers: int) -> tuple[Genotypes, SampleSheet]:
    rng = np.random.default_rng(n_lines + n_markers)
    n_donors = -(-n_lines // FAMILY)
    parents = (rng.random((2 * n_donors + 1, n_markers)) < rng.beta(1.3, 1.3, n_markers)).astype(np.int8)
    cross = np.arange(n_lines) // FAMILY
    strand = drawn_strands(rng, n_lines, n_markers)
    lines = np.where(strand, parents[2 * cross + 1], parents[2 * cross])
    is_hybrid = np.arange(n_lines) % FAMILY < HYBRIDS * FAMILY
    calls = np.concatenate([2 * parents, lines + np.where(is_hybrid[:, None], parents[-1], lines)]).astype(np.int8)
    is_wrong = rng.random(calls.shape, dtype=np.float32) < ERROR
    calls[is_wrong] = (calls[is_wrong] + 1) % 3
    calls[rng.random(calls.shape, dtype=np.float32) < MISSED] = MISSING
    samples = drawn_sheet(n_donors, cross)
    names = [sample.name for sample in samples if sample.role is not Role.DONOR]
    genotypes = Genotypes(
        samples=np.array(names),
        markers=drawn_markers(n_markers),
        calls=calls,
        half_calls=np.zeros(len(calls), dtype=np.int64),
    )
    return genotypes, SampleSheet(samples=samples)


def drawn_strands(rng: np.random.Generator, n_lines: int, n_markers: int) -> np.ndarray:
    """Which strand of its donor each line carries: a chain without interference, chromosomes unlinked."""
    step_cm = LENGTH_CM * CHROMOSOMES / n_markers
    switch = rng.random((n_lines, n_markers), dtype=np.float32) < (1 - np.exp(-step_cm / 50)) / 2
    switch[:, :: n_markers // CHROMOSOMES] = rng.random((n_lines, CHROMOSOMES)) < 0.5
    return np.cumsum(switch, axis=1, dtype=np.int16) % 2 == 1


def drawn_markers(n_markers: int) -> Markers:
    each = n_markers // CHROMOSOMES
    chrom = np.repeat(np.arange(1, CHROMOSOMES + 1), each)
    place = np.tile(np.arange(each), CHROMOSOMES)
    return Markers(
        name=np.array([f"m{number}" for number in range(n_markers)]),
        chrom=chrom.astype(str),
        pos_bp=(place + 1) * (140_000_000 // each),
        cm=place * LENGTH_CM / each,
        first_allele=np.full(n_markers, "A"),
        second_allele=np.full(n_markers, "G"),
    )


def drawn_sheet(n_donors: int, cross: np.ndarray) -> tuple[Sample, ...]:
    parents = [Sample(name=f"P{number}", role=Role.PARENT) for number in range(2 * n_donors)]
    inducer = Sample(name="I", role=Role.INDUCER)
    lines = [
        Sample(
            name=f"L{number}",
            role=Role.LINE,
            stage=Stage.HAPLOID,
            donor=f"D{donor}",
            inducer="I",
            plate=f"Q{number // WELLS}",
            well=f"{'ABCDEFGH'[number % 8]}{number % WELLS // 8 + 1:02d}",
        )
        for number, donor in enumerate(cross)
    ]
    donors = [Sample(name=f"D{n}", role=Role.DONOR, pedigree=f"P{2 * n}/P{2 * n + 1}") for n in range(n_donors)]
    return (*parents, inducer, *lines, *donors)


@dataclass(frozen=True, kw_only=True)
class Cost:
    cpu_seconds: float
    wall_seconds: float
    peak_mb: float
    added_mb: float


def judge_once(n_lines: int, n_markers: int) -> None:
    genotypes, sheet = drawn_lot(n_lines, n_markers)
    outcome = run_check(genotypes, sheet, jobs=2)
    found = [line.finding is Finding.HYBRID for line in outcome.lines]
    assert np.mean(found) == pytest.approx(HYBRIDS, abs=0.005)


def bare_once(n_lines: int, n_markers: int) -> None:
    """One two-state forward recursion in plain numpy: its emissions, ten chromosomes of all lines at once."""
    rng = np.random.default_rng(2)
    steps, width = n_markers // CHROMOSOMES, CHROMOSOMES * n_lines
    chance = np.where(rng.random((steps, 1, width)) < ERROR, 0.01, 0.99) * np.ones((1, 2, 1))
    alpha = np.full((2, width), 0.5)
    total = np.zeros(width)
    for step in range(steps):
        alpha = (0.98 * alpha + 0.02 * alpha[::-1]) * chance[step]
        scale = alpha.sum(axis=0)
        alpha /= scale
        total += np.log(scale)
    assert np.isfinite(total).all()


TASKS = {"judge": judge_once, "bare": bare_once}


def _child(task: str, n_lines: int, n_markers: int, pipe) -> None:
    drawn_lot(FAMILY, 100)
    before = peak_mb()
    cpu, wall = time.process_time(), time.perf_counter()
    TASKS[task](n_lines, n_markers)
    cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
    pipe.send(Cost(cpu_seconds=cpu, wall_seconds=wall, peak_mb=peak_mb(), added_mb=peak_mb() - before))


def peak_mb() -> float:
    """Highest resident memory of this process so far."""
    unit = 2**20 if sys.platform == "darwin" else 2**10
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit


def cost(task: str, n_lines: int, n_markers: int = MARKERS) -> Cost:
    """Time and peak memory in a process of its own; making the lot is a small part of the time."""
    context = multiprocessing.get_context("spawn")
    mine, theirs = context.Pipe()
    child = context.Process(target=_child, args=(task, n_lines, n_markers, theirs))
    child.start()
    theirs.close()
    try:
        result = mine.recv()
    finally:
        child.join()
    return result


def cheapest(task: str, n_lines: int, n_markers: int = MARKERS, *, runs: int = 2) -> Cost:
    return min((cost(task, n_lines, n_markers) for _ in range(runs)), key=lambda c: c.cpu_seconds)


def calls_mb(n_lines: int) -> float:
    return n_lines * MARKERS / 2**20


@pytest.fixture(autouse=True)
def _one_thread_of_linear_algebra(monkeypatch):
    """Threads that wait for work would count as processor time."""
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "1")
    monkeypatch.setenv("MKL_NUM_THREADS", "1")


def test_the_judge_costs_a_bounded_multiple_of_one_bare_recursion_and_of_its_calls(record_property):
    judged, bare = cost("judge", LINES), cheapest("bare", LINES, runs=3)
    time_ratio = judged.cpu_seconds / bare.cpu_seconds
    memory_ratio = max(0.0, judged.added_mb - FIXED_MB) / calls_mb(LINES)
    record_property("time_ratio", round(time_ratio, 1))
    record_property("memory_ratio", round(memory_ratio, 2))
    print(  # noqa: T201
        f"\n{LINES} lines x {MARKERS} markers: judge {judged.cpu_seconds:.1f} s of processor time in"
        f" {judged.wall_seconds:.1f} s, peak {judged.peak_mb:.0f} MB ({judged.added_mb:.0f} MB of its own);"
        f" bare recursion {bare.cpu_seconds:.3f} s, calls {calls_mb(LINES):.1f} MB;"
        f" ratios {time_ratio:.0f} and, beyond {FIXED_MB:.0f} MB, {memory_ratio:.1f}"
    )
    assert time_ratio < LARGEST_TIME_RATIO
    assert memory_ratio < LARGEST_MEMORY_RATIO


def test_time_and_memory_are_linear_in_lines_and_markers():
    """Twice the size takes at most two and a half times as long, and memory of its own likewise."""
    once = cheapest("judge", 600, 1000)
    for twice in (cost("judge", 1200, 1000), cost("judge", 600, 2000)):
        print(f"\n{once} -> {twice}")  # noqa: T201
        assert twice.cpu_seconds < 2.5 * once.cpu_seconds
        assert twice.added_mb < 2.5 * once.added_mb
