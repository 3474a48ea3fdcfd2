"""Memory of the workers: what each may use, and a watch that ends one which takes more before the machine suffers."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

__all__ = ["KEEP_BYTES", "LEAST_BYTES", "MemoryWatch", "available_bytes", "end_own", "share_memory", "usable_cores"]

KEEP_BYTES = 2_000_000_000
"""Left to the system, the page cache and the driving process when nobody says how much to use."""

LEAST_BYTES = 600_000_000
"""Below this a worker with all libraries loaded has no room for work; fewer workers are started instead."""

LOOK_SECONDS = 0.1


def available_bytes() -> int:
    """Return the memory that can be used now: the machine's, or less where a container is given less."""
    import psutil

    free = int(psutil.virtual_memory().available)
    try:
        limit = Path("/sys/fs/cgroup/memory.max").read_text(encoding="ascii").strip()
        used = int(Path("/sys/fs/cgroup/memory.current").read_text(encoding="ascii"))
        free = free if limit == "max" else min(free, int(limit) - used)
    except (OSError, ValueError):
        pass  # no control groups here
    return free


def usable_cores() -> int:
    """Return the processors that this process may run on."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def share_memory(workers: int | None, memory_bytes: int | None) -> tuple[int, int]:
    """Settle how many workers there are, and what each may use.

    Parameters
    ----------
    workers : int or None
        As the user wants; None for one a processor, or fewer where memory is scarce.
    memory_bytes : int or None
        Of all workers together; None for what is available, less 2 GB.

    Returns
    -------
    (int, int)
        Count, and bytes for each.
    """
    total = memory_bytes or max(available_bytes() - KEEP_BYTES, LEAST_BYTES)
    count = workers or max(1, min(usable_cores(), total // LEAST_BYTES))
    return count, total // count


class MemoryWatch(threading.Thread):
    """Looks at worker processes ten times a second and kills one that uses more than it may.

    A single request beyond all bounds never gets here where the system refuses it (see `work.limits`).

    Parameters
    ----------
    limit : int
        Bytes that a process may use.
    processes : callable
        Returns (name, process id) of the workers that live now.
    """

    def __init__(self, limit: int, processes: Callable[[], Iterable[tuple[str, int]]]) -> None:
        super().__init__(name="memory watch", daemon=True)
        self.limit = limit
        self.ended: dict[str, int] = {}
        self._processes = processes
        self._stop = threading.Event()

    def run(self) -> None:
        """Look until told to stop."""
        while not self._stop.wait(LOOK_SECONDS):
            for name, pid in list(self._processes()):
                self._look(name, pid)

    def stop(self) -> None:
        """End the watch."""
        self._stop.set()

    def verdict(self, name: str) -> str | None:
        """Say why a worker was ended, or None when this watch has not ended it."""
        used = self.ended.get(name)
        if used is None:
            return None
        taken, may = f"{used / 1e6:.0f} MB", f"{self.limit / 1e6:.0f} MB"
        return (
            f"it took {taken} of memory, and a worker may use {may}, so it was stopped; give more with --memory, or "
            "fewer --workers"
        )

    def _look(self, name: str, pid: int) -> None:
        import psutil

        try:
            process = psutil.Process(pid)
            held = process.memory_info()
            # Pages of files that are only mapped cost nothing: the system takes them back when it needs them.
            used = held.rss - getattr(held, "shared", 0)
            if used > self.limit and end_own(process):
                self.ended[name] = used
        except (psutil.NoSuchProcess, psutil.AccessDenied):
            pass


def end_own(process: Any) -> bool:
    """Kill a process (psutil's) if it came from this one: a number may have gone to a stranger meanwhile."""
    if os.getpid() not in [one.pid for one in process.parents()]:
        return False
    process.kill()
    return True
