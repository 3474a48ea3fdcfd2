"""Copies finished files from the store to where the user looks, each whole or not at all."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from ..files import copy_whole, write_json
from ..store import Store
from .links import check_place

__all__ = ["Shelf"]


class Shelf:
    """The output folder's stacks and pictures.

    Parameters
    ----------
    out : Path
        The output folder.
    store : Store
        Where products lie. A published file whose size and time are as we left them is not copied again.
    """

    def __init__(self, out: Path, store: Store) -> None:
        self._out, self._store = out, store
        self._path = store.root / "published.json"
        self._mine: set[str] = set()
        try:
            said = dict(json.loads(self._path.read_text(encoding="utf-8")))
            self._left: dict[str, Any] = {k: v for k, v in said.items() if isinstance(v, list) and len(v) == 3}
        except (OSError, ValueError, TypeError):
            self._left = {}

    def put(self, key: str, files: dict[str, str]) -> int:
        """Publish files of a product.

        Parameters
        ----------
        key : str
        files : dict of str to str
            Name in the product to path below the output folder, with forward slashes.

        Returns
        -------
        int
            How many had to be copied.

        Raises
        ------
        DamagedError
            The product is not what was written; nothing is published.
        """
        stale = {name: place for name, place in files.items() if not self._current(key, place)}
        if not stale:
            return 0
        folder = self._store.open(key)
        for name, place in stale.items():
            target = self._out / place
            check_place(target.parent)
            copy_whole(folder / name, target)
            state = target.stat()
            self._left[place] = [key, state.st_size, state.st_mtime_ns]
            self._mine.add(place)
        write_json(self._path, self._left)
        return len(stale)

    def clear(self, wanted: set[str]) -> list[str]:
        """Remove files that this very run published and that are not wanted any more (a filter's picture that a
        colour picture replaced). What earlier runs left, or the user changed, is not touched.
        """
        gone = []
        for place in sorted(self._mine - wanted):
            target = self._out / place
            if self._current(self._left[place][0], place):
                target.unlink(missing_ok=True)
                gone.append(place)
            del self._left[place]
        if gone:
            write_json(self._path, self._left)
        return gone

    def earlier(self, wanted: set[str]) -> list[str]:
        """List files that lie here as runs before left them and that belong to nothing of this night any more: another
        recipe, or captures since taken away, made them. They may be dear to somebody, so they are told and stay.
        """
        places = sorted(set(self._left) - wanted - self._mine)
        return [place for place in places if self._current(self._left[place][0], place)]

    def _current(self, key: str, place: str) -> bool:
        try:
            state = (self._out / place).stat()
        except OSError:
            return False
        return bool(self._left.get(place) == [key, state.st_size, state.st_mtime_ns])
