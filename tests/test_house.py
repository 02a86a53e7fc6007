"""The house rules that no linter asks for: short functions, short modules."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "dhverify"
MODULES = sorted(PACKAGE.rglob("*.py"))
LONGEST_FUNCTION = 80
LONGEST_MODULE = 399


def long_functions(text, longest=LONGEST_FUNCTION):
    """Return the functions whose lines, the docstring left out, are too many."""
    functions = (node for node in ast.walk(ast.parse(text)) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef))
    return [node.name for node in functions if n_lines(node) - n_docstring_lines(node) > longest]


def n_lines(node):
    return node.end_lineno - node.lineno + 1


def n_docstring_lines(function):
    return n_lines(function.body[0]) if ast.get_docstring(function) is not None else 0


@pytest.mark.parametrize("module", MODULES, ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_no_function_and_no_module_is_long(module):
    text = module.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= LONGEST_MODULE
    assert long_functions(text) == []


@pytest.mark.parametrize(("n_statements", "found"), [(79, []), (80, ["long"])])
def test_a_long_function_is_seen_and_its_docstring_does_not_count(n_statements, found):
    body = ['    """Say', "    much.", '    """', *["    pass"] * n_statements]
    assert long_functions("\n".join(["def long():", *body])) == found
