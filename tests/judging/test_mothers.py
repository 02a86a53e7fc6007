"""Samples held against the plant behind a sister line: plain enumeration of meioses, and simulated programmes.

The twin knows Mendel and Haldane only: a plant gets a gamete of each side of its cross, its sister line, its selfed
progeny and its other gametes are drawn from its two chromosomes, one bit for each meiosis, and what was seen of the
sample is summed over all paths of the bits, given what was seen of the sister.
"""

from __future__ import annotations

from itertools import pairwise, product

import identity_lots as lots
import numpy as np
import plate_lots
import pytest

from dhverify import diagnosis
from dhverify.analysis import Analysis
from dhverify.judging import FINDING_ORDER
from dhverify.mixed_assay import mixed_likelihood
from dhverify.mixture_fits import SHARES, MixtureFit
from dhverify.mothers import by_sisters
from dhverify.outcome import Finding
from dhverify.partners import ELSE, PartnerGenotypes
from dhverify.samples import Role, Sample
from dhverify.wells import Contaminants

CHROM = ["1", "1", "1", "1", "2", "2"]
CM = [0.0, 9.0, 31.0, 70.0, 5.0, 30.0]
CHAINS = ([0, 1, 2, 3], [4, 5])
F2, BC1 = "P1/P2//P1/P2", "P1*2/P2"
DOUBTFUL, SISTER = "L0", "L1"


def f2_plant(one, two):
    """Founders of the two chromosomes of an F2 plant: a gamete of the F1 from either side."""
    return one, two


def backcross_plant(one):
    """P1 on one chromosome, a gamete of the F1 on the other."""
    return 0, one


PLANTS = {F2: (2, f2_plant), BC1: (1, backcross_plant)}


def over_paths(n_bits, chance):
    """Log of the sum over all paths of the bits along each chromosome of the product of ``chance(marker, bits)``."""
    states = list(product((0, 1), repeat=n_bits))
    log_total = 0.0
    for chain in CHAINS:
        weight = [0.5**n_bits * chance(chain[0], bits) for bits in states]
        for left, right in pairwise(chain):
            r = (1 - np.exp(-2 * (CM[right] - CM[left]) / 100)) / 2
            flips = np.array([[sum(a != b for a, b in zip(s, t, strict=True)) for t in states] for s in states])
            step = r**flips * (1 - r) ** (n_bits - flips)
            weight = (np.array(weight) @ step) * [chance(right, bits) for bits in states]
        log_total += np.log(np.sum(weight))
    return log_total


def test_the_sum_over_paths_is_the_sum_over_paths():
    """The twin's recursion against every path by itself."""
    table = np.random.default_rng(4).random((6, 2, 2))
    total = 1.0
    for chain in CHAINS:
        part = 0.0
        for path in product(product((0, 1), repeat=2), repeat=len(chain)):
            value = 0.25 * np.prod([table[m][bits] for m, bits in zip(chain, path, strict=True)])
            for k in range(1, len(chain)):
                r = (1 - np.exp(-2 * (CM[chain[k]] - CM[chain[k - 1]]) / 100)) / 2
                for before, after in zip(path[k - 1], path[k], strict=True):
                    value *= r if before != after else 1 - r
            part += value
        total *= part
    assert over_paths(2, lambda m, bits: table[m][bits]) == pytest.approx(np.log(total), abs=1e-12)


