"""Following the bending of a surface: global shift first, then the mesh, and a reference that gets sharper by it."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill import stage

from ..grade.luminance import grey, shrink
from .mesh import MeshPlan, MeshReference, bend, measure_mesh, prepare_mesh

__all__ = ["cells_of", "improve", "measure_bending", "place"]

Float = NDArray[np.float32]


def cells_of(frame: NDArray[Any], plan: MeshPlan) -> Float:
    """Return a frame on the mesh's grid: halved, calmed by a 3x3 median against impulses, float32."""
    return cv2.medianBlur(np.ascontiguousarray(shrink(grey(frame), plan.halvings)), 3).astype(np.float32)


def place(cells: Float, row: int, column: int, fill: Float | None) -> Float:
    """Move cells by whole cells so that result(y, x) = cells(y + row, x + column).

    What lies beyond the frame is taken from `fill`, so that it pulls nowhere, or repeats the edge.
    """
    height, width = cells.shape
    matrix = np.array([[1, 0, -column], [0, 1, -row]], np.float32)
    if fill is None:
        return cv2.warpAffine(cells, matrix, (width, height), flags=cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
    result = fill.copy()
    top, bottom = max(0, -row), min(height, height - row)
    left, right = max(0, -column), min(width, width - column)
    if bottom > top and right > left:
        result[top:bottom, left:right] = cells[top + row : bottom + row, left + column : right + column]
    return result


def measure_bending(
    cells: Float, dy_px: float, dx_px: float, reference: MeshReference, picture: Float, plan: MeshPlan
) -> tuple[float, float, Float, Float, float]:
    """Measure the shift and the bending of a frame whose rough shift is known.

    Returns
    -------
    dy_px, dx_px : float
        Mean shift, camera pixels.
    mesh : ndarray of float32, shape (rows, columns, 2)
        Local shifts beyond the mean, camera pixels.
    contrast : ndarray of float32, shape (rows, columns)
        Local contrast relative to the reference.
    fit : float
        Correlation with the reference in the band.
    """
    cell = 2**plan.halvings
    row, column = round(dy_px / cell), round(dx_px / cell)
    shifts, contrast, fit = measure_mesh(place(cells, row, column, picture), reference, plan)
    total = (shifts + np.array([row, column], np.float32)) * np.float32(cell)
    mean = total.reshape(-1, 2).mean(axis=0, dtype=np.float64)
    return float(mean[0]), float(mean[1]), total - mean.astype(np.float32), contrast, fit


def improve(
    cells: list[Float],
    dy_px: NDArray[Any],
    dx_px: NDArray[Any],
    plan: MeshPlan,
    rounds: int = 3,
    each: stage.Each = stage.in_turn,
) -> Float:
    """Build a reference on the mesh's grid from frames whose rough shifts are known.

    The mean bending over these frames is taken off each time, so that the reference keeps its geometry.
    """
    cell = 2**plan.halvings
    rows, columns = np.round(np.asarray(dy_px) / cell).astype(int), np.round(np.asarray(dx_px) / cell).astype(int)
    placed = [place(one, r, c, None) for one, r, c in zip(cells, rows, columns, strict=True)]
    picture = _mean(placed)
    for _ in range(rounds):
        reference = prepare_mesh(picture, plan)
        placed = [place(one, r, c, picture) for one, r, c in zip(cells, rows, columns, strict=True)]
        shifts = np.stack(each(lambda one, to=reference: measure_mesh(one, to, plan)[0], placed))
        shifts -= shifts.mean(axis=0)
        picture = _mean(each(lambda pair: bend(*pair), list(zip(placed, shifts, strict=True))))
    return picture


def _mean(pictures: list[Float]) -> Float:
    """Return the mean of some pictures, without a copy of all of them."""
    total = pictures[0].copy()
    for one in pictures[1:]:
        total += one
    return total / np.float32(len(pictures))
