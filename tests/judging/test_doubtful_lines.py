"""Lines that used to be judged wrong: segments that few markers prove, sisters, kin, donors without typed parents."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from mixed_calls import call_chance
from scipy.stats import binom

from dhverify.analysis import analyse
from dhverify.checking import run_check
from dhverify.contamination import find_mixtures
from dhverify.diagnosis import diagnose
from dhverify.evidence import NO_MEASURES, LineEvidence, Share
from dhverify.findings_table import FamilyShape, candidates, plant_maker
from dhverify.genetic_map import place_markers
from dhverify.genotypes import MISSING
from dhverify.hypotheses import KIN_RATE, SEGMENT_KINDS, pollen_of_kin
from dhverify.judging import FINDING_ORDER, MOST_FLEXIBLE, learn_prior, stage_prior
from dhverify.learning_rounds import stage_priors
from dhverify.limits import Limits
from dhverify.lot import assemble
from dhverify.observation import CallErrors
from dhverify.outcome import Answer, Finding, Flag, SegmentRow, Verdict
from dhverify.partners import PartnerGenotypes
from dhverify.poor_samples import poor_samples
from dhverify.reasons import explain
from dhverify.references import _answer
from dhverify.samples import Role, Sample, Stage
from dhverify.segments import SUPPORT_RATIO, kind_support
from dhverify.verdicts import judge
from dhverify.wells import Contaminants, are_neighbours, nearest

F1 = FamilyShape(donor=(0, 1), inducer=2, n_slots=3, has_plant=False)
UNPHASED = FamilyShape(donor=(0, 1), inducer=2, n_slots=3, has_plant=False, is_unphased=True)


def naive_support(posterior, seen, marker, line, kinds):
    """Chance of what was seen under a kind of stretch against none, over the donor strands by their posterior."""
    n_kinds = len(SEGMENT_KINDS)
    n_back = posterior.shape[1] // n_kinds
    told = []
    for kind in (0, *kinds):
        total = 0.0
        for back in range(n_back):
            here = sum(posterior[marker, back * n_kinds + k, line] for k in range(n_kinds))
            total += here * seen[marker, back * n_kinds + kind, line]
        told.append(total)
    return max(told[1:]) > SUPPORT_RATIO * told[0]


def test_support_of_a_segment_equals_a_plain_sum():
    rng = np.random.default_rng(4)
    posterior = rng.dirichlet(np.full(20, 0.1), size=(30, 6)).transpose(0, 2, 1)
    seen = rng.beta(0.3, 0.3, (30, 20, 6))
    support = kind_support(posterior, seen)
    assert 0.05 < support.mean() < 0.95
    for marker in range(30):
        for line in range(6):
            assert support[marker, 0, line] == naive_support(posterior, seen, marker, line, (1, 2))
            assert support[marker, 1, line] == naive_support(posterior, seen, marker, line, (3, 4))


@pytest.fixture(scope="module")
def three_way(simulated):
    settings = {"donor_type": "three-way", "segment_share": 0.35, "hybrid_share": 0.05, "n_donors": 3}
    programme, genotypes, sheet = simulated(
        seed=2, stage="D1", lines_per_donor=30, n_markers=900, polymorphism=0.45, **settings
    )
    return programme, run_check(genotypes, sheet)


def planted(row):
    return [text for text in str(row["segments"]).split(";") if text] if row["finding"] == "doubled haploid" else []


def test_no_line_with_strong_evidence_of_a_segment_passes(three_way):
    """Three parents differ at most markers, so that hardly any marker is diagnostic whatever the line carries."""
    programme, outcome = three_way
    truth = {row["sample"]: row for row in programme.truth}
    found = {row.sample for row in outcome.segments}
    carriers = [name for name, row in truth.items() if planted(row)]
    clean = [name for name, row in truth.items() if row["finding"] == "doubled haploid" and not planted(row)]
    assert len(carriers) >= 15
    assert not found & set(clean)
    assert len(found & set(carriers)) >= 0.6 * len(carriers)
    lines = {row.sample: row for row in outcome.lines}
    assert all(lines[name].verdict is Verdict.FAIL for name in found)
    assert all(lines[name].verdict is not Verdict.FAIL for name in clean)


def evidence(**more):
    sample = Sample(name="L1", role=Role.LINE, stage=Stage.D1, donor="D", inducer="I")
    return LineEvidence(
        sample=sample,
        is_genotyped=True,
        posterior={Finding.DOUBLED_HAPLOID: 1.0},
        expected=Finding.DOUBLED_HAPLOID,
        finding=Finding.DOUBLED_HAPLOID,
        confidence=1.0,
        **more,
    )


SEGMENT = SegmentRow(
    sample="L1",
    chrom="1",
    start_bp=1,
    end_bp=2,
    start_cm=1.0,
    end_cm=9.0,
    origin="inducer",
    copies=2,
    markers=3,
    confidence=1.0,
)


@pytest.mark.parametrize(
    ("more", "accepted", "verdict"),
    [
        ({"segment_probability": 0.9}, 0.0, Verdict.RETEST),
        ({"segment_probability": 0.4}, 0.0, Verdict.PASS),
        ({"segment_probability": 0.9}, 10.0, Verdict.PASS),
        ({"segment_probability": 0.9, "inducer_is_known": False}, 0.0, Verdict.PASS),
        ({"segment_probability": 1.0, "segments": (SEGMENT,)}, 0.0, Verdict.FAIL),
        ({"segment_probability": 1.0, "segments": (SEGMENT,)}, 8.0, Verdict.PASS),
    ],
)
def test_a_segment_that_no_markers_place_is_a_retest(more, accepted, verdict):
    judgement = judge(evidence(**more), Limits(max_inducer_segment_cm=accepted))
    assert judgement.verdict is verdict
    assert (Flag.INDUCER_SEGMENT in judgement.flags) == (verdict is not Verdict.PASS)


def test_donors_without_a_typed_parent_get_no_pollen_of_a_parent():
    """Which of the two chromosome sets is which parent is not known: such a parent is a made-up one."""

    def details(shape):
        return [c.detail for c in candidates(shape) if c.finding == Finding.OUTCROSS]

    assert [d for d in details(F1) if d.startswith("parent")] == ["parent 0", "parent 1"]
    assert not [d for d in details(UNPHASED) if d.startswith("parent")]


@pytest.mark.parametrize("seed", [1, 3, 5])
def test_no_good_line_of_an_untyped_cross_fails_as_a_parent(simulated, seed):
    """On 150 markers some lines show no crossover by luck: no reason to take them for a parent."""
    programme, genotypes, sheet = simulated(
        seed=seed, stage="D1", typed=("inducers",), n_markers=150, n_donors=2, lines_per_donor=25, parent_share=0.015
    )
    truth = {row["sample"]: row["finding"] for row in programme.truth}
    good = [line for line in run_check(genotypes, sheet).lines if truth[line.sample] == "doubled haploid"]
    assert len(good) > 30
    assert not [line.sample for line in good if line.verdict is Verdict.FAIL]
    assert np.mean([line.verdict is Verdict.PASS for line in good]) > 0.8


def test_lines_of_untyped_crosses_do_not_raise_the_share_of_parents():
    lines = [Sample(name=str(k), role=Role.LINE, stage=Stage.D1) for k in range(60)]
    pooled = np.full((60, len(FINDING_ORDER)), -50.0)
    pooled[:, 0] = 0.0
    pooled[:, FINDING_ORDER.index("parent")] = 5.0
    column = FINDING_ORDER.index("parent")
    typed = stage_priors(lines, pooled, np.zeros(60, dtype=bool))[Stage.D1][column]
    untyped = stage_priors(lines, pooled, np.ones(60, dtype=bool))[Stage.D1][column]
    assert untyped < stage_prior(Stage.D1)[column] < typed


@pytest.mark.parametrize("flexible", [("mixture",), ("mixture", "unresolved"), ("mixture", "unresolved", "outcross")])
def test_caps_hold_after_the_shares_add_to_one(flexible):
    pooled = np.full((90, len(FINDING_ORDER)), -40.0)
    for k, finding in enumerate(flexible):
        pooled[k :: len(flexible), FINDING_ORDER.index(finding)] = 0.0
    prior = learn_prior(pooled, stage_prior(Stage.D1))
    assert prior.sum() == pytest.approx(1)
    for finding in flexible:
        assert prior[FINDING_ORDER.index(finding)] <= MOST_FLEXIBLE[finding] + 1e-12


def test_an_even_mixture_favours_neither_homozygote():
    errors = CallErrors(marker_hom_to_het=np.array([0.01, 0.1]), hom_to_other_hom=0.002, dropout=0.2)
    chance = call_chance(errors, 0.5)
    assert chance.sum(axis=1) == pytest.approx([1, 1])
    assert chance[:, 0] == pytest.approx(chance[:, 2])
    assert call_chance(errors, 0.3)[:, 0] == pytest.approx(call_chance(errors, 0.7)[:, 2])


def test_pollen_of_kin_is_half_the_kin_in_stretches():
    found = pollen_of_kin("kin", plant_maker((0, 1)), 3, 4)
    assert found.pairs == ((0, 3), (0, 4), (1, 3), (1, 4))
    assert found.pair_weights == pytest.approx([0.25] * 4)
    assert sorted(factor.rate for factor in found.factors) == [2.0, KIN_RATE]


def test_declared_kin_are_no_contaminants_of_each_other(simulated):
    """A D1 line and the seedling that it descends from are one genotype; neither explains the other as a mixture."""
    _, genotypes, sheet = simulated(
        seed=7, stage="both", n_donors=2, lines_per_donor=20, n_markers=300, selfed_donor_share=0.15, descent_share=1.0
    )
    lot = assemble(genotypes, sheet, place_markers(genotypes.markers, None))
    analysis = analyse(lot, sheet)
    diagnosis = diagnose(analysis.lot, analysis, Limits())
    number = {sample.name: k for k, sample in enumerate(analysis.judged)}
    pairs = [(s.name, s.source) for s in analysis.judged if s.source]
    assert len(pairs) >= 15
    lines = [number[name] for name, _ in pairs]
    found = find_mixtures(analysis, diagnosis.panel, lines, analysis.lot.samples)
    assert len(found) == len(lines)
    assert not [pair for pair in pairs if found[number[pair[0]]].partner == pair[1]]


def test_the_mother_of_a_sister_is_a_donor_and_no_mixture(simulated):
    """In an F2 the plant behind a line is the union of its gamete and the complement, as is an even mixture.

    Only a sister in a well that touches may have got into it.
    """
    programme, genotypes, sheet = simulated(
        seed=2, stage="haploid", donor_type="F2", donor_share=0.08, n_donors=2, lines_per_donor=40, n_markers=600
    )
    truth = {row["sample"]: row["finding"] for row in programme.truth}
    donors = [line for line in run_check(genotypes, sheet).lines if truth[line.sample] == "donor"]
    assert len(donors) >= 5
    assert all(line.verdict is not Verdict.PASS for line in donors)
    mixed = [line for line in donors if line.finding is Finding.MIXTURE]
    assert {line.finding for line in donors} - {Finding.MIXTURE} == {Finding.DONOR}
    assert len(mixed) < len(donors) / 2
    for line in mixed:
        assert are_neighbours(sheet[line.sample], sheet[line.contaminant])
        assert line.confidence < 0.9


MIXED = {"mixture_share": 0.05, "mixture_low": 0.2}


@pytest.mark.parametrize("rate", [0.03, 0.06, 0.1])
def test_poor_dna_of_a_clean_line_is_a_retest_and_no_other_finding(simulated, rate):
    """False heterozygotes all over the genome, many times as many as the lot has: the sample is at fault."""
    programme, genotypes, sheet = simulated(
        seed=1,
        stage="D1",
        n_donors=3,
        lines_per_donor=30,
        n_markers=600,
        outcross_share=0.05,
        **MIXED,
    )
    truth = {row["sample"]: row for row in programme.truth}
    clean = [name for name, row in truth.items() if row["finding"] == "doubled haploid" and not row["segments"]]
    poor = clean[::9]
    calls = genotypes.calls.copy()
    rng = np.random.default_rng(3)
    for name in poor:
        row = genotypes.sample_index()[name]
        calls[row, (rng.random(calls.shape[1]) < rate) & (calls[row] != MISSING)] = 1
    lines = {line.sample: line for line in run_check(replace(genotypes, calls=calls), sheet).lines}
    found = [lines[name].finding for name in poor]
    assert len(poor) >= 7
    assert np.mean([finding is Finding.DOUBLED_HAPLOID for finding in found]) >= 0.7
    assert {lines[name].verdict for name in poor} == {Verdict.RETEST}
    others = {name: line for name, line in lines.items() if truth[name]["finding"] in {"outcross", "mixture"}}
    assert all(line.verdict is not Verdict.PASS for line in others.values())
    assert {line.finding for name, line in others.items() if truth[name]["finding"] == "outcross"} == {Finding.OUTCROSS}


def test_poor_samples_are_scored_with_more_errors(simulated):
    """Twin: independent markers, so that the likelihood is a product over markers of the two parents' alleles."""
    _, genotypes, sheet = simulated(seed=5, stage="D1", n_donors=1, lines_per_donor=20, n_markers=60)
    unplaced = replace(genotypes.markers, chrom=np.full(60, ""), pos_bp=np.full(60, -1))
    lot = assemble(replace(genotypes, markers=unplaced), sheet, place_markers(unplaced, None))
    analysis = analyse(lot, sheet)
    learnt, model = analysis.learnt, analysis.models[0]
    first, second = learnt.strand_second[model.slots[list(model.donor_slots)]]
    option = poor_samples(analysis, np.array([4]))[4]
    scores = []
    for extra in (0.02, 0.05, 0.1, 0.2):
        total = 0.0
        for marker, call in enumerate(learnt.seen.calls[analysis.rows[4]]):
            het = learnt.assay.calls.marker_hom_to_het[marker] + 0.8 * extra
            other = learnt.assay.calls.hom_to_other_hom + 0.2 * extra
            given = {0: (1 - het - other, other), 1: (het, het), 2: (other, 1 - het - other), -1: (1.0, 1.0)}[int(call)]
            q = (first[marker] + second[marker]) / 2
            total += np.log(given[0] * (1 - q) + given[1] * q)
        scores.append(total)
    assert option.finding == "expected"
    assert option.log_likelihood == pytest.approx(np.logaddexp.reduce(scores) - np.log(4))


