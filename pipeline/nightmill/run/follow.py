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
            self.seen[found.file] = (now, time.monotonic())
            before = self.seen[found.file]
            if _age(now) >= self.seconds:
                # It was at rest before we came: its own time of change says so.
                self.seen[found.file] = before = (now, time.monotonic() - self.seconds)
        at_rest = time.monotonic() - before[1] >= self.seconds
        (self.held.discard if at_rest else self.held.add)(found.file)
        return at_rest


def _age(seen: list[Any]) -> float:
    """Return the seconds since the last change; a clock that jumped counts as just changed."""
    times = [entry[2] for entry in seen] if seen and isinstance(seen[0], list) else seen[1:2]
    age = time.time() - max(times, default=0) / 1e9
    return age if age >= 0 else 0.0
