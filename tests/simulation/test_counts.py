"""Counts agree with the lines, with each other, and with the rates that they are made of."""

import numpy as np
import pytest

from dhverify.simulation import SimulationSettings, simulate_programme
from dhverify.simulation.counts import failures_before

STEPS = ("putative_haploids", "treated", "transplanted", "survived", "selfed", "d1_ears")


def programme_of(stage, **changes):
    settings = SimulationSettings(
        **{
            "stage": stage,
            "n_markers": 30,
            "n_donors": 5,
            "lines_per_donor": 200,
            "replicate_share": 0.05,
            **changes,
        }
    )
    return simulate_programme(settings, np.random.default_rng(1))


def totals(programme):
    return {
        name: sum(int(row[name]) for row in programme.counts) for name in (*STEPS, "kernels", "uncoloured", "hybrids")
    }


@pytest.mark.parametrize("stage", ["haploid", "D0", "D1", "both", "all"])
def test_counts_agree_with_the_lines(stage):
    programme = programme_of(stage)
    groups = {(row["donor"], row["inducer"], row["sorter"]) for row in programme.counts}
    assert len(groups) == len(programme.counts) == 15
    for row in programme.counts:
        values = [int(row[name]) for name in STEPS]
        assert values == sorted(values, reverse=True)
        assert int(row["kernels"]) == sum(int(row[n]) for n in ("uncoloured", "hybrids", "putative_haploids"))
        of_group = [
            r
            for r in programme.sheet
            if r["role"] == "line" and (r["donor"], r["inducer"], r["sorter"]) == tuple(list(row.values())[:3])
        ]
        for name, step in (("haploid", "putative_haploids"), ("D0", "survived"), ("D1", "d1_ears")):
            lines = {r["line"] or r["sample"] for r in of_group if r["stage"] == name}
            assert len(lines) <= int(row[step])
        if stage == "haploid":
            assert len({r["line"] or r["sample"] for r in of_group}) == int(row["putative_haploids"])
        if stage in ("D1", "both", "all"):
            assert len({r["line"] or r["sample"] for r in of_group if r["stage"] == "D1"}) == int(row["d1_ears"])


@pytest.mark.parametrize("stage", ["haploid", "D0", "D1"])
def test_counts_show_the_rates(stage):
    """Induction rate, survival and doubling of the settings, within 4 standard errors (binomial, about)."""
    n = totals(programme_of(stage, hybrid_share=0.2, sorter_spread=0.0, survival=0.6, doubling=0.3))
    true = 0.8 * n["putative_haploids"]
    found = true / n["kernels"]
    assert found == pytest.approx(0.08 * 0.95, abs=4 * np.sqrt(0.076 / n["kernels"]) + 0.003)
    assert n["survived"] / n["treated"] == pytest.approx(0.6, abs=4 * np.sqrt(0.24 / n["treated"]))
    share = 0.3 * (1 if stage == "D1" else 0.8)
    assert n["d1_ears"] / n["selfed"] == pytest.approx(share, abs=4 * np.sqrt(0.21 / n["selfed"]))
    uncoloured = n["uncoloured"] / (n["uncoloured"] + n["hybrids"])
    assert uncoloured == pytest.approx(0.02, abs=0.004)


def test_trials_before_a_success():
    rng = np.random.default_rng(2)
    assert failures_before(0, 0.5, rng) == 0
    assert failures_before(7, 1.0, rng) == 0
    many = [failures_before(1, 0.25, rng) for _ in range(4000)]
    assert np.mean(many) == pytest.approx(3.0, abs=4 * np.sqrt(12 / 4000))
