"""One run an output folder: a lock that the system frees when its holder dies, however it dies."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from filelock import FileLock, Timeout

from ..errors import LockedError
from ..files import write_json

__all__ = ["hold"]


@contextlib.contextmanager
def hold(folder: Path) -> Iterator[None]:
    """Hold the lock of an output folder.

    Raises
    ------
    LockedError
        Another run holds it; the message names its process, machine and start.
    """
    folder.mkdir(parents=True, exist_ok=True)
    lock = FileLock(folder / "lock", thread_local=False)
    card = folder / "holder.json"
    try:
        lock.acquire(timeout=0)
    except Timeout:
        raise LockedError(_describe(card)) from None
    try:
        began = datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
        write_json(card, {"pid": os.getpid(), "host": socket.gethostname(), "since": began, "command": sys.argv[1:]})
        yield
    finally:
        card.unlink(missing_ok=True)
        lock.release()


def _describe(card: Path) -> str:
    try:
        held = json.loads(card.read_text(encoding="utf-8"))
        who = f"process {held['pid']} on {held['host']}, since {held['since']}"
    except (OSError, ValueError, KeyError):
        who = "another process"
    return f"another run holds this output folder ({who}); wait for it, stop it, or give another --out"
