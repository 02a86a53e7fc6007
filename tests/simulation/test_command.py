"""The simulate command's plain function."""

import pytest

from dhverify.errors import InputError, OutputError
from dhverify.simulation import simulate_to_directory
from dhverify.simulation.writing import FILES

SMALL = {"donors": 2, "lines": 15, "markers": 60}


def test_a_realistic_lot(tmp_path):
    programme = simulate_to_directory(tmp_path / "lot")
    assert sorted(path.name for path in (tmp_path / "lot").iterdir()) == sorted(FILES[:-1])
    findings = [row["finding"] for row in programme.truth]
    assert len(findings) >= 160
    assert findings.count("hybrid") == 16
    assert {"haploid", "hybrid", "selfed donor", "outcross", "mixture", "other donor"} <= set(findings)
    assert any(row["case"] == "dirty blank" for row in programme.others)
    assert programme.depths is None


@pytest.mark.parametrize("stage", ["haploid", "D0", "D1", "both", "all"])
def test_every_stage_and_reads(tmp_path, stage):
    programme = simulate_to_directory(tmp_path / "lot", **SMALL, stage=stage, depth=5.0, with_map=True)
    assert programme.depths is not None
    assert (tmp_path / "lot" / "map.csv").exists()
    assert programme.settings.depth == 5.0


@pytest.mark.parametrize(("donors", "hybrid_share"), [(1, 0.2), (2, 1.0), (2, 0.95), (2, 0.0)])
def test_few_donors_and_many_hybrids(tmp_path, donors, hybrid_share):
    programme = simulate_to_directory(tmp_path, donors=donors, lines=20, markers=24, hybrid_share=hybrid_share, seed=3)
    n = donors * 20
    assert sum(row["finding"] == "hybrid" for row in programme.truth) == pytest.approx(hybrid_share * n, abs=1)


def test_a_tiny_lot(tmp_path):
    programme = simulate_to_directory(tmp_path, donors=1, lines=1, markers=1)
    assert len(programme.truth) == 1


def test_bad_options_are_named_as_options(tmp_path):
    with pytest.raises(InputError) as error:
        simulate_to_directory(tmp_path / "lot", donors=0, markers=-1, stage="seed", missing=2, depth=0)
    assert [defect.where for defect in error.value.defects] == [
        "option --stage",
        "option --donors",
        "option --markers",
        "option --missing",
        "option --depth",
    ]
    assert not (tmp_path / "lot").exists()


@pytest.mark.parametrize("seed", [-1, 1.5, True, "one"])
def test_bad_seed(tmp_path, seed):
    with pytest.raises(InputError, match="option --seed"):
        simulate_to_directory(tmp_path / "lot", **SMALL, seed=seed)
    assert not (tmp_path / "lot").exists()


def test_what_is_there_is_not_replaced_without_force(tmp_path):
    first = simulate_to_directory(tmp_path, **SMALL)
    before = (tmp_path / "truth.csv").read_bytes()
    with pytest.raises(OutputError, match="--force"):
        simulate_to_directory(tmp_path, **SMALL, seed=2)
    assert (tmp_path / "truth.csv").read_bytes() == before
    simulate_to_directory(tmp_path, **SMALL, force=True)
    assert (tmp_path / "truth.csv").read_bytes() == before
    assert first.settings.n_donors == 2


def test_force_takes_away_an_earlier_map(tmp_path):
    simulate_to_directory(tmp_path, **SMALL, with_map=True)
    simulate_to_directory(tmp_path, **SMALL, seed=2, force=True)
    assert not (tmp_path / "map.csv").exists()


def test_a_foreign_directory_or_a_file_is_never_replaced(tmp_path):
    (tmp_path / "thesis.txt").write_text("mine")
    with pytest.raises(OutputError, match=r"thesis\.txt there"):
        simulate_to_directory(tmp_path, **SMALL, force=True)
    with pytest.raises(OutputError, match="found a file"):
        simulate_to_directory(tmp_path / "thesis.txt", **SMALL, force=True)
    assert (tmp_path / "thesis.txt").read_text() == "mine"
