"""Check values of the trade: published ones with their source, computed ones with their formula.

``COMPUTED`` marks a value that follows from the formula beside it and has no source of its own. Where the
package has the function it is called; where it rests on the value only (a limit, a sentence in the report),
the formula stands here.
"""

import math

import numpy as np
import pytest
from scipy import linalg, stats

from dhverify.genetic_map import MAIZE_MAP, haldane, kosambi
from dhverify.intervals import clopper_pearson, poisson_binomial, wilson
from dhverify.limits import Limits
from dhverify.pedigree import expected_shares, parse_pedigree

COMPUTED = "computed"
MAP_MORGAN = MAIZE_MAP.length_cm / 100
GENOME_MB = MAIZE_MAP.length_mb.sum()


def weighted_sd(lengths_morgan, variance_of_length):
    """SD of a genome-wide share: chromosomes are independent and weigh by their length."""
    lengths = np.asarray(lengths_morgan, dtype=float)
    return math.sqrt((lengths**2 * variance_of_length(lengths)).sum()) / lengths.sum()


# ---------------------------------------------------------------- sorting of kernels


@pytest.mark.parametrize(
    ("induction", "hybrids_kept", "haploids_lost", "expected"),
    [
        (0.10, 0.01, 0.05, 0.087),
        (0.10, 0.05, 0.05, 0.321),
        (0.10, 0.10, 0.10, 0.500),
        (0.08, 0.02, 0.05, 0.195),
    ],
    ids=[COMPUTED] * 4,
)
def test_false_discovery_rate_of_sorting(induction, hybrids_kept, haploids_lost, expected):
    """COMPUTED, Bayes: (1-h)a / [(1-h)a + h(1-b)]."""
    hybrids = (1 - induction) * hybrids_kept
    haploids = induction * (1 - haploids_lost)
    assert hybrids / (hybrids + haploids) == pytest.approx(expected, abs=5e-4)


def test_selfing_leaves_what_doubling_does_not():
    """COMPUTED, (1/2)^n of the heterozygosity of an F1 after n selfings: 1.6 to 0.4 % after six to eight."""
    assert [round(100 * 0.5**n, 1) for n in (6, 8)] == [1.6, 0.4]


# ---------------------------------------------------------------- detection of a hybrid


@pytest.mark.parametrize(
    ("k", "false_reject", "missed"),
    [(5, 1e-5, 1.2e-3), (8, 7e-7, 1.5e-5), (10, 2e-8, 3e-6)],
    ids=[COMPUTED] * 3,
)
def test_diagnostic_markers_needed_for_a_hybrid(k, false_reject, missed):
    """COMPUTED, binomial: a hybrid when half or more of k are het; e = 1 %, a het called het 95 %."""
    half = math.ceil(k / 2)
    good_line, hybrid = poisson_binomial(np.full(k, 0.01)), poisson_binomial(np.full(k, 0.95))
    assert good_line[half:].sum() == pytest.approx(stats.binom.sf(half - 1, k, 0.01))
    assert good_line[half:].sum() == pytest.approx(false_reject, rel=0.25)
    assert hybrid[:half].sum() == pytest.approx(missed, rel=0.1)


def test_reasons_given_for_the_limits():
    """COMPUTED: what the shipped limits say of themselves."""
    limits = Limits()
    assert 0.5**limits.min_called_markers == pytest.approx(2e-4, rel=0.25)
    assert limits.min_diagnostic_markers == 5
    assert 0.01**limits.min_segment_markers == pytest.approx(1e-6)


def test_markers_needed_in_all_for_a_diagnostic_one():
    """COMPUTED: d/2 of a panel is diagnostic; d = 0.363 of Yan et al. 2010, Mol Breeding 25:441-451."""
    needed = 1 / (0.363 / 2)
    assert needed == pytest.approx(5.5, abs=0.05)
    rng = np.random.default_rng(3)
    polymorphic = 0.363
    allele = rng.random((3, 400_000)) < (1 - math.sqrt(1 - 2 * polymorphic)) / 2  # 2pq = d for each pair
    first, second, inducer = allele
    assert np.mean(first != second) == pytest.approx(polymorphic, abs=0.004)
    assert np.mean((first == second) & (first != inducer)) == pytest.approx(polymorphic / 2, abs=0.004)


