from __future__ import annotations

import json
from pathlib import Path

import pytest

from dhverify.errors import OutputError
from dhverify.report import whole_folder
from dhverify.report.folder import RESULTS, results_files, write_results

FILES = {
    "account.csv",
    "donors.csv",
    "identity.csv",
    "lines.csv",
    "markers.csv",
    "plates.csv",
    "references.csv",
    "report.html",
    "segments.csv",
    "summary.json",
    "wells.csv",
}


def names(folder: Path) -> set[str]:
    return {file.name for file in folder.iterdir()}


def test_the_folder_holds_every_file_and_nothing_is_left_beside_it(outcome, tmp_path):
    folder = write_results(outcome, tmp_path / "a" / "results")
    assert names(folder) == FILES
    assert names(tmp_path / "a") == {"results"}


def test_the_same_outcome_gives_the_same_bytes(synthetic):
    first, second = (results_files(synthetic.make_outcome(30), xlsx=True) for _ in range(2))
    assert first == second
    assert set(first) == FILES | {"results.xlsx"}


def test_an_empty_folder_is_filled_and_stays_the_same_folder(outcome, tmp_path):
    target = tmp_path / "empty"
    target.mkdir()
    node = target.stat().st_ino
    write_results(outcome, target)
    assert names(target) == FILES
    assert target.stat().st_ino == node


def test_results_are_replaced_with_force_only(outcome, synthetic, tmp_path):
    folder = write_results(synthetic.make_outcome(5), tmp_path / "r", xlsx=True)
    with pytest.raises(OutputError, match="--force"):
        write_results(outcome, folder)
    assert json.loads((folder / "summary.json").read_text())["counts"]["samples"] == 5
    write_results(outcome, folder, force=True)
    assert json.loads((folder / "summary.json").read_text())["counts"]["samples"] == 100
    assert names(folder) == FILES
    assert names(tmp_path) == {"r"}


@pytest.mark.parametrize("summary", [None, "{", "[]", '{"kind": "other"}', '{"kind": "dhverify check"}'])
def test_another_folder_is_never_replaced(outcome, tmp_path, summary):
    (tmp_path / "thesis.txt").write_text("mine")
    if summary is not None:
        (tmp_path / "summary.json").write_text(summary)
    before = names(tmp_path)
    with pytest.raises(OutputError, match="never replaced"):
        write_results(outcome, tmp_path, force=True)
    assert names(tmp_path) == before
    assert not RESULTS.is_of_kind(tmp_path)


def test_a_file_is_no_folder(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="a file"):
        RESULTS.check_target(tmp_path / "file")
    with pytest.raises(OutputError, match="goes below it"):
        RESULTS.check_target(tmp_path / "file" / "results")


def failing_rename(monkeypatch, fails_at: int):
    calls = []
    rename = Path.rename

    def fail(self, target):
        calls.append(self)
        if len(calls) == fails_at:
            raise PermissionError(13, "in use by another program")
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", fail)


@pytest.mark.parametrize("fails_at", [1, 2])
def test_after_a_fault_the_old_results_are_still_there(outcome, synthetic, tmp_path, monkeypatch, fails_at):
    folder = write_results(synthetic.make_outcome(5), tmp_path / "r")
    failing_rename(monkeypatch, fails_at)
    with pytest.raises(OutputError, match="in use by another program"):
        write_results(outcome, folder, force=True)
    assert json.loads((folder / "summary.json").read_text())["counts"]["samples"] == 5
    assert names(tmp_path) == {"r"}


def test_after_a_fault_an_empty_folder_is_empty(outcome, tmp_path, monkeypatch):
    failing_rename(monkeypatch, 4)
    with pytest.raises(OutputError):
        write_results(outcome, tmp_path)
    assert names(tmp_path) == set()


def test_a_stop_while_writing_leaves_nothing(tmp_path):
    def stopped(folder):
        (folder / "half").write_text("half")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        whole_folder.write_whole(tmp_path / "r", stopped)
    assert names(tmp_path) == set()


def test_a_place_that_cannot_be_read_is_an_output_error(tmp_path, monkeypatch):
    def refuse(_self):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "iterdir", refuse)
    with pytest.raises(OutputError, match="Permission denied"):
        RESULTS.check_target(tmp_path)


def test_a_file_of_the_user_in_a_results_folder_is_never_deleted(outcome, tmp_path):
    folder = write_results(outcome, tmp_path / "results")
    notes = folder / "my_notes.txt"
    notes.write_text("seen in the field", encoding="utf-8")
    with pytest.raises(OutputError):
        write_results(outcome, folder, force=True)
    assert notes.read_text(encoding="utf-8") == "seen in the field"
    notes.unlink()
    write_results(outcome, folder, force=True)
