"""One run an output folder: a lock that the system frees when its holder dies, however it dies."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import socket
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from ..errors import LockedError
from ..files import write_json
from .pulse import Pulse, alive_here

__all__ = ["hold", "refuse_if_held"]

NO_LOCKS = {getattr(errno, name, -1) for name in ("ENOSYS", "ENOLCK", "EOPNOTSUPP", "ENOTSUP")}
"""What file systems say that have no locks."""

CARD_SECONDS = 0.4
"""How long the holder may take to say who it is."""


@contextlib.contextmanager
def hold(folder: Path) -> Iterator[None]:
    """Hold the lock of an output folder.

    Raises
    ------
    LockedError
        Another run holds it; the message names its process, machine and start.
    """
    folder.mkdir(parents=True, exist_ok=True)
    card = folder / "holder.json"
    lock = _acquire(folder)
    if lock is None:
        raise LockedError(_describe(card))
    try:
        began = datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
        write_json(card, {"pid": os.getpid(), "host": socket.gethostname(), "since": began, "command": sys.argv[1:]})
        yield
    finally:
        card.unlink(missing_ok=True)
        lock.release()


def refuse_if_held(folder: Path) -> None:
    """Raise LockedError at once when another run holds the folder, before anything slow is done; writes nothing."""
    if not (folder / "lock").exists():
        return
    lock = FileLock(folder / "lock", thread_local=False)
    try:
        lock.acquire(timeout=0)
    except Timeout:
        raise LockedError(_describe(folder / "holder.json")) from None
    except (OSError, NotImplementedError):
        return  # told by `hold`
    lock.release()


def _acquire(folder: Path) -> FileLock | Pulse | None:
    """Take the lock in the way that the file system offers; None when somebody has it."""
    lock = FileLock(folder / "lock", thread_local=False)
    try:
        lock.acquire(timeout=0)
    except Timeout:
        return None
    except NotImplementedError:
        pass
    except OSError as error:
        if error.errno not in NO_LOCKS:
            raise
    else:
        return lock
    pulse = Pulse(folder / "pulse")
    return pulse if pulse.acquire() else None


def _describe(card: Path) -> str:
    """Say who holds the folder; a card that a dead holder left is not believed."""
    end = time.monotonic() + CARD_SECONDS
    held = _card(card)
    while held is None and time.monotonic() < end:
        time.sleep(0.02)
        held = _card(card)
    who = f"process {held['pid']} on {held['host']}, since {held['since']}" if held else "another process"
    return f"another run holds this output folder ({who}); wait for it, stop it, or give another --out"


def _card(card: Path) -> dict[str, Any] | None:
    try:
        held = json.loads(card.read_text(encoding="utf-8"))
        here = held["host"] == socket.gethostname()
        return held if held["since"] and (not here or alive_here(int(held["pid"]))) else None
    except (OSError, ValueError, KeyError, TypeError):
        return None
