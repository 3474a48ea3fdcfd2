"""Frames as one brightness a cell, on a grid that suits the sensor: native integers as long as possible.

Behind a colour filter array neighbouring samples see different colours, and any filter on the raw mosaic measures the
colours instead of the detail. One cell of 2x2 samples sees all of them, so everything that grades or registers works
on frames that were halved at least once.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["box_around", "boxes_around", "cut", "grey", "halve", "shrink"]

Array = NDArray[Any]


def grey(frame: Array) -> Array:
    """Return one plane: the frame itself, or the luma of R, G, B planes (ITU-R BT.601 weights), same dtype.

    Samples of float frames that are not finite count as dark: single ones vanish in the medians that follow.
    """
    if frame.dtype.kind == "f" and not np.isfinite(frame.sum()):
        frame = np.nan_to_num(frame, nan=0.0, posinf=0.0, neginf=0.0)
    if frame.ndim == 3:
        return cv2.cvtColor(np.ascontiguousarray(frame), cv2.COLOR_RGB2GRAY)
    return frame


def halve(plane: Array) -> Array:
    """Average cells of 2x2; an odd last row or column is left out. Same dtype, integers rounded to nearest.

    Parameters
    ----------
    plane : ndarray of uint8, uint16 or float32, shape (h, w)

    Returns
    -------
    ndarray of shape (h // 2, w // 2)
        Cell (i, j) has its centre at (2 i + 0.5, 2 j + 0.5) of the input.
    """
    height, width = plane.shape[0] & ~1, plane.shape[1] & ~1
    return cv2.resize(plane[:height, :width], (width // 2, height // 2), interpolation=cv2.INTER_AREA)


def shrink(plane: Array, times: int) -> Array:
    """Apply `halve` several times."""
    for _ in range(times):
        plane = halve(plane)
    return plane


def box_around(centre: float, side: int, length: int, step: int = 2) -> int:
    """Return the first index of a box of `side` around `centre`, moved into 0 .. length, a multiple of `step`.

    A box that is longer than the axis starts at 0 (the caller takes what there is).
    """
    first = round((centre - (side - 1) / 2) / step) * step
    return int(min(max(first, 0), max((length - side) // step * step, 0)))


def boxes_around(centres: NDArray[np.float64], side: int, length: int) -> NDArray[np.int64]:
    """Return `box_around` for many centres, in steps of 1."""
    first = np.round(centres - (side - 1) / 2).astype(np.int64)
    return np.clip(first, 0, max(length - side, 0))


def cut(plane: Array, top: int, left: int, height: int, width: int) -> Array:
    """Return a box that may reach beyond the plane; what is missing repeats the nearest edge sample."""
    bottom, right = top + height, left + width
    if top >= 0 and left >= 0 and bottom <= plane.shape[0] and right <= plane.shape[1]:
        return plane[top:bottom, left:right]
    rows = np.clip(np.arange(top, bottom), 0, plane.shape[0] - 1)
    columns = np.clip(np.arange(left, right), 0, plane.shape[1] - 1)
    return plane[rows[:, None], columns]
