"""What each kind of sample shows at diagnostic, segregating and uninformative markers (Mendel).

Diagnostic: the donor's parents are alike, the inducer differs. Segregating: the parents differ.
Uninformative: all three are alike. Means over lines are compared within 4 standard errors of the lines' own
spread.
"""

import numpy as np
import pytest

from dhverify.simulation import Distortion, SimulationSettings, simulate_programme

FAULT_OF = {
    "hybrid": "hybrid_share",
    "donor": "donor_share",
    "selfed donor": "selfed_donor_share",
    "parent": "parent_share",
    "outcross": "outcross_share",
    "inducer": "inducer_share",
    "other donor": "other_donor_share",
}


def programme_of(finding_share=None, *, stage="haploid", lines=150, **changes):
    shares = {"hybrid_share": 0.0, **({finding_share: 1.0} if finding_share else {})}
    settings = SimulationSettings(
        stage=stage,
        n_donors=changes.pop("n_donors", 2),
        lines_per_donor=lines,
        n_markers=1200,
        has_plates=False,
        **{**shares, **changes},
    )
    return simulate_programme(settings, np.random.default_rng(21))


class Family:
    """Lines of the first donor, and its marker classes."""

    def __init__(self, programme):
        row = {str(name): i for i, name in enumerate(programme.samples)}
        sheet = {r["sample"]: r for r in programme.sheet}
        first, second = sheet["D01"]["pedigree"].split("/")
        self.p1, self.p2 = programme.fraction[row[first]], programme.fraction[row[second]]
        self.inducer = programme.fraction[row["Inducer1"]]
        self.lines = [r for r in programme.truth if r["sample"].startswith("D01-")]
        self.dna = programme.fraction[[row[r["sample"]] for r in self.lines]]
        self.diagnostic = (self.p1 == self.p2) & (self.inducer != self.p1)
        self.segregating = self.p1 != self.p2
        self.uninformative = (self.p1 == self.p2) & (self.inducer == self.p1)

    def het(self, where):
        return (self.dna[:, where] == 0.5).mean(axis=1)

    def inducer_hom(self, where):
        return (self.dna[:, where] == self.inducer[where]).mean(axis=1)


def assert_mean(values, expected):
    error = np.std(values) / np.sqrt(len(values))
    assert error < 0.02
    assert abs(np.mean(values) - expected) < 4 * error


@pytest.mark.parametrize("stage", ["haploid", "D0", "D1"])
def test_clean_line(stage):
    family = Family(programme_of(stage=stage))
    assert {r["finding"] for r in family.lines} == {"doubled haploid" if stage == "D1" else "haploid"}
    assert (family.het(slice(None)) == 0).all()
    assert (family.dna[:, family.diagnostic] == family.p1[family.diagnostic]).all()
    assert (family.dna[:, family.uninformative] == family.p1[family.uninformative]).all()
    assert_mean((family.dna == family.p1)[:, family.segregating].mean(axis=1), 0.5)


def test_clean_lines_come_in_runs():
    """About one crossover a Morgan: 14.62 on the map, seen less often by markers that lie apart."""
    programme = programme_of(n_donors=1, lines=200)
    family = Family(programme)
    chrom = programme.markers.true_chrom[family.segregating]
    from_first = (family.dna == family.p1)[:, family.segregating]
    switches = (np.diff(from_first.astype(int), axis=1) != 0) & (chrom[1:] == chrom[:-1])
    assert 11.0 < switches.sum(axis=1).mean() < 14.62


def test_hybrid():
    family = Family(programme_of("hybrid_share"))
    assert (family.het(family.diagnostic) == 1).all()
    assert_mean(family.het(family.segregating), 0.5)
    assert_mean(family.inducer_hom(family.segregating), 0.5)
    assert (family.het(family.uninformative) == 0).all()


def test_unselfed_hybrid_at_d1():
    family = Family(programme_of("unselfed_hybrid_share", stage="D1", lines=20))
    assert {r["finding"] for r in family.lines} == {"hybrid"}
    assert (family.het(family.diagnostic) == 1).all()


def test_selfed_hybrid():
    family = Family(programme_of("hybrid_share", stage="D1", lines=300))
    assert {r["finding"] for r in family.lines} == {"selfed hybrid"}
    assert_mean(family.het(family.diagnostic), 0.5)
    assert_mean(family.inducer_hom(family.diagnostic), 0.25)
    assert_mean(family.het(family.segregating), 0.25)
    assert_mean(family.inducer_hom(family.segregating), 0.625)
    assert (family.het(family.uninformative) == 0).all()


def test_donor_itself():
    family = Family(programme_of("donor_share", lines=3))
    assert (family.het(family.segregating) == 1).all()
    assert (family.het(~family.segregating) == 0).all()
    assert {r["genotype"] for r in family.lines} == {"D01 plant 1"}


