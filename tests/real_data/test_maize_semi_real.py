"""Real maize lines and inbreds, put together to samples that are not what their label says.

Gametes and inbreds: Giraud et al. 2014, Genetics 198:1717-1734; Bauer et al. 2013, Genome Biol 14:R103. A haploid or DH
line is one gamete of its donor; united with an inbred it is the hybrid that a failed induction gives, and two sisters
united are what selfing the donor gives.
"""

from __future__ import annotations

from types import SimpleNamespace

import pandas as pd
import pytest

MALES = ("B73", "D06", "EC169", "F252", "Mo17")
COPIED = {f"CFD0{n}" for n in ("3-311", "3-326", "5-307", "5-313", "6-302", "6-331", "6-320", "6-337")}


def spread(table: pd.DataFrame, n: int) -> pd.DataFrame:
    """Take about n rows, evenly."""
    return table.iloc[:: max(1, len(table) // n)].iloc[:n]


def others(inducer: str) -> list[str]:
    """Parents of the crosses that the inducer is no parent of."""
    return [male for male in MALES if male != inducer]


def with_hybrids(bench, maize, unite, inducer: str, *, n_lines: int, n_hybrids: int):
    """Check lines of the other crosses at stage D1, and hybrids of their gametes with the inducer at haploid."""
    tables, rows, made = [maize.common, maize.male(inducer)], [bench.parent("F353")], {}
    rows.append({"sample": inducer, "role": "inducer"})
    for male in others(inducer):
        of = f"F353/{male}"
        clean, gametes = spread(maize.lines(male), n_lines), spread(maize.lines(male), n_hybrids)
        pollen = maize.male(inducer).loc[[inducer] * len(gametes)]
        hybrids = unite(gametes, pollen, [f"{name}x{inducer}" for name in gametes.index])
        tables += [maize.male(male), clean, hybrids]
        rows += [bench.parent(male), bench.donor(of, of)]
        rows += [bench.line(name, of) for name in clean.index]
        rows += [bench.line(name, of, "haploid") for name in hybrids.index]
        made.update(dict.fromkeys(hybrids.index, of))
    calls = bench.table("calls.csv", pd.concat(tables))
    result = bench.check(calls, rows, genetic_map=maize.genetic_map, coding="alleles")
    lines = result.lines.set_index("sample")
    return SimpleNamespace(result=result, hybrids=lines.loc[list(made)], clean=lines.drop(index=list(made)))


@pytest.fixture(scope="module")
def whole(bench, maize, unite):
    """Mo17 as inducer: each line of the other crosses as it is, and each as a hybrid."""
    return with_hybrids(bench("mo17"), maize, unite, "Mo17", n_lines=999, n_hybrids=999)


@pytest.fixture(scope="module")
def n_whole(maize) -> int:
    """How many lines the crosses without Mo17 have."""
    return sum(len(maize.lines(male)) for male in others("Mo17"))


def named(lines: pd.DataFrame) -> dict:
    return lines.groupby(["verdict", "finding"]).size().to_dict()


def test_every_semi_real_hybrid_is_found_and_named(whole, n_whole):
    assert n_whole == 325
    assert named(whole.hybrids) == {("fail", "hybrid"): n_whole}
    assert whole.hybrids.confidence.min() > 0.99, whole.hybrids.confidence.nsmallest(3).to_dict()
    assert whole.hybrids.diagnostic_markers.min() > 100


def test_the_inducer_gives_half_of_a_hybrid(whole):
    assert whole.hybrids.inducer_share.between(0.49, 0.51).all(), whole.hybrids.inducer_share.describe().to_dict()
    assert (whole.hybrids.inducer_share_low <= 0.5).all()
    assert (whole.hybrids.inducer_share_high >= 0.5).all()


def test_no_real_line_fails_beside_a_stand_in_inducer(whole, n_whole):
    """These lines were never near that inducer: nothing of it may be seen in them."""
    assert len(whole.clean) == n_whole
    assert set(whole.clean.finding) == {"doubled haploid"}, named(whole.clean)
    failed = whole.clean[whole.clean.verdict == "fail"]
    assert failed.empty, f"{len(failed)} of {n_whole} failed: {failed.reasons.to_dict()}"
    held = whole.clean[whole.clean.verdict == "retest"]
    assert set(held.index) == COPIED, held["flags"].to_dict()
    assert whole.result.segments.empty, whole.result.segments.to_string()


def test_lines_and_hybrids_stay_in_their_cross(whole):
    for lines in (whole.clean, whole.hybrids):
        elsewhere = lines[lines.best_donor != lines.donor]
        assert elsewhere.empty, f"{len(elsewhere)} of {len(lines)}: {elsewhere.best_donor.to_dict()}"


@pytest.mark.parametrize("inducer", ["B73", "D06", "EC169", "F252"])
def test_hybrids_with_any_other_inbred_as_inducer(bench, maize, unite, inducer):
    found = with_hybrids(bench(inducer), maize, unite, inducer, n_lines=24, n_hybrids=8)
    n_crosses = len(others(inducer))
    assert named(found.hybrids) == {("fail", "hybrid"): 8 * n_crosses}
    assert len(found.clean) == 24 * n_crosses
    assert set(found.clean.finding) == {"doubled haploid"}, named(found.clean)
    held = found.clean[found.clean.verdict != "pass"]
    assert set(held.index) <= COPIED, held["reasons"].to_dict()
    assert set(held.verdict) <= {"retest"}
    assert found.result.segments.empty, found.result.segments.to_string()


@pytest.fixture(scope="module")
def selfed(bench, maize, unite):
    """In each cross, ten pairs of sisters united; the other lines as they are."""
    here = bench("selfed")
    tables, rows, made = [maize.common], [bench("unused").parent("F353")], []
    for male in MALES:
        of = f"F353/{male}"
        lines = maize.lines(male).drop(index=list(COPIED & set(maize.lines(male).index)))
        one, other, clean = lines.iloc[:10], lines.iloc[10:20], lines.iloc[20:]
        united = unite(one, other, [f"{a}x{b}" for a, b in zip(one.index, other.index, strict=True)])
        tables += [maize.male(male), united, clean]
        rows += [here.parent(male), here.donor(of, of)]
        rows += [here.line(name, of) for name in (*united.index, *clean.index)]
        made += list(united.index)
    calls = here.table("calls.csv", pd.concat(tables))
    result = here.check(calls, rows, genetic_map=maize.genetic_map, coding="alleles")
    lines = result.lines.set_index("sample")
    return SimpleNamespace(made=lines.loc[made], clean=lines.drop(index=made))


def test_every_pair_of_sisters_united_is_a_selfed_donor(selfed):
    assert named(selfed.made) == {("fail", "selfed donor"): 50}
    assert selfed.made.heterozygosity_segregating.mean() == pytest.approx(0.5, abs=0.05)
    assert (selfed.made.best_donor == selfed.made.donor).all()


def test_their_clean_sisters_pass(selfed):
    assert named(selfed.clean) == {("pass", "doubled haploid"): len(selfed.clean)}
    assert len(selfed.clean) == 378 - 100 - len(COPIED)
