"""What every worker process does before its first task."""

from __future__ import annotations

import signal
import threading
from typing import Any

__all__ = ["dask_setup"]


def dask_setup(worker: Any) -> None:
    """Let Ctrl-C reach the driving process alone, which then stops the workers in order; have the plugins ready."""
    from ..work.limits import limit_memory

    if threading.current_thread() is threading.main_thread():  # a process of its own, not a thread of the run's
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        limit = getattr(getattr(worker, "memory_manager", None), "memory_limit", None)
        if limit:
            limit_memory(int(limit))
    import cv2

    from ..plugins import load_registry

    cv2.setNumThreads(1)
    # All workers load at once while they start, not each at its first task; what is broken is told by the run itself.
    load_registry()
