"""Plugins that watch a run: told of everything, and unable to disturb it."""

from __future__ import annotations

import logging
from functools import partial
from pathlib import Path
from typing import Any

from ..foreign import attempt
from ..plugins import Registry

__all__ = ["Observers"]


class Observers:
    """Calls the observing hooks of all plugins; one that raises is told of once and left out afterwards."""

    def __init__(self, registry: Registry) -> None:
        self._hook = registry.manager.hook
        self._off: set[str] = set()

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
        for one in getattr(self._hook, name).get_hookimpls():
            if one.plugin_name in self._off:
                continue
            error = attempt(partial(one.function, **{key: values[key] for key in one.argnames})).error
            if error is not None:
                self._off.add(one.plugin_name)
                logging.getLogger("nightmill").warning(
                    "the plugin %s watches the run no longer: it failed in %s: %r", one.plugin_name, name, error
                )