@pytest.mark.parametrize(("stage", "het"), [("haploid", 0.5), ("D0", 0.5), ("D1", 0.25)])
def test_selfed_donor(stage, het):
    family = Family(programme_of("selfed_donor_share", stage=stage, lines=300))
    assert (family.dna[:, family.diagnostic] == family.p1[family.diagnostic]).all()
    assert_mean(family.het(family.segregating), het)
    assert_mean((family.dna == family.p1)[:, family.segregating].mean(axis=1), (1 - het) / 2)


def test_parent():
    family = Family(programme_of("parent_share", lines=40))
    is_first = (family.dna == family.p1).all(axis=1)
    is_second = (family.dna == family.p2).all(axis=1)
    assert (is_first | is_second).all()
    assert is_first.any()
    assert is_second.any()


def test_inducer():
    family = Family(programme_of("inducer_share", lines=5))
    assert (family.dna == family.inducer).all()


def test_outcross_by_an_outside_inbred():
    family = Family(programme_of("outcross_share", nursery_pollen_share=0.0))
    assert (family.het(family.uninformative) > 0.05).all()  # cannot come from the inducer
    assert_mean(family.het(slice(None)), family.het(slice(None)).mean())
    assert all(r["pollen"] and r["pollen"] != "Inducer1" for r in family.lines)


def test_outcross_by_a_false_hybrid():
    """Half of the diagnostic and half of the segregating markers are heterozygous, none of the others."""
    programme = programme_of("outcross_share", n_donors=1, lines=300, nursery_pollen_share=1.0)
    family = Family(programme)
    assert {r["pollen"] for r in family.lines} == {"a false hybrid of the nursery"}
    assert_mean(family.het(family.diagnostic), 0.5)
    assert_mean(family.het(family.segregating), 0.5)
    assert (family.het(family.uninformative) == 0).all()


def test_outcross_by_another_donor():
    family = Family(programme_of("outcross_share", nursery_pollen_share=1.0))
    assert {r["pollen"] for r in family.lines} == {"a false hybrid of the nursery", "D02"}


def test_other_donor():
    family = Family(programme_of("other_donor_share", lines=20))
    assert {r["donor"] for r in family.lines} == {"D02"}
    assert (family.het(slice(None)) == 0).all()
    foreign = (family.dna != family.p1)[:, family.uninformative].mean(axis=1)
    assert (foreign > 0.05).all()


def test_unrelated_material():
    family = Family(programme_of("unrelated_share", lines=20))
    assert {(r["finding"], r["donor"]) for r in family.lines} == {("unresolved", "")}
    assert (family.het(slice(None)) == 0).all()
    assert ((family.dna != family.p1)[:, family.uninformative].mean(axis=1) > 0.05).all()


def test_inducer_segments():
    programme = programme_of("segment_share", stage="D1", lines=60)
    family = Family(programme)
    markers = programme.markers
    copies_seen = set()
    for row, dna in zip(family.lines, family.dna, strict=True):
        chrom, span, copies = row["segments"].split(":")
        start, end = map(int, span.split("-"))
        inside = (markers.true_chrom == chrom) & (markers.true_pos_bp >= start) & (markers.true_pos_bp <= end)
        diagnostic = inside & family.diagnostic
        expected = 0.5 if copies == "1" else family.inducer[diagnostic]
        assert (dna[diagnostic] == expected).all()
        outside = ~inside & ~family.segregating
        assert (dna[outside] == family.p1[outside]).all()
        assert 5_000_000 <= end - start + 1 <= 60_000_000
        assert row["finding"] == "doubled haploid"
        copies_seen.add(copies)
    assert copies_seen == {"1", "2"}
    shares = np.array([float(row["inducer_share"]) for row in family.lines])
    assert (shares > 0).mean() > 0.8  # a stretch about the centromere may be next to nothing on the map
    assert shares.max() < 0.1


def test_mixture_of_two_samples_at_a_share():
    programme = programme_of("mixture_share", lines=20, hybrid_share=0.0)
    assert {r["finding"] for r in programme.truth} == {"mixture"}
    family = Family(programme)
    index = {str(name): i for i, name in enumerate(programme.samples)}
    for row, dna in zip(family.lines, family.dna, strict=True):
        share = float(row["contaminant_share"])
        assert 0.1 <= share <= 0.5
        other = programme.fraction[index[row["contaminant"]]]
        own = (dna - share * other) / (1 - share)
        assert np.allclose(own, np.round(own), atol=1e-5)  # what is left is a clean line
        assert (np.round(own)[family.uninformative] == family.p1[family.uninformative]).all()


def test_wrong_tissue():
    """Endosperm holds two sets of the egg's genome and one of the inducer's; pericarp is the donor plant."""
    programme = programme_of("wrong_tissue_share", lines=30)
    family = Family(programme)
    tissue = {r["sample"]: r["tissue"] for r in programme.sheet}
    for row, dna in zip(family.lines, family.dna, strict=True):
        if tissue[row["sample"]] == "endosperm":
            third = np.abs(dna - family.p1)[family.diagnostic]
            assert np.allclose(third, 1 / 3, atol=1e-6)
            assert row["finding"] == "hybrid"
        else:
            assert (dna[family.segregating] == 0.5).all()
            assert row["finding"] == "donor"
    assert {tissue[row["sample"]] for row in family.lines} == {"endosperm", "pericarp"}


