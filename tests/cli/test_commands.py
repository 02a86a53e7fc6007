from __future__ import annotations

import re
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import click
import pytest

import dhverify
from dhverify import api
from dhverify.cautions import DOUBLING_CAUTION
from dhverify.cli import main as main_module
from dhverify.cli.main import main
from dhverify.errors import Defect, FormatError
from dhverify.limits import Limits
from dhverify.report.result import CheckResult

COMMANDS = ("check", "sheet", "limits", "simulate", "markers", "budget")


@pytest.fixture
def programme(tmp_path):
    """A small invented programme, written by the command itself."""
    folder = tmp_path / "demo"
    assert main(["simulate", str(folder), "--donors", "2", "--lines", "6", "--markers", "200", "--quiet"]) == 0
    return folder


@pytest.fixture
def canned(monkeypatch, outcome):
    """A check that finds the synthetic outcome, and remembers what it was asked."""
    asked = {}

    def check(genotypes, samples, **options):
        asked.update(options, genotypes=genotypes, samples=samples)
        if options["progress"] is not None:
            options["progress"]("judging", 1, 1)
        return CheckResult(outcome)

    import dhverify.cli.checking_run as room

    monkeypatch.setattr(room, "check", check)
    return asked


def check_arguments(folder, out, *more):
    return [
        "check",
        str(folder / "genotypes.vcf.gz"),
        "--samples",
        str(folder / "samples.csv"),
        "--out",
        str(out),
        *more,
    ]


@pytest.mark.usefixtures("canned")
def test_check_writes_the_folder_and_tells(programme, tmp_path, capsys):
    out = tmp_path / "results"
    assert main(check_arguments(programme, out)) == 0
    shown = capsys.readouterr()
    assert shown.out.startswith("100 lines: 80 may go on")
    assert shown.out.endswith("report.html\n")
    assert shown.err == "warning: calls.csv, sample <x>: not on the sheet, left out.\n"
    assert (out / "summary.json").exists()
    assert not (out / "results.xlsx").exists()


def test_check_hands_on_every_option(programme, canned, tmp_path):
    limits = tmp_path / "limits.toml"
    limits.write_text("min_confidence = 0.9\n")
    genetic_map = tmp_path / "map.csv"
    genetic_map.write_text("marker,cm,chrom\nm1,1.5,1\n")
    options = [
        "--limits",
        limits,
        "--map",
        genetic_map,
        "--counts",
        programme / "counts.csv",
        "--by",
        "sorter",
        "--by",
        "ear",
        "--jobs",
        "2",
        "--xlsx",
        "--quiet",
        "--layout",
        "vcf",
    ]
    assert main(check_arguments(programme, tmp_path / "r", *map(str, options))) == 0
    assert canned["limits"].min_confidence == 0.9
    assert canned["genetic_map"] is not None
    assert canned["counts"] is not None
    assert canned["by"] == ("sorter", "ear")
    assert canned["jobs"] == 2
    assert (tmp_path / "r" / "results.xlsx").exists()


@pytest.mark.usefixtures("canned")
def test_quiet_prints_nothing(programme, tmp_path, capsys):
    assert main(check_arguments(programme, tmp_path / "r", "--quiet")) == 0
    assert capsys.readouterr() == ("", "")


@pytest.mark.usefixtures("canned")
def test_strict_is_one_when_a_line_does_not_pass(programme, tmp_path):
    assert main(check_arguments(programme, tmp_path / "r", "--strict", "--quiet")) == 1
    assert (tmp_path / "r" / "lines.csv").exists()


@pytest.mark.usefixtures("canned")
def test_force_replaces_results(programme, tmp_path, capsys):
    arguments = check_arguments(programme, tmp_path / "r", "--quiet")
    assert main(arguments) == 0
    assert main(arguments) == 2
    assert "--force" in capsys.readouterr().err
    assert main([*arguments, "--force"]) == 0


def test_an_output_folder_in_use_is_found_before_anything_is_read(tmp_path, capsys):
    for name in ("genotypes.vcf.gz", "samples.csv"):
        (tmp_path / name).write_text("not read at all")
    assert main(check_arguments(tmp_path, tmp_path)) == 2
    assert "other files" in capsys.readouterr().err