@pytest.mark.parametrize(
    ("n", "expected", "digits"),
    [(50, 0.08, 2), (100, 0.34, 2), (150, 0.60, 2), (200, 0.78, 2), (300, 0.95, 2), (500, 0.998, 3)],
    ids=[COMPUTED] * 6,
)
def test_visibility_of_a_segment_with_markers_at_random(n, expected, digits):
    """COMPUTED, P(Bin(n, 44 / genome Mb) >= 3): the run of Zhao et al. 2013, Plant Physiol 163:721-731."""
    assert stats.binom.sf(2, n, 44 / GENOME_MB) == pytest.approx(expected, abs=0.5 * 10**-digits)


@pytest.mark.parametrize(("n", "expected"), [(50, 0.0), (100, 0.06), (150, 1.0), (200, 1.0)], ids=[COMPUTED] * 4)
def test_visibility_of_a_segment_with_evenly_spaced_markers(n, expected):
    """COMPUTED: 44 Mb hold k or k + 1 marks of an even ruler, k + 1 with the fraction left over."""
    per_segment = 44 / (GENOME_MB / n)
    assert min(max(per_segment - 2, 0), 1) == pytest.approx(expected, abs=0.005)
    starts = (np.arange(20_000) + 0.5) / 20_000 * 5  # naive twin: count the ruler's marks from many starts
    held = np.floor(starts + per_segment) - np.floor(starts)
    assert np.mean(held >= 3) == pytest.approx(expected, abs=0.006)


# ---------------------------------------------------------------- call errors


@pytest.mark.parametrize(
    ("n", "expected"),
    [(100, (4, 5, 7)), (500, (9, 13, 21)), (1000, (13, 21, 35)), (5000, (42, 73, 132))],
    ids=[COMPUTED] * 4,
)
def test_highest_het_count_of_a_clean_line(n, expected):
    """COMPUTED: smallest count that the binomial does not pass with 99.9 %, at e = 0.5, 1 and 2 %."""
    for error, count in zip((0.005, 0.01, 0.02), expected, strict=True):
        cumulative = np.cumsum(poisson_binomial(np.full(n, error)))
        assert int(np.argmax(cumulative >= 0.999)) == count == stats.binom.ppf(0.999, n, error)


@pytest.mark.parametrize(
    ("share", "reads", "expected"),
    [(0.5, 2, 0.5), (0.5, 4, 0.125), (0.5, 8, 0.0078), (0.7, 4, 0.248), (0.7, 8, 0.0577)],
    ids=[COMPUTED] * 5,
)
def test_het_called_homozygous_at_low_depth(share, reads, expected):
    """COMPUTED: all n reads show one allele, q^n + (1-q)^n."""
    one_allele_only = share**reads + (1 - share) ** reads
    assert one_allele_only == pytest.approx(expected, abs=5e-4 if expected > 0.1 else 5e-5)


# ---------------------------------------------------------------- maps


def test_maize_map():
    """Ogut et al. 2015, Heredity 114:552-563, doi:10.1038/hdy.2014.123; Mb of reference version 5."""
    length_cm = "210.4 161.2 161.0 150.4 155.4 110.8 135.8 136.6 127.4 113.0"
    length_mb = "308.45 243.68 238.02 250.33 226.35 181.36 185.81 182.41 163.00 152.44"
    assert MAIZE_MAP.length_cm.tolist() == [float(text) for text in length_cm.split()]
    assert MAIZE_MAP.length_mb.tolist() == [float(text) for text in length_mb.split()]
    assert round(MAIZE_MAP.length_cm.sum()) == 1462
    assert pytest.approx(2131.85, abs=0.1) == GENOME_MB


