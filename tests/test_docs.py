"""The pages follow the code, their links lead somewhere, and the numbers and examples in them are true."""

from __future__ import annotations

import csv
import doctest
import re
import subprocess
import sys
from contextlib import redirect_stdout
from importlib.util import find_spec
from io import StringIO
from pathlib import Path

import pytest

from dhverify.cautions import DOUBLING_CAUTION
from dhverify.cli.main import EXIT_FAULT, EXIT_NOT_ALL_PASS, EXIT_OK, EXIT_STOPPED, EXIT_WRONG_INPUT, cli, main
from dhverify.counts import COUNT_COLUMNS
from dhverify.formats.call_codings import CODINGS
from dhverify.formats.sheet_values import SHEET_COLUMNS
from dhverify.outcome import Finding, Flag
from dhverify.pedigree import expected_shares, parse_pedigree
from dhverify.samples import Role, Stage, Tissue

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
PAGES = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    *sorted(path for path in DOCS.rglob("*.md") if "_build" not in path.parts),
]
EXAMPLE = ROOT / "example_vcf"


def page(name):
    return (DOCS / name).read_text(encoding="utf-8")


def blocks(text, language):
    return re.findall(rf"```{language}\n(.*?)```", text, flags=re.DOTALL)


def one_line(text):
    return " ".join(text.split())


def section(text, title):
    return text.split(f"## {title}\n")[1].split("\n## ")[0]


def first_cells(text):
    return re.findall(r"^\| `([^`]+)`", text, flags=re.MULTILINE)


@pytest.mark.parametrize("command", ["--check", "--stale"])
def test_generated_pages_are_fresh_and_staleness_is_seen(command, tmp_path):
    folder = DOCS
    if command == "--stale":
        folder = tmp_path / "docs"
        (folder / "reference").mkdir(parents=True)
        for name in ("generate.py", "columns.txt"):
            (folder / name).write_bytes((DOCS / name).read_bytes())
    run = [sys.executable, str(folder / "generate.py"), "--check"]
    done = subprocess.run(run, capture_output=True, text=True, check=False)
    if command == "--check":
        assert done.returncode == 0, done.stderr
    else:
        assert done.returncode == 1
        assert done.stderr.startswith("stale: commands.md, columns.md, limits.md")


@pytest.mark.skipif(find_spec("sphinx") is None, reason="sphinx is not installed (extra docs)")
def test_the_pages_build_without_a_warning(tmp_path):
    run = [sys.executable, "-m", "sphinx", "-W", "-q", "-b", "html", "-d", str(tmp_path / "d"), str(DOCS)]
    done = subprocess.run([*run, str(tmp_path / "html")], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "html" / "index.html").exists()


