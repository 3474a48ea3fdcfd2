"""Imported by the process that workers are copies of: loads what all of them need, and starts nothing.

Plugins of others are left to the workers: what they do when they are loaded nobody knows.
"""

from __future__ import annotations

import contextlib
import importlib
import importlib.metadata

LIBRARIES = ("numpy", "cv2", "distributed.nanny", "distributed.worker", "nightmill.cli", "nightmill.work.actions")


def _load() -> None:
    for name in LIBRARIES:
        importlib.import_module(name)
    for point in importlib.metadata.entry_points(group="nightmill.plugins"):
        if point.dist is not None and point.dist.name == "nightmill":
            plugin = point.load()
            for part in (*plugin.nightmill_stages(), *plugin.nightmill_writers()):
                importlib.import_module(part.partition(":")[0])


# What cannot be loaded is told by the run itself, in words.
with contextlib.suppress(ImportError, OSError, AttributeError):
    _load()
