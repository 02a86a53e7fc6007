"""The answer, what to do now, what cannot be seen: the sentences of the page."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dhverify.outcome import Finding, Flag, Verdict
from dhverify.report.page.sentences import answer, answer_continued, blind_spots, lines_to_look_at, to_do


def with_verdicts(outcome, passed, failed, retest):
    row = replace(outcome.donors[0], lines=passed + failed + retest, passed=passed, failed=failed, retest=retest)
    lines = outcome.lines[: passed + failed + retest]
    return replace(outcome, donors=(row,), lines=lines)


@pytest.mark.parametrize(
    ("counts", "sentence"),
    [
        ((3, 0, 0), "3 lines: all may go on."),
        ((1, 0, 0), "1 line: it may go on."),
        ((0, 2, 1), "3 lines: none may go on, 2 must not, 1 needs a new test."),
        ((2, 0, 2), "4 lines: 2 may go on, 2 need a new test."),
    ],
)
def test_the_first_sentence(outcome, counts, sentence):
    assert answer(with_verdicts(outcome, *counts)) == sentence


def test_replicates_are_said(outcome):
    donor = replace(outcome.donors[0], lines=8, passed=8, failed=0, retest=0)
    assert answer(replace(outcome, donors=(donor,))) == "8 lines in 100 samples: all may go on."


def test_what_the_bad_ones_are_and_what_to_expect(outcome):
    bad, retest, expected = answer_continued(outcome)
    assert "1 hybrid with the inducer" in bad
    assert "1 clean line with an inducer segment" in bad
    assert retest == (
        "To be tested again: 2 clean lines that copy another, 2 clean lines with a doubtful label,"
        " 1 sample that its calls do not resolve, 1 line that no file holds, 1 mixture of two samples,"
        " 1 line with few diagnostic markers, 1 clean line with a doubtful reference, 1 sample of the wrong tissue and"
        " 1 clean line beside a dirty blank."
    )
    open_question = replace(outcome.lines[12], flags=())
    asked = replace(outcome, lines=(open_question,))
    assert answer_continued(asked)[0] == "To be tested again: 1 clean line with an open question."
    assert ("Test again, for the reason given with each line:", (open_question.sample,)) in [
        (step.text, step.names) for step in to_do(asked)
    ]
    assert "Expect 0.031 wrong lines" in expected
    assert "fewer than 0.01 good ones" in expected


def test_nothing_is_said_of_piles_that_are_empty(outcome):
    passed = tuple(line for line in outcome.lines if line.verdict is Verdict.PASS)
    assert len(answer_continued(replace(outcome, lines=passed))) == 1


def test_one_kind_of_fault_is_one_phrase(outcome):
    lines = (outcome.lines[0], outcome.lines[0])
    assert answer_continued(replace(outcome, lines=lines))[0] == "Must not go on: 2 hybrids with the inducer."


def test_what_to_do_begins_with_plates_and_references(outcome):
    steps = to_do(outcome)
    assert [step.names for step in steps[:4]] == [("P2",), ("P1",), ("P2",), ("Brinkley 7",)]
    assert steps[4].text == "Take out, and do not cross:"
    assert steps[-1].text == "Hand on the 80 lines that pass."
    wanted = {name for name, line in ((line.sample, line) for line in outcome.lines) if line.verdict is Verdict.RETEST}
    assert wanted <= {name for step in steps for name in step.names}


def test_exchanged_labels_come_first_and_are_not_taken_out(outcome):
    moved, other = (replace(line, finding=Finding.OTHER_DONOR, verdict=Verdict.FAIL) for line in outcome.lines[15:17])
    doubtful = replace(outcome.lines[17], flags=(Flag.SOURCE_MISMATCH,), verdict=Verdict.RETEST)
    mixed = replace(doubtful, sample="M1", finding=Finding.MIXTURE)
    pairs = ((moved.sample, doubtful.sample), ("M1", "elsewhere"))
    steps = to_do(replace(outcome, lines=(moved, other, doubtful, mixed), exchanges=pairs))
    assert (steps[0].text, steps[0].pairs) == ("Settle these exchanged labels first, then check again:", pairs)
    named = [name for step in steps for name in step.names]
    assert not {moved.sample, doubtful.sample} & set(named)
    assert other.sample in next(step.names for step in steps if step.text.startswith("Take out"))
    assert "M1" in named


def test_many_exchanges_are_cut(outcome):
    pairs = tuple((f"A{k}", f"B{k}") for k in range(15))
    step = to_do(replace(outcome, exchanges=pairs))[0]
    assert (len(step.pairs), step.n_more) == (12, 3)


def test_a_dirty_blank_is_said_of_its_plate(outcome):
    step = next(step for step in to_do(outcome) if "dirty" in step.text)
    assert (step.text, step.names) == ("Look for carry-over; a blank is dirty on", ("P1",))


def test_many_names_are_cut(synthetic):
    outcome = synthetic.make_outcome(30)
    failed = tuple(replace(line, verdict=Verdict.FAIL) for line in outcome.lines)
    step = next(step for step in to_do(replace(outcome, lines=failed)) if step.text.startswith("Take out"))
    assert (len(step.names), step.n_more) == (12, 18)


def test_a_lot_without_trouble_has_one_step(synthetic):
    outcome = synthetic.make_outcome(30)
    good = tuple(line for line in outcome.lines if line.verdict is Verdict.PASS)[:1]
    calm = replace(with_verdicts(outcome, 1, 0, 0), lines=good, plates=(), references=(), group_advice=())
    assert [step.text for step in to_do(calm)] == ["Hand on the 1 line that passes."]
    nothing = replace(calm, lines=(), donors=())
    assert to_do(nothing) == ()


def test_blind_spots(outcome):
    texts = [spot.text for spot in blind_spots(outcome)]
    assert any("of those 31 cM long 95 % are found, of shorter ones fewer" in text for text in texts)
    assert any("too few or too far apart" in text and "heterozygosity alone" in text for text in texts)
    untyped = replace(outcome.donors[0], diagnostic_markers=None, smallest_visible_segment_cm=None)
    spots = blind_spots(replace(outcome, donors=(untyped, untyped), plates=()))
    assert spots[0].crosses == (("Donor 1", "Corvane"),)
    assert "cannot be looked for" in spots[0].text
    assert any("no wells" in spot.text for spot in spots)
    no_blanks = tuple(replace(row, blanks=0) for row in outcome.plates)
    assert any("No plate has a blank" in spot.text for spot in blind_spots(replace(outcome, plates=no_blanks)))


def test_stretches_without_markers_are_named_and_cut(outcome):
    sparse = tuple(row for k, row in enumerate(outcome.markers) if k % 6 == 0)
    text = next(s.text for s in blind_spots(replace(outcome, markers=sparse)) if s.text.startswith("Stretches"))
    assert "chromosome 1 from" in text
    assert "more." in text
    few = tuple(row for k, row in enumerate(outcome.markers) if not 5 < k < 25)
    text = next(s.text for s in blind_spots(replace(outcome, markers=few)) if s.text.startswith("Stretches"))
    assert text.count(" cM") == 2


def test_the_lines_to_look_at_fail_first(outcome):
    lines = lines_to_look_at(outcome)
    assert [line.verdict for line in lines[:9]] == [Verdict.FAIL] * 9
    assert len(lines) == 20


def test_findings_all_have_words(outcome):
    lines = tuple(replace(outcome.lines[0], finding=finding, verdict=Verdict.FAIL) for finding in Finding)
    assert "plants of the donor" not in answer_continued(replace(outcome, lines=lines))[0]
    assert "1 plant of the inducer" in answer_continued(replace(outcome, lines=lines))[0]