def test_the_reason_tells_of_poor_dna():
    measures = replace(NO_MEASURES, called_markers=600, heterozygosity=Share(value=0.03, low=0.02, high=0.05))
    found = evidence(is_poor_sample=True, measures=replace(measures, call_rate=1.0, diagnostic_markers=60))
    judgement = judge(found, Limits())
    text = explain(found, judgement, Limits())
    assert judgement.flags == (Flag.HETEROZYGOSITY,)
    assert "than the errors of this lot explain: poor DNA" in text
    assert "limit 5" not in text
    assert text.endswith("Take fresh tissue and genotype it again.")


def test_sources_of_foreign_dna_are_weighed_by_where_they_stand():
    """Half of it comes from wells that touch, .2 from the plate, .3 from anywhere; absent places leave no gap."""
    touches = np.array([True, True, False, False, False])
    same = np.array([True, True, True, False, False])
    near = Contaminants.at(touches, same)
    beside, on_plate, elsewhere = 0.5 / 2 + 0.2 / 3 + 0.3 / 5, 0.2 / 3 + 0.3 / 5, 0.3 / 5
    assert np.exp(near.log_weights()) == pytest.approx([beside, beside, on_plate, elsewhere, elsewhere])
    assert np.exp(near.log_weights()).sum() == pytest.approx(1.0)
    some = near.chosen(np.array([3, 0]))
    assert np.exp(some.log_weights()) == pytest.approx([elsewhere, beside]), "the others may be it, too"
    lone = Contaminants.at(touches[2:], same[2:])
    assert np.exp(lone.log_weights()) == pytest.approx([0.4 + 0.2, 0.2, 0.2])
    assert np.exp(lone.log_weights(np.array([0.8, 0.1, 0.1]))) == pytest.approx([0.5 + 0.5 / 3, 0.5 / 3, 0.5 / 3])
    nowhere = np.zeros(4, dtype=bool)
    assert np.exp(Contaminants.at(nowhere, nowhere).log_weights()) == pytest.approx([0.25] * 4)


