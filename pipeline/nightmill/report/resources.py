"""The files that the page is made of: template, style sheet, script."""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files

__all__ = ["resource"]


@lru_cache(maxsize=8)
def resource(name: str) -> str:
    """Return a file of this package as text."""
    return (files(__package__) / name).read_text(encoding="utf-8")
