"""Open data through the public door: one check per data set, shared by the session.

Files are read as they were published. Where they stand is told by ``DHVERIFY_DATA``; without that folder the tests
are skipped, except those on the barley lines that come with the tests.
"""

from __future__ import annotations

import csv
import gzip
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

import dhverify

ROOT = Path(__file__).parents[2]
SHIPPED = Path(__file__).parents[1] / "data"
MALES = ("B73", "D06", "EC169", "F252", "Mo17")
COLUMNS = ("sample", "role", "stage", "donor", "inducer", "pedigree", "line")


def parent(name: str) -> dict[str, str]:
    return {"sample": name, "role": "parent"}


def donor(name: str, pedigree: str = "") -> dict[str, str]:
    return {"sample": name, "role": "donor", "pedigree": pedigree}


def line(name: str, of: str, stage: str = "D1", **more: str) -> dict[str, str]:
    return {"sample": name, "role": "line", "stage": stage, "donor": of, **more}


class Bench:
    """Writes what a check needs into a folder of its own, reads it back by the public readers, and checks it."""

    parent, donor, line = staticmethod(parent), staticmethod(donor), staticmethod(line)

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def sheet(self, rows: Sequence[dict[str, str]]) -> Any:
        path = self.folder / "samples.csv"
        with path.open("w", newline="", encoding="utf-8") as stream:
            writer = csv.DictWriter(stream, COLUMNS, restval="")
            writer.writeheader()
            writer.writerows(rows)
        return dhverify.read_samples(path)

    def table(self, name: str, calls: pd.DataFrame) -> Path:
        """Write a row per sample."""
        path = self.folder / name
        calls.to_csv(path, index_label="line", na_rep="NA")
        return path

    def check(
        self,
        files: Iterable[Path] | Path,
        rows: Sequence[dict[str, str]],
        *,
        genetic_map: Path | None = None,
        **reading: Any,
    ) -> Any:
        sheet = self.sheet(rows)
        genotypes = dhverify.read_genotypes(files, sheet=sheet, **reading)
        placed = None if genetic_map is None else dhverify.read_map(genetic_map)
        return dhverify.check(genotypes, sheet, genetic_map=placed)


@pytest.fixture(scope="session")
def bench(tmp_path_factory):
    """A new bench for each name."""
    return lambda name: Bench(tmp_path_factory.mktemp(name))


@pytest.fixture(scope="session")
def open_data() -> Path:
    folder = Path(os.environ.get("DHVERIFY_DATA", ROOT.parent / "shared" / "data"))
    if not folder.is_dir():
        pytest.skip("the open data are not there; set DHVERIFY_DATA to their folder")
    return folder


@pytest.fixture(scope="session")
def shipped() -> Path:
    """The folder of the data that come with the tests."""
    return SHIPPED


def names_of(path: Path) -> list[str]:
    with gzip.open(path, "rt") as stream:
        return [row.split(",", 1)[0] for row in stream][1:]


def lettered(bench: Bench, path: Path, *, stage: str = "D1", genetic_map: Path | None = None) -> Any:
    """Check a file of letters: A is the first parent, B the second, neither of them typed."""
    rows = [
        parent("First"),
        parent("Second"),
        donor("Cross", "First/Second"),
        *(line(name, "Cross", stage) for name in names_of(path)),
    ]
    return bench.check(path, rows, genetic_map=genetic_map, coding="parents")


@dataclass(frozen=True, kw_only=True)
class Maize:
    """Maize DH lines of five crosses with F353, a table per cross, the parents in the first two rows."""

    crosses: dict[str, pd.DataFrame]
    genetic_map: Path

    @property
    def common(self) -> pd.DataFrame:
        """The row of F353."""
        return self.crosses["B73"].iloc[:1]

    def male(self, name: str) -> pd.DataFrame:
        """The row of another parent."""
        return self.crosses[name].iloc[1:2]

    def lines(self, name: str) -> pd.DataFrame:
        """The DH lines of a cross."""
        return self.crosses[name].iloc[2:]

    def lot(self, males: Iterable[str] = MALES) -> tuple[list[pd.DataFrame], list[dict[str, str]]]:
        """Parents and lines of some crosses: tables, and rows of a sheet."""
        tables, rows = [self.common], [parent("F353")]
        for male in males:
            tables += [self.male(male), self.lines(male)]
            rows += [parent(male), donor(f"F353/{male}", f"F353/{male}")]
            rows += [line(name, f"F353/{male}") for name in self.lines(male).index]
        return tables, rows


