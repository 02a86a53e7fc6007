"""The pictures of the pages show parts that the report has, are all used, described in words, and small."""

from __future__ import annotations

import importlib.util
import re
import struct
import sys
from pathlib import Path

import pytest

DOCS = Path(__file__).parents[2] / "docs"
PICTURES = DOCS / "pictures"
MOST_BYTES = 300_000

_SPEC = importlib.util.spec_from_file_location("screenshots", DOCS / "screenshots.py")
screenshots = importlib.util.module_from_spec(_SPEC)
sys.modules[_SPEC.name] = screenshots  # dataclasses look their module up
_SPEC.loader.exec_module(screenshots)


def width(picture):
    assert picture.startswith(b"\x89PNG")
    return struct.unpack(">I", picture[16:20])[0]


def references():
    """Every picture that a page shows: name -> words in its place."""
    text = "\n".join(page.read_text(encoding="utf-8") for page in DOCS.rglob("*.md"))
    return {name: words for words, name in re.findall(r"!\[([^\]]*)\]\([./]*pictures/(\w+)\.png\)", text)}


def test_the_pictures_can_be_taken_anew(browser, tmp_path):
    screenshots.take_all(browser, tmp_path)
    fresh = {file.name: width(file.read_bytes()) for file in tmp_path.iterdir()}
    assert fresh == {file.name: width(file.read_bytes()) for file in PICTURES.iterdir()}


@pytest.mark.parametrize("shot", screenshots.SHOTS, ids=lambda shot: shot.name)
def test_every_picture_is_shown_and_described(shot):
    assert len(references()[shot.name]) > 30


def test_every_picture_that_is_shown_is_there_and_they_are_small():
    assert set(references()) == {file.stem for file in PICTURES.iterdir()}
    assert sum(file.stat().st_size for file in PICTURES.iterdir()) < MOST_BYTES
