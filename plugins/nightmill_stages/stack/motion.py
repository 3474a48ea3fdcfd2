"""How the image moved about its slow drift: a measure of the seeing that sharpening may use."""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

from nightmill.artefacts import FrameTable

__all__ = ["bending", "jitter"]


def jitter(table: FrameTable, usable: NDArray[np.bool_]) -> list[float]:
    """Return the rms [row, column] of the motion about a running median of 31 frames, camera pixels."""
    result = []
    for name in ("dy_px", "dx_px"):
        path = np.asarray(table[name], np.float64)[usable]
        slow = scipy.ndimage.median_filter(path, size=min(31, len(path)), mode="nearest")
        result.append(round(float(np.sqrt(np.mean((path - slow) ** 2))), 4))
    return result


def bending(table: FrameTable, usable: NDArray[np.bool_]) -> list[float]:
    """Return the rms [row, column] of the local shifts about each frame's own, camera pixels."""
    mesh = np.asarray(table["mesh"], np.float64)[usable]
    return [round(float(np.sqrt(np.mean(mesh[..., axis] ** 2))), 4) for axis in range(2)]
