"""What a worker process may use, kept by the system where it can."""

from __future__ import annotations

import sys

__all__ = ["give_back", "limit_memory", "memory_limit"]

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
