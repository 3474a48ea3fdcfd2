"""The commands. Each is a thin module, imported only when it is used, so that `--help` is quick."""

from __future__ import annotations

from .main import main

__all__ = ["main"]
