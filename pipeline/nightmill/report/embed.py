"""Which pictures go into the page itself, and how large: the page must load at once and go through a mail."""

from __future__ import annotations

import base64
from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path

__all__ = ["Budget", "data_uri"]

SOFT_BYTES = 2_200_000
"""Larger copies are embedded as long as all together stay below this (a third more as text)."""

HARD_BYTES = 2_350_000
"""Beyond this only the finished pictures themselves are embedded, small; files are linked all the same."""


@lru_cache(maxsize=4096)
def data_uri(path: Path) -> str:
    """Return a WebP file of the store as a data: URI. Products never change, so what was read once is kept."""
    return "data:image/webp;base64," + base64.b64encode(path.read_bytes()).decode("ascii")


class Budget:
    """Hands out room for embedded pictures, first come, first served."""

    def __init__(self) -> None:
        self.spent = 0

    def take(self, paths: Iterable[Path], limit: int) -> bool:
        """Say whether these files may be embedded; count them when they may."""
        size = sum(_size(path) for path in paths)
        if self.spent + size > limit:
            return False
        self.spent += size
        return True

    def swap(self, small: Iterable[Path], large: Iterable[Path], limit: int) -> bool:
        """Say whether small copies may be replaced by large ones."""
        size = sum(_size(path) for path in large) - sum(_size(path) for path in small)
        if self.spent + size > limit:
            return False
        self.spent += size
        return True


@lru_cache(maxsize=8192)
def _size(path: Path) -> int:
    return path.stat().st_size
