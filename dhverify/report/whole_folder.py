"""Folders that appear whole or not at all."""

from __future__ import annotations

import secrets
import shutil
from collections.abc import Callable
from pathlib import Path

from dhverify.errors import Defect, OutputError

Fill = Callable[[Path], object]
"""Writes every file of a folder into the folder that it is given."""


def write_whole(target: Path, fill: Fill) -> None:
    """Write a folder beside its place, then put it there; what stood there goes last.

    Parameters
    ----------
    target
        A folder that ``check_target`` allowed.
    fill
        Writes the files.

    Raises
    ------
    OutputError
        If the file system refuses; what stood there is still there.

    """
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        is_there_and_empty = target.exists() and not any(target.iterdir())
        part = _hidden(target / target.name if is_there_and_empty else target, "part")
        part.mkdir()
        try:
            fill(part)
            if is_there_and_empty:
                _move_up(part, target)
            else:
                _take_the_place(part, target)
        finally:
            shutil.rmtree(part, ignore_errors=True)
    except OSError as error:
        raise cannot_write(target, error) from error


def check_target(directory: str | Path, *, force: bool, is_replaceable: Callable[[Path], bool], content: str) -> Path:
    """Tell whether a folder may be written, before any work is done.

    Parameters
    ----------
    directory
        The folder.
    force
        Replace what stands there if it is of the same kind.
    is_replaceable
        Whether a folder is of that kind.
    content
        What the folder holds then, for messages: ``the results of an earlier check``.

    Returns
    -------
    pathlib.Path
        The resolved folder.

    Raises
    ------
    OutputError
        If it is a file, or is not empty and may not be replaced.

    """
    try:
        target = Path(directory).resolve()
        if not target.exists():
            _check_parent(target)
        elif not target.is_dir():
            raise _in_use(target, "a file", "a folder that does not exist yet")
        elif any(target.iterdir()):
            if not is_replaceable(target):
                expected = "a new or empty folder (a folder with other files is never replaced)"
                raise _in_use(target, "a folder that holds other files", expected)
            if not force:
                raise _in_use(target, content, "a new folder, or --force to replace them")
    except OSError as error:
        raise cannot_write(Path(directory), error) from error
    return target


def cannot_write(target: Path, error: OSError) -> OutputError:
    """Return the error for a place that the file system refuses."""
    expected = "a place that can be written, with none of its files open in another program"
    return OutputError("output", [Defect(where=str(target), found=error.strerror or str(error), expected=expected)])


def _check_parent(target: Path) -> None:
    parent = next(folder for folder in target.parents if folder.exists())
    if not parent.is_dir():
        raise _in_use(parent, "a file", "a folder, because the output goes below it")


def _move_up(part: Path, target: Path) -> None:
    """Move finished files up into an empty folder, which stays: it may be a mount, or in use."""
    moved: list[Path] = []
    try:
        for file in sorted(part.iterdir()):
            moved.append(file.rename(target / file.name))  # noqa: PERF401 (what was moved is undone below)
    except BaseException:
        for done in moved:
            done.unlink(missing_ok=True)
        raise


def _take_the_place(part: Path, target: Path) -> None:
    """Rename the new folder to the target; what stood there goes last."""
    if not target.exists():
        part.rename(target)
        return
    old = _hidden(target, "old")
    target.rename(old)
    try:
        part.rename(target)
    except BaseException:
        old.rename(target)
        raise
    shutil.rmtree(old, ignore_errors=True)


def _hidden(target: Path, ending: str) -> Path:
    return target.with_name(f".{target.name}.{secrets.token_hex(4)}.{ending}")


def _in_use(target: Path, found: str, expected: str) -> OutputError:
    return OutputError("output", [Defect(where=str(target), found=found, expected=expected)])
