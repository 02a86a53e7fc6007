"""What every page shares: the templates, their filters, and the files beside them."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from dhverify.report import look
from dhverify.version import __version__

if TYPE_CHECKING:
    from jinja2 import Environment


def rendered(template: str, /, **values: Any) -> str:
    """Return a page or a part of one as HTML, which asks for nothing from elsewhere; the same values, the same text."""
    return _environment().get_template(template).render(style=asset("report.css"), version=__version__, **values)


@cache
def asset(name: str) -> str:
    """Return the text of a file that lies beside the templates."""
    return files("dhverify.report.page").joinpath("templates", name).read_text(encoding="utf-8")


@cache
def _environment() -> Environment:
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("dhverify.report.page"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters.update(percent=look.percent, sentence=look.sentence)
    environment.globals.update(span=look.span, counted=look.counted)
    return environment