@pytest.mark.parametrize("file", PAGES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_links_lead_to_files_and_headings(file):
    for target, anchor in re.findall(r"\]\(([^)#:]*)(?:#([^)]*))?\)", one_line(file.read_text(encoding="utf-8"))):
        linked = file.parent / target if target else file
        assert linked.exists(), target
        if anchor:
            headings = re.findall(r"^#+ (.*)$", linked.read_text(encoding="utf-8"), flags=re.MULTILINE)
            assert anchor in {heading.lower().replace(" ", "-") for heading in headings}, anchor


def test_every_page_is_in_the_contents():
    listed = {line for block in blocks(page("index.md"), r"\{toctree\}") for line in block.split() if "/" in line}
    listed |= {"glossary", "tutorial", "changelog"}
    there = {path.relative_to(DOCS).with_suffix("").as_posix() for path in PAGES[2:]} - {"index"}
    assert there <= listed


@pytest.mark.parametrize("file", PAGES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_the_caution_stands_wherever_doubling_agents_are_named(file):
    text = one_line(file.read_text(encoding="utf-8"))
    if "colchicine" in text.lower():
        assert DOUBLING_CAUTION in text


@pytest.mark.parametrize("file", PAGES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_the_caution_or_a_link_to_it_stands_wherever_doubling_is_mentioned(file):
    text = one_line(file.read_text(encoding="utf-8"))
    if re.search(r"doubling|treated", text):
        assert DOUBLING_CAUTION in text or "limits_of_genotypes.md#caution)" in text


@pytest.mark.parametrize("file", PAGES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_no_page_names_a_place_on_a_machine(file):
    assert not re.search(r"(?<![\w.])/(?:home|work|tmp|root|Users)\b|[A-Z]:\\Users", file.read_text(encoding="utf-8"))


@pytest.mark.parametrize("file", PAGES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_spelling_is_british(file):
    american = r"\b(?:color|behavior|center(?:ed)?|labeled|labor|fiber|gray|analyz\w*|modeled|program's results)\b"
    assert not re.findall(american, file.read_text(encoding="utf-8"), flags=re.IGNORECASE)


def test_the_glossary_has_every_finding_and_flag():
    glossary = page("glossary.md")
    assert first_cells(section(glossary, "Findings")) == list(Finding)
    assert first_cells(section(glossary, "Flags")) == list(Flag)


def test_the_glossary_explains_each_word_once():
    words = re.findall(r"^\| ([a-z][^|`]*) \|", page("glossary.md"), flags=re.MULTILINE)
    words = [word for word in words if word not in {"word", "finding", "flag"}]
    assert len(words) > 30
    assert len(words) == len(set(words))


def test_the_python_page_runs(monkeypatch):
    monkeypatch.chdir(ROOT)
    result = doctest.testfile(str(DOCS / "reference" / "python.md"), module_relative=False)
    assert result.attempted > 5
    assert result.failed == 0


def test_the_sheet_and_counts_sections_have_every_column_and_value():
    sheet, counts, genotypes = (
        started(page("reference/formats.md"), t) for t in ("Sample sheet", "Counts", "Genotypes")
    )
    assert not [name for name in [*SHEET_COLUMNS, *Role, *Stage, *Tissue] if f"`{name}`" not in sheet]
    assert not [name for name in COUNT_COLUMNS if f"`{name}`" not in counts]
    assert not [name for name in CODINGS if f"`{name}`" not in genotypes]


def started(text, title):
    """Return the section whose heading begins with a title."""
    return re.split(rf"^## {title}.*$", text, flags=re.MULTILINE)[1].split("\n## ")[0]


def test_the_pedigrees_in_the_pages_are_pedigrees():
    found = {
        cell
        for file in PAGES
        for cell in re.findall(r"`([A-E](?:\*\d)?/[^`]+)`", file.read_text(encoding="utf-8"))
        if re.fullmatch(r"[A-E\d*/]+", cell) and not cell.isalpha() and cell not in {"A/G", "A/B/N"}
    }
    assert len(found) >= 5
    for pedigree in found:
        assert sum(expected_shares(parse_pedigree(pedigree)).values()) == pytest.approx(1)


def test_the_exit_statuses_are_those_of_the_program():
    told = [int(cell) for cell in re.findall(r"^\| (\d+) \|", page("reference/exit_status.md"), flags=re.MULTILINE)]
    assert told == [EXIT_OK, EXIT_NOT_ALL_PASS, EXIT_WRONG_INPUT, EXIT_FAULT, EXIT_STOPPED]


def test_every_command_has_its_section():
    headings = re.findall(r"^## dhverify (\w+)$", page("reference/commands.md"), flags=re.MULTILINE)
    assert headings == sorted(cli.commands)


def screen(arguments):
    """Check the example, and return what the screen shows."""
    calls, sheet = (str(EXAMPLE / name) for name in ("genotypes.vcf.gz", "samples.csv"))
    with redirect_stdout(StringIO()) as shown:
        assert main(["check", calls, "--samples", sheet, *arguments]) == EXIT_OK
    return shown.getvalue()


@pytest.fixture(scope="module")
def checked(tmp_path_factory):
    """Check the example as shipped; return the folder above the results, and what the screen showed."""
    folder = tmp_path_factory.mktemp("docs")
    return folder, screen(["--out", str(folder / "results")])


def reasons_of(folder):
    with (folder / "lines.csv").open(encoding="utf-8", newline="") as file:
        return {row["sample"]: row["reasons"] for row in csv.DictReader(file)}


def test_the_tutorial_shows_what_is_there(checked):
    folder, shown = checked
    tutorial = page("tutorial.md")
    assert shown.startswith(blocks(section_of(tutorial, "## 1."), "text")[0])
    quoted = re.findall(r"\*\*(D\d\d-\w+)\*\*[^*]*?```text\n([^`]*)\n```", tutorial)
    assert len(quoted) >= 3
    reasons = reasons_of(folder / "results")
    for sample, said in quoted:
        assert reasons[sample] == said


def test_the_tutorial_changes_a_limit_and_it_shows(tmp_path):
    changed = section_of(page("tutorial.md"), "## 4.")
    limits = tmp_path / "limits.toml"
    limits.write_text(blocks(changed, "toml")[0], encoding="utf-8")
    shown = screen(["--out", str(tmp_path / "results"), "--limits", str(limits)])
    assert shown.startswith(blocks(changed, "text")[0])


def section_of(text, start):
    return text.split(f"\n{start}")[1].split("\n## ")[0]


def test_the_tutorial_shows_a_message_as_it_is(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("samples.csv").write_text("sample,role\nL1,line\n", encoding="utf-8")
    calls = str(EXAMPLE / "genotypes.vcf.gz")
    assert main(["check", calls, "--samples", "samples.csv", "--out", "results"]) == EXIT_WRONG_INPUT
    assert capsys.readouterr().err == blocks(section_of(page("tutorial.md"), "## 5."), "text")[0]
    assert not Path("results").exists()


def test_the_pipeline_page_runs(checked):
    folder, _ = checked
    found = blocks(page("howto/pipeline.md"), "python")
    assert found
    for block in found:
        ran = subprocess.run([sys.executable, "-c", block], cwd=folder, capture_output=True, text=True, check=False)
        assert ran.returncode == 0, ran.stderr


def test_the_pipeline_page_has_every_exit_status_that_it_explains():
    told = [int(cell) for cell in re.findall(r"^ *\| (\d+) \|", page("howto/pipeline.md"), flags=re.MULTILINE)]
    assert told == [EXIT_OK, EXIT_NOT_ALL_PASS, EXIT_WRONG_INPUT, EXIT_FAULT]


def test_the_same_bytes_whatever_the_number_of_jobs(checked, tmp_path):
    folder, _ = checked
    assert screen(["--out", str(tmp_path / "results"), "--quiet", "--jobs", "2"]) == ""
    written = sorted((folder / "results").iterdir())
    assert len(written) == 11
    for file in written:
        assert file.read_bytes() == (tmp_path / "results" / file.name).read_bytes(), file.name


def test_the_options_in_the_pages_exist():
    known = {option for command in cli.commands.values() for p in command.params for option in p.opts}
    for file in PAGES:
        for line in file.read_text(encoding="utf-8").splitlines():
            called = re.search(r"dhverify (check|sheet|limits|simulate|markers|budget)\b(.*)", line)
            if called and called[1] in cli.commands:
                assert set(re.findall(r"(?<!\S)--[a-z-]+", called[2])) <= known | {"--help"}, line
