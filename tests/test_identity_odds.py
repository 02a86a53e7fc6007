"""Log odds of pairs against plain enumeration of every path, and independent stretches against simulation."""

from __future__ import annotations

from itertools import product

import identity_lots as lots
import numpy as np
import pytest

from dhverify.copy_share import COPY_SHARE, copy_threshold, learnt_copy_share
from dhverify.findings_table import FamilyShape
from dhverify.marker_grid import lay_out
from dhverify.pair_comparison import PairComparison
from dhverify.pair_odds import PairOdds, Way, sister_gametes
from dhverify.samples import Role, Sample
from dhverify.stretches import map_stretches, seen_stretches

CHROM = ["1", "1", "1", "2", "2"]
CM = [0.0, 12.0, 45.0, 3.0, 30.0]


def tiny(pedigree):
    """Twelve lines at five markers of two chromosomes, with errors and missing calls."""
    rng = np.random.default_rng(8)
    calls = np.vstack([np.zeros(5), np.full(5, 2), rng.integers(0, 2, (12, 5)) * 2]).astype(np.int8)
    calls[4, 2] = 1
    calls[6, 1] = -1
    names = ["P1", "P2", *(f"L{k}" for k in range(12))]
    samples = [Sample(name=name, role=Role.PARENT) for name in ("P1", "P2")]
    samples += [Sample(name="D", role=Role.DONOR, pedigree=pedigree), *(lots.line(name, "D") for name in names[2:])]
    lot, analysis, _ = lots.Trial(names, calls, samples, chrom=CHROM, cm=CM).analysed()
    odds = PairOdds(lot, analysis)
    odds.best_way = dict.fromkeys(odds.best_way, Way(model=0, candidate=0))
    return lot, analysis, odds


def told(n_factors, likelihood):
    """Sum over all paths of some meioses of one chromosome; ``likelihood(marker, values)``."""
    total = 1.0
    for markers in ([0, 1, 2], [3, 4]):
        steps = list(product((0, 1), repeat=n_factors))
        chromosome = 0.0
        for path in product(steps, repeat=len(markers)):
            chance = 0.5**n_factors
            for before, after, left, right in zip(path, path[1:], markers, markers[1:], strict=False):
                r = (1 - np.exp(-2 * (CM[right] - CM[left]) / 100)) / 2
                for one, two in zip(before, after, strict=True):
                    chance *= 1 - r if one == two else r
            for marker, values in zip(markers, path, strict=True):
                chance *= likelihood(marker, values)
            chromosome += chance
        total *= chromosome
    return np.log(total)


def seen_of(analysis, rows):
    """Likelihood of what was seen of samples at a marker, given the strand (P1, P2) that they carry."""
    learnt = analysis.learnt
    second = learnt.slot_values(analysis.models[0])[list(analysis.models[0].donor_slots)]
    likelihood = learnt.assay.genotype_likelihood(learnt.seen, np.array(rows)).prod(axis=1)

    def at(marker, strand):
        return likelihood[marker, 0] * (1 - second[strand, marker]) + likelihood[marker, 2] * second[strand, marker]

    return at


def test_log_odds_of_an_f1_are_those_of_all_paths():
    lot, analysis, odds = tiny("P1/P2")
    for one, two in (("L0", "L1"), ("L2", "L4"), ("L5", "L9")):
        a, b = lot.row[one], lot.row[two]
        both, first, second = (seen_of(analysis, rows) for rows in ([a, b], [a], [b]))
        expected = told(1, lambda m, v, s=both: s(m, v[0]))
        expected -= sum(told(1, lambda m, v, s=s: s(m, v[0])) for s in (first, second))
        assert odds.log_odds([a], [b])[0] == pytest.approx(expected, abs=1e-9)


def test_log_odds_of_a_backcross_pool_gametes_of_one_plant_and_of_two():
    """The plant carries P1 and a gamete of the F1; a line gets either."""
    lot, analysis, odds = tiny("P1*2/P2")

    def strand(plant, gamete):
        return plant if gamete else 0

    for one, two in (("L0", "L1"), ("L3", "L7")):
        a, b = lot.row[one], lot.row[two]
        both, first, second = (seen_of(analysis, rows) for rows in ([a, b], [a], [b]))
        same = told(2, lambda m, v, s=both: s(m, strand(*v)))
        apart = sum(told(2, lambda m, v, s=s: s(m, strand(*v))) for s in (first, second))
        sisters = told(3, lambda m, v, f=first, s=second: f(m, strand(v[0], v[1])) * s(m, strand(v[0], v[2])))
        expected = same - np.logaddexp(np.log(0.75) + apart, np.log(0.25) + sisters)
        assert odds.log_odds([a], [b])[0] == pytest.approx(expected, abs=1e-9)