def test_bulked_plants_of_a_selfed_hybrid():
    """A bulk of many plants shows each allele's share: one half at diagnostic markers."""
    family = Family(programme_of("hybrid_share", stage="D1", lines=5, plants_per_sample=40))
    at_diagnostic = family.dna[:, family.diagnostic]
    assert abs(at_diagnostic.mean() - 0.5) < 0.1
    assert (at_diagnostic != 0.5).any()
    assert np.abs(at_diagnostic - 0.5).max() < 0.4


@pytest.mark.parametrize("polymorphism", [0.2, 0.363, 0.5])
def test_marker_classes_have_the_expected_sizes(polymorphism):
    """Segregating: d of the panel. Diagnostic: half of that, for three inbreds of pairwise polymorphism d."""
    settings = SimulationSettings(n_donors=30, lines_per_donor=1, polymorphism=polymorphism)
    programme = simulate_programme(settings, np.random.default_rng(3))
    row = {str(name): i for i, name in enumerate(programme.samples)}
    inducer = programme.fraction[row["Inducer1"]]
    sizes = []
    for sheet in programme.sheet:
        if sheet["role"] == "donor":
            one, two = (programme.fraction[row[name]] for name in sheet["pedigree"].split("/"))
            sizes.append(((one != two).mean(), ((one == two) & (inducer != one)).mean()))
    segregating, diagnostic = np.mean(sizes, axis=0)
    assert segregating == pytest.approx(polymorphism, abs=0.02)
    assert diagnostic == pytest.approx(polymorphism / 2, abs=0.02)


def donor_shares(kind, **changes):
    settings = SimulationSettings(
        n_donors=1,
        lines_per_donor=400,
        donor_type=kind,
        donor_plants=100,
        hybrid_share=0.0,
        has_plates=False,
        **changes,
    )
    programme = simulate_programme(settings, np.random.default_rng(4))
    pedigree = next(r["pedigree"] for r in programme.sheet if r["role"] == "donor")
    shares = [dict(p.split("=") for p in r["parent_shares"].split(";")) for r in programme.truth]
    return pedigree, {name: np.array([float(s[name]) for s in shares]) for name in shares[0]}


@pytest.mark.parametrize(
    ("kind", "pedigree", "expected"),
    [
        ("F1", "Bolen/Damok", (0.5, 0.5)),
        ("F2", "Bolen/Damok//Bolen/Damok", (0.5, 0.5)),
        ("BC1", "Bolen*2/Damok", (0.75, 0.25)),
        ("BC2", "Bolen*3/Damok", (0.875, 0.125)),
        ("three-way", "Bolen/Damok//Ferip", (0.25, 0.25, 0.5)),
        ("four-way", "Bolen/Damok//Ferip/Gisut", (0.25, 0.25, 0.25, 0.25)),
        ("five-way", "Bolen/Damok/3/Ferip//Gisut/Hotav", (0.25, 0.25, 0.25, 0.125, 0.125)),
    ],
)
def test_donors_give_their_parents_shares(kind, pedigree, expected):
    """Purdy notation (Purdy et al. 1968, Crop Sci 8:405-406) and Mendel's shares."""
    text, shares = donor_shares(kind)
    assert text == pedigree
    for values, share in zip(shares.values(), expected, strict=True):
        assert abs(values.mean() - share) < 4 * values.std() / np.sqrt(100)
    assert np.allclose(sum(shares.values()), 1, atol=5e-4)


def test_distorted_segregation():
    """At the place itself 9 of 10 gametes carry the favoured strand; another chromosome is untouched."""
    settings = SimulationSettings(
        n_donors=1,
        lines_per_donor=1000,
        hybrid_share=0.0,
        has_plates=False,
        polymorphism=0.5,
        distortions=(Distortion(chrom="3", cm=80.0, share=0.9),),
    )
    programme = simulate_programme(settings, np.random.default_rng(5))
    family = Family(programme)
    markers = programme.markers
    on_three = family.segregating & (markers.true_chrom == "3")
    nearest = np.flatnonzero(on_three)[np.argmin(np.abs(markers.true_cm[on_three] - 80))]
    share = (family.dna[:, nearest] == family.p1[nearest]).mean()
    assert max(share, 1 - share) == pytest.approx(0.9, abs=4 * np.sqrt(0.09 / 1000) + 0.01)
    elsewhere = family.segregating & (markers.true_chrom == "5")
    assert abs((family.dna == family.p1)[:, elsewhere].mean() - 0.5) < 0.05


def test_distortion_leaves_fixed_places_alone():
    """A donor plant that has one founder's strand twice at the place gives that strand only."""
    settings = SimulationSettings(
        n_donors=1,
        lines_per_donor=60,
        donor_type="BC2",
        donor_plants=5,
        hybrid_share=0.0,
        distortions=(Distortion(chrom="3", cm=80.0, share=0.9),),
    )
    programme = simulate_programme(settings, np.random.default_rng(6))
    assert {row["finding"] for row in programme.truth} == {"haploid"}
