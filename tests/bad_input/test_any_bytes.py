"""Whatever is done to a good file, the command ends as it says: 0, 1 or 2, with one message, never a traceback."""

from __future__ import annotations

import contextlib
import gzip
import io
import os
import shutil
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dhverify.cli.main import main

from .conftest import SHEET, calls_text, vcf_text

MAP = "marker,chrom,pos,cm\n" + "".join(f"m{n + 1},{n % 10 + 1},{(n + 1) * 1_000_000},{n / 2}\n" for n in range(60))
LONG = "sample,marker,genotype\n" + "".join(
    f"{s},m{n},{'AC'[(n + k) % 2] * 2}\n" for k, s in enumerate(("A", "L1")) for n in range(20)
)
WIDE_SHEET = """sample,role,stage,donor,inducer,pedigree,line,source,tissue,plants,plate,well,expected,tray
A,parent,,,,,,,,,P1,A01,,
B,parent,,,,,,,,,P1,B01,,
I,inducer,,,,,,,,,P1,C01,,
D,donor,,,,A/B,,,,,,,,
L1,line,haploid,D,I,,N1,,leaf,1,P1,D01,,7
L2,line,D1,D,I,,N1,L1,seed,4,P1,E01,,8
"""


def _workbook() -> bytes:
    import openpyxl

    book = openpyxl.Workbook()
    for row in SHEET.splitlines():
        book.worksheets[0].append(row.split(","))
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


GOOD = {
    "calls.csv": calls_text(30).encode(),
    "long.csv": LONG.encode(),
    "calls.vcf": vcf_text(20).encode(),
    "calls.vcf.gz": gzip.compress(vcf_text(20).encode(), mtime=0),
    "samples.csv": SHEET.encode(),
    "all.csv": WIDE_SHEET.encode(),
    "samples.xlsx": _workbook(),
    "counts.csv": b"donor,kernels,putative_haploids,treated\nD,300,30,20\n",
    "map.csv": MAP.encode(),
    "limits.toml": b"min_confidence = 0.9\nmin_diagnostic_markers = 3\n",
}
TOKENS = (
    *(b"\x00", b"\xff", b"\xef\xbb\xbf", b"\xff\xfe", b"\r", b"\n", b"\n\n", b"\t", b",", b";", b"|", b'"', b"'", b"#"),
    *(
        b"nan",
        b"inf",
        b"-1",
        b"1e400",
        b"1e300",
        b"-1e300",
        b"9" * 30,
        b"9" * 5000,
        b"0x10",
        b"1_0",
        "\u0663".encode(),
        "\u00b2".encode(),
    ),
    *(b"../x", b"=A1", b"A/B", b"A/A", b"((", b"/3/", b"*", b"L1", b"line", b"donor", b"D", b"./.", b"0|1", b"7/7"),
    *("\u202e".encode(), b"\x1b[31m", b" ", b"A1", b"Q99", b"GT", b"GT:AD", b"<DEL>", b"N", b"H"),
)


@st.composite
def spoilt(draw, data: bytes) -> bytes:
    """Change a file one to three times: cut, drop, insert, exchange, repeat."""
    for _ in range(draw(st.integers(1, 3))):
        first, second = sorted(draw(st.integers(0, len(data))) for _ in range(2))
        kind = draw(st.sampled_from(("cut", "drop", "insert", "insert", "put", "exchange", "repeat", "lines", "any")))
        if kind == "cut":
            data = data[:second]
        elif kind == "drop":
            data = data[:first] + data[min(second, first + 40) :]
        elif kind == "insert":
            data = data[:first] + draw(st.sampled_from(TOKENS)) + data[first:]
        elif kind == "put":
            data = _cell_put(data, draw(st.integers(0, 10_000)), draw(st.sampled_from(TOKENS)))
        elif kind == "exchange":
            middle = (first + second) // 2
            data = data[:first] + data[middle:second] + data[first:middle] + data[second:]
        elif kind == "repeat":
            data = data[:second] + data[first:]
        elif kind == "lines":
            rows = data.splitlines(keepends=True)
            data = b"".join(draw(st.permutations(rows))) if len(rows) < 20 else b"".join(reversed(rows))
        else:
            data = data[:first] + draw(st.binary(max_size=6)) + data[second:]
    return data


def _cell_put(data: bytes, number: int, token: bytes) -> bytes:
    """Replace one cell of a table."""
    mark = b"\t" if b"\t" in data else b","
    cells = data.split(mark)
    cells[number % len(cells)] = token
    return mark.join(cells)


def run(folder: Path, name: str, data: bytes) -> tuple[int, str, str]:
    """Run the command on good files, one of which was spoilt."""
    for file, content in GOOD.items():
        (folder / file).write_bytes(data if file == name else content)
    genotypes = name if name.startswith(("calls", "long")) else "calls.csv"
    more = {"counts.csv": ["--counts", name], "map.csv": ["--map", name], "limits.toml": ["--limits", name]}
    sheet = name if name in {"all.csv", "samples.xlsx"} else "samples.csv"
    command = ["check", genotypes, "--samples", sheet, "--out", "out", "--force", *more.get(name, [])]
    out, err = io.StringIO(), io.StringIO()
    before = Path.cwd()
    os.chdir(folder)
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            status = main(command)
    finally:
        os.chdir(before)
    return status, out.getvalue(), err.getvalue()


@pytest.mark.parametrize("name", GOOD)
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(data=st.data())
def test_a_spoilt_file_is_read_or_refused_with_one_message(name, data):
    content = data.draw(spoilt(GOOD[name]))
    with TemporaryDirectory() as place:
        folder = Path(place)
        status, out, err = run(folder, name, content)
        assert "Traceback" not in err
        assert "has a fault" not in err, err
        assert status in {0, 2}, (status, err)
        if status == 2:
            assert out == ""
            assert not (folder / "out").exists()
            assert sum(row.startswith("dhverify: ") for row in err.splitlines()) == 1, err
            assert any(file in err.splitlines()[0] for file in (name, "samples.csv")), err
        shutil.rmtree(folder / "out", ignore_errors=True)


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_a_sheet_is_guessed_from_any_file_or_refused_with_one_message(data):
    name = data.draw(st.sampled_from(("calls.csv", "long.csv", "calls.vcf", "calls.vcf.gz")))
    content = data.draw(spoilt(GOOD[name]))
    with TemporaryDirectory() as place:
        folder = Path(place)
        (folder / name).write_bytes(content)
        err = io.StringIO()
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(err):
            status = main(["sheet", str(folder / name), str(folder / "sheet.csv")])
        assert "has a fault" not in err.getvalue(), err.getvalue()
        assert status in {0, 2}
        assert (folder / "sheet.csv").exists() == (status == 0)
