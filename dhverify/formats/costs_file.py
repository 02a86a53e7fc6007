"""Costs of a programme as TOML: name = value, a line each."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from dhverify.errors import FormatError
from dhverify.formats.flat_toml import read_flat_toml

if TYPE_CHECKING:
    from collections.abc import Mapping
    from os import PathLike


def read_cost_values(path: str | PathLike[str]) -> Mapping[str, object]:
    r"""Read what a flat TOML file of costs says; whether the names are known is not judged here.

    Raises
    ------
    FormatError
        If the file is no TOML, or cannot be read.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     file = Path(folder) / "costs.toml"
    ...     _ = file.write_text('plant = 0.02\nunit = "hours"\n')
    ...     values = read_cost_values(file)
    >>> dict(values)
    {'plant': 0.02, 'unit': 'hours'}

    """
    return read_flat_toml(Path(path), FormatError)
