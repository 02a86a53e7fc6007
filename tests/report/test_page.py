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
from dhverify.donor_advice import _donor_words, _nothing, _Rate
from dhverify.outcome import Answer, Flag, Verdict
from dhverify.report.advice import DonorAdvice, donor_advice, urgent_advice
from dhverify.report.counting import VerdictCounts, pile
from dhverify.report.page import notebook_text, page_text
from dhverify.report.page.groups import identity_sentence, mismatches, set_aside
from dhverify.report.page.lot_picture import MOST_MARKS, lot_picture
from dhverify.report.page.piles import MOST_WITH_REASONS, measures_sentence, piles
from dhverify.report.page.plates import plate_views, well_shape
from dhverify.report.page.rates import account_views
from dhverify.report.page.sentences import to_do
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
    assert "turned by 180 degrees" in outline.words()
    many = Outline(notebook_text(replace(outcome, stories=tuple(f"story {k}" for k in range(9))))).words()
    assert "story 5 and 3 more" in many
    assert "table" not in Outline(notebook_text(synthetic.empty_outcome())).tags


# stories, advice, references


def test_the_stories_stand_before_the_piles(outline, outcome):
    words = outline.words()
    assert "What probably happened The simplest stories that explain" in words
    for story in outcome.stories:
        assert (
            words.index("What to do now") < words.index(" ".join(story.split())) < words.index("Must not go on:", 2000)
        )
    one = Outline(page_text(replace(outcome, stories=("Two labels were exchanged.",)))).words()
    assert "The simplest story that explains" in one
    assert "What probably happened" not in Outline(page_text(replace(outcome, stories=()))).words()


def test_an_open_pair_is_told_with_its_true_cause(outcome):
    row = replace(outcome.identity[0], declared="source", same_genotype=Answer.CANNOT_SAY)
    few, segregates, unsure = (
        replace(row, compared_markers=n, log_odds=odds) for n, odds in ((12, None), (303, -497.0), (303, 1.5))
    )
    assert identity_sentence(replace(outcome, identity=(few, segregates, unsure, segregates))) == (
        "4 pairs declared as one genotype: 1 cannot be told for lack of markers, 2 cannot be told because neither"
        " sample is a clean line, 1 cannot be told because the calls leave both open."
    )


def test_exchanged_labels_lead_to_their_stories(outcome):
    names = tuple(line.sample for line in pile(outcome, Verdict.FAIL)[:2])
    page = page_text(replace(outcome, exchanges=(names,)))
    words = Outline(page).words()
    assert f"Settle these exchanged labels first, then check again: {names[0]} ↔ {names[1]}." in words


def test_counts_of_the_account_are_numbers_for_people(outcome):
    row = replace(outcome.account[0], count=107.36, of=6210)
    view = account_views(replace(outcome, account=(row,))).overall[0]
    assert (view.count, view.of) == ("107", "6,210")


def with_advice(outcome, *texts):
    rows = [replace(outcome.donors[0], donor=f"Donor {k}", advice=text) for k, text in enumerate(texts)]
    return replace(outcome, donors=tuple(rows), group_advice=())


CALM = "No worse than the other donors: 1 of 30 (3.3 %) putative haploids are hybrids."
URGENT = "Genotype all haploids of this donor: 9 of 30 (30.0 %) putative haploids are hybrids."


def test_each_donor_is_advised_once_and_the_urgent_first(outcome):
    advised = with_advice(outcome, CALM, URGENT, "")
    twice = replace(advised, donors=advised.donors * 2)
    assert [(one.donor, one.is_urgent) for one in donor_advice(twice)] == [("Donor 1", True), ("Donor 0", False)]
    assert urgent_advice(twice) == (f"Donor Donor 1: {URGENT}",)
    words = Outline(page_text(twice)).words()
    assert words.count(URGENT) == 2
    assert words.count(CALM) == 1
    assert "1 donor that does not stand out" in words


def test_advice_is_calm_or_urgent_as_the_judge_words_it():
    rates = [_Rate(count=n, of=of, others_count=2, others_of=90, low=0.001, high=0.2) for n, of in ((0, 40), (0, 5))]
    calm = [_nothing(rate, None) for rate in (*rates, None)]
    wrong = _Rate(count=20, of=40, others_count=2, others_of=90, low=0.35, high=0.65, chance=1e-9)
    urgent = [
        _donor_words(wrong, None, None, 3),
        _donor_words(None, wrong, None, 3),
        _donor_words(None, None, wrong, 3),
    ]
    told = [DonorAdvice(donor="D", text=text).is_urgent for text in (*calm, *urgent)]
    assert told == [False] * 3 + [True] * 3


def test_advice_is_a_step_and_that_of_many_donors_is_one(outcome):
    few = to_do(with_advice(outcome, URGENT, CALM))
    assert [step.text for step in few if "Genotype all haploids" in step.text] == [f"Donor Donor 0: {URGENT}"]
    many = to_do(with_advice(outcome, *[URGENT] * 5))
    step = next(step for step in many if "stands under Donors and rates" in step.text)
    assert step.names == tuple(f"Donor {k}" for k in range(5))
    assert any(step.text.endswith(f"group of the programme: {outcome.group_advice[0]}") for step in to_do(outcome))


def test_many_calm_donors_are_folded(outcome):
    page = page_text(with_advice(outcome, *[CALM] * 7))
    assert "<details><summary>7 donors that do not stand out" in page
    bare = Outline(page_text(with_advice(outcome, ""))).words()
    assert "What to do next" not in bare


def test_every_reference_stands_on_the_page(outline, outcome):
    words = outline.words()
    assert "Every reference with its measures (3 rows)" in words
    assert "references that were genotyped agree" not in words
    agreeing = [replace(row, agrees=Answer.YES) for row in outcome.references]
    calm = tuple(line for line in outcome.lines if line.verdict is Verdict.PASS)
    words = Outline(page_text(replace(outcome, references=tuple(agreeing), lines=calm))).words()
    assert "All 3 references that were genotyped agree with the offspring." in words
    words = Outline(page_text(replace(outcome, references=(agreeing[0],), lines=calm))).words()
    assert "The one reference that was genotyped agrees with the offspring." in words


def test_markers_of_one_kind_of_fault_are_one_group(outcome):
    reasons = ["called in 27% of the samples", "called in 4.5% of the samples", "at one place with another"]
    rows = tuple(replace(outcome.markers[k], usable=False, reason=text) for k, text in enumerate(reasons))
    groups = set_aside(replace(outcome, markers=rows))
    assert [group.reason for group in groups] == ["called in 4.5 to 27% of the samples", "at one place with another"]


def test_small_groups_show_both_rates(outcome):
    row = replace(outcome.account[3], shrunk_rate=0.087)
    words = Outline(page_text(replace(outcome, account=(*outcome.account, row)))).words()
    assert "Drawn toward all" in words
    assert "8.7 %" in words


def test_plates_are_in_the_order_of_their_numbers(outcome):
    lines = tuple(replace(outcome.lines[0], plate=plate) for plate in ("P10", "P2", "P1"))
    assert [line.plate for line in pile(replace(outcome, lines=lines), Verdict.FAIL)] == ["P1", "P2", "P10"]