def test_a_wrong_input_is_one_message_and_nothing_is_written(programme, tmp_path, capsys):
    (programme / "samples.csv").write_text("sample,role\na,line\na,king\n")
    assert main(check_arguments(programme, tmp_path / "r")) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert "samples.csv" in shown.err
    assert "Traceback" not in shown.err
    assert not (tmp_path / "r").exists()


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["check"],
        ["check", "missing.vcf", "--samples", "s", "--out", "o"],
        ["chekc"],
        ["limits", "--nonsense"],
        ["simulate"],
        ["simulate", "d", "--donors", "many"],
    ],
)
def test_a_wrong_command_line_is_two(arguments, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(arguments) == 2
    assert "Traceback" not in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["chekc"], "chekc: found an unknown command; expected a known one: did you mean check?"),
        (
            ["limits", "--limit"],
            "limits: --limit: found an unknown option; expected a known one: did you mean --limits?",
        ),
        (["limits", "--zz"], "limits: --zz: found an unknown option; expected a known one: --help lists them"),
        (["check"], "check: GENOTYPES: found nothing; expected a file that is there and can be read"),
        (["simulate"], "simulate: DIR: found nothing; expected the name of a folder"),
        (
            ["check", "x"],
            "check: GENOTYPES: found file 'x', which does not exist; expected a file that is there and can be read",
        ),
        (["check", "--layout", "foo"], "check: --layout: found foo; expected one of auto, vcf, wide, long"),
        (["check", "--layout", ""], "check: --layout: found an empty text; expected one of auto, vcf, wide, long"),
        (["budget", "--lines", "2.5"], "budget: --lines: found 2.5; expected a whole number"),
        (["simulate", "d", "--depth", "x"], "simulate: --depth: found x; expected a number"),
        (["simulate", "d", "--jobs", "0"], "simulate: --jobs: found 0; expected a whole number of at least 1"),
        (["simulate", "d", "--donors"], "--donors: found no value; expected one"),
        (["simulate", "d", "--quiet=3"], "--quiet: found a value; expected none"),
        (
            ["simulate", "d", "e"],
            "simulate: command line: found unexpected extra argument (e); expected what --help shows",
        ),
    ],
)
def test_a_wrong_command_line_is_one_message_of_the_house_form(arguments, said, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(arguments) == 2
    assert capsys.readouterr() == ("", f"dhverify: {said}\n")


def test_the_limits_are_printed_whatever_is_common_to_all_commands(capsys):
    assert main(["limits", "--jobs", "2", "--quiet"]) == 0
    assert "min_confidence" in capsys.readouterr().out


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_every_command_takes_jobs(programme, tmp_path, jobs):
    sheet = ["sheet", str(programme / "genotypes.vcf.gz"), str(tmp_path / "draft.csv")]
    assert main([*sheet, "--jobs", jobs, "--quiet"]) == 0
    invented = ["simulate", str(tmp_path / "e"), "--donors", "1", "--lines", "2", "--markers", "20"]
    assert main([*invented, "--jobs", jobs, "--quiet"]) == 0


def failing(monkeypatch, error):
    def fail(*_given, **_named):
        raise error

    monkeypatch.setattr(main_module.cli, "main", fail)


@pytest.mark.parametrize(
    ("error", "status", "said"),
    [
        (
            FormatError("f.csv", [Defect(where="row 2", found="x\x1b", expected="a number")]),
            2,
            "f.csv: row 2",
        ),
        (PermissionError(13, "Permission denied", "s.csv"), 2, "s.csv: Permission denied"),
        (OSError("odd"), 3, "has a fault"),
        (ZeroDivisionError("division by zero"), 3, "ZeroDivisionError: division by zero"),
        (KeyboardInterrupt(), 130, "Stopped"),
        (click.Abort(), 130, "Stopped"),
    ],
)
def test_every_error_has_its_status(monkeypatch, capsys, error, status, said):
    failing(monkeypatch, error)
    assert main(["limits"]) == status
    shown = capsys.readouterr()
    assert said in shown.err
    assert "\x1b" not in shown.err
    assert "Traceback" not in shown.err


def test_debug_shows_where_a_fault_happened(monkeypatch, capsys):
    failing(monkeypatch, ZeroDivisionError("division by zero"))
    assert main(["limits", "--debug"]) == 3
    shown = capsys.readouterr().err
    assert "Traceback" in shown
    assert "Run the command again" not in shown


def test_a_reader_that_stops_listening_is_no_fault(monkeypatch):
    failing(monkeypatch, BrokenPipeError())
    monkeypatch.setattr(sys, "stdout", sys.stdout)
    assert main(["limits"]) == 0


def test_limits_come_back_as_limits(capsys, tmp_path):
    assert main(["limits"]) == 0
    shown = capsys.readouterr().out
    assert tomllib.loads(shown) == dict(Limits().items())
    file = tmp_path / "limits.toml"
    file.write_text("min_confidence = 0.9\n")
    assert main(["limits", "--limits", str(file)]) == 0
    assert tomllib.loads(capsys.readouterr().out)["min_confidence"] == 0.9


def test_sheet_writes_rows_to_fill_in(programme, tmp_path, capsys):
    sheet = tmp_path / "draft.csv"
    arguments = ["sheet", str(programme / "genotypes.vcf.gz"), str(sheet)]
    assert main(arguments) == 0
    assert "Look over each row" in capsys.readouterr().out
    assert sheet.read_text(encoding="utf-8").startswith("sample,")
    assert main(arguments) == 2
    assert main([*arguments, "--force", "--quiet"]) == 0


def test_simulate_writes_the_same_files_for_the_same_seed(tmp_path, capsys):
    for name in ("a", "b"):
        assert main(["simulate", str(tmp_path / name), "--donors", "1", "--lines", "4", "--markers", "50"]) == 0
    assert "truth.csv tells" in capsys.readouterr().out
    a, b = ({file.name: file.read_bytes() for file in (tmp_path / name).iterdir()} for name in "ab")
    assert a == b
    assert {"genotypes.vcf.gz", "samples.csv", "counts.csv", "truth.csv"} <= set(a) <= api.SIMULATED_FILES


def test_simulate_replaces_an_earlier_simulation_with_force_only(programme, capsys):
    arguments = [
        "simulate",
        str(programme),
        "--donors",
        "1",
        "--lines",
        "4",
        "--markers",
        "50",
        "--depth",
        "6",
    ]
    assert main(arguments) == 2
    assert main([*arguments, "--force", "--quiet"]) == 0
    (programme / "thesis.txt").write_text("mine")
    assert main([*arguments, "--force"]) == 2
    assert "never replaced" in capsys.readouterr().err


def test_a_setting_out_of_range_is_two(tmp_path, capsys):
    assert main(["simulate", str(tmp_path / "d"), "--error-rate", "7"]) == 2
    assert "error_rate" in capsys.readouterr().err
    assert not (tmp_path / "d").exists()


def test_version_and_help(capsys):
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"dhverify, version {dhverify.__version__}\n"
    for command in COMMANDS:
        assert main([command, "--help"]) == 0
        shown = capsys.readouterr().out
        assert "\\" not in shown
        for option in ("--jobs N", "--quiet", "--help"):
            assert option in shown
        assert re.search(rf"^    dhverify {command} ", shown.split("Example:\n")[1], flags=re.MULTILINE)


def test_every_command_is_looked_at():
    assert set(COMMANDS) == set(main_module.cli.commands)


def test_the_caution_stands_in_the_help_of_the_budget(capsys):
    assert main(["budget", "--help"]) == 0
    assert DOUBLING_CAUTION in " ".join(capsys.readouterr().out.split())


def test_help_answers_at_once_because_nothing_heavy_is_loaded():
    heavy = ("pandas", "matplotlib", "allel", "openpyxl", "numpy", "scipy", "jinja2")
    code = (
        "import sys; from dhverify.cli.main import main; status = main(['check', '--help']);"
        f"loaded = set({heavy!r}) & set(sys.modules); assert not loaded, sorted(loaded); sys.exit(status)"
    )
    root = Path(dhverify.__file__).parents[1]
    times = []
    for _ in range(3):
        begin = time.perf_counter()
        subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, cwd=root)
        times.append(time.perf_counter() - begin)
    assert min(times) < 1.0


