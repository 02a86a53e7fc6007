"""The README's promises: its job first, two commands that work, the files and statuses that there are."""

from __future__ import annotations

import os
import re
import shlex
import tomllib
from pathlib import Path

import pytest

from dhverify.cautions import DOUBLING_CAUTION
from dhverify.cli.main import main
from dhverify.report.tables import TABLE_RECORDS

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
COMMANDS = re.findall(r"```sh\n(.*?)\n```", TEXT, flags=re.DOTALL)
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
CI = (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_the_first_paragraph_states_the_job():
    first = TEXT.split("\n\n")[1]
    for word in ("doubled-haploid", "genotypes", "sample sheet", "pass, fail or retest", "how sure", "why"):
        assert word in first


def test_there_are_two_commands_of_one_line_each():
    assert len(COMMANDS) == 2
    assert all("\n" not in command for command in COMMANDS)


def test_each_command_makes_its_environment_and_installs():
    for command in COMMANDS:
        venv, install, _ = (shlex.split(part) for part in command.split("&&"))
        assert venv[:3] == ["python3", "-m", "venv"]
        assert install[0] == f"{venv[3]}/bin/python"
        assert install[1:4] == ["-m", "pip", "install"]


def test_the_first_command_does_the_main_job(monkeypatch, tmp_path, capsys):
    check = shlex.split(COMMANDS[0].split("&&")[-1])
    assert check[0] == ".venv/bin/dhverify"
    target = tmp_path / "results"
    arguments = [str(target) if word == "results" else word for word in check[1:]]
    assert str(target) in arguments
    monkeypatch.chdir(ROOT)
    assert main(arguments) == 0
    assert "report.html" in capsys.readouterr().out
    written = {path.name for path in target.iterdir()}
    assert written == set(re.findall(r"`(\w+\.(?:csv|json))`", section("What comes out"))) | {"report.html"}


def section(title):
    return TEXT.split(f"## {title}\n")[1].split("\n## ")[0]


def test_every_table_is_named():
    assert [f"| `{name}.csv` " for name in TABLE_RECORDS] == re.findall(r"\| `\w+\.csv` ", section("What comes out"))


def test_the_second_command_tests_with_coverage():
    _, install, test = (shlex.split(part) for part in COMMANDS[1].split("&&"))
    extras = re.search(r"\[(.*)\]", install[-1]).group(1).split(",")
    assert set(extras) == {"test", "bcf"}
    assert set(extras) <= set(PROJECT["optional-dependencies"])
    assert "pytest" in test
    assert "--cov" in test
    assert any(word.startswith("--cov-fail-under=") for word in test)


def test_the_windows_command_is_the_first_one():
    windows = re.search(r"```bat\n(.*?)\n```", TEXT, flags=re.DOTALL).group(1)
    tail = COMMANDS[0].split(".venv/bin/dhverify ")[1]
    assert windows.endswith(r".venv\Scripts\dhverify " + tail)


def test_the_python_it_asks_for_is_the_one_it_needs():
    assert PROJECT["requires-python"] == ">=3.11"
    assert "Python 3.11 or later" in TEXT
    assert "wheels of scikit-allel" in TEXT


def test_the_caution_stands_in_full_where_doubling_is_mentioned():
    assert DOUBLING_CAUTION in section("Caution")


@pytest.mark.parametrize("status", [0, 1, 2, 3])
def test_each_exit_status_has_its_meaning(status):
    assert re.search(rf"Exit status:.*\b{status} [a-z]", TEXT)


def test_continuous_integration_runs_both_commands_as_they_stand():
    assert os.access(ROOT / ".ci" / "run", os.X_OK)
    assert "readme_command 1" in CI
    assert "readme_command 2" in CI
    assert CI.startswith("#!/usr/bin/env bash")
    assert "set -euo pipefail" in CI


@pytest.mark.parametrize(
    "step",
    ["ruff check", "ruff format --check", "mypy", "lint-imports", "docs/generate.py --check", "sphinx -W", "accuracy"],
)
def test_continuous_integration_has_every_step(step):
    assert step in CI