def test_of_several_samples_of_one_genotype_the_nearest_is_named():
    def at(name, plate, well):
        return Sample(name=name, role=Role.LINE, plate=plate, well=well)

    line = at("line", "P1", "B2")
    other, same, near = at("other", "P2", "B2"), at("same", "P1", "H9"), at("near", "P1", "C3")
    assert nearest(line, [other, same, near]) is near
    assert nearest(line, [other, same]) is same
    assert nearest(line, [other]) is other
    assert nearest(at("line", "", ""), [other, same]) is other


@pytest.mark.parametrize("finding", ["haploid", "hybrid", "selfed donor"])
def test_the_pedigree_of_a_partner_helps_to_tell_its_genotype(simulated, finding):
    """At 2x a sample shows one allele of most heterozygotes: its true genotype gets more weight by its strands."""
    programme, genotypes, sheet = simulated(
        seed=4,
        stage="haploid",
        n_donors=2,
        lines_per_donor=25,
        n_markers=500,
        platform="reads",
        depth=2.0,
        selfed_donor_share=0.1,
    )
    lot = assemble(genotypes, sheet, place_markers(genotypes.markers, None))
    analysis = analyse(lot, sheet)
    row_of = {str(name): row for row, name in enumerate(programme.samples)}
    kept = PartnerGenotypes(analysis)
    gains = []
    for row in programme.truth:
        if row["finding"] != finding or row["segments"]:
            continue
        here = analysis.lot.row[row["sample"]]
        copies = np.rint(2 * programme.fraction[row_of[row["sample"]]][analysis.lot.usable]).astype(int)
        told = kept[here]
        assert told.sum(axis=1) == pytest.approx(1)
        assert kept[here] is told
        plain = analysis.learnt.plant_genotype(here)
        gains.append(np.log(told[np.arange(len(copies)), copies] / plain[np.arange(len(copies)), copies]).sum())
    assert len(gains) >= 3
    assert min(gains) > 0


