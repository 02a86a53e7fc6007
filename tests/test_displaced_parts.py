"""Parts of plates that came out of place: which there are, and which wells speak for them."""

from __future__ import annotations

import pytest

from dhverify.displaced_parts import Axis, PartKind, Suspect, exchanged_lines, exchanged_plates, slipped_runs
from dhverify.displaced_parts import suspects as suspected
from dhverify.plate_layout import plate_layouts, well_of
from dhverify.samples import Role, Sample, SampleSheet


def plate(name="P", *, rows=8, columns=12, without=()):
    """A plate whose samples are named after their wells."""
    wells = [well_of((r, c)) for r in range(rows) for c in range(columns) if well_of((r, c)) not in without]
    rows = [Sample(name=f"{name}{well}", role=Role.OTHER, plate=name, well=well) for well in wells]
    (layout,) = plate_layouts(SampleSheet(samples=tuple(rows)))
    return layout


def by_name(*layouts):
    return {sample.name: sample for layout in layouts for sample in layout.at.values()}


def test_two_columns_exchanged():
    part = exchanged_lines(plate(without={"C05"}), axis=Axis.COLUMN, one=1, two=4)
    assert part.told == "Plate P: columns 2 and 5 were exchanged"
    assert part.guessed == "Plate P: columns 2 and 5 seem to have been exchanged"
    assert part.meant["PA02"] == "PA05"
    assert part.meant["PA05"] == "PA02"
    assert part.meant["PC02"] == "an empty well for PC02"
    assert len(part.meant) == part.breadth == 15


def test_two_rows_and_two_plates_exchanged():
    part = exchanged_lines(plate(), axis=Axis.ROW, one=0, two=7)
    assert part.told == "Plate P: rows A and H were exchanged"
    assert part.meant["PA12"] == "PH12"
    part = exchanged_plates(plate("P"), plate("Q", columns=6))
    assert part.told == "Plates P and Q were exchanged"
    assert (part.meant["PB03"], part.meant["QB03"], part.meant["PB07"]) == ("QB03", "PB03", "an empty well for PB07")
    assert part.plates == ("P", "Q")
    assert part.kind is PartKind.EXCHANGE


@pytest.mark.parametrize(("step", "end"), [(1, "PC05"), (-1, "PC07")])
def test_runs_of_a_row(step, end):
    runs = list(slipped_runs(plate(), axis=Axis.ROW, line=2, step=step))
    where = "right" if step > 0 else "left"
    told = f"Plate P: row C was shifted by one to the {where} from C06 on"
    run = next(run for run in runs if run.told == told)
    assert run.meant["PC06"] == end
    assert all(place.startswith("PC") for place in run.meant)
    assert len(run.meant) == 7
    assert run.kind is PartKind.RUN
    assert all(len(run.meant) < 12 for run in runs)


def test_what_is_left_over_at_the_end_of_a_run_is_empty_or_in_place():
    told = "Plate P: column 3 was shifted up by one from D03 on"
    runs = [run for run in slipped_runs(plate(), axis=Axis.COLUMN, line=2, step=-1) if run.told == told]
    assert [run.meant.get("PH03") for run in runs] == ["an empty well for PH03", None]
    assert all(run.meant["PG03"] == "PH03" for run in runs)


def test_wells_speak_for_what_would_put_them_there():
    samples = by_name(plate("P"), plate("Q"))
    steps = [("PA02", "PA05"), ("PA05", "PA02"), ("PB02", "PB05"), ("PB02", "PB01"), ("PD03", "QD03"), ("PA01", "PB02")]
    found = suspected((samples[one], samples[two]) for one, two in steps)
    assert found == {
        Suspect(plates=("P",), axis=Axis.COLUMN, lines=(1, 4)): {0, 1},
        Suspect(plates=("P",), axis=Axis.COLUMN, lines=(0, 1)): {1},
        Suspect(plates=("P",), axis=Axis.ROW, lines=(1,), step=1): {1},
        Suspect(plates=("P", "Q")): {(3, 2)},
    }


def test_every_part_that_is_suspected_explains_the_wells_that_speak_for_it():
    layout = plate(rows=4, columns=5)
    samples = by_name(layout)
    for one in samples.values():
        for two in samples.values():
            for suspect in suspected([(one, two)]):
                parts = list(suspect.parts({"P": layout}))
                assert any(part.meant.get(one.name) == two.name for part in parts), (one, two, suspect)
