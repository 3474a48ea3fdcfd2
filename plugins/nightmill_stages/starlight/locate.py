"""Where the star is in a frame: the brightest spot of a frame that was shrunk and smoothed, to a fraction of a cell."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["cell_of", "find_star", "stands_out"]

Float = NDArray[np.float32]

CELLS = 96
"""Cells along the shorter side of the shrunk frame, about."""
WINDOW = 6
"""Cells around the brightest one that its centre is taken from."""
FAINT = 0.2
"""Share of the peak below which cells do not count."""


def cell_of(height: int, width: int, cfa: bool) -> int:
    """Return the pixels along a side of a cell: even behind a colour filter array, so that cells hold all colours."""
    cell = max(1, min(height, width) // CELLS)
    return max(2, cell // 2 * 2) if cfa else cell


def find_star(frame: NDArray[np.generic], cell: int) -> tuple[float, float, float]:
    """Find the star in a frame.

    Parameters
    ----------
    frame : ndarray, shape (h, w) or (h, w, 3)
        Linear light; colour filter arrays as they are.
    cell : int
        See `cell_of`.

    Returns
    -------
    y, x : float
        Row and column of its centre, pixels.
    above : float
        How far the brightest cell stands above the middle of all, in their robust standard deviations.
    """
    plane = np.nan_to_num(np.asarray(frame, np.float32))
    plane = plane if plane.ndim == 2 else plane.mean(axis=2)
    rows, columns = (n // cell for n in plane.shape)
    small = plane[: rows * cell, : columns * cell].reshape(rows, cell, columns, cell).mean(axis=(1, 3))
    # A lone bright sample is no star: the air spreads that over several.
    smooth = cv2.GaussianBlur(cv2.medianBlur(small, 3), (0, 0), 1.0)
    sky = float(np.median(smooth))
    spread = 1.4826 * float(np.median(np.abs(smooth - sky)))
    row, column = np.unravel_index(int(np.argmax(smooth)), smooth.shape)
    peak = float(smooth[row, column]) - sky
    top, left = max(int(row) - WINDOW, 0), max(int(column) - WINDOW, 0)
    part = smooth[top : int(row) + WINDOW + 1, left : int(column) + WINDOW + 1] - np.float32(sky + FAINT * peak)
    part = np.maximum(part, 0.0).astype(np.float64)
    total = max(float(part.sum()), 1e-30)
    y = float(part.sum(axis=1) @ np.arange(top, top + part.shape[0])) / total
    x = float(part.sum(axis=0) @ np.arange(left, left + part.shape[1])) / total
    middle = (cell - 1) / 2
    # Steps of the converter hide noise that is smaller than they are.
    return y * cell + middle, x * cell + middle, peak / max(spread, 1e-3 * max(peak, 1e-30))


def stands_out(above: float) -> bool:
    """Say whether a frame shows a star: noise alone reaches 5 among so many cells."""
    return above > 8.0