@pytest.mark.parametrize(
    ("wrong", "n", "agrees"),
    [
        (0, 15, Answer.YES),
        (1, 15, Answer.CANNOT_SAY),
        (5, 15, Answer.NO),
        (50, 1000, Answer.YES),
        (90, 1000, Answer.NO),
    ],
)
def test_one_wrong_call_puts_no_family_in_doubt(wrong, n, agrees):
    """P(Binomial(15, .06) >= 1) = .60, >= 5: .001 (computed); a wrong inbred differs at about a third."""
    answer, text = _answer(wrong, n, Limits())
    assert answer is agrees
    assert ("not beyond chance" in text) == (agrees is Answer.CANNOT_SAY)
    assert ("limit 5 %" in text) == (agrees is not Answer.YES)
    if n == 15 and wrong:
        assert (binom.sf(wrong - 1, n, 0.06) < 0.01) == (agrees is Answer.NO)


def test_segments_that_could_not_be_looked_for_are_not_known(simulated):
    """Without a typed inducer and without hybrids nobody knows what its alleles look like."""
    _, genotypes, sheet = simulated(
        seed=3, stage="D1", n_donors=2, lines_per_donor=15, n_markers=200, typed=("parents",), hybrid_share=0.0
    )
    outcome = run_check(genotypes, sheet)
    assert {line.inducer_segments for line in outcome.lines} == {None}
    assert {line.inducer_segment_mb for line in outcome.lines} == {None}
    assert "inducer_segment_lines" not in {row.measure for row in outcome.account}