def test_two_gametes_of_one_plant_are_a_story_of_their_own_where_plants_differ():
    f1 = FamilyShape(donor=(0, 1), inducer=2, n_slots=3, has_plant=False)
    f2 = FamilyShape(donor=((0, 1), (0, 1)), inducer=2, n_slots=3, has_plant=False)
    inbred = FamilyShape(donor=0, inducer=1, n_slots=2, has_plant=False)
    assert sister_gametes(f1) is None
    assert sister_gametes(inbred) is None
    told_of_f2 = sister_gametes(f2)
    assert told_of_f2.n_states == 16
    agreement = sum(w for (one, two), w in zip(told_of_f2.pairs, told_of_f2.pair_weights, strict=True) if one == two)
    assert agreement == pytest.approx(0.75)


def test_a_known_sample_without_a_family_says_nothing_to_another():
    trial = lots.steptoe_morex()
    for name in ("K1", "K2"):
        trial = trial.with_sample(Sample(name=name, role=Role.KNOWN), trial.row("SM3"))
    lot, analysis, _ = trial.analysed()
    comparison = PairComparison(lot, analysis)
    strangers, copy = comparison.compare([("K1", "K2"), ("SM3", "K1")])
    assert np.isnan(strangers.log_odds)
    assert (strangers.agreement, strangers.compared, strangers.stretches) == (None, 0, 0.0)
    assert copy.agreement == 1.0
    assert copy.log_odds > 20


def test_plants_that_are_all_alike_are_no_copies():
    """Two plants of a parent, two F1 plants: identical, and nothing follows from it."""
    trial = lots.steptoe_morex()
    for name in ("one", "two"):
        trial = trial.with_sample(lots.line(f"parent {name}", "D"), trial.row("P1"))
        trial = trial.with_sample(lots.line(f"f1 {name}", "D"), np.ones(223, dtype=np.int8))
    lot, analysis, sheet = trial.analysed()
    comparison = PairComparison(lot, analysis)
    for kind in ("parent", "f1"):
        alike = comparison.compare([(f"{kind} one", f"{kind} two")])[0]
        assert alike.agreement == 1.0
        assert abs(alike.log_odds) < 3
        assert comparison.odds.is_fixed(lot.row[f"{kind} one"])
    assert not comparison.odds.is_fixed(lot.row["SM3"])
    assert lots.groups_of(trial.found()) == {frozenset({"SM160", "SM161"})}
    assert "f1 one" in sheet


