"""What happened, in order: OUT/journal.jsonl, one JSON object a line, through structlog."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import structlog

__all__ = ["Journal"]


class Journal:
    """Appends events to a file and shows each to an observer.

    Parameters
    ----------
    path : Path
        The journal; appended to, never rewritten, so that it tells of every run of an output folder.
    observe : callable
        Called with each event as a dict.
    """

    def __init__(self, path: Path, observe: Callable[[dict[str, Any]], None] = lambda event: None) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        _end_line(path)
        self._stream = path.open("a", encoding="utf-8", errors="backslashreplace")
        self._observe = observe
        self._log = structlog.wrap_logger(
            structlog.WriteLogger(self._stream),
            processors=[
                structlog.processors.TimeStamper(fmt="iso", utc=True, key="time"),
                self._show,
                structlog.processors.JSONRenderer(serializer=_render),
            ],
        )

    def event(self, event: str, **values: Any) -> None:
        """Write one event; `values` are JSON values.

        A journal that cannot be written (the disk is full) must not hide why the run ends.
        """
        with contextlib.suppress(OSError):
            self._log.info(event, **values)

    def close(self) -> None:
        """Close the file."""
        with contextlib.suppress(OSError):
            self._stream.close()

    def _show(self, logger: Any, method: str, values: Any) -> Any:
        self._observe(dict(values))
        return values


def _render(values: Any, **options: Any) -> str:
    # Time and event first, the rest as given: lines that a person can read down.
    first = {key: values[key] for key in ("time", "event") if key in values}
    return json.dumps({**first, **values}, ensure_ascii=False, default=str)


def _end_line(path: Path) -> None:
    """End a line that a killed run left half written, so that every later line is whole."""
    if path.exists() and path.stat().st_size:
        with path.open("rb+") as stream:
            stream.seek(-1, 2)
            if stream.read(1) != b"\n":
                stream.write(b"\n")
