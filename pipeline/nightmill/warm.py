"""Imported by the process that workers are copies of: loads what all of them need, and starts nothing.

Plugins of others are left to the workers: what they do when they are loaded nobody knows.
"""

from __future__ import annotations

import contextlib
import gc
import importlib
import importlib.metadata

FIRST = ("numpy", "cv2", "distributed.nanny", "distributed.worker", "nightmill.cli", "nightmill.work.actions")
LATER = ("scipy.fft", "scipy.ndimage", "scipy.optimize", "scipy.interpolate", "astropy.io.fits", "astropy.table")
"""What is loaded only when it is needed: every worker will need it."""


def _load() -> None:
    for name in FIRST:
        importlib.import_module(name)
    for point in importlib.metadata.distribution("nightmill").entry_points.select(group="nightmill.plugins"):
        plugin = point.load()
        for part in (*plugin.nightmill_stages(), *plugin.nightmill_writers()):
            importlib.import_module(part.partition(":")[0])
    for name in LATER:
        importlib.import_module(name)


# Loading makes many objects and hardly any rubbish; what is there then stays, its pages shared with the copies.
gc.disable()
# What cannot be loaded is told by the run itself, in words.
with contextlib.suppress(ImportError, OSError, AttributeError):
    _load()
gc.freeze()
gc.enable()
