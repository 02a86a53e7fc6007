"""Mistakes on the command line, in the form of every other message: where, what was found, what is expected."""

from __future__ import annotations

import re
from difflib import get_close_matches
from typing import Any, Final

import click

from dhverify.errors import Defect

_VALUE: Final = re.compile(r"'(?P<quoted>.*)' is not|(?P<bare>\S+) is not in the range", flags=re.DOTALL)
"""How a message of the parser begins where it names a value that does not fit."""

_UNKNOWN_COMMAND: Final = re.compile(r"No such command '(?P<name>.*)'")
_PATH: Final = re.compile(r"(\w+ '.*') (does|is)", flags=re.DOTALL)


def usage_message(error: click.UsageError) -> str:
    """Return one message for a mistake on the command line: command, option, what was found, what is expected.

    Parameters
    ----------
    error
        What the parser of the command line says.

    Examples
    --------
    >>> layout = click.Option(["--layout"], type=click.Choice(["wide", "long"]))
    >>> usage_message(click.BadParameter("'foo' is not one of 'wide', 'long'.", param=layout))
    '--layout: found foo; expected one of wide, long'

    """
    path = error.ctx.command_path.removeprefix("dhverify").strip() if error.ctx else ""
    return f"{path}: {_defect(error)}" if path else str(_defect(error))


def _defect(error: click.UsageError) -> Defect:
    if isinstance(error, click.NoSuchOption):
        return _unknown(error.option_name, "option", _options(error.ctx))
    if isinstance(error, click.BadOptionUsage):
        found, expected = ("no value", "one") if "requires" in error.message else ("a value", "none")
        return Defect(where=error.option_name, found=found, expected=expected)
    if isinstance(error, click.BadParameter) and error.param is not None:
        return _bad_value(error, error.param)
    unknown = _UNKNOWN_COMMAND.match(error.message)
    if unknown:
        return _unknown(unknown["name"], "command", _commands(error.ctx))
    found = _lower(error.message.removeprefix("Got "))
    return Defect(where="command line", found=found, expected="what --help shows")


def _bad_value(error: click.BadParameter, parameter: click.Parameter) -> Defect:
    name = _name(parameter)
    if isinstance(error, click.MissingParameter):
        return Defect(where=name, found="nothing", expected=_expected(parameter.type))
    value = _VALUE.match(error.message)
    if value is None:
        found = _lower(_PATH.sub(r"\1, which \2", error.message))
    else:
        found = value["quoted"] or value["bare"] or "an empty text"
    return Defect(where=name, found=found, expected=_expected(parameter.type))


def _expected(kind: click.ParamType[Any]) -> str:
    if isinstance(kind, click.Choice):
        return f"one of {', '.join(map(str, kind.choices))}"
    if isinstance(kind, click.IntRange):
        return f"a whole number of at least {kind.min}"
    if isinstance(kind, click.Path):
        return _expected_path(kind)
    return {"integer": "a whole number", "float": "a number"}.get(kind.name, "a value")


def _expected_path(kind: click.Path) -> str:
    what = "a file" if not kind.dir_okay else "a folder"
    return f"{what} that is there and can be read" if kind.exists else f"the name of {what}"


def _unknown(name: str, what: str, known: list[str]) -> Defect:
    near = get_close_matches(name, known)
    meant = f"did you mean {' or '.join(near)}?" if near else "--help lists them"
    return Defect(where=name, found=f"an unknown {what}", expected=f"a known one: {meant}")


def _options(context: click.Context | None) -> list[str]:
    return [name for option in context.command.get_params(context) for name in option.opts] if context else []


def _commands(context: click.Context | None) -> list[str]:
    return list(context.command.commands) if context and isinstance(context.command, click.Group) else []


def _name(parameter: click.Parameter) -> str:
    if isinstance(parameter, click.Option):
        return max(parameter.opts, key=len)
    return (parameter.metavar or parameter.human_readable_name).rstrip(".")


def _lower(sentence: str) -> str:
    return (sentence[:1].lower() + sentence[1:]).rstrip(".")
