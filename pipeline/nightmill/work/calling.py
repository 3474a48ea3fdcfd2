"""The one boundary around a call into a stage: what a stage raises gets the stage's name."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

from ..errors import NightmillError
from ..store import DamagedError

__all__ = ["StageError", "StageMemoryError", "calling"]

OPENCV_NO_MEMORY = -4
"""OpenCV's code for memory that could not be had (StsNoMem), carried by its own exception."""


class StageError(Exception):
    """A stage raised something that it did not mean for the user; the cause is chained."""

    def __init__(self, stage: str, method: str, cause: BaseException) -> None:
        super().__init__(stage, method, cause)
        self.stage, self.method, self.cause = stage, method, cause

    def __str__(self) -> str:
        return f"stage {self.stage!r} failed in {self.method}: {type(self.cause).__name__}: {self.cause}"


class StageMemoryError(MemoryError):
    """A stage asked for more memory than there is; the cause is chained."""

    def __init__(self, stage: str, cause: BaseException) -> None:
        super().__init__(stage, cause)
        self.stage, self.cause = stage, cause

    def __str__(self) -> str:
        return f"stage {self.stage!r}: {self.cause or 'out of memory'}"


@contextlib.contextmanager
def calling(stage: str, method: str) -> Iterator[None]:
    """Name the stage in whatever is raised inside; messages meant for people, and our own, pass unchanged."""
    try:
        yield
    except (NightmillError, DamagedError, StageError, StageMemoryError, OSError):
        raise
    except MemoryError as error:
        raise StageMemoryError(stage, error) from error
    except (Exception, SystemExit) as error:  # strangers' code may raise anything; this is where it gets a name
        if getattr(error, "code", None) == OPENCV_NO_MEMORY:
            raise StageMemoryError(stage, error) from error
        raise StageError(stage, method, error) from error
