"""A small sound programme in a folder of its own, and the command run on it after something was spoilt."""

from __future__ import annotations

import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from dhverify.cli.main import main

SHEET = """sample,role,stage,donor,pedigree
A,parent,,,
B,parent,,,
I,inducer,,,
D,donor,,,A/B
L1,line,haploid,D,
L2,line,haploid,D,
"""


def calls_text(n_markers: int = 60) -> str:
    """Return a wide table, a row per marker: every third marker segregates, the inducer differs at the others.

    L1 has chromosomes 1 to 5 of A and 6 to 10 of B, L2 the others.
    """
    rows = ["marker,chrom,pos,A,B,I,L1,L2"]
    for number in range(n_markers):
        chrom = number % 10 + 1
        first, second = ("AA", "CC") if chrom <= 5 else ("CC", "AA")
        kinds = ("AA,AA,GG,AA,AA", f"AA,CC,CC,{first},{second}", "TT,TT,GG,TT,TT")
        rows.append(f"m{number + 1},{chrom},{(number + 1) * 1_000_000},{kinds[number % 3]}")
    return "\n".join(rows) + "\n"


def vcf_text(n_markers: int = 30) -> str:
    """Return the same samples as VCF."""
    head = (
        "##fileformat=VCFv4.3",
        '##FORMAT=<ID=GT,Number=1,Type=String,Description="Genotype">',
        "\t".join("#CHROM POS ID REF ALT QUAL FILTER INFO FORMAT A B I L1 L2".split()),  # noqa: SIM905
    )
    calls = (("0/0", "0/0", "1/1", "0/0", "0/0"), ("0/0", "1/1", "1/1", "0/0", "1/1"))
    rows = [
        "\t".join((str(n % 10 + 1), str((n + 1) * 1_000_000), f"m{n + 1}", "A", "C", *"...", "GT", *calls[n % 2]))
        for n in range(n_markers)
    ]
    return "\n".join((*head, *rows)) + "\n"


@dataclass(frozen=True)
class Done:
    """What a run of the command left."""

    status: int
    out: str
    err: str


class Lab:
    """A folder with ``calls.csv`` and ``samples.csv``, both sound, and the command ``check``."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder = folder
        self._capsys = capsys
        self.put("calls.csv", calls_text())
        self.put("samples.csv", SHEET)

    def put(self, name: str, content: str | bytes) -> str:
        data = content if isinstance(content, bytes) else content.encode()
        (self.folder / name).write_bytes(data)
        return name

    @property
    def results(self) -> Path:
        return self.folder / "results"

    def command(self, *genotypes: str, sheet: str, out: str, more: tuple[str, ...]) -> list[str]:
        return ["check", *(genotypes or ("calls.csv",)), "--samples", sheet, "--out", out, *more]

    def run(
        self, *genotypes: str, sheet: str = "samples.csv", out: str = "results", more: tuple[str, ...] = ()
    ) -> Done:
        self._capsys.readouterr()
        status = main(self.command(*genotypes, sheet=sheet, out=out, more=more))
        shown = self._capsys.readouterr()
        return Done(status, shown.out, shown.err)

    def run_apart(self, *more: str) -> Done:
        """Run in a process of its own."""
        command = [sys.executable, "-m", "dhverify"]
        command += self.command(sheet="samples.csv", out="results", more=more)
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        return Done(done.returncode, done.stdout, done.stderr)

    def refuses(self, *genotypes: str, says: tuple[str, ...], **options) -> str:
        """Run, and see that it ends as wrong input does: status 2, one message, no trace left; return the message."""
        before = self.contents()
        done = self.run(*genotypes, **options)
        assert done.status == 2, (done.status, done.out, done.err)
        assert done.out == ""
        assert "Traceback" not in done.err
        assert "has a fault" not in done.err
        assert self.contents() == before, "something was written"
        for part in says:
            assert part in done.err, f"{part!r} is not in:\n{done.err}"
        assert sum(row.startswith("dhverify: ") for row in done.err.splitlines()) == 1, done.err
        return done.err

    def contents(self) -> dict[str, bytes]:
        """Every file below the folder, hidden ones and folders included."""
        return {
            str(path.relative_to(self.folder)): path.read_bytes() if path.is_file() else b"a folder"
            for path in sorted(self.folder.rglob("*"))
        }

    def clear(self) -> None:
        shutil.rmtree(self.results, ignore_errors=True)


@pytest.fixture
def lab(tmp_path, capsys, monkeypatch) -> Lab:
    monkeypatch.chdir(tmp_path)
    return Lab(tmp_path, capsys)


@pytest.fixture
def sheet() -> str:
    return SHEET


@pytest.fixture
def calls() -> str:
    return calls_text()


@pytest.fixture
def vcf() -> str:
    return vcf_text()
