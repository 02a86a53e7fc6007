"""Open data as files that the readers take; skipped with a plain message where the folder is absent."""

from __future__ import annotations

import os
from pathlib import Path

import pandas as pd
import pytest

import dhverify

ROOT = Path(__file__).parents[2]
CROSSES = ("B73", "D06", "EC169", "F252", "Mo17")


def open_data() -> Path:
    folder = Path(os.environ.get("DHVERIFY_DATA", ROOT.parent / "shared" / "data"))
    if not folder.is_dir():
        pytest.skip("the open data are not there; set DHVERIFY_DATA to their folder")
    return folder


def write_sheet(path: Path, rows: list[dict[str, str]]) -> None:
    pd.DataFrame(rows).fillna("").to_csv(path, index=False)


def checked(folder: Path, table: pd.DataFrame, sheet: list[dict[str, str]], cm: pd.DataFrame | None = None, **options):
    """Write table (a row per sample), sheet and map, and check them."""
    table.to_csv(folder / "calls.csv")
    write_sheet(folder / "samples.csv", sheet)
    samples = dhverify.read_samples(folder / "samples.csv")
    genotypes = dhverify.read_genotypes([folder / "calls.csv"], sheet=samples, **options)
    genetic_map = None
    if cm is not None:
        cm.to_csv(folder / "map.csv", index=False)
        genetic_map = dhverify.read_map(folder / "map.csv")
    return dhverify.check(genotypes, samples, genetic_map=genetic_map)


def lines(names, donor, stage="D1", **more):
    return [{"sample": n, "role": "line", "stage": stage, "donor": donor, **more} for n in names]


@pytest.fixture(scope="session")
def maize() -> dict[str, pd.DataFrame]:
    """Giraud et al. 2014, Genetics 198:1717-1734; Bauer et al. 2013, Genome Biol 14:R103."""
    folder = open_data()
    return {
        cross: pd.read_csv(folder / f"maize_eunam_dent_F353x{cross}.csv.gz", index_col=0, dtype=str)
        for cross in CROSSES
    }


@pytest.fixture(scope="session")
def maize_map() -> pd.DataFrame:
    table = pd.read_csv(open_data() / "maize_eunam_dent_map.csv")
    return table.rename(columns={"chr": "chrom", "cM": "cm"})


def maize_lot(maize, crosses=CROSSES, *, parents=True):
    """One table of all lines and parents, and its sheet without an inducer."""
    parts, sheet = [], []
    if parents:
        first = next(iter(maize.values()))
        parts.append(first.iloc[:1])
        sheet.append({"sample": "F353", "role": "parent"})
    for cross in crosses:
        if parents:
            parts.append(maize[cross].iloc[1:2])
            sheet.append({"sample": cross, "role": "parent"})
        pedigree = f"F353/{cross}" if parents else ""
        sheet.append({"sample": f"F353x{cross}", "role": "donor", "pedigree": pedigree})
        parts.append(maize[cross].iloc[2:])
        sheet += lines(maize[cross].index[2:], f"F353x{cross}")
    return pd.concat(parts), sheet
