"""Renew what the tutorial and the Python page quote of the example: the screen, reasons, printed results.

``python docs/quotes.py`` rewrites the quotes after a change of the judge; read the difference, because the prose
around a quote is not changed with it. The tests fail where a quote is stale.
"""

from __future__ import annotations

import csv
import doctest
import os
import re
import sys
from contextlib import redirect_stdout
from io import StringIO
from pathlib import Path
from tempfile import TemporaryDirectory

from dhverify.cli.main import main as run_command

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
EXAMPLE = ROOT / "example_vcf"


class Recorder(doctest.DocTestRunner):
    """Keeps what each example of a page prints."""

    def __init__(self) -> None:
        super().__init__(verbose=False)
        self.printed: list[tuple[doctest.Example, str]] = []

    def report_success(self, _out, _test, example, got):
        self.printed.append((example, got))

    def report_failure(self, _out, _test, example, got):
        self.printed.append((example, got))


def renewed_examples(text: str) -> str:
    """Return a page with the printed results of its Python examples made true."""
    recorder = Recorder()
    test = doctest.DocTestParser().get_doctest(text, {}, "page", None, 0)
    recorder.run(test, out=StringIO().write)
    done, rest = "", text
    for example, got in recorder.printed:
        if example.want:
            before, rest = rest.split(example.want, maxsplit=1)
            done += before + got
    return done + rest


def renewed_tutorial(text: str, screen: str, reasons: dict[str, str], limited_screen: str) -> str:
    """Return the tutorial with what it quotes of two checks of the example made true."""
    parts = text.split("\n## ")
    parts[1] = first_block(parts[1], screen)
    parts[3] = re.sub(
        r"(\*\*(D\d\d-\w+)\*\*[^*]*?```text\n)[^`]*\n```", lambda m: f"{m[1]}{reasons[m[2]]}\n```", parts[3]
    )
    parts[4] = first_block(parts[4], limited_screen)
    return "\n## ".join(parts)


def first_block(text: str, screen: str) -> str:
    """Return a part with its first text block filled with as many lines of the screen as it has."""
    head, block, tail = re.split(r"(?<=```text\n)(.*?)(?=```)", text, maxsplit=1, flags=re.DOTALL)
    return head + "".join(screen.splitlines(keepends=True)[: block.count("\n")]) + tail


def checked(folder: Path, *arguments: str) -> tuple[str, dict[str, str]]:
    """Check the example; return what the screen shows, and the reasons of each sample."""
    files = [str(EXAMPLE / "genotypes.vcf.gz"), "--samples", str(EXAMPLE / "samples.csv")]
    with redirect_stdout(StringIO()) as shown:
        status = run_command(["check", *files, "--out", str(folder), *arguments])
    if status:
        raise SystemExit(status)
    with (folder / "lines.csv").open(encoding="utf-8", newline="") as file:
        return shown.getvalue(), {row["sample"]: row["reasons"] for row in csv.DictReader(file)}


def quotes(tutorial: str) -> str:
    """Return the tutorial, its quotes made true."""
    with TemporaryDirectory() as room:
        limits = Path(room) / "limits.toml"
        limits.write_text(re.findall(r"```toml\n(.*?)```", tutorial, re.DOTALL)[0], encoding="utf-8")
        screen, reasons = checked(Path(room) / "results")
        limited_screen, _ = checked(Path(room) / "limited", "--limits", str(limits))
    return renewed_tutorial(tutorial, screen, reasons, limited_screen)


def main() -> int:
    """Rewrite both pages."""
    os.chdir(ROOT)
    for name, renew in {"tutorial.md": quotes, "reference/python.md": renewed_examples}.items():
        page = DOCS / name
        page.write_text(renew(page.read_text(encoding="utf-8")), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
