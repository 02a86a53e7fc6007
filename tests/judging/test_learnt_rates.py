"""Error rates learnt from a lot against the rates that made it."""

from __future__ import annotations

import pytest

from dhverify.checking import run_check


def test_call_error_rates_are_learnt(simulated):
    _, genotypes, sheet = simulated(
        stage="haploid",
        n_donors=3,
        lines_per_donor=40,
        n_markers=600,
        hybrid_share=0.2,
        error_rate=0.03,
        het_error_share=0.5,
        dropout=0.1,
        seed=31,
    )
    rates = run_check(genotypes, sheet).rates
    assert rates.hom_to_het == pytest.approx(0.015, rel=0.25)
    assert rates.hom_to_other_hom == pytest.approx(0.015, rel=0.25)
    assert rates.dropout == pytest.approx(0.1 + 0.03, abs=0.03)
    assert rates.missing == pytest.approx(0.02, abs=0.01)


def test_read_error_is_learnt(simulated):
    _, genotypes, sheet = simulated(
        stage="haploid",
        n_donors=2,
        lines_per_donor=30,
        n_markers=600,
        platform="reads",
        depth=4.0,
        read_error=0.01,
        seed=32,
    )
    outcome = run_check(genotypes, sheet)
    assert outcome.rates.read_error == pytest.approx(0.01, rel=0.35)
    assert "Allele depths are used" in outcome.evidence_used


def test_a_poor_assay_is_not_taken_for_bad_lines(simulated):
    programme, genotypes, sheet = simulated(
        stage="D1", n_donors=2, lines_per_donor=40, n_markers=600, hybrid_share=0.0, error_rate=0.04, seed=33
    )
    outcome = run_check(genotypes, sheet)
    assert sum(line.verdict.value == "fail" for line in outcome.lines) == 0
    assert programme.truth
