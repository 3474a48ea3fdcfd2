"""The one boundary around a call into a stage: what a stage raises gets the stage's name."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

from ..errors import NightmillError
from ..store import DamagedError

__all__ = ["StageError", "calling"]


class StageError(Exception):
    """A stage raised something that it did not mean for the user; the cause is chained."""

    def __init__(self, stage: str, method: str, cause: Exception) -> None:
        super().__init__(stage, method, cause)
        self.stage, self.method, self.cause = stage, method, cause

    def __str__(self) -> str:
        return f"stage {self.stage!r} failed in {self.method}: {type(self.cause).__name__}: {self.cause}"


@contextlib.contextmanager
def calling(stage: str, method: str) -> Iterator[None]:
    """Name the stage in whatever is raised inside; messages meant for people, and our own, pass unchanged."""
    try:
        yield
    except (NightmillError, DamagedError, StageError, OSError, MemoryError):
        raise
    except Exception as error:
        raise StageError(stage, method, error) from error
