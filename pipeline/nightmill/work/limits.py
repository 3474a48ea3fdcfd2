"""What a worker process may use, kept by the system where it can."""

from __future__ import annotations

import sys
import threading

__all__ = ["Idle", "give_back", "limit_memory", "memory_limit"]

IDLE_SECONDS = 0.3
"""A worker that got no task for so long has a while to wait."""

RESERVE = 1_000_000_000
"""Granted beyond the limit, so that the process can still report: what grows step by step is ended by the run's watch
(see `run.memory`), and one request that can never be met is refused at once."""

if sys.platform == "linux":
    import resource

    def limit_memory(limit: int) -> None:
        """Let the system refuse this process much more than `limit` bytes of memory of its own, for all its life.

        A stage that asks for an absurd array gets a MemoryError at once, before the machine suffers. What is counted
        is private memory that may be written to (RLIMIT_DATA since Linux 4.7), not address space or mapped files.
        """
        hard = resource.getrlimit(resource.RLIMIT_DATA)[1]
        wanted = limit + RESERVE
        soft = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
        resource.setrlimit(resource.RLIMIT_DATA, (soft, hard))

    def memory_limit() -> int | None:
        """Return the limit that this process was given, or None when nothing limits it."""
        soft = resource.getrlimit(resource.RLIMIT_DATA)[0]
        return None if soft == resource.RLIM_INFINITY else int(soft) - RESERVE

else:  # macOS does not count what is mapped, and Windows has no such limit: there the run watches its workers alone

    def limit_memory(limit: int) -> None:
        """Do nothing: this system keeps no such limit."""

    def memory_limit() -> int | None:
        """Return None: nothing limits this process."""
        return None


def give_back() -> None:
    """Give memory that was freed back to the system, where its library can (glibc).

    Workers keep freed memory for the next chunk of frames, for mapping it anew each time costs a third of the speed;
    what one picture stage needed at its peak is of no use to the passes.
    """
    if sys.platform != "linux":
        return
    import ctypes

    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)


class Idle:
    """Gives memory back when a process has had nothing to do for a moment.

    A single task at the end of a capture then has what its idle neighbours hold for their next frames.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._busy = 0
        self._timer: threading.Timer | None = None

    def begin(self) -> None:
        """Say that a task begins."""
        with self._lock:
            self._busy += 1
            if self._timer is not None:
                self._timer.cancel()
                self._timer = None

    def end(self) -> None:
        """Say that a task has ended."""
        with self._lock:
            self._busy -= 1
            if not self._busy:
                self._timer = threading.Timer(IDLE_SECONDS, self._rest)
                self._timer.daemon = True
                self._timer.start()

    def _rest(self) -> None:
        with self._lock:
            if not self._busy:
                give_back()
