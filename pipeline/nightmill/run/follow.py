"""Which recordings are finished, while a night is still being recorded."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import Any

from ..night import Found
from .index import stamp

__all__ = ["Settling"]


@dataclass
class Settling:
    """Remembers how each recording looked and since when; says which have come to rest.

    Attributes
    ----------
    seconds : float
        How long size and time of change must have stayed the same.
    """

    seconds: float
    seen: dict[str, tuple[list[Any], float]] = field(default_factory=dict)
    held: set[str] = field(default_factory=set)

    def ready(self, found: Found) -> bool:
        """Look at a recording; say whether it is at rest."""
        try:
            now = stamp(found.path)
        except OSError:
            return False
        before = self.seen.get(found.file)
        if before is None or before[0] != now:
            # By our own clock alone: that of a file server, or one that was set meanwhile, says nothing.
            self.seen[found.file] = before = (now, time.monotonic())
        at_rest = time.monotonic() - before[1] >= self.seconds
        (self.held.discard if at_rest else self.held.add)(found.file)
        return at_rest
