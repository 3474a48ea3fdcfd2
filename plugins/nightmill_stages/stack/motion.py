"""How the image moved about its slow drift: a measure of the seeing that sharpening may use."""

from __future__ import annotations

from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from nightmill.artefacts import FrameTable

__all__ = ["bending", "drift", "jitter"]


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
    squares, count = np.zeros(2), 0
    for _, mesh in table.blocks("mesh", usable):
        squares += np.square(mesh, dtype=np.float64).sum(axis=(0, 1, 2))
        count += mesh[..., 0].size
    return [round(float(value), 4) for value in np.sqrt(squares / max(count, 1))]


def drift(table: FrameTable, usable: NDArray[np.bool_]) -> dict[str, Any] | None:
    """Return how steadily the object moved over the sensor.

    Returns
    -------
    dict or None
        "px_s": [rows, columns] a second by a straight line in time, camera pixels; "left_px": rms distance from that
        line; "span_s": seconds. None without times, or for less than 2 seconds or 10 frames.
    """
    times = np.asarray(table["utc"], np.float64)[usable]
    good = np.isfinite(times)
    if good.sum() < 10 or np.ptp(times[good]) < 2.0:
        return None
    late = times[good] - times[good].mean()
    slopes, left = [], 0.0
    for name in ("dy_px", "dx_px"):
        path = np.asarray(table[name], np.float64)[usable][good]
        slope, start = np.polyfit(late, path, 1)
        slopes.append(round(float(slope), 5))
        left += float(np.mean((path - slope * late - start) ** 2))
    return {"px_s": slopes, "left_px": round(left**0.5, 4), "span_s": round(float(np.ptp(late)), 3)}
