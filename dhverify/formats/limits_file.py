"""Limits as TOML: what `dhverify limits` prints and `--limits` takes back."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

from dhverify.errors import LimitsError
from dhverify.formats.flat_toml import read_flat_toml
from dhverify.limits import LimitInfo, Limits, limit_infos

if TYPE_CHECKING:
    from os import PathLike


def read_limits(path: str | PathLike[str]) -> Limits:
    r"""Read limits from a flat TOML file; what it does not name stays as shipped.

    Raises
    ------
    LimitsError
        The file is no TOML, or a limit is unknown or out of its range; all are named.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     file = Path(folder) / "limits.toml"
    ...     _ = file.write_text("min_diagnostic_markers = 8\n")
    ...     limits = read_limits(file)
    >>> limits.min_diagnostic_markers
    8

    """
    file = Path(path)
    return Limits.from_mapping(read_flat_toml(file, LimitsError), source=str(file))


def limits_text(limits: Limits | None = None) -> str:
    """Return limits as TOML with unit, range, reason and source of each.

    Parameters
    ----------
    limits
        The limits; those shipped if None.

    Examples
    --------
    >>> [line for line in limits_text().splitlines() if line.startswith("min_diag")]
    ['min_diagnostic_markers = 5']

    """
    values = dict((limits or Limits()).items())
    head = "# Limits of dhverify. Change a value and hand the file in with --limits.\n"
    return head + "".join(_entry(info, values[info.name]) for info in limit_infos())


def _entry(info: LimitInfo, value: float) -> str:
    shipped = f"shipped as {info.shipped:g}" if value == info.shipped else f"shipped as {info.shipped:g}, changed"
    lines = (
        info.reason,
        f"Unit: {info.unit}; from {info.low:g} to {info.high:g}; {shipped}.",
        f"Source: {info.source}.",
    )
    comments = [wrapped for line in lines for wrapped in textwrap.wrap(line, 96)]
    return "\n" + "".join(f"# {comment}\n" for comment in comments) + f"{info.name} = {value!r}\n"