def test_two_samples_of_one_hybrid_are_told_from_two_hybrids():
    """Hybrids with a typed inducer: two samples of one plant, and a sister hybrid."""
    trial = lots.steptoe_morex()
    rng = np.random.default_rng(3)
    inducer = rng.integers(0, 2, 223) * 2
    trial = trial.with_sample(Sample(name="I", role=Role.INDUCER), inducer)
    trial = trial.changed(**{s.name: {"inducer": "I"} for s in trial.samples if s.role is Role.LINE})
    for name, mother in (("H1", "SM10"), ("H1 again", "SM10"), ("H2", "SM20")):
        gamete = trial.row(mother)
        hybrid = np.where(gamete < 0, -1, (gamete + inducer) // 2)
        trial = trial.with_sample(lots.line(name, "D", inducer="I"), hybrid)
    lot, analysis, _ = trial.analysed()
    comparison = PairComparison(lot, analysis)
    assert comparison.odds.candidate_of(lot.row["H1"]).hypothesis.name == "hybrid"
    same, sisters = comparison.compare([("H1", "H1 again"), ("H1", "H2")])
    assert same.log_odds > 20
    assert sisters.log_odds < -20
    assert frozenset({"H1", "H1 again"}) in lots.groups_of(trial.found())


# how many lines have a copy


def told_copy_share(log_odds, n_others, n_lines):
    """The share of lines with a copy and the chances of the pairs, in turn, until neither moves."""
    share = 0.04
    for _ in range(200):
        copies = 0.0
        for odds, n in zip(log_odds, n_others, strict=True):
            prior = share / max(n, 2)
            copies += prior * np.exp(odds) / (1 + prior * np.exp(odds))
        share = min((100 * 0.04 + 2 * copies) / (100 + n_lines), 0.3)
    return share


@pytest.mark.parametrize(
    ("log_odds", "n_lines"),
    [
        ([20.0] * 9 + [-30.0] * 50, 160),
        ([3.0, 4.0, 5.0, -2.0], 40),
        ([-40.0] * 80, 100),
        ([25.0] * 90, 200),
    ],
    ids=["sure", "unsure", "none", "many"],
)
def test_the_share_of_copies_is_where_share_and_copies_agree(log_odds, n_lines):
    n_others = [20.0 + 5 * (k % 3) for k in range(len(log_odds))]
    found = learnt_copy_share(np.array(log_odds), np.array(n_others), n_lines)
    assert found == pytest.approx(told_copy_share(log_odds, n_others, n_lines), rel=1e-4)


def test_a_lot_with_many_copies_asks_less_of_a_pair_and_one_without_asks_more():
    few = learnt_copy_share(np.full(5, -40.0), np.full(5, 40.0), 200)
    many = learnt_copy_share(np.full(20, 30.0), np.full(20, 40.0), 200)
    assert few < COPY_SHARE < many
    usual, strict, easy = (copy_threshold(40, 0.95, copy_share=share) for share in (COPY_SHARE, few, many))
    assert easy < usual < strict
    assert usual == copy_threshold(40, 0.95)
    assert easy == pytest.approx(np.log(0.95 / 0.05) + np.log(40 / many))


# stretches

MAIZE_CM = (210.4, 161.2, 161.0, 150.4, 155.4, 110.8, 135.8, 136.6, 127.4, 113.0)
"""US NAM consensus map (Ogut et al. 2015, Heredity 114:552-563)."""


def dense(lengths, step=1.0):
    chrom, cm = [], []
    for number, length in enumerate(lengths):
        places = np.arange(0, length + 1e-9, step)
        chrom += [str(number + 1)] * len(places)
        cm += places.tolist()
    return np.array(chrom), np.array(cm)


def test_stretches_of_dense_markers_are_those_of_the_formula():
    """Variance of the agreement of sisters on a chromosome of l Morgan: [4l - 1 + exp(-4l)] / (32 l^2)."""
    l = np.array(MAIZE_CM) / 100
    variance = (4 * l - 1 + np.exp(-4 * l)) / (32 * l**2)
    expected = 0.25 / ((l**2 * variance).sum() / l.sum() ** 2)
    grid = lay_out(*dense(MAIZE_CM))
    assert expected == pytest.approx(35.3, abs=0.5)
    assert map_stretches(grid, np.ones(grid.n_markers, dtype=bool)) == pytest.approx(expected, rel=0.02)


def test_two_chromosomes_have_too_few_stretches_and_five_have_enough():
    from dhverify.identity import MIN_STRETCHES

    for lengths, is_enough in ((MAIZE_CM[:2], False), ((100.0,) * 5, True), (MAIZE_CM, True)):
        grid = lay_out(*dense(lengths))
        assert (map_stretches(grid, np.ones(grid.n_markers, dtype=bool)) >= MIN_STRETCHES) == is_enough


def test_unlinked_markers_count_each_and_masked_ones_not():
    grid = lay_out(np.array([""] * 30), np.full(30, np.nan))
    is_compared = np.arange(30) < 12
    assert map_stretches(grid, is_compared) == pytest.approx(12)
    assert map_stretches(grid, np.zeros(30, dtype=bool)) == 0.0


def test_lines_show_the_stretches_of_their_map():
    """120 simulated lines, three copies of each of ten among them; 3 % missing."""
    rng = np.random.default_rng(5)
    chrom, cm = dense(MAIZE_CM, step=4.0)
    gaps = np.diff(cm, prepend=0.0) / 100
    r = np.where(np.diff(cm, prepend=1e9) < 0, 0.5, (1 - np.exp(-2 * np.abs(gaps))) / 2)
    calls = (np.cumsum(rng.random((120, len(cm))) < r, axis=1) % 2 * 2).astype(np.int8)
    calls[-30:] = np.repeat(calls[:10], 3, axis=0)
    calls[rng.random(calls.shape) < 0.03] = -1
    promised = map_stretches(lay_out(chrom, cm), np.ones(len(cm), dtype=bool))
    assert seen_stretches(calls) == pytest.approx(promised, rel=0.15)


@pytest.mark.parametrize(
    "calls",
    [np.zeros((9, 50)), np.zeros((20, 0)), np.zeros((20, 50)), np.full((20, 50), -1)],
    ids=["few lines", "no marker", "all alike", "nothing called"],
)
def test_lines_that_cannot_tell_show_nothing(calls):
    assert seen_stretches(calls.astype(np.int8)) is None
