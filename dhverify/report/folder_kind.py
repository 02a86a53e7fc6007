"""The kinds of folders that commands write: what they hold, and how one is recognised, replaced and written."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from dhverify.report.whole_folder import check_target, write_whole

SUMMARY: Final = "summary.json"
REPORT: Final = "report.html"

Files = Mapping[str, bytes]
"""Name -> content of every file of a folder."""


@dataclass(frozen=True, kw_only=True)
class FolderKind:
    """A kind of folder.

    Attributes
    ----------
    kind
        Stands in ``summary.json`` and makes the folder recognisable.
    content
        What the folder holds, for messages: ``the results of an earlier check``.
    files
        Names of everything that can be written there.

    """

    kind: str
    content: str
    files: frozenset[str]

    def check_target(self, directory: str | Path, *, force: bool = False) -> Path:
        """Tell whether the folder may be written, before any work is done.

        Returns
        -------
        pathlib.Path
            The resolved folder.

        Raises
        ------
        OutputError
            If it is a file, or not empty and not a folder of this kind to be replaced.

        """
        return check_target(directory, force=force, is_replaceable=self.is_of_kind, content=self.content)

    def is_of_kind(self, folder: Path) -> bool:
        """Whether a folder is of this kind and holds nothing else: a file of the user is never deleted."""
        if any(path.name not in self.files or not path.is_file() for path in folder.iterdir()):
            return False
        try:
            found = json.loads((folder / SUMMARY).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return False
        return isinstance(found, dict) and found.get("kind") == self.kind and "schema_version" in found

    def write(self, directory: str | Path, make_files: Callable[[], Files], *, force: bool = False) -> Path:
        """Write the folder: after a fault or a stop there is either all of it or what stood there before.

        Parameters
        ----------
        directory
            The folder; its parents are made.
        make_files
            Called once it is known that the folder may be written.
        force
            Replace a folder of this kind that stands there. Any other that is not empty is never replaced.

        Raises
        ------
        OutputError
            If the folder is in use, or cannot be written.

        """
        target = self.check_target(directory, force=force)
        content = make_files()

        def fill(folder: Path) -> None:
            for name, data in content.items():
                (folder / name).write_bytes(data)

        write_whole(target, fill)
        return target
