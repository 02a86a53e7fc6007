from __future__ import annotations

import json
import math
from dataclasses import replace

import jsonschema
import pytest

from dhverify.cautions import DOUBLING_CAUTION
from dhverify.outcome import Finding, Flag, Verdict
from dhverify.report.summary import summary, summary_schema, summary_text


def test_the_schema_is_a_schema():
    jsonschema.Draft202012Validator.check_schema(summary_schema())


@pytest.mark.parametrize("n_lines", [1, 60])
def test_the_summary_fits_its_schema(synthetic, n_lines):
    jsonschema.validate(json.loads(summary_text(synthetic.make_outcome(n_lines))), summary_schema())


def test_the_empty_summary_fits_its_schema(synthetic):
    jsonschema.validate(json.loads(summary_text(synthetic.empty_outcome())), summary_schema())


@pytest.mark.parametrize("key", ["schema_version", "counts", "limits", "error_rates", "inputs"])
def test_the_schema_refuses_a_summary_that_lacks_a_part(outcome, key):
    content = summary(outcome)
    del content[key]
    with pytest.raises(jsonschema.ValidationError, match=key):
        jsonschema.validate(content, summary_schema())


def test_the_schema_knows_every_finding():
    allowed = summary_schema()["properties"]["counts"]["properties"]["findings"]["propertyNames"]["enum"]
    assert allowed == [str(finding) for finding in Finding]


def test_counts_equal_the_tables(outcome):
    counts = summary(outcome)["counts"]
    assert counts["pass"] == sum(line.verdict is Verdict.PASS for line in outcome.lines)
    assert counts["pass"] + counts["fail"] + counts["retest"] == counts["lines"] == len(outcome.lines)
    assert counts["findings"]["hybrid"] == 1
    assert counts["flags"]["duplicate"] == sum(Flag.DUPLICATE in line.flags for line in outcome.lines)
    assert counts["usable_markers"] == counts["markers"] - 2
    assert counts["duplicate_groups"] == 1


def test_replicates_are_samples_but_not_lines(outcome):
    first = outcome.donors[0]
    donors = (replace(first, lines=first.lines - 1, passed=first.passed - 1), *outcome.donors[1:])
    counts = summary(replace(outcome, donors=donors))["counts"]
    assert counts["samples"] == counts["lines"] + 1


def test_what_is_not_a_number_is_null(outcome):
    assert summary(replace(outcome, expected_wrong_fails=math.nan))["expected_wrong_fails"] is None


def test_an_expected_number_claims_no_more_than_six_decimals(outcome):
    assert summary(replace(outcome, expected_wrong_fails=5e-25))["expected_wrong_fails"] == 0


def test_numbers_are_rounded_as_in_the_tables_and_text_is_kept(outcome):
    content = json.loads(summary_text(outcome))
    assert content["expected_wrong_passes"] == 0.031235
    assert content["limits"]["min_call_rate"] == 0.3
    assert content["priors"] == {"D1 <b>": {"doubled haploid": 0.9, "hybrid": 0.1}}
    assert content["inputs"][0] == {"name": "calls.csv", "sha256": "0" * 64}


def test_stories_and_advice_on_groups_are_told(outcome, synthetic):
    content = json.loads(summary_text(outcome))
    assert content["stories"] == list(synthetic.STORIES)
    assert content["group_advice"] == [synthetic.GROUP_ADVICE]


def test_without_donor_rows_samples_are_counted(outcome):
    counts = summary(replace(outcome, donors=()))["counts"]
    assert (counts["lines"], counts["pass"], counts["fail"], counts["retest"]) == (100, 80, 9, 11)


def test_the_shortest_visible_segment_of_each_family_is_told(outcome):
    first = replace(outcome.donors[0], smallest_visible_segment_cm=12.5)
    blind = replace(outcome.donors[1], smallest_visible_segment_cm=None)
    content = summary(replace(outcome, donors=(first, blind)))
    jsonschema.validate(content, summary_schema())
    told = content["smallest_visible_segment_cm"]
    assert told[0] == {"donor": first.donor, "inducer": first.inducer, "stage": first.stage, "cm": 12.5}
    assert told[1]["cm"] is None


@pytest.mark.parametrize("measure", ["doubling_success", "survival"])
def test_the_caution_stands_where_treated_plants_were_counted(outcome, measure):
    row = replace(outcome.account[0], measure=measure)
    assert summary(replace(outcome, account=(row,)))["caution"] == DOUBLING_CAUTION
    assert summary(replace(outcome, account=(outcome.account[0],)))["caution"] == ""
