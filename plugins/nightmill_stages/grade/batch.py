"""Filters on many small pictures at once: stacked on top of each other, one call does the work of hundreds.

A call of OpenCV on a picture of fifty pixels spends most of its time on the way in and out. Guard rows between the
pictures stand in for the borders that each would have alone, so the result for a picture is the same, bit by bit,
whatever lies above and below it.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .luminance import grey, halve

__all__ = ["blur3", "gather", "gaussian", "groups", "halved", "median3", "planes_of", "reach"]

Array = NDArray[Any]
Float = NDArray[np.float32]

GROUP_BYTES = 2**20
"""Pictures filtered together, float32: what the cache near a core holds."""


def groups(count: int, height: int, width: int) -> list[slice]:
    """Cut `count` pictures into groups that are filtered together."""
    size = max(GROUP_BYTES // (4 * height * width), 1)
    return [slice(first, min(first + size, count)) for first in range(0, count, size)]


def planes_of(frames: Array) -> Array:
    """Return frames (n, h, w) or (n, h, w, 3) as one brightness a sample (n, h, w), as `luminance.grey` does."""
    if frames.dtype.kind == "f" and not np.isfinite(frames.sum()):
        frames = np.nan_to_num(frames, nan=0.0, posinf=0.0, neginf=0.0)
    if frames.ndim == 3:
        return frames
    count, height, width, _ = frames.shape
    return grey(np.ascontiguousarray(frames).reshape(count * height, width, 3)).reshape(count, height, width)


def halved(planes: Array) -> Array:
    """Average cells of 2x2 of every plane (n, h, w), as `luminance.halve` does."""
    count, height, width = planes.shape
    if height % 2:
        # Rows of neighbours must not meet in a cell.
        planes, height = planes[:, :-1], height - 1
    stacked = np.ascontiguousarray(planes).reshape(count * height, width)
    return halve(stacked).reshape(count, height // 2, width // 2)


def blur3(planes: Array) -> Float:
    """Return the mean of 3x3 cells, float32 (n, h, w); the border is mirrored about its outermost cells."""
    count, height, width = planes.shape
    start = np.zeros(count, np.int64)
    # Whole numbers are added up without rounding.
    sums = _filtered(gather(planes, start, start, height, width, 1), 1, np.ones((3, 1), np.float32))
    return sums[:, 1:-1] * np.float32(1 / 9)


def gather(
    planes: Array, top: NDArray[np.int64], left: NDArray[np.int64], height: int, width: int, guard: int
) -> Float:
    """Cut a box out of every plane: float32 (n, guard + height + guard, width), the guard rows 0.

    Parameters
    ----------
    planes : ndarray, shape (n, h, w)
        Any real type.
    top, left : ndarray of int, shape (n,)
        Where the boxes begin; they lie inside.
    """
    out = np.zeros((len(planes), height + 2 * guard, width), np.float32)
    if planes.shape[1:] == (height, width):
        out[:, guard : guard + height] = planes
        return out
    for index, (row, column) in enumerate(zip(top.tolist(), left.tolist(), strict=True)):
        out[index, guard : guard + height] = planes[index, row : row + height, column : column + width]
    return out


def median3(boxes: Float, guard: int) -> Float:
    """Return the 3x3 median of each box; beyond the border the outermost samples are repeated."""
    boxes[:, guard - 1] = boxes[:, guard]
    boxes[:, -guard] = boxes[:, -guard - 1]
    return cv2.medianBlur(boxes.reshape(-1, boxes.shape[2]), 3).reshape(boxes.shape)


def gaussian(boxes: Float, guard: int, sigma: float) -> Float:
    """Return each box filtered by a Gaussian, cut at 2.5 sigma; the border is mirrored about its outermost samples."""
    return _filtered(boxes, guard, cv2.getGaussianKernel(2 * reach(sigma) + 1, sigma, cv2.CV_32F))


def _filtered(boxes: Float, guard: int, kernel: Float) -> Float:
    """Filter each box along both axes; overwrites its guard rows."""
    height = boxes.shape[1] - 2 * guard
    for step in range(1, len(kernel) // 2 + 1):
        boxes[:, guard - step] = boxes[:, guard + _mirrored(-step, height)]
        boxes[:, guard + height - 1 + step] = boxes[:, guard + _mirrored(height - 1 + step, height)]
    flat = boxes.reshape(-1, boxes.shape[2])
    return cv2.sepFilter2D(flat, cv2.CV_32F, kernel, kernel, borderType=cv2.BORDER_REFLECT_101).reshape(boxes.shape)


def reach(sigma: float) -> int:
    """Return to how many samples on each side a Gaussian is taken."""
    return max(int(np.ceil(2.5 * sigma)), 1)


def _mirrored(row: int, height: int) -> int:
    return int(cv2.borderInterpolate(row, height, cv2.BORDER_REFLECT_101))
