"""Flat TOML, the form of limits and costs: name = value, a line each."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING, Final

from dhverify.errors import Defect, InputError
from dhverify.formats.opening import text_of

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

FLAT_TOML: Final = "TOML: name = value, a line each"


def read_flat_toml(file: Path, error: type[InputError]) -> Mapping[str, object]:
    """Read names and values; whether the names are known is not judged here.

    Raises
    ------
    InputError
        Of the kind given, if the file is no TOML, or cannot be read.

    """
    text = text_of(file, error, expected=FLAT_TOML)
    try:
        return tomllib.loads(text)
    except ValueError as fault:  # a number of thousands of digits is no TOMLDecodeError
        raise error(str(file), [Defect(where="the file", found=str(fault), expected=FLAT_TOML)]) from None
