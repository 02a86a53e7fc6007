from __future__ import annotations

import base64
import hashlib
import json
import re
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise

import numpy as np
import pytest

from dhverify.cautions import DOUBLING_CAUTION
from dhverify.outcome import Answer, Finding, Flag, Verdict
from dhverify.report.counting import VerdictCounts, pile
from dhverify.report.page import notebook_text, page_text
from dhverify.report.page.groups import identity_sentence, mismatches
from dhverify.report.page.lot_picture import MOST_MARKS, lot_picture
from dhverify.report.page.piles import MOST_WITH_REASONS, measures_sentence, piles
from dhverify.report.page.plates import plate_views, well_shape
from dhverify.report.page.sentences import answer, answer_continued, blind_spots, lines_to_look_at, to_do
from dhverify.report.page.track_paths import TrackPaths, strand_height
from dhverify.report.tables import number_text, table
from dhverify.version import __version__

VOID = {"meta", "link", "br", "img", "input", "hr"}


class Outline(HTMLParser):
    """Open tags, headings, ids, text and attributes of a page; fails on tags that do not match."""

    def __init__(self, text):
        super().__init__()
        self.open, self.tags, self.attributes, self.text, self.scripts = [], [], [], [], []
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.attributes.append((tag, dict(attributes)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.tags.append(tag)
        self.attributes.append((tag, dict(attributes)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        (self.scripts if self.open and self.open[-1] in {"script", "style"} else self.text).append(data)

    def words(self):
        return " ".join("".join(self.text).split())


@pytest.fixture(scope="module")
def page(outcome):
    return page_text(outcome)


@pytest.fixture(scope="module")
def outline(page):
    return Outline(page)


@pytest.fixture(scope="module")
def data(page):
    return json.loads(re.search(r'<script type="application/json" id="data">(.*?)</script>', page, re.DOTALL)[1])


def test_the_first_heading_is_the_answer(outline):
    assert "100 lines: 80 may go on, 9 must not, 11 need a new test." in outline.words()
    assert outline.tags.count("h1") == 1


def test_headings_go_down_one_step_at_a_time(outline):
    levels = [int(tag[1]) for tag in outline.tags if re.fullmatch("h[1-6]", tag)]
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_the_page_has_a_language_unique_ids_and_scopes(outline):
    assert ("html", {"lang": "en"}) in outline.attributes
    ids = Counter(given["id"] for _, given in outline.attributes if "id" in given)
    assert max(ids.values()) == 1
    assert all("scope" in given for tag, given in outline.attributes if tag == "th")
    labelled = [given["aria-labelledby"] for _, given in outline.attributes if "aria-labelledby" in given]
    targets = [given["href"][1:] for tag, given in outline.attributes if tag == "a"]
    assert set(labelled) | set(targets) <= set(ids)


def test_every_picture_is_named_or_hidden(outline):
    for tag, given in outline.attributes:
        if tag == "svg":
            assert given.get("aria-hidden") == "true" or given.get("aria-label")


def test_the_page_asks_for_nothing_from_elsewhere(page, outline):
    for _, given in outline.attributes:
        assert not {"src", "srcset", "action", "onclick", "onload", "style"} & set(given)
        assert given.get("href", "#").startswith("#")
    assert not re.search(r"https?://(?!www\.w3\.org)|@import|url\((?!#)", page)


def test_only_the_shipped_script_may_run(page, outline):
    script = re.search(r"<script>(.*?)</script>", page, re.DOTALL)[1]
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    policy = next(given["content"] for _, given in outline.attributes if given.get("http-equiv"))
    assert f"script-src 'sha256-{digest}'" in policy
    assert "default-src 'none'" in policy


def test_hostile_names_are_text(page, outline, synthetic):
    assert "<img" not in page
    assert "img" not in outline.tags
    assert outline.tags.count("script") == 2
    words = outline.words()
    for name in synthetic.HOSTILE:
        assert " ".join(name.split()) in words


def test_every_reason_is_readable_without_javascript(outline, outcome):
    words = outline.words()
    for line in outcome.lines:
        assert " ".join(line.sample.split()) in words
        if line.verdict is not Verdict.PASS:
            assert line.reasons in words
    assert "runs without JavaScript" in words


def test_cautions_limits_version_and_inputs_stand_on_the_page(outline, outcome):
    words = outline.words()
    assert words.count(DOUBLING_CAUTION) == 2
    assert f"dhverify, version {__version__}" in words
    for name in dict(outcome.limits.items()):
        assert name in words
    assert "0.3 (shipped: 0.2)" in words
    assert "Markers cannot see ploidy" in words
    assert "f" * 64 in words


def test_the_data_of_the_page_equal_the_tables(data, outcome):
    lines = table(outcome, "lines")
    place = {name: k for k, name in enumerate(data["columns"])}
    assert [row[place["sample"]] for row in data["rows"]] == [line.sample for line in outcome.lines]
    for name in ("heterozygosity", "confidence", "inducer_share_high", "called_markers"):
        of_table = [row[lines.columns.index(name)] for row in lines.rows]
        of_page = [row[place[name]] for row in data["rows"]]
        assert [None if value is None else number_text(value) for value in of_page] == [
            None if value is None else number_text(value) for value in of_table
        ]
    verdicts = [data["verdicts"][row[place["verdict"]]] for row in data["rows"]]
    assert verdicts == [str(line.verdict) for line in outcome.lines]
    assert [data["pool"][row[place["plate"]]] for row in data["rows"]] == [line.plate for line in outcome.lines]
    assert data["extra"] == ["tray", "sheet_verdict"]


def test_the_same_outcome_gives_the_same_page(synthetic):
    assert page_text(synthetic.make_outcome(30)) == page_text(synthetic.make_outcome(30))


def test_an_empty_outcome_has_a_page(synthetic):
    words = Outline(page_text(synthetic.empty_outcome())).words()
    assert "0 lines: none may go on." in words
    assert "Nothing: no line was checked." in words


def test_a_thousand_lines_fit_into_three_megabytes(synthetic):
    outcome = synthetic.make_outcome(1000, n_markers=1000)
    text = page_text(outcome)
    assert len(text.encode()) < 3_000_000
    assert "Their names, by plate and well" in text
    assert "<details><summary>Plate <bdi>P4</bdi>" in text


# sentences


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
    assert retest.startswith("To be tested again: 8 clean lines with an open question, 2 samples that")
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


def test_many_names_are_cut(synthetic):
    outcome = synthetic.make_outcome(30)
    failed = tuple(replace(line, verdict=Verdict.FAIL) for line in outcome.lines)
    step = next(step for step in to_do(replace(outcome, lines=failed)) if step.text.startswith("Take out"))
    assert (len(step.names), step.n_more) == (12, 18)


def test_a_lot_without_trouble_has_one_step(synthetic):
    outcome = synthetic.make_outcome(30)
    good = tuple(line for line in outcome.lines if line.verdict is Verdict.PASS)[:1]
    calm = with_verdicts(replace(outcome, lines=good, plates=(), references=()), 1, 0, 0)
    assert [step.text for step in to_do(calm)] == ["Hand on the 1 line that passes."]
    nothing = replace(calm, lines=(), donors=())
    assert to_do(nothing) == ()


def test_blind_spots(outcome):
    texts = [spot.text for spot in blind_spots(outcome)]
    assert any("shorter than 31 cM" in text for text in texts)
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


# piles, groups, plates, pictures


def test_piles_are_in_well_order(outcome):
    for verdict in Verdict:
        places = [(line.plate, line.well) for line in pile(outcome, verdict)]
        assert places == sorted(places)


def test_a_pile_that_is_too_long_is_told_in_part(outcome):
    failing = tuple(replace(outcome.lines[0], sample=f"s{k}", plate="") for k in range(MOST_WITH_REASONS + 2))
    found = piles(replace(outcome, lines=failing))
    assert [(p.verdict, len(p.told)) for p in found] == [("fail", MOST_WITH_REASONS)]
    assert [line.sample for line in found[0].trays[0].lines] == ["s300", "s301"]
    words = Outline(page_text(replace(outcome, lines=failing))).words()
    assert "And 2 more samples, by name" in words
    assert "Without a plate" in words


def test_measures_that_are_not_known_are_not_told(outcome):
    untyped = next(line for line in outcome.lines if Flag.NOT_GENOTYPED in line.flags)
    assert measures_sentence(untyped) == "0 markers called."
    no_interval = replace(outcome.lines[0], heterozygosity_low=None)
    assert "heterozygous 34 %;" in measures_sentence(no_interval)


def test_exchanges_are_found_crosswise(outcome):
    found = {(m.row.sample, m.is_exchange) for m in mismatches(outcome)}
    assert (outcome.lines[15].sample, True) in found
    assert (outcome.lines[19].sample, False) in found
    assert identity_sentence(outcome) == (
        "6 pairs declared as one genotype: 1 agree, 4 do not, 1 cannot be told for lack of markers."
    )
    assert identity_sentence(replace(outcome, identity=())).startswith("The sheet declares no samples")


def test_copies_without_a_pair_row_are_still_named(outcome):
    words = Outline(page_text(replace(outcome, identity=()))).words()
    assert "copy 1 : FD01-0012 (P1 B01), FD01-0013 (P1 B02)." in words.replace("copy 1:", "copy 1 :")


def test_many_markers_of_one_reason_are_folded(outcome):
    bad = tuple(replace(row, usable=False, reason="") for row in outcome.markers[:60])
    words = Outline(page_text(replace(outcome, markers=bad, tracks=()))).words()
    assert "60 markers: no reason given." in words
    assert "and 36 more" in words
    good = tuple(row for row in outcome.markers if row.usable)
    assert "None: all 299 markers were used." in Outline(page_text(replace(outcome, markers=good, tracks=()))).words()


@pytest.mark.parametrize(
    ("changes", "shape"),
    [
        ({"role": "line", "verdict": "retest"}, "retest"),
        ({"role": "control", "verdict": ""}, "control"),
        ({"role": "parent", "verdict": ""}, "other"),
        ({"role": "blank", "verdict": "", "call_rate": 0.02, "contaminant": ""}, "blank"),
        ({"role": "blank", "verdict": "", "call_rate": None, "contaminant": ""}, "blank"),
        ({"role": "blank", "verdict": "", "call_rate": 0.2, "contaminant": ""}, "dirty-blank"),
        ({"role": "blank", "verdict": "", "call_rate": 0.02, "contaminant": "L1"}, "dirty-blank"),
    ],
)
def test_the_shape_of_a_well(outcome, changes, shape):
    assert well_shape(replace(outcome.wells[0], **changes), 0.1) == shape


def test_plates_have_arrows_and_sentences(outcome):
    first, second = plate_views(outcome)
    assert len(first.leaks) == 2
    assert "2 blanks, 1 dirty" in first.sentence
    assert second.sentence.endswith("it looks turned.")
    large = tuple(replace(well, well="P24") if k == 3 else well for k, well in enumerate(outcome.wells))
    assert len(plate_views(replace(outcome, wells=large))[0].letters) == 16
    bare = replace(outcome.plates[0], blanks=0, controls=0, leaking_wells=0, turned=Answer.CANNOT_SAY)
    sentence = plate_views(replace(outcome, plates=(bare,)))[0].sentence
    assert sentence == "96 wells with a sample; no blank; no leak found; whether it is turned cannot be said."
    no_advice = page_text(replace(outcome, plates=(replace(bare, advice=""),)))
    assert "whether it is turned cannot be said." in no_advice


@pytest.mark.parametrize("lines", [0, 1, 48, 49, 5000])
def test_the_lot_picture_has_a_mark_for_every_line_or_every_few(lines):
    counts = VerdictCounts(lines=lines, passed=lines, failed=0, retest=0, samples=lines)
    found = lot_picture(counts)
    n_marks = dict(found.paths)["pass"].count("M")
    assert n_marks == -(-lines // found.lines_a_mark)
    assert n_marks <= MOST_MARKS


def test_one_bad_line_among_thousands_has_a_mark():
    counts = VerdictCounts(lines=5000, passed=4999, failed=1, retest=0, samples=5000)
    assert dict(lot_picture(counts).paths)["fail"].count("M") == 1


def test_paths_share_what_lines_share(outcome):
    paths = TrackPaths(outcome)
    drawn = [paths.of(track) for track in outcome.tracks]
    layout = paths.layout()
    assert layout["strands"] == [["Ashdown 3", "Brinkley 7"]]
    assert len(layout["ticks"]) == 1
    assert len(layout["chromosomes"]) == 10
    hybrid = drawn[0]
    assert hybrid[4].count("M") == 10
    clean = drawn[-1]
    assert clean[4] == clean[5] == ""
    assert re.fullmatch(r"(M\d+ \d+H\d+(V\d+H\d+)*)+", clean[2])


def test_blocks_that_touch_become_one(synthetic):
    outcome = synthetic.make_outcome(3, n_markers=3000)
    track = outcome.tracks[0]
    n = len(track.marker_index)
    foreign = replace(track, is_foreign=np.ones(n, dtype=bool))
    paths = TrackPaths(outcome)
    assert paths.of(foreign)[5].count("M") == 10
    every_second = replace(track, call=(np.arange(n) % 2).astype(np.int8), is_informative=np.ones(n, dtype=bool))
    assert paths.of(every_second)[3].count("M") < (n // 2) * 0.6
    nothing = replace(track, is_informative=np.zeros(n, dtype=bool), call=np.zeros(n, dtype=np.int8))
    assert paths.of(nothing)[2] == ""
    assert paths.layout()["ticks"][-1] == ""


def test_three_strands_have_three_heights():
    assert [strand_height(level, 3) for level in range(3)] == [5, 11, 17]
    assert strand_height(0, 1) == 11


def test_a_notebook_shows_the_answer_and_the_lines_to_look_at(outcome, synthetic):
    outline = Outline(notebook_text(outcome))
    assert "100 lines: 80 may go on" in outline.words()
    assert outline.tags.count("tr") == 21
    assert "table" not in Outline(notebook_text(synthetic.empty_outcome())).tags


def test_findings_all_have_words(outcome):
    lines = tuple(replace(outcome.lines[0], finding=finding, verdict=Verdict.FAIL) for finding in Finding)
    assert "plants of the donor" not in answer_continued(replace(outcome, lines=lines))[0]
    assert "1 plant of the inducer" in answer_continued(replace(outcome, lines=lines))[0]