def test_mapping_functions():
    """Haldane 1919, J Genet 8:299-309: (1 - e^-2d)/2; Kosambi 1944, Ann Eugen 12:172-175: tanh(2d)/2."""
    assert [round(haldane(cm), 5) for cm in (10.0, 50.0)] == [0.09063, 0.31606]
    assert [round(kosambi(cm), 5) for cm in (10.0, 50.0)] == [0.09869, 0.38080]


# ---------------------------------------------------------------- DH lines of an F1


def parent_share_variance(l):
    """Frisch & Melchinger 2007, Genetics 176:477-488, doi:10.1534/genetics.106.065433; one chromosome."""
    return (l - (1 - np.exp(-2 * l)) / 2) / (4 * l**2)


def sister_identity_variance(l):
    """COMPUTED in the same way, from the covariance e^-4d / 4 of two lines' agreement d Morgan apart."""
    return (4 * l - 1 + np.exp(-4 * l)) / (32 * l**2)


@pytest.mark.parametrize(("formula", "decay"), [(parent_share_variance, 2.0), (sister_identity_variance, 4.0)])
@pytest.mark.parametrize("l", [0.3, 1.0, 2.104])
def test_variance_formulas_against_their_integral(formula, decay, l):
    """COMPUTED: mean of e^(-decay |s-t|) / 4 over all pairs of places s, t on the chromosome."""
    places = (np.arange(1500) + 0.5) / 1500 * l
    assert formula(l) == pytest.approx(np.exp(-decay * np.abs(np.subtract.outer(places, places))).mean() / 4, rel=1e-4)


@pytest.mark.parametrize(
    ("lengths", "formula", "expected", "digits"),
    [
        ([1.0], parent_share_variance, 0.377, 3),
        ([1.6] * 10, parent_share_variance, 0.1046, 4),
        (MAP_MORGAN, parent_share_variance, 0.1077, 4),
        (MAP_MORGAN, sister_identity_variance, 0.0842, 4),
    ],
    ids=["one Morgan", "ten of 1.6", "maize map", "sisters"],
)
def test_spread_of_parent_shares_and_of_sister_identity(lengths, formula, expected, digits):
    assert weighted_sd(lengths, formula) == pytest.approx(expected, abs=0.5 * 10**-digits)


def test_band_of_parent_shares():
    """COMPUTED: 99 % of DH lines of an F1 between .22 and .78 on the maize map."""
    half_width = stats.norm.isf(0.005) * weighted_sd(MAP_MORGAN, parent_share_variance)
    assert (round(0.5 - half_width, 2), round(0.5 + half_width, 2)) == (0.22, 0.78)


def simulated_gametes(rng, n_lines, n_places):
    """Strand (0, 1) of F1 gametes at even places of each chromosome of the map, no interference."""
    strands = []
    for length in MAIZE_MAP.length_cm:
        r = haldane(float(length) / n_places)
        switches = rng.random((n_lines, n_places)) < r
        switches[:, 0] = rng.random(n_lines) < 0.5
        strands.append(np.logical_xor.accumulate(switches, axis=1))
    return strands


def test_spread_of_simulated_lines_and_sisters():
    """COMPUTED, simulated: the two standard deviations on the maize map."""
    rng = np.random.default_rng(11)
    n_lines, weights = 8000, MAP_MORGAN / MAP_MORGAN.sum()
    first, second = simulated_gametes(rng, n_lines, 60), simulated_gametes(rng, n_lines, 60)
    share = sum(w * strand.mean(axis=1) for w, strand in zip(weights, first, strict=True))
    agree = sum(w * (a == b).mean(axis=1) for w, a, b in zip(weights, first, second, strict=True))
    assert share.mean() == pytest.approx(0.5, abs=0.005)
    assert share.std() == pytest.approx(0.1077, rel=0.03)
    assert agree.mean() == pytest.approx(0.5, abs=0.005)
    assert agree.std() == pytest.approx(0.0842, rel=0.03)
    assert agree.max() < 0.92  # the highest of 8.0 million simulated pairs


