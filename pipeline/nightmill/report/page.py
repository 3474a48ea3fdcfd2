"""The page itself."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ..night import Night

__all__ = ["write_report"]


def write_report(out: Path, summary: dict[str, Any], night: Night) -> None:
    """Write the page."""