def test_python_m_dhverify():
    root = Path(dhverify.__file__).parents[1]
    done = subprocess.run(
        [sys.executable, "-m", "dhverify", "--version"], check=True, capture_output=True, text=True, cwd=root
    )
    assert done.stdout.startswith("dhverify, version")


def test_public_names_are_pinned_and_lazy():
    assert dhverify.__all__ == [
        "BudgetResult",
        "CheckResult",
        "DhverifyError",
        "InputError",
        "Limits",
        "MarkerSetResult",
        "__version__",
        "check",
        "choose_markers",
        "plan_budget",
        "read_counts",
        "read_genotypes",
        "read_limits",
        "read_map",
        "read_samples",
        "simulate",
    ]
    for name in dhverify.__all__:
        assert getattr(dhverify, name) is not None
    assert dir(dhverify) == sorted(dhverify.__all__)
    with pytest.raises(AttributeError, match="no attribute 'guess'"):
        dhverify.guess  # noqa: B018


def test_simulate_without_a_directory_writes_nothing(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert dhverify.simulate(n_donors=1, lines_per_donor=3, n_markers=20).calls.shape[1] == 20
    assert not list(tmp_path.iterdir())


def test_check_hands_everything_to_the_checking_room(monkeypatch, outcome):
    import types

    asked = {}

    def run_check(genotypes, sheet, **options):
        asked.update(options, given=(genotypes, sheet))
        return outcome

    monkeypatch.setitem(sys.modules, "dhverify.checking", types.SimpleNamespace(run_check=run_check))
    result = api.check("genotypes", "sheet", by=["tray"], jobs=3)
    assert result.outcome is outcome
    assert asked.pop("given") == ("genotypes", "sheet")
    assert asked == {
        "limits": None,
        "genetic_map": None,
        "counts": None,
        "by": ("tray",),
        "jobs": 3,
        "progress": None,
    }