def chance_of_one_strand_only(n_backcrosses, length_morgan):
    """No donor allele anywhere on a chromosome of a gamete of a BCn plant.

    A place carries the donor's allele if each of the n + 1 meioses took the donor's side there. The sides are
    independent two-state chains along the chromosome, each switching once a Morgan; the chance never to be in
    the state "donor in all" is the sum of the matrix exponential without that state.
    """
    n_states = 2 ** (n_backcrosses + 1)
    rates = np.array([[float((a ^ b).bit_count() == 1) for b in range(n_states)] for a in range(n_states)])
    rates -= np.diag(rates.sum(axis=1))
    stays_clean = linalg.expm(rates[:-1, :-1] * length_morgan)
    return stays_clean.sum() / n_states


@pytest.mark.parametrize(
    ("n_backcrosses", "expected", "tolerance"),
    [(0, 4e-10, 0.5e-10), (1, 8e-6, 0.5e-6), (2, 1.2e-3, 0.5e-4), (3, 1.9e-2, 0.5e-3)],
    ids=["F1", "BC1", "BC2", "BC3"],
)
def test_chance_that_a_clean_line_is_all_recurrent_parent(n_backcrosses, expected, tolerance):
    """COMPUTED, exactly; for an F1 it is (1/2)^10 e^-14.62 (one given parent)."""
    chance = math.prod(chance_of_one_strand_only(n_backcrosses, float(length)) for length in MAP_MORGAN)
    assert chance == pytest.approx(expected, abs=tolerance)
    if n_backcrosses == 0:
        assert chance == pytest.approx(0.5**10 * math.exp(-MAP_MORGAN.sum()))


def agreement_tail(places_by_chromosome, at_least):
    """Exact chance that two sister lines of an F1 agree at no fewer than so many places (in Morgan)."""
    total = np.array([1.0])
    for places in filter(len, places_by_chromosome):
        count = np.zeros((2, len(places) + 1))  # last place: differs, agrees
        count[0, 0] = count[1, 1] = 0.5
        for distance in np.diff(places):
            r = haldane(200 * float(distance))  # agreement switches at the double rate
            differs = count[0] * (1 - r) + count[1] * r
            agrees = count[1] * (1 - r) + count[0] * r
            count = np.stack((differs, np.roll(agrees, 1)))
        total = np.convolve(total, count.sum(axis=0))
    assert total.sum() == pytest.approx(1.0)
    return total[at_least:].sum()


def test_chance_sisters_on_twenty_markers():
    """COMPUTED, exactly: .95 on 20 markers by chance in 2e-4 of pairs; less evenly spaced, more at random."""
    even = [np.array([0.25, 0.75]) * length for length in MAP_MORGAN]
    rng = np.random.default_rng(5)
    at_random = []
    for _ in range(2000):
        chromosome = rng.choice(10, 20, p=MAP_MORGAN / MAP_MORGAN.sum())
        places = [np.sort(rng.random(np.sum(chromosome == i)) * length) for i, length in enumerate(MAP_MORGAN)]
        at_random.append(agreement_tail(places, 19))
    assert agreement_tail(even, 19) < 2e-4 < np.mean(at_random) < 1e-3
    assert Limits().min_identity_markers == 25
    forty = [np.array([0.125, 0.375, 0.625, 0.875]) * length for length in MAP_MORGAN]
    assert agreement_tail(forty, 38) < 1e-6


