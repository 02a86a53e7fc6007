"""Settings: all that is wrong is named at once."""

import dataclasses

import pytest

from dhverify.errors import InputError
from dhverify.simulation import Chromosome, Distortion, SimulationSettings


def places(error):
    return [defect.where for defect in error.value.defects]


def test_defaults_are_valid_and_frozen():
    settings = SimulationSettings()
    with pytest.raises(dataclasses.FrozenInstanceError):
        settings.n_donors = 3
    assert settings.stages == ("haploid",)
    assert SimulationSettings(stage="all").stages == ("haploid", "D0", "D1")


def test_every_bad_value_is_named_at_once():
    with pytest.raises(InputError) as error:
        SimulationSettings(
            stage="seedling",
            n_donors=0,
            lines_per_donor=2.5,
            hybrid_share=1.2,
            missing=float("nan"),
            plate_wells=95,
            has_plates="yes",
            n_markers=True,
            depth="deep",
        )
    assert places(error) == [
        "setting stage",
        "setting n_donors",
        "setting lines_per_donor",
        "setting n_markers",
        "setting hybrid_share",
        "setting has_plates",
        "setting plate_wells",
        "setting missing",
        "setting depth",
    ]
    assert "one of haploid, D0, D1, both, all" in str(error.value)


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"hybrid_share": 0.6, "donor_share": 0.5}, "the shares of faults"),
        ({"n_donors": 1, "other_donor_share": 0.1}, "setting n_donors"),
        ({"n_donors": 1, "exchanged_pairs": 1}, "setting n_donors"),
        ({"mixture_low": 0.4, "mixture_high": 0.2}, "setting mixture_low"),
        ({"segment_low_bp": 2e6, "segment_high_bp": 1e6}, "setting segment_low_bp"),
        ({"leak_low": 0.4, "leak_high": 0.2}, "setting leak_low"),
        ({"output": "depths"}, "setting output"),
        ({"typed": ("parents", "siblings")}, "setting typed"),
        ({"typed": "parents"}, "setting typed"),
        ({"has_plates": False, "leaks": 1}, "setting leaks"),
        ({"has_plates": False, "turned_plates": 1}, "setting turned_plates"),
        ({"source_mismatches": 1}, "setting source_mismatches"),
        ({"known_copies": 1}, "setting known_copies"),
        ({"wrong_replicates": 1}, "setting wrong_replicates"),
        ({"chromosomes": ()}, "setting chromosomes"),
        ({"chromosomes": (Chromosome(name="", length_bp=10**6, length_cm=1.0),)}, "setting chromosomes"),
        ({"chromosomes": (Chromosome(name="1", length_bp=10, length_cm=1.0),)}, "setting chromosomes"),
        ({"chromosomes": (Chromosome(name="1", length_bp=10**6, length_cm=1.0),) * 2}, "setting chromosomes"),
        ({"distortions": (Distortion(chrom="11", cm=1.0, share=0.9),)}, "setting distortions"),
        ({"distortions": (Distortion(chrom="1", cm=999.0, share=0.9),)}, "setting distortions"),
        ({"distortions": (Distortion(chrom="1", cm=9.0, share=1.0),)}, "setting distortions"),
        ({"all_het_markers": 0.6, "misplaced_markers": 0.6}, "the shares of bad markers"),
    ],
)
def test_contradictions(changes, where):
    with pytest.raises(InputError) as error:
        SimulationSettings(**changes)
    assert places(error) == [where]


def test_faults_may_fill_the_whole_lot():
    assert SimulationSettings(hybrid_share=0.7, donor_share=0.1, selfed_donor_share=0.2).hybrid_share == 0.7
