"""Ctrl-C once sets the run down, twice stops it at once; being hung up on does not end it."""

from __future__ import annotations

import os
import signal
import threading
import time
from types import FrameType
from typing import Any, Self

from ..errors import NightmillError

__all__ = ["InterruptedRunError", "Watch"]


class InterruptedRunError(NightmillError):
    """The user or the system asked the run to end; it can be resumed."""

    exit_code = 130


class Watch:
    """Catches SIGINT and SIGTERM while a run goes on."""

    def __init__(self) -> None:
        self.asked = 0
        self._before: dict[int, Any] = {}

    @property
    def twice(self) -> bool:
        """Whether the user asked more than once."""
        return self.asked > 1

    def __enter__(self) -> Self:
        if threading.current_thread() is threading.main_thread():
            # The last is Ctrl-Break of Windows, which its closing console sends too.
            asking = [getattr(signal, name, None) for name in ("SIGINT", "SIGTERM", "SIGBREAK")]
            for number in filter(None, asking):
                self._before[number] = signal.signal(number, self._ask)
            hang_up = getattr(signal, "SIGHUP", None)
            if hang_up is not None:  # a closed lid or a lost connection must not cost the night
                self._before[hang_up] = signal.signal(hang_up, signal.SIG_IGN)
        return self

    def __exit__(self, *error: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def check(self) -> None:
        """Raise InterruptedRunError when the user has asked."""
        if self.asked:
            raise InterruptedRunError("interrupted; what is finished is kept: give the same command again to go on")

    def sleep(self, seconds: float) -> None:
        """Wait, but not beyond the user's asking."""
        end = time.monotonic() + seconds
        while not self.asked and time.monotonic() < end:
            time.sleep(0.1)

    def _ask(self, number: int, frame: FrameType | None) -> None:
        self.asked += 1
        if self.asked > 1:
            # At once: products appear whole or not at all, so nothing can be left half done.
            os._exit(130)
