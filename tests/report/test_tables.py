from __future__ import annotations

import csv
import io
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from dhverify.report.tables import (
    TABLE_RECORDS,
    cell,
    csv_text,
    data_frame,
    extra_column_names,
    number_text,
    table,
    tables,
)

FIRST_COLUMNS = {
    "lines": "sample line stage donor inducer verdict finding confidence flags reasons call_rate"
    " called_markers heterozygosity heterozygosity_low heterozygosity_high segregating_markers"
    " heterozygosity_segregating diagnostic_markers inducer_share inducer_share_low inducer_share_high"
    " donor_share foreign_share parent_shares best_donor best_donor_fit inducer_segments inducer_segment_mb"
    " duplicate_group contaminant contaminant_share plate well source tissue plants",
    "donors": "donor inducer stage lines passed failed retest diagnostic_markers segregating_markers"
    " wrong_share wrong_share_low wrong_share_high hybrid_share hybrid_share_low hybrid_share_high"
    " smallest_visible_segment_cm",
    "references": "sample role call_rate heterozygosity agrees reason",
    "account": "by group measure count of rate low high",
    "markers": "marker chrom pos cm call_rate heterozygosity usable reason error_rate",
    "segments": "sample chrom start_bp end_bp start_cm end_cm origin copies markers confidence",
    "identity": "sample other_sample declared same_genotype agreement compared_markers log_odds suggestion",
    "plates": "plate wells blanks dirty_blanks leaking_wells turned advice controls wrong_controls",
    "wells": "plate well sample role call_rate contaminant contaminant_share verdict finding",
}


def rows_of(outcome, name):
    return list(csv.DictReader(io.StringIO(csv_text(table(outcome, name)))))


@pytest.mark.parametrize("name", FIRST_COLUMNS)
def test_columns_stand_in_the_documented_order(outcome, name):
    wanted = FIRST_COLUMNS[name].split()
    assert list(table(outcome, name).columns[: len(wanted)]) == wanted


def test_every_table_is_documented_here():
    assert set(FIRST_COLUMNS) == set(TABLE_RECORDS)


def test_extra_columns_of_the_sheet_come_last_and_taken_names_are_renamed(outcome):
    content = table(outcome, "lines")
    assert content.columns[-2:] == ("tray", "sheet_verdict")
    assert rows_of(outcome, "lines")[0]["sheet_verdict"] == "looks fine"


@pytest.mark.parametrize(
    ("extra", "named"),
    [
        (["tray"], ["tray"]),
        (["sample", "sheet_sample"], ["sheet_sheet_sample", "sheet_sample"]),
        (["sheet_sample", "sample"], ["sheet_sample", "sheet_sheet_sample"]),
    ],
)
def test_extra_column_names_stay_unique(extra, named):
    assert list(extra_column_names(extra, taken=["sample"])) == named


def test_no_table_says_nan_none_or_inf(outcome):
    for content in tables(outcome):
        found = {
            (column, value)
            for row in rows_of(outcome, content.name)
            for column, value in row.items()
            if value.lower() in {"nan", "none", "inf", "-inf"}
        }
        assert found <= {("declared", "none")}


def test_lines_end_with_line_feeds_only(outcome):
    for content in tables(outcome):
        text = csv_text(content)
        assert "\r" not in text
        assert text.endswith("\n")


def test_names_come_back_as_they_were(outcome, synthetic):
    samples = [row["sample"] for row in rows_of(outcome, "lines")]
    assert samples == [line.sample for line in outcome.lines]
    assert set(synthetic.HOSTILE) <= set(samples)


def test_flags_parent_shares_and_usable_are_plain_text(outcome):
    first = rows_of(outcome, "lines")[0]
    assert first["flags"] == "heterozygosity;inducer alleles"
    names = [part.split("=")[0] for part in first["parent_shares"].split(";")]
    assert names == ["Ashdown 3", "Brinkley 7"]
    assert {row["usable"] for row in rows_of(outcome, "markers")} == {"yes", "no"}


def test_a_line_that_was_not_genotyped_has_empty_measures(outcome):
    row = next(row for row in rows_of(outcome, "lines") if row["flags"] == "not genotyped")
    assert row["heterozygosity"] == row["confidence"] == row["parent_shares"] == ""
    assert row["called_markers"] == "0"


def test_an_extra_value_that_a_row_lacks_is_empty(outcome):
    lines = (replace(outcome.lines[0], extra=()), *outcome.lines[1:])
    assert rows_of(replace(outcome, lines=lines), "lines")[0]["tray"] == ""


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.1 + 0.2, "0.3"),
        (2 / 3, "0.666667"),
        (1.0, "1"),
        (-0.0, "0"),
        (1234567.0, "1234567"),
        (12345678, "12345678"),
        (123456.789, "123457"),
        (0.00012345678, "0.000123457"),
        (1.5e-12, "1.5e-12"),
        (1.5e20, "1.5e+20"),
        (-122.5, "-122.5"),
        (100.00001, "100"),
    ],
)
def test_numbers_have_at_most_six_significant_digits(value, text):
    assert number_text(value) == text


@pytest.mark.parametrize("value", [None, float("nan"), float("inf"), np.float64("nan")])
def test_what_is_not_known_is_empty(value):
    assert cell(value) is None


def test_an_empty_outcome_has_headers_only(synthetic):
    for content in tables(synthetic.empty_outcome()):
        assert csv_text(content).count("\n") == 1
        assert len(data_frame(content)) == 0


def test_frames_agree_with_the_files(outcome):
    for content in tables(outcome):
        frame = data_frame(content)
        assert list(frame.columns) == list(content.columns)
        assert len(frame) == len(content.rows)
    lines = data_frame(table(outcome, "lines"))
    assert lines["confidence"].dtype == np.float64
    assert lines["diagnostic_markers"].dtype == pd.Int64Dtype()
    assert lines["confidence"].isna().sum() == 2
    assert lines["diagnostic_markers"].isna().sum() == 1


def test_an_unknown_table_is_a_key_error(outcome):
    with pytest.raises(KeyError):
        table(outcome, "wines")
