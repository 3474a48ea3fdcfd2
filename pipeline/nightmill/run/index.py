"""What is known of recordings by their size and time of change, so that nothing is opened or summed twice.

A recording that was only touched, moved or copied is summed again and found to be the same; its products stay good.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from ..files import read_sealed, write_sealed

__all__ = ["Index", "stamp"]

FORMAT = 3


def stamp(path: Path) -> list[Any]:
    """Return what changes when a recording changes: size and time of a file, or of each file in a folder."""
    if path.is_dir():
        held = [
            [entry.name, entry.stat().st_size, entry.stat().st_mtime_ns]
            for entry in os.scandir(path)
            if entry.is_file()
        ]
        return sorted(held)
    state = path.stat()
    return [state.st_size, state.st_mtime_ns]


class Index:
    """A small JSON file: by recording, its stamp, its description and its fingerprint.

    Parameters
    ----------
    path : Path
        Read if it is there; anything wrong with it means only that recordings are opened again.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._entries: dict[str, dict[str, Any]] = {}
        self._changed = False
        try:
            held = read_sealed(path)
            if held["format"] == FORMAT and isinstance(held["recordings"], dict):
                self._entries = held["recordings"]
        except (OSError, ValueError, KeyError, TypeError):
            pass

    def get(self, file: str, path: Path, name: str) -> Any:
        """Return what was put under `name` for this recording, or None when it has changed since."""
        entry = self._entries.get(file)
        try:
            if entry is None or entry["stamp"] != stamp(path):
                return None
            return entry.get(name)
        except (OSError, KeyError, TypeError, AttributeError):
            return None

    def same(self, file: str, path: Path) -> bool:
        """Say whether a recording is still as it was when something was put for it."""
        entry = self._entries.get(file)
        try:
            return entry is not None and entry.get("stamp") == stamp(path)
        except (OSError, AttributeError):
            return False

    def put(self, file: str, seen: list[Any], name: str, value: Any) -> None:
        """Remember a JSON value for a recording whose stamp was `seen` before it was read."""
        entry = self._entries.get(file)
        if entry is None or entry.get("stamp") != seen:
            entry = self._entries[file] = {"stamp": seen}
        entry[name] = value
        self._changed = True

    def save(self) -> None:
        """Write the index when anything changed."""
        if self._changed:
            write_sealed(self._path, {"format": FORMAT, "recordings": self._entries})
            self._changed = False
