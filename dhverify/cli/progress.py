"""A bar for each step of the work, with an estimate of the time left, where a terminal shows it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from click._termui_impl import ProgressBar

Progress = Callable[[str, int, int], None]


@contextmanager
def progress_bars(*, is_wanted: bool) -> Iterator[Progress | None]:
    """Yield what the work calls with its progress; None where nobody watches."""
    if not is_wanted or not sys.stderr.isatty():
        yield None
        return
    bars = _Bars()
    try:
        yield bars
        bars.fill()
    finally:
        bars.end()


class _Bars:
    """One bar at a time; a new step fills and ends the bar of the step before, which is done by then."""

    def __init__(self) -> None:
        self._step = ""
        self._done = 0
        self._bar: ProgressBar[int] | None = None

    def __call__(self, step: str, done: int, of: int) -> None:
        if step != self._step or self._bar is None:
            self.fill()
            self.end()
            self._bar = click.progressbar(length=max(of, 1), label=step, file=sys.stderr)
            self._bar.render_progress()
            self._step, self._done = step, 0
        if done > self._done:
            self._bar.last_eta = 0.0  # estimate the time left anew, however little has passed since
            self._bar.update(done - self._done)
            self._done = done

    def fill(self) -> None:
        """Show the step of the bar as done."""
        if self._bar is not None and self._bar.length is not None:
            self._bar.update(self._bar.length - self._bar.pos)

    def end(self) -> None:
        """Leave the bar as it is."""
        if self._bar is not None:
            self._bar.render_finish()
            self._bar = None