def backcross_agreement_tail(n_backcrosses, places_by_chromosome, share):
    """Exact chance that lines of two BCn plants agree at no less than a share of the places (in Morgan).

    Of the n + 1 meioses behind a gamete, k take the donor's side at a place; along the chromosome k goes up or
    down by one at the rate of one switch a Morgan in each. A line carries the donor's allele where k = n + 1.
    """
    n = n_backcrosses + 1
    k = np.arange(n + 1)
    rates, modes = np.linalg.eig(np.diag(n - k[:-1], -1) + np.diag(k[1:], 1) - n * np.eye(n + 1))
    to_modes = np.linalg.inv(modes)
    anywhere = stats.binom.pmf(k, n, 0.5)
    is_donor = k == n
    agrees = is_donor[:, None] == is_donor
    total = np.array([1.0])
    for places in filter(len, places_by_chromosome):
        count = np.zeros((n + 1, n + 1, len(places) + 1))
        count[:, :, 0] = np.outer(anywhere, anywhere)
        for distance in np.diff(places, prepend=places[0]):
            step = (modes * np.exp(rates * distance)) @ to_modes
            count = np.tensordot(step, np.tensordot(step, count, (1, 1)), (1, 1))
            count[agrees] = np.roll(count[agrees], 1, axis=-1)
        total = np.convolve(total, count.sum(axis=(0, 1)))
    assert total.sum() == pytest.approx(1.0)
    return total[math.ceil(share * (len(total) - 1)) :].sum()


def test_chance_sisters_of_a_second_backcross():
    """COMPUTED, exactly: .95 by chance in 4e-3 of pairs on 400 markers at random, 3e-3 on an even 500.

    In the family of an F1 no such pair is to be expected, by the same chain and by the one for an F1.
    """
    rng = np.random.default_rng(6)
    at_random = []
    for _ in range(3):
        chromosome = rng.choice(10, 400, p=MAP_MORGAN / MAP_MORGAN.sum())
        places = [np.sort(rng.random(np.sum(chromosome == i)) * length) for i, length in enumerate(MAP_MORGAN)]
        at_random.append(backcross_agreement_tail(2, places, 0.95))
    assert np.mean(at_random) == pytest.approx(4e-3, abs=0.5e-3)
    even = [np.arange(0.015, length, 0.03) for length in MAP_MORGAN]
    assert backcross_agreement_tail(2, even, 0.95) == pytest.approx(3e-3, abs=0.5e-3)
    n_places = sum(map(len, even))
    of_f1 = backcross_agreement_tail(0, even, 0.95)
    assert of_f1 == pytest.approx(agreement_tail(even, math.ceil(0.95 * n_places)), rel=1e-6)
    assert of_f1 < 1e-8


@pytest.mark.parametrize("polymorphic", [0.363, 0.385, 0.526])
def test_agreement_of_sisters_over_all_markers(polymorphic):
    """COMPUTED: 1 - P/2, for the polymorphic shares of Yan et al. 2010, Mol Breeding 25:441-451."""
    rng = np.random.default_rng(7)
    first, second = (np.hstack(simulated_gametes(rng, 1000, 60)) for _ in range(2))
    differs = rng.random(first.shape[1]) < polymorphic
    alike = (first == second) | ~differs
    assert alike.mean() == pytest.approx(1 - differs.mean() / 2, abs=0.005)
    assert alike.mean() == pytest.approx(1 - polymorphic / 2, abs=0.025)
    assert (first == second)[:, differs].mean() == pytest.approx(0.5, abs=0.01)


def test_true_copies_under_95_percent():
    """COMPUTED, binomial: 100 markers, each sample wrong at 2 %: 20 % of copies agree at fewer than 95."""
    assert stats.binom.cdf(94, 100, 0.98**2) == pytest.approx(0.20, abs=0.01)


# ---------------------------------------------------------------- classical check values