class Twin:
    """A small lot of a donor, and what Mendel and Haldane say of its samples.

    Lines of an F1 of the same parents stand beside it, from which these are known well.
    """

    def __init__(self, pedigree, calls, beside):
        names = ["P1", "P2", *(f"L{k}" for k in range(len(calls))), *(f"E{k}" for k in range(len(beside)))]
        samples = [Sample(name=name, role=Role.PARENT) for name in ("P1", "P2")]
        samples += [Sample(name="D", role=Role.DONOR, pedigree=pedigree)]
        samples += [Sample(name="E", role=Role.DONOR, pedigree="P1/P2")]
        samples += [lots.line(name, "D" if name.startswith("L") else "E") for name in names[2:]]
        table = np.vstack([np.zeros(6), np.full(6, 2), calls, beside]).astype(np.int8)
        self.lot, self.analysis, _ = lots.Trial(names, table, samples, chrom=CHROM, cm=CM).analysed()
        self.learnt, self.model = self.analysis.learnt, self.analysis.models[0]
        assert self.model.family.donor == "D"
        self.second = self.learnt.slot_values(self.model)[list(self.model.donor_slots)]
        self.n_plant_bits, self.plant = PLANTS[pedigree]
        self.number = {sample.name: k for k, sample in enumerate(self.analysis.judged)}

    def seen(self, name):
        """Likelihood of the three genotypes of a sample; shape (n_markers, 3)."""
        return self.learnt.assay.genotype_likelihood(self.learnt.seen, np.array([self.lot.row[name]]))[:, 0]

    def genotypes(self, marker, pair):
        """Chances of 0, 1 and 2 second alleles of two founders; twice the same founder is one allele twice."""
        p, q = (self.second[founder, marker] for founder in pair)
        if pair[0] == pair[1]:
            return np.array([1 - p, 0.0, p])
        return np.array([(1 - p) * (1 - q), p + q - 2 * p * q, p * q])

    def chance(self, seen, marker, pair):
        return float(seen[marker] @ self.genotypes(marker, pair))

    def split(self, bits):
        """The plant of the first bits, and the bits that are left."""
        return self.plant(*bits[: self.n_plant_bits]), bits[self.n_plant_bits :]

    def told(self, n_bits, sample, witness=None):
        """Log likelihood of a sample given a witness; ``sample(marker, plant, bits)``.

        The witness is a sister of the plant (one bit), or what is known of the plant itself where it is None.
        """
        known = self.learnt.one_plant["D"] / np.array([0.25, 0.5, 0.25]) if witness is None else self.seen(witness)

        def joint(marker, bits, with_sample):
            plant, rest = self.split(bits)
            if witness is None:
                value = self.chance(known, marker, plant)
            else:
                value, rest = self.chance(known, marker, (plant[rest[0]],) * 2), rest[1:]
            return value * sample(marker, plant, rest) if with_sample else value

        n_known = self.n_plant_bits + (witness is not None)
        both = over_paths(n_known + n_bits, lambda m, bits: joint(m, bits, with_sample=True))
        return both - over_paths(n_known, lambda m, bits: joint(m, bits, with_sample=False))

    def itself(self, name, witness):
        seen = self.seen(name)
        return self.told(0, lambda m, plant, _: self.chance(seen, m, plant), witness)

    def gamete(self, name, witness):
        seen = self.seen(name)
        return self.told(1, lambda m, plant, bits: self.chance(seen, m, (plant[bits[0]],) * 2), witness)

    def selfed(self, name, witness, times):
        seen = self.seen(name)

        def sample(marker, plant, bits):
            for k in range(times):
                plant = plant[bits[2 * k]], plant[bits[2 * k + 1]]
            return self.chance(seen, marker, plant)

        return self.told(2 * times, sample, witness)

    def mixed(self, name, witness, partner):
        """Another gamete with DNA of the partner, all shares alike before they are looked at."""
        row, genotype = self.lot.row[name], PartnerGenotypes(self.analysis)[self.lot.row[partner]]
        scores = []
        for share in SHARES:
            given = np.einsum("mag,mg->ma", mixed_likelihood(self.learnt, row, share), genotype)

            def sample(marker, plant, bits, given=given):
                second = self.second[plant[bits[0]], marker]
                return given[marker, 0] * (1 - second) + given[marker, 1] * second

            scores.append(self.told(1, sample, witness))
        return np.log(np.mean(np.exp(scores)))

    def found(self, monkeypatch, clean, partners=()):
        """What the package tells of the sample in doubt where these lines are clean."""
        chance = np.array([float(sample.name in clean) for sample in self.analysis.judged])
        monkeypatch.setattr(Analysis, "clean_probability", lambda _: chance)
        share = np.zeros((len(chance), len(FINDING_ORDER)))
        share[self.number[DOUBTFUL], FINDING_ORDER.index(Finding.DONOR)] = 1.0
        fits = {self.number[DOUBTFUL]: fit_of(partners)}
        return by_sisters(self.analysis, fits, share)[self.number[DOUBTFUL]]


