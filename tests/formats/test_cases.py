"""Folders of valid and invalid files; beside each a file of what the message, notes or warnings must hold."""

from __future__ import annotations

from pathlib import Path

import pytest

from dhverify.errors import FormatError, SheetError
from dhverify.formats import read_counts, read_genotypes, read_map, read_samples

CASES = Path(__file__).parent / "cases"
READERS = {
    "genotypes": (read_genotypes, FormatError),
    "sheets": (read_samples, SheetError),
    "counts": (read_counts, FormatError),
    "maps": (read_map, FormatError),
}
LEAST = {"genotypes": (6, 9), "sheets": (10, 38), "counts": (3, 17), "maps": (5, 8)}


def files(kind: str, group: str) -> list[Path]:
    return sorted(path for path in (CASES / kind / group).glob("*.*") if path.suffix != ".expected")


def parameters(group: str):
    return [pytest.param(kind, path, id=f"{kind}-{path.stem}") for kind in READERS for path in files(kind, group)]


def expected_parts(path: Path) -> list[str]:
    return path.with_suffix(".expected").read_text().splitlines()


@pytest.mark.parametrize("kind", READERS)
def test_no_folder_is_empty(kind):
    n_valid, n_invalid = LEAST[kind]
    assert len(files(kind, "valid")) >= n_valid
    assert len(files(kind, "invalid")) >= n_invalid


@pytest.mark.parametrize(("kind", "path"), parameters("valid"))
def test_valid(kind, path):
    result = READERS[kind][0](path)
    said = "\n".join((*getattr(result, "notes", ()), *getattr(result, "warnings", ())))
    parts = expected_parts(path)
    for part in parts:
        assert part in said
    if not parts and kind != "genotypes":
        assert said == ""


@pytest.mark.parametrize(("kind", "path"), parameters("invalid"))
def test_invalid(kind, path):
    read, error = READERS[kind]
    with pytest.raises(error) as caught:
        read(path)
    parts = expected_parts(path)
    assert parts
    for part in parts:
        assert part in str(caught.value)
    assert str(path) in str(caught.value)
    if not parts[0].endswith("things are wrong"):
        assert len(caught.value.defects) == len(parts)
