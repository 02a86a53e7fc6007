"""Opening input files: compression by magic bytes, text by byte-order mark, one error for what is broken."""

from __future__ import annotations

import gzip
import hashlib
import io
import zlib
from contextlib import contextmanager
from typing import TYPE_CHECKING, BinaryIO, Final, cast

from dhverify.errors import Defect, FormatError, InputError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

GZIP_MAGIC: Final = b"\x1f\x8b"
UTF16_MARKS: Final = (b"\xff\xfe", b"\xfe\xff")
BGZF_EOF: Final = bytes.fromhex("1f8b08040000000000ff0600424302001b0003000000000000000000")
"""The empty block that ends every complete BGZF file (SAM/BAM format specification, section 4.1)."""

_CONTAINERS: Final = {
    b"PK\x03\x04": "a ZIP or XLSX file",
    b"\xd0\xcf\x11\xe0": "an old Excel (XLS) file",
    b"BZh": "a bzip2 file",
    b"\xfd7zXZ": "an xz file",
    b"\x28\xb5\x2f\xfd": "a Zstandard file",
    b"%PDF": "a PDF file",
}
_VCF_STARTS: Final = ("##fileformat=VCF", "#CHROM\tPOS")
TABLE: Final = "a CSV or TSV text file"
_COPY_AGAIN: Final = "a complete file: copy or download it again, or write it anew with the program that made it"


def checksum(path: Path) -> str:
    """Return the SHA-256 of a file as hexadecimal text."""
    with reading(path), path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


@contextmanager
def reading(path: Path, error: type[InputError] = FormatError) -> Iterator[None]:
    """Turn what can go wrong while a file is read into one plain error.

    Raises
    ------
    InputError
        Of the given class: the file is not there, cannot be read, ends early, is damaged or is no UTF-8 text.

    """
    try:
        yield
    except FileNotFoundError:
        raise _fault(error, path, "no such file", "the name of a file that exists") from None
    except IsADirectoryError:
        raise _fault(error, path, "a directory", "a file") from None
    except EOFError:
        raise _fault(error, path, "compressed data that end early", _COPY_AGAIN) from None
    except (gzip.BadGzipFile, zlib.error) as fault:
        raise _fault(error, path, f"damaged compressed data ({fault})", _COPY_AGAIN) from None
    except UnicodeDecodeError as fault:
        found = f"a byte that is no UTF-8 text (0x{fault.object[fault.start]:02x})"
        raise _fault(error, path, found, "text saved as UTF-8") from None
    except OSError as fault:
        raise _fault(error, path, fault.strerror or str(fault), "a file that can be read") from None


def _fault(error: type[InputError], path: Path, found: str, expected: str) -> InputError:
    return error(str(path), [Defect(where="the file", found=found, expected=expected)])


def open_bytes(path: Path) -> BinaryIO:
    """Open a file for reading bytes, unpacking gzip and BGZF, told by the magic bytes and not by the name."""
    with path.open("rb") as stream:
        is_packed = stream.read(2) == GZIP_MAGIC
    return cast("BinaryIO", gzip.open(path, "rb") if is_packed else path.open("rb"))


def first_bytes(path: Path, count: int = 4096) -> bytes:
    """Return the first bytes of a file after unpacking.

    Raises
    ------
    FormatError
        The file is not there, is damaged, or is empty.

    """
    with reading(path), open_bytes(path) as stream:
        start = stream.read(count)
    if not start.strip():
        raise _fault(FormatError, path, "nothing in it", "genotypes")
    return start


def is_bgzf_without_end(path: Path) -> bool:
    """Whether a file is BGZF and lacks the block that ends a complete file."""
    size = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(18)
        stream.seek(max(0, size - len(BGZF_EOF)))
        tail = stream.read()
    return head[:4] == b"\x1f\x8b\x08\x04" and head[12:14] == b"BC" and tail != BGZF_EOF


def container_named(start: bytes) -> str:
    """Return what a file with these first bytes is, if it is a known container that is no text; else ''."""
    return next((name for magic, name in _CONTAINERS.items() if start.startswith(magic)), "")


def is_utf16_without_mark(start: bytes) -> bool:
    """Whether bytes look like UTF-16 text that lacks its byte-order mark: every other byte is zero.

    Examples
    --------
    >>> is_utf16_without_mark("sample,role".encode("utf-16-le")), is_utf16_without_mark(b"sample,role")
    (True, False)

    """
    shown = start[:512]
    if shown[:2] in UTF16_MARKS:
        return False
    return len(shown) >= 2 and max(shown[0::2].count(0), shown[1::2].count(0)) > len(shown) / 3


def text_of(path: Path, error: type[InputError] = FormatError, *, expected: str = TABLE) -> str:
    """Return the text of a file, unpacked and decoded (UTF-8, or UTF-16 with a byte-order mark).

    Parameters
    ----------
    path
        The file.
    error
        What to raise.
    expected
        What the file should be, for messages.

    Raises
    ------
    InputError
        Of the given class: see `reading`; or the file is a workbook, another container, VCF or BCF.

    """
    with reading(path, error):
        with open_bytes(path) as stream:
            data = stream.read()
        container = "a BCF file" if data.startswith(b"BCF") else container_named(data[:8])
        if container:
            raise _fault(error, path, container, expected)
        has_mark = data[:2] in UTF16_MARKS
        if not has_mark and is_utf16_without_mark(data[:512]):
            raise _fault(error, path, "UTF-16 text without its byte-order mark", f"{expected}, saved as UTF-8")
        text = data.decode("utf-16" if has_mark else "utf-8-sig")
    if "\0" in text:
        raise _fault(error, path, "a zero byte", expected)
    if text.startswith(_VCF_STARTS):
        saved = ", saved as UTF-16" if has_mark else ""
        raise _fault(error, path, f"a VCF file{saved}", expected)
    return text


def text_stream(text: str) -> io.StringIO:
    """Return text as a stream that keeps line ends inside quotes as they are."""
    return io.StringIO(text, newline="")
