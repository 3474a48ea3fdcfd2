"""A lock for folders whose file system has none (some network shares): a file that its holder keeps writing to.

A holder that died is told by its process, on the same machine, or by a pulse that has stopped. Ages are measured with
the times that the file server itself gives, so clocks of different machines need not agree.
"""

from __future__ import annotations

import _thread
import contextlib
import json
import os
import socket
import threading
import uuid
from pathlib import Path
from typing import Any

__all__ = ["Pulse", "alive_here"]

BEAT_SECONDS = 10.0
STOPPED_SECONDS = 60.0


class Pulse:
    """Holds a folder by a file in it.

    Parameters
    ----------
    path : Path
        The file; its folder exists.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._token = uuid.uuid4().hex
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._beat, name="pulse", daemon=True)

    def acquire(self) -> bool:
        """Take the folder, also from a holder that is dead; False when another one lives."""
        for _ in range(3):
            try:
                descriptor = os.open(self._path, os.O_CREAT | os.O_EXCL | os.O_WRONLY)
            except FileExistsError:
                if not self._take_away():
                    return False
                continue
            with os.fdopen(descriptor, "w", encoding="utf-8") as stream:
                json.dump({"token": self._token, "pid": os.getpid(), "host": socket.gethostname()}, stream)
            self._thread.start()
            return True
        return False

    def release(self) -> None:
        """Give the folder back."""
        self._ended.set()
        self._thread.join()
        if _read(self._path).get("token") == self._token:
            self._path.unlink(missing_ok=True)

    def _take_away(self) -> bool:
        """Remove the file of a dead holder; False when it lives."""
        held = _read(self._path)
        if not self._stopped(held):
            return False
        # Moved first, then looked at again: another starter may have put its own there meanwhile.
        aside = self._path.with_name(f"{self._path.name}.{self._token}")
        try:
            self._path.rename(aside)
        except OSError:
            return False
        if _read(aside).get("token") != held.get("token"):
            with contextlib.suppress(OSError):
                aside.rename(self._path)
            return False
        aside.unlink(missing_ok=True)
        return True

    def _stopped(self, held: dict[str, Any]) -> bool:
        if held.get("host") == socket.gethostname() and isinstance(held.get("pid"), int):
            return not alive_here(held["pid"])
        probe = self._path.with_name(f"probe-{self._token}")
        try:
            probe.write_bytes(b"now")
            return probe.stat().st_mtime - self._path.stat().st_mtime > STOPPED_SECONDS
        except FileNotFoundError:
            return True
        finally:
            probe.unlink(missing_ok=True)

    def _beat(self) -> None:
        while not self._ended.wait(BEAT_SECONDS):
            if _read(self._path).get("token") != self._token:
                # This machine slept, and another one took over: set this run down as Ctrl-C would.
                _thread.interrupt_main()
                return
            with contextlib.suppress(OSError), self._path.open("a", encoding="utf-8") as stream:
                stream.write(" ")


def alive_here(pid: int) -> bool:
    """Say whether a process of this machine lives."""
    import psutil

    return bool(psutil.pid_exists(pid))


def _read(path: Path) -> dict[str, Any]:
    try:
        held = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return held if isinstance(held, dict) else {}
