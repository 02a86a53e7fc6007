"""Errors, limits, genotypes, samples, marker quality and shares of findings: what holds of each by itself."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, fields

import numpy as np
import pytest
from scipy.stats import binom

from dhverify import assumptions, errors
from dhverify.errors import Defect, DhverifyError, InputError
from dhverify.evidence import Share
from dhverify.findings_table import FamilyShape, candidates
from dhverify.genotypes import MISSING, Genotypes, Markers, locked
from dhverify.judging import (
    FINDING_ORDER,
    LOWEST_PRIOR,
    MOST_FLEXIBLE,
    candidate_log_weights,
    expected_column,
    finding_log_likelihood,
    learn_prior,
    posterior,
    stage_prior,
)
from dhverify.limits import LimitInfo, Limits, LimitsError, limit_infos
from dhverify.marker_quality import judge_markers, sample_call_rate, sample_heterozygosity
from dhverify.outcome import Finding
from dhverify.samples import Family, Role, Sample, SampleSheet, Stage


def test_one_defect_is_one_line_and_several_are_a_list():
    one = Defect(where="row 7, column donor", found="nothing", expected="a name")
    two = Defect(where="row 9", found="x", expected="y")
    assert str(InputError("sheet.csv", [one])) == "sheet.csv: row 7, column donor: found nothing; expected a name"
    text = str(InputError("sheet.csv", iter([one, two])))
    assert text.splitlines() == ["sheet.csv: 2 things are wrong", f"  {one}", f"  {two}"]
    assert InputError("sheet.csv", [one, two]).defects == (one, two)
    with pytest.raises(ValueError, match="at least one defect"):
        InputError("sheet.csv", [])


@pytest.mark.parametrize("name", ["FormatError", "SheetError", "PedigreeError", "LimitsError", "OutputError"])
def test_every_error_on_purpose_is_caught_by_its_base(name):
    kind = getattr(errors, name)
    assert issubclass(kind, InputError)
    assert issubclass(kind, DhverifyError)
    with pytest.raises(DhverifyError, match="f: w"):
        raise kind("f", [Defect(where="w", found="a", expected="b")])


INFOS = {info.name: info for info in limit_infos()}


@pytest.mark.parametrize("name", INFOS)
def test_every_limit_has_unit_range_reason_and_source_and_keeps_to_its_range(name):
    info: LimitInfo = INFOS[name]
    assert info.low <= info.shipped <= info.high
    assert info.unit
    assert len(info.reason) > 20
    assert info.source
    assert getattr(Limits(**{name: info.low}), name) == info.low
    assert getattr(Limits(**{name: info.high}), name) == info.high
    for value in (info.low - 1, info.high + 1, "x", True, None):
        with pytest.raises(LimitsError, match=name):
            Limits(**{name: value})
    if info.whole:
        with pytest.raises(LimitsError, match="whole number"):
            Limits(**{name: 2.5})


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
@pytest.mark.parametrize("name", ["min_confidence", "min_diagnostic_markers"])
def test_no_limit_is_not_a_number_or_endless(name, value):
    with pytest.raises(LimitsError, match=name):
        Limits(**{name: value})


def test_limits_of_the_interface_are_there_with_their_shipped_values():
    names = {
        "min_confidence",
        "min_call_rate",
        "min_diagnostic_markers",
        "max_heterozygosity",
        "max_inducer_share",
        "max_foreign_share",
        "max_inducer_segment_cm",
        "min_segment_markers",
        "max_blank_call_rate",
        "min_identity_markers",
        "max_reference_conflict",
    }
    assert names <= set(INFOS)
    assert dict(Limits().items()) == {name: info.shipped for name, info in INFOS.items()}
    shipped = Limits()
    assert (shipped.min_diagnostic_markers, shipped.max_reference_conflict) == (5, 0.05)
    assert (shipped.max_inducer_segment_cm, shipped.max_blank_call_rate) == (0.0, 0.1)


def test_all_wrong_limits_are_named_at_once():
    with pytest.raises(LimitsError) as caught:
        Limits.from_mapping({"min_confidense": 0.9, "max_heterozygosity": 7, "zebra": 1}, source="mine.toml")
    text = str(caught.value)
    for part in ("mine.toml", "3 things", "did you mean min_confidence", "max_heterozygosity", "0 to 1", "one of"):
        assert part in text
    kept = Limits.from_mapping({"min_diagnostic_markers": 7.0, "max_inducer_share": 0})
    assert kept.min_diagnostic_markers == 7
    assert isinstance(kept.min_diagnostic_markers, int)
    assert isinstance(kept.max_inducer_share, float)


def test_five_diagnostic_markers_are_what_the_limit_says():
    """Error 1 %, heterozygotes called 95 %, half or more of five: missed 1.2e-3, rejected 1e-5 (binomial)."""
    assert binom.cdf(2, 5, 0.95) == pytest.approx(1.2e-3, rel=0.05)
    assert binom.sf(2, 5, 0.01) == pytest.approx(1e-5, rel=0.05)
    assert 0.5 ** Limits().min_called_markers == pytest.approx(2e-4, rel=0.3)


def markers(n):
    text = np.array([f"m{k}" for k in range(n)])
    return Markers(
        name=text,
        chrom=np.array(["1"] * n),
        pos_bp=np.arange(n),
        cm=np.full(n, np.nan),
        first_allele=np.array(["A"] * n),
        second_allele=np.array(["C"] * n),
    )


def genotypes(calls, **more):
    n_samples, n_markers = calls.shape
    return Genotypes(
        samples=np.array([f"s{k}" for k in range(n_samples)]),
        markers=markers(n_markers),
        calls=calls,
        half_calls=more.pop("half_calls", np.zeros(n_samples, dtype=np.int64)),
        **more,
    )


def test_genotypes_are_locked_and_their_shapes_checked():
    calls = np.zeros((2, 3), dtype=np.int8)
    whole = np.zeros((5, 3), dtype=np.int8)
    held = genotypes(whole[:2], depths=np.zeros((2, 3, 2), dtype=np.int32))
    whole[0, 0] = 2
    assert held.calls[0, 0] == 0
    assert (held.n_samples, held.n_markers, len(held.markers)) == (2, 3, 3)
    assert held.sample_index() == {"s0": 0, "s1": 1}
    for array in (held.calls, held.depths, held.half_calls, held.samples, held.markers.pos_bp):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = array[1]
    with pytest.raises(ValueError, match="int64"):
        genotypes(calls.astype(np.int64))
    with pytest.raises(ValueError, match="depths have shape"):
        genotypes(calls, depths=np.zeros((2, 3), dtype=np.int32))
    with pytest.raises(ValueError, match="half_calls have shape"):
        genotypes(calls, half_calls=np.zeros(3, dtype=np.int64))
    with pytest.raises(ValueError, match="chrom has shape"):
        Markers(**{**{f.name: getattr(markers(3), f.name) for f in fields(Markers)}, "chrom": np.array(["1"])})
    assert not locked(calls).flags.writeable
    assert calls.flags.writeable


def test_a_sheet_knows_its_rows_and_families():
    rows = (
        Sample(name="P", role=Role.PARENT),
        Sample(name="L1", role=Role.LINE, donor="D2", inducer="I"),
        Sample(name="L2", role=Role.LINE, donor="D1", inducer="I"),
        Sample(name="L3", role=Role.LINE, donor="D2", inducer="I"),
    )
    sheet = SampleSheet(samples=rows)
    assert [f.donor for f in sheet.families] == ["D2", "D1"]
    assert (len(sheet), list(sheet), "L3" in sheet, "x" in sheet, sheet["P"]) == (4, list(rows), True, False, rows[0])
    assert sheet.lines == rows[1:]
    assert Family(donor="A", inducer="I") < Family(donor="B", inducer="A")
    with pytest.raises(FrozenInstanceError):
        rows[0].name = "Q"
    assert Share() == Share(value=None, low=None, high=None)


def inbred_lot(rng, n_samples=50, n_markers=120):
    return 2 * rng.integers(0, 2, (n_samples, n_markers)).astype(np.int8)


def test_rates_of_samples_equal_a_plain_count():
    calls = np.random.default_rng(1).integers(-1, 3, (9, 30)).astype(np.int8)
    calls[4] = MISSING
    for row, rate, het in zip(calls, sample_call_rate(calls), sample_heterozygosity(calls), strict=True):
        called = [c for c in row if c != MISSING]
        assert rate == pytest.approx(len(called) / 30)
        if called:
            assert het == pytest.approx(called.count(1) / len(called))
        else:
            assert np.isnan(het)
    assert sample_call_rate(np.zeros((3, 0), dtype=np.int8)).tolist() == [0, 0, 0]


def test_a_bad_marker_is_set_aside_and_a_good_one_kept_in_a_lot_full_of_hybrids():
    """Half of the lot is heterozygous at half of the markers; only the probe that is always so is at fault."""
    rng = np.random.default_rng(2)
    calls = inbred_lot(rng)
    calls[:25, ::2] = 1
    calls[:, 5] = 1
    calls[rng.random(50) < 0.95, 9] = MISSING
    quality = judge_markers(calls, np.ones(50, dtype=bool))
    assert np.flatnonzero(~quality.is_usable).tolist() == [5, 9]
    assert [bool(text) for text in quality.reason] == (~quality.is_usable).tolist()
    assert quality.marker_heterozygosity[5] == 1.0
    assert quality.marker_call_rate[9] < 0.2


def test_a_lot_with_much_missing_keeps_its_markers():
    """Half missing everywhere is the platform, not the marker."""
    rng = np.random.default_rng(3)
    calls = inbred_lot(rng)
    calls[rng.random(calls.shape) < 0.5] = MISSING
    assert judge_markers(calls, np.ones(50, dtype=bool)).is_usable.all()


def test_marker_quality_does_not_depend_on_order_or_allele_names():
    rng = np.random.default_rng(4)
    calls = inbred_lot(rng)
    calls[rng.random(calls.shape) < 0.03] = 1
    calls[rng.random(50) < 0.3, 7] = 1
    inbred = np.ones(50, dtype=bool)
    plain = judge_markers(calls, inbred)
    rows, columns = rng.permutation(50), rng.permutation(120)
    mixed = judge_markers(np.where(calls < 0, calls, 2 - calls)[np.ix_(rows, columns)].astype(np.int8), inbred)
    np.testing.assert_array_equal(mixed.is_usable, plain.is_usable[columns])
    assert not plain.is_usable[7]


def test_no_samples_and_no_markers_are_no_trouble():
    assert not judge_markers(np.zeros((0, 3), dtype=np.int8), np.zeros(0, dtype=bool)).is_usable.any()
    assert len(judge_markers(np.zeros((3, 0), dtype=np.int8), np.ones(3, dtype=bool)).reason) == 0
    nobody = judge_markers(np.zeros((3, 4), dtype=np.int8), np.zeros(3, dtype=bool))
    assert nobody.is_usable.all()


@pytest.mark.parametrize("stage", [None, *Stage])
def test_shipped_shares_add_to_one_and_cover_every_finding(stage):
    prior = stage_prior(stage)
    assert prior.sum() == pytest.approx(1.0)
    assert (prior > 0).all()
    assert prior.argmax() == expected_column()
    named = {f.value for f in Finding} - {"haploid", "doubled haploid"}
    assert set(FINDING_ORDER) == named | {assumptions.EXPECTED_FINDINGS}
    assert set(assumptions.HAPLOID_PRIOR) == set(assumptions.D1_PRIOR)


def test_posteriors_add_to_one_and_follow_bayes():
    rng = np.random.default_rng(5)
    pooled = rng.normal(-900, 40, (20, len(FINDING_ORDER)))
    pooled[:, 3] = -np.inf
    prior = stage_prior(Stage.D1)
    share = posterior(pooled, prior)
    np.testing.assert_allclose(share.sum(axis=1), 1.0)
    assert (share[:, 3] == 0).all()
    for line in range(20):
        odds = np.log(share[line, 0] / share[line, 1]) if share[line, :2].min() > 1e-200 else None
        if odds is not None:
            assert odds == pytest.approx(pooled[line, 0] - pooled[line, 1] + np.log(prior[0] / prior[1]))


def test_candidates_are_pooled_within_their_finding():
    found = candidates(FamilyShape(donor=(0, 1), inducer=2, n_slots=3, has_plant=True))
    rng = np.random.default_rng(6)
    values = rng.normal(-50, 3, (4, len(found)))
    weights = candidate_log_weights(found, Stage.HAPLOID)
    pooled = finding_log_likelihood(values, found, weights)
    for column, finding in enumerate(FINDING_ORDER):
        ways = [k for k, c in enumerate(found) if c.finding == finding]
        expected = np.exp(values[:, ways] + weights[ways]).sum(axis=1)
        with np.errstate(divide="ignore"):
            np.testing.assert_allclose(pooled[:, column], np.log(expected))


def sure_of(finding, n):
    pooled = np.full((n, len(FINDING_ORDER)), -60.0)
    pooled[:, FINDING_ORDER.index(finding)] = 0.0
    return pooled


@pytest.mark.parametrize("finding", ["expected", "hybrid", "selfed donor", "other donor"])
def test_shares_follow_a_lot_of_one_kind(finding):
    learnt = learn_prior(sure_of(finding, 2000), stage_prior(Stage.D1))
    assert learnt.sum() == pytest.approx(1.0)
    assert learnt[FINDING_ORDER.index(finding)] > 0.95
    assert learnt.min() >= LOWEST_PRIOR / 2
    few = learn_prior(sure_of(finding, 1), stage_prior(Stage.D1))
    np.testing.assert_allclose(few, stage_prior(Stage.D1), atol=0.04)


@pytest.mark.parametrize("finding", MOST_FLEXIBLE)
@pytest.mark.parametrize("n", [200, 5000])
def test_the_lot_raises_no_flexible_finding_beyond_its_most(finding, n):
    """What could explain nearly anything keeps to its bound, however many lines seem to call for it."""
    learnt = learn_prior(sure_of(finding, n), stage_prior(Stage.HAPLOID))
    assert learnt.sum() == pytest.approx(1.0)
    assert learnt[FINDING_ORDER.index(finding)] <= MOST_FLEXIBLE[finding] + 1e-9


def test_learnt_shares_recover_those_of_a_lot_whose_lines_are_clear():
    rng = np.random.default_rng(7)
    kinds = rng.choice([0, 1], 600, p=[0.7, 0.3])
    pooled = np.full((600, len(FINDING_ORDER)), -30.0)
    pooled[np.arange(600), kinds] = 0.0
    learnt = learn_prior(pooled, stage_prior(Stage.HAPLOID))
    assert learnt[1] == pytest.approx((kinds == 1).mean(), abs=0.02)
    assert learnt[0] == pytest.approx((kinds == 0).mean(), abs=0.02)