def fit_of(partners):
    """Mixtures that fit alike, with partners of falling weight."""
    nowhere = np.zeros(len(partners), dtype=bool)
    return MixtureFit(
        partners=tuple(partners),
        scores=np.zeros((len(partners), len(SHARES))),
        contaminants=Contaminants.at(nowhere, nowhere),
        log_weights=-2.0 - np.arange(len(partners)),
    )


def several_plants(pedigree):
    """Sixteen lines; the first is in doubt. With an error or two and a missing call."""
    rng = np.random.default_rng(8)
    calls = rng.integers(0, 2, (16, 6)) * 2
    calls[0] = [1, 1, 0, 1, 1, 2]
    calls[1] = [0, 2, 0, 0, 2, 2]
    calls[2, 3] = -1
    calls[3, 1] = 1
    return Twin(pedigree, calls, rng.integers(0, 2, (30, 6)) * 2)


def one_plant(pedigree):
    """Ten gametes of a plant that is fixed at the last three of six markers, and a line in doubt."""
    rng = np.random.default_rng(9)
    calls = rng.integers(0, 2, (11, 6)) * 2
    calls[:, 3:] = 0
    calls[0] = [1, 1, 1, 2, 0, 1]
    return Twin(pedigree, calls, rng.integers(0, 2, (60, 6)) * 2)


def only(options, finding, **wanted):
    (option,) = [o for o in options if o.finding == finding and all(getattr(o, k) == v for k, v in wanted.items())]
    return option


@pytest.mark.parametrize("pedigree", [F2, BC1])
def test_scores_against_a_sister_are_those_of_all_paths(monkeypatch, pedigree):
    twin = several_plants(pedigree)
    options = twin.found(monkeypatch, {SISTER}, partners=[SISTER])
    mother = only(options, Finding.DONOR)
    assert mother.detail == f"the mother of {SISTER}"
    assert mother.log_likelihood == pytest.approx(twin.itself(DOUBTFUL, SISTER), abs=1e-9)
    once = only(options, Finding.SELFED_DONOR, detail="selfed once")
    assert once.log_likelihood == pytest.approx(twin.selfed(DOUBTFUL, SISTER, 1), abs=1e-9)
    gamete = only(options, FINDING_ORDER[0])
    assert gamete.log_likelihood == pytest.approx(twin.gamete(DOUBTFUL, SISTER), abs=1e-9)
    mixture = only(options, Finding.MIXTURE)
    assert mixture.name == SISTER
    assert mixture.log_likelihood == pytest.approx(twin.mixed(DOUBTFUL, SISTER, SISTER), abs=1e-9)


def test_a_backcross_is_simple_enough_to_be_selfed_twice_beside_a_sister_and_an_f2_is_not(monkeypatch):
    twin = several_plants(BC1)
    twice = only(twin.found(monkeypatch, {SISTER}), Finding.SELFED_DONOR, detail="selfed twice")
    assert twice.log_likelihood == pytest.approx(twin.selfed(DOUBTFUL, SISTER, 2), abs=1e-9)
    details = {option.detail for option in several_plants(F2).found(monkeypatch, {SISTER})}
    assert "selfed once" in details
    assert "selfed twice" not in details


