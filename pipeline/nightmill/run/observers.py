"""Plugins that watch a run: told of everything, and unable to disturb it."""

from __future__ import annotations

import logging
from pathlib import Path
from typing import Any

from ..plugins import Registry

__all__ = ["Observers"]


class Observers:
    """Calls the observing hooks of all plugins; one that raises is told of once and left out afterwards."""

    def __init__(self, registry: Registry) -> None:
        self._hook = registry.manager.hook
        self._off = False

    def started(self, night: Path, out: Path) -> None:
        """Tell that a run begins."""
        self._call("nightmill_run_started", night=night, out=out)

    def event(self, event: dict[str, Any]) -> None:
        """Tell of a journal line."""
        self._call("nightmill_event", event=event)

    def finished(self, out: Path, summary: dict[str, Any]) -> None:
        """Tell that the run has ended."""
        self._call("nightmill_run_finished", out=out, summary=summary)

    def _call(self, name: str, **values: Any) -> None:
        if self._off:
            return
        try:
            getattr(self._hook, name)(**values)
        except Exception as error:  # a watcher's fault is not the night's
            self._off = True
            logging.getLogger("nightmill").warning("a plugin that watches the run failed in %s: %r", name, error)