@pytest.mark.parametrize(
    ("count", "of", "by_wilson", "by_clopper_pearson"),
    [
        (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
        (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
        (0, 20, (0.0000, 0.1611), (0.0000, 0.1684)),
        (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
    ],
)
def test_intervals_of_a_share(count, of, by_wilson, by_clopper_pearson):
    """Newcombe 1998, Stat Med 17:857-872, Table I."""
    assert wilson(count, of) == pytest.approx(by_wilson, abs=5e-5)
    assert clopper_pearson(count, of) == pytest.approx(by_clopper_pearson, abs=5e-5)


@pytest.mark.parametrize(
    ("counts", "ratio", "chi_square", "p"),
    [
        ((5474, 1850), (3, 1), 0.2629, 0.6081),
        ((6022, 2001), (3, 1), 0.0150, 0.9025),
        ((85, 81), (1, 1), 0.0964, 0.756),
        ((315, 108, 101, 32), (9, 3, 3, 1), 0.4700, 0.9254),
    ],
)
def test_segregation_of_peas(counts, ratio, chi_square, p):
    """Counts of Mendel 1866, Verh Naturf Ver Brünn 4:3-47; chi-square of Pearson 1900."""
    observed = np.array(counts)
    expected = observed.sum() * np.array(ratio) / sum(ratio)
    found = ((observed - expected) ** 2 / expected).sum()
    assert found == pytest.approx(chi_square, abs=5e-5)
    assert stats.chi2.sf(found, len(counts) - 1) == pytest.approx(p, abs=5e-4 if p == 0.756 else 5e-5)


def test_hardy_weinberg_of_a_moth():
    """Ford's moth, 1469, 138 and 5: chi-square .831, exact P .3825 (every het count, all alleles given)."""
    hom_common, het, hom_rare = 1469, 138, 5
    n, rare = hom_common + het + hom_rare, 2 * hom_rare + het

    def log_weight(n_het):
        a, b = (rare - n_het) // 2, n - (rare + n_het) // 2
        return n_het * math.log(2) - math.lgamma(a + 1) - math.lgamma(n_het + 1) - math.lgamma(b + 1)

    weight = {n_het: math.exp(log_weight(n_het) - log_weight(het)) for n_het in range(rare % 2, rare + 1, 2)}
    as_rare = math.fsum(value for value in weight.values() if value <= weight[het] * (1 + 1e-9))
    assert as_rare / math.fsum(weight.values()) == pytest.approx(0.3825, abs=5e-5)
    q = rare / (2 * n)
    expected = (n * (1 - q) ** 2, 2 * n * q * (1 - q), n * q**2)
    chi_square = sum((o - e) ** 2 / e for o, e in zip((hom_common, het, hom_rare), expected, strict=True))
    assert chi_square == pytest.approx(0.831, abs=5e-4)


@pytest.mark.parametrize(
    ("share", "at_95", "at_99"), [(0.01, 299, 459), (0.02, 149, 228), (0.05, 59, 90)], ids=[COMPUTED] * 3
)
def test_plants_needed_to_see_a_share(share, at_95, at_99):
    """COMPUTED: smallest n with 1 - (1-p)^n of at least the confidence."""
    for confidence, n in ((0.95, at_95), (0.99, at_99)):
        assert 1 - (1 - share) ** n >= confidence > 1 - (1 - share) ** (n - 1)


def test_what_192_plants_find():
    """Chen et al. 2016, PLoS ONE 11:e0157236, doi:10.1371/journal.pone.0157236."""
    two_percent, five_percent = (1 - (1 - share) ** 192 for share in (0.02, 0.05))
    assert two_percent == pytest.approx(0.979, abs=5e-4)
    assert five_percent > 0.9999


def test_purity_of_a_stock():
    """COMPUTED: 110 plants, 3 off; the exact interval is Clopper & Pearson's 1934."""
    purity = 1 - 3 / 110
    assert purity == pytest.approx(0.973, abs=5e-4)
    assert clopper_pearson(3, 110) == pytest.approx((0.0057, 0.0776), abs=5e-5)


def test_pedigree_notation():
    """Purdy et al. 1968, Crop Sci 8:405-406."""
    assert expected_shares(parse_pedigree("A*3/B")) == {"A": 0.875, "B": 0.125}
    assert list(expected_shares(parse_pedigree("Nebred//Hope/Turkey Red/3/Cheyenne/Ponca")).items()) == [
        ("Nebred", 0.25),
        ("Hope", 0.125),
        ("Turkey Red", 0.125),
        ("Cheyenne", 0.25),
        ("Ponca", 0.25),
    ]
