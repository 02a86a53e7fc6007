from __future__ import annotations

from dataclasses import replace
from io import BytesIO

import numpy as np
import pytest

from dhverify.outcome import Finding, Flag
from dhverify.report.figures import plot_donors, plot_line, plot_lot, plot_plate


def drawn(axes):
    axes.figure.canvas.draw()
    return axes


def sample_of(outcome, finding):
    return next(line.sample for line in outcome.lines if line.finding is finding)


@pytest.mark.parametrize(
    "finding",
    [Finding.HYBRID, Finding.SELFED_HYBRID, Finding.SELFED_DONOR, Finding.OUTCROSS, Finding.DOUBLED_HAPLOID],
)
def test_a_line_has_a_row_for_each_chromosome(outcome, finding):
    axes = drawn(plot_line(outcome, sample_of(outcome, finding)))
    assert [label.get_text() for label in axes.get_yticklabels()] == [str(k) for k in range(1, 11)]
    assert str(finding) in axes.get_title(loc="left")


def test_a_whole_hybrid_has_a_half_block_on_every_chromosome(outcome):
    axes = plot_line(outcome, sample_of(outcome, Finding.HYBRID))
    blocks = [patch for patch in axes.patches if patch.get_alpha() == 0.6]
    assert len(blocks) == 10
    assert {round(block.get_height(), 2) for block in blocks} == {0.28}


def test_one_strand_and_no_informative_marker_can_be_drawn(outcome):
    track = outcome.tracks[0]
    bare = replace(
        track,
        strands=("A",),
        is_informative=np.zeros(len(track.call), dtype=bool),
        call=np.zeros_like(track.call),
    )
    axes = drawn(plot_line(replace(outcome, tracks=(bare,)), track.sample))
    assert len(axes.lines) == 10
    one = replace(track, strands=("A",))
    assert "strands" not in plot_line(replace(outcome, tracks=(one,)), track.sample).get_xlabel()


def test_the_key_names_the_shapes_that_occur(outcome):
    hybrid = plot_line(outcome, sample_of(outcome, Finding.HYBRID)).get_xlabel()
    assert hybrid.startswith("strands from top: Ashdown 3, Brinkley 7; plum: inducer; boxes: heterozygous; ticks:")
    assert "hatched: foreign" in plot_line(outcome, sample_of(outcome, Finding.OUTCROSS)).get_xlabel()


def test_a_sample_without_a_picture_is_a_key_error(outcome):
    untyped = next(line.sample for line in outcome.lines if Flag.NOT_GENOTYPED in line.flags)
    for name in (untyped, "nobody"):
        with pytest.raises(KeyError, match="no picture"):
            plot_line(outcome, name)


def test_a_plate_has_a_square_for_every_well(outcome):
    axes = drawn(plot_plate(outcome, "P1"))
    assert len(axes.patches) == sum(well.plate == "P1" for well in outcome.wells)
    assert len(axes.texts) == 2
    with pytest.raises(KeyError, match="no plate"):
        plot_plate(outcome, "P9")


def test_the_key_of_a_plate_names_the_shapes_that_occur(outcome):
    axes = drawn(plot_plate(outcome, "P1"))
    words = [text.get_text() for text in axes.get_legend().get_texts()]
    assert words == [
        "may go on",
        "must not go on",
        "needs a new test",
        "control",
        "another sample",
        "blank",
        "dirty blank",
        "DNA that came over",
    ]
    bare = replace(outcome, wells=tuple(replace(well, contaminant="") for well in outcome.wells if well.role == "line"))
    calm = plot_plate(bare, "P2")
    assert len(calm.get_legend().get_texts()) <= 3


@pytest.mark.parametrize("well", ["A01", "P24"])
def test_title_and_key_of_a_plate_stand_on_the_paper(outcome, well):
    wells = (replace(outcome.wells[0], well=well), *outcome.wells[1:])
    axes = plot_plate(replace(outcome, wells=wells), "P1")
    axes.figure.savefig(BytesIO())
    paper, key, title = axes.figure.bbox, axes.get_legend().get_window_extent(), axes._left_title.get_window_extent()
    assert paper.y0 <= key.y0
    assert max(key.x1, title.x1) <= paper.x1
    assert title.y1 <= paper.y1


def test_a_large_plate_has_sixteen_rows(outcome):
    wells = (replace(outcome.wells[0], well="P24", contaminant=outcome.wells[0].sample), *outcome.wells[1:])
    axes = plot_plate(replace(outcome, wells=wells), "P1")
    assert len(axes.get_yticks()) == 16


def test_donors_have_a_row_each(outcome):
    axes = drawn(plot_donors(outcome))
    assert len(axes.get_yticks()) == len(outcome.donors)
    assert axes.get_yticklabels()[0].get_text().startswith("Donor 1 by Corvane, D1")
    unknown = replace(outcome.donors[0], wrong_share=None, wrong_share_low=None, inducer="")
    axes = plot_donors(replace(outcome, donors=(unknown,)))
    assert not axes.lines
    assert axes.get_yticklabels()[0].get_text().startswith("Donor 1, D1")


def test_the_lot_names_its_findings(outcome):
    axes = drawn(plot_lot(outcome))
    labels = [text.get_text() for text in axes.texts]
    typed = {str(line.finding) for line in outcome.lines if line.inducer_share is not None}
    assert sorted(name for label in labels for name in label.split(", ")) == sorted(typed)
    assert "hybrid" in labels
    assert any(label.startswith("haploid, doubled haploid") for label in labels)
    legend = [text.get_text() for text in axes.get_legend().get_texts()]
    assert legend[1] == "must not go on (9)"


def test_given_axes_are_used_and_dollar_signs_are_plain(outcome):
    axes = plot_lot(outcome)
    assert plot_donors(outcome, ax=axes) is axes
    renamed = tuple(replace(well, plate="$x_$") for well in outcome.wells)
    drawn(plot_plate(replace(outcome, wells=renamed), "$x_$"))