@pytest.mark.parametrize("pedigree", [F2, BC1])
def test_scores_against_one_plant_are_those_of_all_paths(monkeypatch, pedigree):
    twin = one_plant(pedigree)
    assert set(twin.learnt.one_plant) == {"D"}
    options = twin.found(monkeypatch, {SISTER}, partners=[SISTER])
    assert not [option for option in options if option.finding == Finding.DONOR], "the plant is a candidate anyway"
    for times, detail in ((1, "selfed once"), (2, "selfed twice")):
        option = only(options, Finding.SELFED_DONOR, detail=detail)
        assert option.log_likelihood == pytest.approx(twin.selfed(DOUBTFUL, None, times), abs=1e-9)
    gamete = only(options, FINDING_ORDER[0])
    assert gamete.log_likelihood == pytest.approx(twin.gamete(DOUBTFUL, None), abs=1e-9)
    mixture = only(options, Finding.MIXTURE, name=SISTER)
    assert mixture.log_likelihood == pytest.approx(twin.mixed(DOUBTFUL, None, SISTER), abs=1e-9)


def as_plant(twin, name):
    """Genotype of a sample, were it a plant of the donor, path by path; shape (n_markers, 3)."""
    seen, n = twin.seen(name), twin.n_plant_bits
    total = over_paths(n, lambda m, bits: twin.chance(seen, m, twin.plant(*bits)))
    found = np.empty((len(CM), 3))
    for marker, genotype in product(range(len(CM)), range(3)):

        def held(m, bits, marker=marker, genotype=genotype):
            chances = seen[m] * twin.genotypes(m, twin.plant(*bits))
            return chances[genotype] if m == marker else chances.sum()

        with np.errstate(divide="ignore"):
            found[marker, genotype] = np.exp(over_paths(n, held) - total)
    return (1 - ELSE) * found + ELSE / 3


def daughters_odds(twin, others):
    """Log odds that others come of the sample, against what the one sister says of them."""
    plant, sister = as_plant(twin, DOUBTFUL), PartnerGenotypes(twin.analysis)[twin.lot.row[SISTER]]
    chromosomes = np.empty((2, len(CM)))
    for marker in range(len(CM)):
        second = sister[marker, 2] / (sister[marker, 0] + sister[marker, 2])
        other = [0.0, 0.0]
        for first in (0, 1):
            for second_one in (0, 1):
                chance = second if first else 1 - second
                other[second_one] += chance * plant[marker, first + second_one]
        chromosomes[:, marker] = second, np.clip(other[1] / sum(other), 0.001, 0.999)
    total = 0.0
    for name in others:
        seen = twin.seen(name)
        at_large = over_paths(
            twin.n_plant_bits + 1,
            lambda m, bits, s=seen: twin.chance(s, m, (twin.plant(*bits[:-1])[bits[-1]],) * 2),
        )
        of_plant = over_paths(1, lambda m, bits, s=seen: s[m] @ [1 - (p := chromosomes[bits[0], m]), 0.0, p])
        of_mother = twin.gamete(name, SISTER)
        told, known = (np.log(0.9 * np.exp(at_large) + 0.1 * np.exp(x)) for x in (of_plant, of_mother))
        total += told - known
    return total


@pytest.mark.parametrize("pedigree", [F2, BC1])
def test_other_daughters_speak_for_a_mother_as_all_paths_do(monkeypatch, pedigree):
    twin = several_plants(pedigree)
    alone = only(twin.found(monkeypatch, {SISTER}, partners=[SISTER]), Finding.DONOR)
    others = ["L2", "L3", "L5", "L8"]
    detail = f"the mother of {SISTER}"
    beside = only(twin.found(monkeypatch, {SISTER, *others}, partners=[SISTER]), Finding.DONOR, detail=detail)
    expected = daughters_odds(twin, others)
    assert abs(expected) > 0.01
    assert beside.log_likelihood - alone.log_likelihood == pytest.approx(expected, abs=1e-8)


def test_mothers_are_half_of_the_plants_and_partners_keep_the_weight_of_their_wells(monkeypatch):
    twin = several_plants(F2)
    sisters = ["L1", "L2", "L3", "L5", "L8"]
    options = twin.found(monkeypatch, sisters, partners=["L3", "L14", "L8", "L2"])
    mothers = [option for option in options if option.finding == Finding.DONOR]
    mixtures = {o.name: o.log_weight for o in options if o.finding == Finding.MIXTURE}
    assert list(mixtures) == ["L3", "L8", "L1"], "two clean partners, and the one that shows least of what it lacks"
    assert [option.log_weight for option in mothers] == pytest.approx([np.log(0.5 / 5)] * 3)
    wells = (-2.0, -4.0, -np.log(46))
    assert list(mixtures.values()) == pytest.approx([weight + np.log(0.1) for weight in wells])
    once = [option for option in options if option.detail == "selfed once"]
    assert [option.log_weight for option in once] == pytest.approx([np.log(0.5 / 5 * 0.25)] * 3), "at D1"


