"""The import contract names every room, and each room on every list that it belongs to."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "dhverify"
CONFIG = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["importlinter"]
CONTRACTS = {contract["id"]: contract for contract in CONFIG["contracts"]}
LAYERS = [re.split(r"\s*[|:]\s*", layer) for layer in CONTRACTS["floors"]["layers"]]
DOORS = {"__main__", "cli", "api", "report", "formats", "simulation"}
"""Rooms that read, write, draw or invent; all others judge or design."""
SEEN_BY_REPORT = {"cautions", "chromosomes", "design", "errors", "limits", "outcome", "version"}
SEEN_BY_SIMULATION = {"errors", "version"}


def rooms(package=PACKAGE):
    modules = {path.stem for path in package.glob("*.py")} - {"__init__"}
    return modules | {path.parent.name for path in package.glob("*/__init__.py")}


def named(modules):
    return {name.removeprefix("dhverify.") for name in modules if name.startswith("dhverify.")}


def floor_of(room):
    return next(number for number, floor in enumerate(reversed(LAYERS)) if room in floor)


def test_every_room_has_one_floor():
    placed = [room for floor in LAYERS for room in floor]
    assert sorted(placed) == sorted(rooms())
    assert CONTRACTS["floors"]["exhaustive"] is True


def test_a_new_room_without_a_floor_is_seen(tmp_path):
    (tmp_path / "attic.py").touch()
    (tmp_path / "cellar").mkdir()
    (tmp_path / "cellar" / "__init__.py").touch()
    assert rooms(tmp_path) == {"attic", "cellar"}
    assert not rooms(tmp_path) & {room for floor in LAYERS for room in floor}


def test_no_room_is_optional():
    assert not [room for floor in LAYERS for room in floor if room.startswith("(")]


@pytest.mark.parametrize(
    ("above", "below"),
    [
        ("cli", "api"),
        ("api", "report"),
        ("report", "checking"),
        ("checking", "outcome_rows"),
        ("verdicts", "criteria"),
        ("criteria", "evidence"),
        ("likelihood", "hypotheses"),
        ("hypotheses", "outcome"),
        ("outcome", "genotypes"),
        ("samples", "pedigree"),
        ("genetic_map", "limits"),
        ("limits", "errors"),
    ],
)
def test_the_main_floors_stand_in_this_order(above, below):
    assert floor_of(above) > floor_of(below)


def test_siblings_that_must_not_know_one_another_share_a_floor():
    assert floor_of("checking") == floor_of("formats") == floor_of("simulation") == floor_of("design")


def test_the_simulation_is_kept_from_all_other_rooms():
    forbidden = CONTRACTS["simulation"]["forbidden_modules"]
    above = {"__main__", "cli", "api", "report"}
    assert named(forbidden) >= rooms() - above - SEEN_BY_SIMULATION - {"simulation"}
    assert not named(forbidden) & SEEN_BY_SIMULATION


def test_all_rooms_that_judge_are_kept_from_files_and_pictures():
    assert named(CONTRACTS["judge"]["source_modules"]) == rooms() - DOORS
    assert {"pandas", "matplotlib", "click", "openpyxl", "jinja2", "allel", "pysam"} <= set(
        CONTRACTS["judge"]["forbidden_modules"]
    )


def test_the_report_is_kept_from_all_rooms_that_judge():
    assert named(CONTRACTS["report"]["forbidden_modules"]) == rooms() - DOORS - SEEN_BY_REPORT


@pytest.mark.filterwarnings("default")
def test_the_contract_is_kept(monkeypatch, capsys):
    from importlinter.cli import lint_imports

    monkeypatch.chdir(ROOT)
    assert lint_imports(no_cache=True) == 0, capsys.readouterr().out
