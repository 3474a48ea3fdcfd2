"""Which part of a frame is registered, on which grid, and how its shifts read in camera pixels."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..grade.batch import halved, planes_of
from ..grade.luminance import cut, grey, shrink

__all__ = ["Grid", "plan_grid"]

GOOD = (32, 40, 48, 64, 72, 80, 96, 108, 120, 128, 144, 160, 180, 192, 216, 240, 256, 288, 320, 360, 384, 432, 480, 512)
"""Lengths whose Fourier transforms are fast."""


@dataclass(frozen=True)
class Grid:
    """The box that is compared with the reference.

    Attributes
    ----------
    halvings : int
        How often frames are halved; a cell is 2**halvings camera pixels wide.
    height, width : int
        Shape of the box in cells.
    y_px, x_px : float
        Where the middle of the reference's box lies in the camera frame: the origin of all shifts.
    taper : float
        Share of the half axis over which the box fades to its edge.
    """

    halvings: int
    height: int
    width: int
    y_px: float
    x_px: float
    taper: float

    @property
    def cell(self) -> int:
        """Camera pixels along a cell."""
        return 2**self.halvings

    @property
    def shape(self) -> tuple[int, int]:
        """Shape in cells."""
        return self.height, self.width

    def to_json(self) -> dict[str, Any]:
        """Return plain values."""
        return asdict(self)

    def corner(self, y_px: float, x_px: float) -> tuple[int, int]:
        """Return the cell at which a box around a camera position begins (may be negative)."""
        half = (self.cell - 1) / 2
        top = round((y_px - half) / self.cell - (self.height - 1) / 2)
        left = round((x_px - half) / self.cell - (self.width - 1) / 2)
        return top, left

    def box(self, frame: NDArray[Any], y_px: float, x_px: float) -> tuple[NDArray[np.float32], int, int]:
        """Cut the box around a camera position out of a frame.

        Returns
        -------
        box : ndarray of float32, shape `shape`
            Cells in ADU, calmed by a 3x3 median against impulses.
        top, left : int
            Where it begins, in cells.
        """
        top, left = self.corner(y_px, x_px)
        cell = self.cell
        # Halve only the part that is needed, when it lies inside.
        r0, c0 = max((top - 2) * cell, 0), max((left - 2) * cell, 0)
        r1, c1 = max((top + self.height + 2) * cell, 1), max((left + self.width + 2) * cell, 1)
        cells = shrink(grey(frame[r0:r1, c0:c1]), self.halvings)
        calm = cv2.medianBlur(np.ascontiguousarray(cells, np.float32), 3)
        return cut(calm, top - r0 // cell, left - c0 // cell, self.height, self.width), top, left

    def boxes(
        self,
        frames: NDArray[Any],
        chosen: NDArray[np.int64],
        y_px: NDArray[np.floating],
        x_px: NDArray[np.floating],
    ) -> tuple[NDArray[np.float32], NDArray[np.int64], NDArray[np.int64]]:
        """Cut a box out of each of some frames: as `box` does, together where that can be.

        Parameters
        ----------
        frames : ndarray, shape (m, h, w) or (m, h, w, 3)
        chosen : ndarray of int64, shape (n,)
            Indices of frames.
        y_px, x_px : ndarray, shape (n,)
            Where the object lies in these.

        Returns
        -------
        boxes : ndarray of float32, shape (n, *shape)
        top, left : ndarray of int64, shape (n,)
        """
        top, left = self.corners(y_px, x_px)
        margin, cell = 2, self.cell
        r0, c0 = (top - margin) * cell, (left - margin) * cell
        high, wide = (self.height + 2 * margin) * cell, (self.width + 2 * margin) * cell
        out = np.empty((len(chosen), self.height, self.width), np.float32)
        inside = (r0 >= 0) & (c0 >= 0) & (r0 + high <= frames.shape[1]) & (c0 + wide <= frames.shape[2])
        for index in np.flatnonzero(~inside):
            out[index] = self.box(frames[chosen[index]], float(y_px[index]), float(x_px[index]))[0]
        together = np.flatnonzero(inside)
        if len(together):
            parts = np.empty((len(together), high, wide, *frames.shape[3:]), frames.dtype)
            for part, index in zip(parts, together, strict=True):
                part[:] = frames[chosen[index], r0[index] : r0[index] + high, c0[index] : c0[index] + wide]
            cells = planes_of(parts)
            for _ in range(self.halvings):
                cells = halved(cells)
            # Rows of neighbours meet in the margin, which is cut off.
            calm = cv2.medianBlur(np.ascontiguousarray(cells, np.float32).reshape(-1, cells.shape[2]), 3)
            out[together] = calm.reshape(cells.shape)[:, margin:-margin, margin:-margin]
        return out, top, left

    def corners(
        self, y_px: NDArray[np.floating], x_px: NDArray[np.floating]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return `corner` of many places."""
        half = (self.cell - 1) / 2
        top = np.round((y_px - half) / self.cell - (self.height - 1) / 2).astype(np.int64)
        left = np.round((x_px - half) / self.cell - (self.width - 1) / 2).astype(np.int64)
        return top, left

    def shift_px(self, top: int, left: int, dy: float, dx: float) -> tuple[float, float]:
        """Return the shift in camera pixels of a box that began at (top, left) and fitted at (dy, dx) cells."""
        top0, left0 = self.corner(self.y_px, self.x_px)
        return (top - top0 + dy) * self.cell, (left - left0 + dx) * self.cell


def plan_grid(
    height: int, width: int, cfa: str | None, extent_px: float, fills_frame: bool, mesh: bool, y_px: float, x_px: float
) -> Grid:
    """Choose the grid for a capture.

    Parameters
    ----------
    height, width : int
        Frame, camera pixels.
    cfa : str or None
        Colour filter array: such frames are halved at least once.
    extent_px : float
        Side of the square that holds the object.
    fills_frame : bool
        Whether the object runs over the edge.
    mesh : bool
        Whether a mesh follows: then the shift need not be better than half a pixel, and a coarse grid will do.
    y_px, x_px : float
        Where it usually is.
    """
    if fills_frame:
        halvings = 1 if cfa else 0
        while min(height, width) / 2**halvings > (160 if mesh else 420):
            halvings += 1
        rows, columns = (_fitting(0.92 * length / 2**halvings) for length in (height, width))
        return Grid(halvings, rows, columns, y_px, x_px, 0.5)
    halvings = 1 if (cfa or extent_px >= 56) else 0
    while extent_px / 2**halvings > (100 if mesh else 300):
        halvings += 1
    side = 1.15 * extent_px / 2**halvings + 12
    length = next((good for good in GOOD if good >= side), GOOD[-1])
    return Grid(halvings, length, length, y_px, x_px, min(12 / length, 0.3))


def _fitting(length: float) -> int:
    """Return the largest fast length that fits."""
    return max((good for good in GOOD if good <= length), default=GOOD[0])