def test_lines_of_which_no_plant_or_mixture_is_likely_are_left_alone(monkeypatch):
    twin = several_plants(F2)
    assert twin.found(monkeypatch, set()) == []
    assert twin.found(monkeypatch, {"E0", "E1"}) == [], "clean lines of another donor are no sisters"
    share = np.zeros((len(twin.analysis.judged), len(FINDING_ORDER)))
    assert by_sisters(twin.analysis, {0: fit_of([SISTER])}, share) == {}


# simulated programmes

FAULTS = {
    "n_donors": 2,
    "lines_per_donor": 48,
    "n_markers": 500,
    "hybrid_share": 0.06,
    "donor_share": 0.08,
    "selfed_donor_share": 0.08,
    "mixture_share": 0.08,
    "parent_share": 0.04,
    "mixture_low": 0.2,
    "mixture_high": 0.4,
    "has_plates": False,
}


def answers(seeds, **settings):
    """Planted findings and those that were found; also the lots."""
    told = []
    for seed in seeds:
        lot = plate_lots.plate_lot(seed=seed, **FAULTS, **settings)
        _, _, evidence = lot.analysed()
        told += [(lot.truth[name]["finding"], known.finding.value) for name, known in evidence.items()]
    return told


def right(told, *planted):
    chosen = [true == found for true, found in told if true in planted]
    assert len(chosen) >= 8
    return np.mean(chosen)


@pytest.mark.parametrize(
    ("settings", "least"),
    [
        ({"donor_type": "F2", "donor_rows": "cross"}, 0.95),
        ({"donor_type": "F2", "donor_rows": "plant"}, 0.95),
        ({"donor_type": "BC1", "donor_rows": "plant"}, 0.95),
        ({"donor_type": "BC1", "donor_rows": "cross"}, 0.85),
    ],
)
def test_plants_selfed_plants_and_mixtures_of_donors_that_differ_are_told_apart(settings, least):
    """A plant of a backcross differs from its sisters by half as much as one of an F2."""
    told = answers((2, 3), **settings)
    assert right(told, "donor", "selfed donor", "mixture") >= least
    assert right(told, "parent") >= 0.8
    assert right(told, "haploid") >= 0.98
    assert right(told, "hybrid") >= 0.95


def test_nothing_is_asked_of_the_sisters_of_an_f1_line(monkeypatch):
    """All plants of an F1 are alike: the findings are the same without a look at sisters."""
    lot = plate_lots.plate_lot(seed=1, **FAULTS)
    _, analysis, evidence = lot.analysed()
    assert analysis.learnt.one_plant == {}
    looked_at = []

    def never(_analysis, mixtures, _share):
        looked_at.extend(mixtures)
        return {}

    monkeypatch.setattr(diagnosis, "by_sisters", never)
    _, _, without = lot.analysed()
    assert looked_at
    for name, known in evidence.items():
        assert (known.finding, known.posterior) == (without[name].finding, without[name].posterior)
    told = [(lot.truth[name]["finding"], known.finding.value) for name, known in evidence.items()]
    assert right(told, "donor", "selfed donor", "mixture") >= 0.95


def test_without_their_sisters_plants_of_an_f2_are_taken_for_mixtures(monkeypatch):
    """What the look at sisters is for."""
    settings = {"donor_type": "F2", "donor_rows": "cross"}
    by_now = right(answers((2, 3), **settings), "donor", "selfed donor")
    monkeypatch.setattr(diagnosis, "by_sisters", lambda *_: {})
    before = right(answers((2, 3), **settings), "donor", "selfed donor")
    assert before < 0.8 < by_now
