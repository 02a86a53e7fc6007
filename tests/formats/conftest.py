"""What the tests of the formats share."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

Writer = Callable[[str, str], Path]


@pytest.fixture
def write(tmp_path: Path) -> Writer:
    """Write text to a file of that name and return its path."""

    def write_text(name: str, text: str) -> Path:
        path = tmp_path / name
        path.write_bytes(text.encode())
        return path

    return write_text


@pytest.fixture(scope="session")
def data() -> Path:
    """Open data under permissive licences, in the repository."""
    return ROOT / "tests" / "data"


@pytest.fixture(scope="session")
def open_data() -> Path:
    """Open data that are not copied into the repository."""
    folder = Path(os.environ.get("DHVERIFY_DATA", str(ROOT / ".." / "shared" / "data")))
    if not folder.is_dir():
        pytest.skip("open data not here: set DHVERIFY_DATA to their folder")
    return folder


HEADER = "#CHROM\tPOS\tID\tREF\tALT\tQUAL\tFILTER\tINFO\tFORMAT"


def vcf_text(samples: str, *records: str, meta: str = "##fileformat=VCFv4.3\n") -> str:
    """Return a VCF; samples and the parts of each record are separated by blanks.

    A record is ``CHROM POS ID REF ALT FORMAT call...``.
    """
    lines = [HEADER + "\t" + "\t".join(samples.split(" "))]
    for record in records:
        chrom, pos, name, ref, alt, form, *calls = record.split(" ")
        lines.append("\t".join([chrom, pos, name, ref, alt, ".", ".", ".", form, *calls]))
    return meta + "".join(line + "\n" for line in lines)


@pytest.fixture
def vcf(write: Writer) -> Callable[..., Path]:
    """Write a VCF of samples and records (see `vcf_text`)."""

    def write_vcf_text(*parts: str, name: str = "calls.vcf", **options: str) -> Path:
        return write(name, vcf_text(*parts, **options))

    return write_vcf_text
