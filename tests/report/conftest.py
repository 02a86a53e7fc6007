from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

_SPEC = importlib.util.spec_from_file_location("synthetic_outcome", Path(__file__).with_name("synthetic_outcome.py"))
_MODULE = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(_MODULE)


@pytest.fixture(scope="session")
def synthetic():
    """The module that makes synthetic outcomes."""
    return _MODULE


@pytest.fixture(scope="session")
def outcome():
    """Every case, hostile names included, over two plates."""
    return _MODULE.make_outcome(100)
