"""What every ``summary.json`` shares: plain values, their text, and the schemas that ship with the package."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from importlib.resources import files
from typing import Any

from dhverify.report.tables import number_text


def plain(value: Any) -> Any:
    """Return a number as it is written in the tables, a tuple as a list; text as it is.

    Examples
    --------
    >>> plain(1 / 3), plain(float("nan")), plain(("a", "b"))
    (0.333333, None, ['a', 'b'])

    """
    if isinstance(value, tuple):
        return list(value)
    if not isinstance(value, float):
        return value
    return float(number_text(value)) if math.isfinite(value) else None


def json_text(content: Mapping[str, Any]) -> str:
    """Return a summary as text, UTF-8 characters kept, LF at the end."""
    return json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def shipped_schema(name: str) -> dict[str, Any]:
    """Return a JSON Schema that ships with the package, by the name of its file."""
    text = files("dhverify.report").joinpath(name).read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema
