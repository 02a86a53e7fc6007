from __future__ import annotations

import pandas as pd
import pytest

from dhverify.report.result import CheckResult
from dhverify.report.tables import TABLE_RECORDS


@pytest.fixture(scope="module")
def result(outcome):
    return CheckResult(outcome)


@pytest.mark.parametrize("name", TABLE_RECORDS)
def test_each_table_is_a_frame_under_the_name_of_its_file(result, outcome, name):
    frame = getattr(result, name)
    assert isinstance(frame, pd.DataFrame)
    assert len(frame) == len(getattr(outcome, name))


def test_frames_agree_with_the_written_files(result, tmp_path):
    folder = result.write(tmp_path / "r", xlsx=True)
    for name in TABLE_RECORDS:
        kept = {"keep_default_na": False, "na_values": {}, "dtype": str}
        assert list(pd.read_csv(folder / f"{name}.csv", **kept).columns) == list(getattr(result, name).columns)
    assert (folder / "results.xlsx").exists()


def test_it_shows_itself(result, outcome):
    assert result.outcome is outcome
    assert repr(result) == "<CheckResult: 100 lines, 80 pass, 9 fail, 11 retest>"
    assert "100 lines" in result._repr_html_()
    assert result.summary["counts"]["lines"] == 100


def test_it_draws(result, outcome):
    assert result.plot_line(outcome.tracks[0].sample).get_xlabel().startswith("strands from top")
    assert result.plot_plate("P1").get_title(loc="left") == "Plate P1"
    assert result.plot_donors().get_xlabel().startswith("share of lines")
    assert result.plot_lot().get_ylabel().startswith("heterozygous")