@pytest.fixture(scope="session")
def maize(open_data) -> Maize:
    return Maize(
        crosses={
            male: pd.read_csv(open_data / f"maize_eunam_dent_F353x{male}.csv.gz", index_col=0, dtype=str)
            for male in MALES
        },
        genetic_map=open_data / "maize_eunam_dent_map.csv",
    )


def united(first: pd.DataFrame, second: pd.DataFrame, names: Sequence[str]) -> pd.DataFrame:
    """Unite two homozygous gametes row by row: ``1`` and ``2`` give ``1/2``; missing where either is."""
    left, right = first.to_numpy(), second.to_numpy()
    calls = pd.DataFrame(left, index=list(names), columns=first.columns).astype(object)
    calls = calls.mask(left != right, "1/2")
    return calls.mask(pd.isna(left) | pd.isna(right))


@pytest.fixture(scope="session")
def unite():
    return united


@pytest.fixture(scope="session")
def maize_check(bench, maize):
    """The five crosses in one check: five files joined, parents typed, no inducer."""
    here = bench("maize")
    _, rows = maize.lot()
    files = [
        here.table(f"{male}.csv", table if male == "B73" else table.drop(index="F353"))
        for male, table in maize.crosses.items()
    ]
    return here.check(files, rows, genetic_map=maize.genetic_map, coding="alleles")


@pytest.fixture(scope="session")
def maize_check_without_parents(bench, maize):
    """The same lines, no parent typed and no pedigree told."""
    here = bench("maize_no_parents")
    rows = []
    for male in MALES:
        rows += [donor(f"F353/{male}"), *(line(name, f"F353/{male}") for name in maize.lines(male).index)]
    calls = here.table("lines.csv", pd.concat([maize.lines(male) for male in MALES]))
    return here.check(calls, rows, genetic_map=maize.genetic_map, coding="alleles")


@pytest.fixture(scope="session")
def steptoe_morex_check(bench):
    return lettered(
        bench("steptoe_morex"),
        SHIPPED / "barley_steptoe_morex_rflp_dh.csv.gz",
        genetic_map=SHIPPED / "barley_steptoe_morex_rflp_map.csv",
    )


@pytest.fixture(scope="session")
def wheat_check(bench, open_data):
    return lettered(bench("wheat"), open_data / "wheat_mapDH_dh.csv.gz", genetic_map=open_data / "wheat_mapDH_map.csv")


@pytest.fixture(scope="session")
def backcross_check(bench, open_data):
    return lettered(bench("backcross"), open_data / "barley_mapBCu_backcross.csv.gz")


@pytest.fixture(scope="session")
def mouse_check(bench, open_data):
    return lettered(bench("mouse"), open_data / "mouse_listeria_f2.csv.gz", stage="haploid")


@pytest.fixture(scope="session")
def mapthis_check(bench, open_data):
    return lettered(bench("mapthis"), open_data / "simulated_mapthis_f2.csv.gz", stage="haploid")


@pytest.fixture(scope="session")
def ril_check(bench, open_data):
    path = open_data / "maize_usnam_ril.csv.gz"
    names = names_of(path)
    crosses = {"Z002": "CML103", "Z006": "CML322", "Z008": "CML52", "Z010": "Hp301", "Z016": "M37W"}
    rows = [parent(name) for name in names[:6]]
    rows += [donor(f"B73/{male}", f"B73/{male}") for male in crosses.values()]
    rows += [line(name, f"B73/{crosses[name[:4]]}") for name in names[6:]]
    return bench("ril").check(path, rows, genetic_map=open_data / "maize_usnam_map.csv", coding="bases")


@pytest.fixture(scope="session")
def flint_check(bench, open_data):
    path = open_data / "maize_eunam_flint_100snp_dosage.csv.gz"
    cross = pd.read_csv(path, usecols=["line", "cross"], index_col="line").cross
    rows = [donor(name) for name in cross.unique()]
    rows += [line(name, of) for name, of in cross.items()]
    return bench("flint").check(
        path, rows, genetic_map=open_data / "maize_eunam_flint_100snp_parents.csv", coding="copies"
    )


@pytest.fixture(scope="session")
def vcf_population(bench, open_data):
    """Check the progeny of P1 and P2 in a VCF; ``progeny`` is how their names begin."""

    def check(name: str, progeny: str, *, others: Sequence[str] = (), stage: str = "D1"):
        path = open_data / "vcf" / name
        with gzip.open(path, "rt") as stream:
            header = next(text for text in stream if text.startswith("#CHROM"))
        samples = header.rstrip("\n").split("\t")[9:]
        rows = [parent("P1"), parent("P2"), donor("F1", "P1/P2")]
        rows += [line(sample, "F1", stage) for sample in samples if sample.startswith(progeny) and sample not in others]
        return bench(path.stem).check(path, rows)

    return check
