"""What every worker process does before its first task."""

from __future__ import annotations

import signal
import threading
from typing import Any

__all__ = ["dask_setup"]


def dask_setup(worker: Any) -> None:
    """Let Ctrl-C reach the driving process alone, which then stops the workers in order."""
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGINT, signal.SIG_IGN)
    import cv2

    cv2.setNumThreads(1)
