"""A list of marker names, one a line."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from dhverify.errors import FormatError
from dhverify.formats.opening import text_of

if TYPE_CHECKING:
    from os import PathLike


def read_marker_names(path: str | PathLike[str]) -> tuple[str, ...]:
    r"""Read marker names, one a line; empty lines are passed over, and a name that stands twice counts once.

    Raises
    ------
    FormatError
        If the file is no text, or cannot be read.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     file = Path(folder) / "names.txt"
    ...     _ = file.write_text("M1\n\nM2\nM1\n")
    ...     names = read_marker_names(file)
    >>> names
    ('M1', 'M2')

    """
    text = text_of(Path(path), FormatError, expected="a text file with a marker name a line")
    return tuple(dict.fromkeys(line.strip() for line in text.splitlines() if line.strip()))
