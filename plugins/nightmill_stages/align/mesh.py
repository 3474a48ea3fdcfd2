"""How the air bent a frame: a mesh of local shifts, by least squares on band-passed brightness.

Around every node of the mesh the shift is found that makes the frame fit the reference best in the least-squares sense,
together with the local contrast of fine, middling and coarse detail (Lucas & Kanade 1981, Proc. 7th IJCAI, 674; solved
from large windows to small ones, each holding the next where there is too little detail to decide). A blurred frame is
not just a weaker copy of the reference: it lacks the fine detail most, and has a halo around all that is bright. What
is not allowed for is taken for a shift, everywhere the same in all blurred frames, and the mean bending over the frames
is off by it. So frame and reference may differ by any blur that is a sum of Gaussians of some widths.
A few rounds of warping and solving converge.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..grade.luminance import halve

__all__ = ["MeshPlan", "MeshReference", "bend", "field_of", "measure_mesh", "plan_mesh", "prepare_mesh"]

Float = NDArray[np.float32]


@dataclass(frozen=True)
class MeshPlan:
    """A mesh over the frame.

    Attributes
    ----------
    rows, columns : int
        Nodes; node (i, j) is the centre of its part when the frame is divided evenly.
    halvings : int
        How often frames are halved before they are compared.
    fine, coarse : float
        Standard deviations of the two Gaussians of the band, in cells.
    between : tuple of float
        Of those that divide what is in the band into parts with a contrast of their own, fine to coarse.
    windows : tuple of float
        Standard deviations of the Gaussian windows, in nodes, large to small.
    stiffness : tuple of float
        For each window: how strongly the window before holds it, as a share of the usual detail.
    rounds : int
        Rounds of warping and solving.
    """

    rows: int
    columns: int
    halvings: int
    fine: float = 1.0
    coarse: float = 5.0
    between: tuple[float, ...] = (1.5, 4.0)
    windows: tuple[float, ...] = (4.0, 1.8, 0.8)
    stiffness: tuple[float, ...] = (0.02, 0.05, 0.1)
    rounds: int = 4

    def to_json(self) -> dict[str, Any]:
        """Return plain values."""
        return asdict(self)


@dataclass(frozen=True)
class MeshReference:
    """What a frame is compared with, and all products that do not depend on the frame.

    Arrays: `band` float32 (h, w), the band-passed reference; `basis` (2 + n, h, w), its gradient and the n parts of the
    band; `normal` and `inverse`, for each window (2 + n, 2 + n, rows, columns): the normal equations for row shift,
    column shift and contrasts around each node, and the inverse of what they become when held by the window before;
    `share` (n,), what each part adds to the power of the band.
    """

    band: Float
    basis: Float
    normal: tuple[Float, ...]
    inverse: tuple[Float, ...]
    share: Float


def plan_mesh(height: int, width: int, spacing_px: float) -> MeshPlan:
    """Choose a mesh with nodes about `spacing_px` apart, for frames of `height` by `width` camera pixels."""
    halvings = 1
    rows, columns = max(round(height / spacing_px), 2), max(round(width / spacing_px), 2)
    return MeshPlan(rows, columns, halvings)


STRIP_PIXELS = 2**16
"""Cells that are worked on at a time."""

LEAST_CONTRAST = 0.35
"""A shift shows in the difference from the reference in proportion to the contrast; weaker ones are not believed."""


def band_pass(cells: Float, plan: MeshPlan) -> Float:
    """Return the band-passed picture: large-scale brightness and single-cell noise taken away."""
    near = cv2.GaussianBlur(cells, (0, 0), plan.fine)
    # The wide Gaussian needs no fine grid.
    height, width = cells.shape
    far = cv2.GaussianBlur(halve(halve(near)), (0, 0), plan.coarse / 4)
    return cv2.subtract(near, cv2.resize(far, (width, height), interpolation=cv2.INTER_LINEAR))


def prepare_mesh(cells: Float, plan: MeshPlan) -> MeshReference:
    """Make what `measure_mesh` needs from a reference (h, w) on the halved grid."""
    band = band_pass(cells, plan)
    # The band itself is blurred, not the cells: the halo of the band's coarse end is then among the parts.
    levels = [band, *(cv2.GaussianBlur(band, (0, 0), width) for width in plan.between)]
    parts = [*(first - second for first, second in pairwise(levels)), levels[-1]]
    slopes = [cv2.Scharr(band, cv2.CV_32F, *axes, scale=1 / 32) for axes in ((0, 1), (1, 0))]
    basis = np.stack([*slopes, *parts])
    count = len(basis)
    normal, inverse = [], []
    pooled = [[_pool(a * b, plan) for b in basis] for a in basis]
    for window, stiffness in zip(plan.windows, plan.stiffness, strict=True):
        block = np.empty((plan.rows, plan.columns, count, count), np.float32)
        for i in range(count):
            for j in range(count):
                block[..., i, j] = _smooth(pooled[i][j], window)
        usual = np.median(np.diagonal(block, axis1=2, axis2=3), axis=(0, 1)).astype(np.float64)
        usual[:2] = usual[:2].mean()
        held = block.astype(np.float64) + np.diag(stiffness * usual + 1e-12)
        normal.append(np.ascontiguousarray(np.moveaxis(block, (2, 3), (0, 1))))
        inverse.append(np.ascontiguousarray(np.moveaxis(np.linalg.inv(held).astype(np.float32), (2, 3), (0, 1))))
    share = normal[0][2:, 2:].sum(axis=1).mean(axis=(1, 2), dtype=np.float64)
    share /= max(float(share.sum()), 1e-12)
    return MeshReference(band, basis, tuple(normal), tuple(inverse), share.astype(np.float32))


def measure_mesh(
    cells: Float, reference: MeshReference, plan: MeshPlan, start: Float | None = None
) -> tuple[Float, Float, float]:
    """Measure the local shifts of a frame.

    Parameters
    ----------
    cells : ndarray of float32, shape (h, w)
        The frame on the halved grid, already moved to within some cells of the reference.
    reference : MeshReference
    plan : MeshPlan
    start : ndarray of float32, shape (rows, columns, 2), or None
        Shifts to start from, in cells.

    Returns
    -------
    shifts : ndarray of float32, shape (rows, columns, 2)
        frame(y + dy, x + dx) = reference(y, x), in cells.
    contrast : ndarray of float32, shape (rows, columns)
        Local contrast in the band relative to the reference, mean over its parts by what they add to
        its power: below 1 where the air blurs more.
    fit : float
        Correlation of the frame, warped by the shifts of the round before the last, with the reference in the band.
    """
    band = band_pass(cells, plan)
    shifts = np.zeros((plan.rows, plan.columns, 2), np.float32) if start is None else start.astype(np.float32)
    contrast = np.ones(shifts.shape[:2], np.float32)
    fit = 0.0
    for turn in range(plan.rounds):
        warped = bend(band, shifts, cv2.INTER_LINEAR) if turn or start is not None else band
        if turn == plan.rounds - 1:
            a, b = warped.ravel(), reference.band.ravel()
            fit = float(np.dot(a, b) / np.sqrt(max(float(np.dot(a, a)) * float(np.dot(b, b)), 1e-30)))
        solution = _solve(_right(warped, reference, plan), reference, plan)
        contrast = 1 + solution[..., 2:] @ reference.share
        shifts = shifts - solution[..., :2] / np.clip(contrast, LEAST_CONTRAST, 1.5)[..., None]
    return shifts, contrast, fit


def bend(picture: Float, shifts: Float, interpolation: int = cv2.INTER_CUBIC) -> Float:
    """Return picture(y + dy, x + dx) for a mesh of shifts (rows, columns, 2) in the picture's pixels."""
    height, width = picture.shape[:2]
    rows, columns = field_of(shifts, height, width)
    return cv2.remap(picture, columns, rows, interpolation, borderMode=cv2.BORDER_REFLECT_101)


def field_of(shifts: Float, height: int, width: int, scale: float = 1.0) -> tuple[Float, Float]:
    """Return maps (rows, columns), float32 (h, w): where each pixel lies in a frame bent by `shifts` times `scale`."""
    rows = cv2.resize(np.ascontiguousarray(shifts[..., 0]), (width, height), interpolation=cv2.INTER_LINEAR)
    columns = cv2.resize(np.ascontiguousarray(shifts[..., 1]), (width, height), interpolation=cv2.INTER_LINEAR)
    if scale != 1:
        rows *= np.float32(scale)
        columns *= np.float32(scale)
    rows += np.arange(height, dtype=np.float32)[:, None]
    columns += np.arange(width, dtype=np.float32)
    return rows, columns


def _pool(product: Float, plan: MeshPlan) -> Float:
    """Average over the part of each node; in halvings first, which are many times faster than any other ratio."""
    while product.shape[0] >= 6 * plan.rows and product.shape[1] >= 6 * plan.columns:
        product = halve(product)
    return cv2.resize(product, (plan.columns, plan.rows), interpolation=cv2.INTER_AREA)


def _right(warped: Float, reference: MeshReference, plan: MeshPlan) -> list[Float]:
    """Average what a frame differs by, times each part of the basis, over the nodes.

    Some rows at a time, which a cache near the core holds: the products never reach the machine's memory.
    """
    height, width = warped.shape
    if height < 6 * plan.rows or width < 6 * plan.columns:
        difference = cv2.subtract(warped, reference.band)
        return [_pool(cv2.multiply(part, difference), plan) for part in reference.basis]
    height, width = height & ~1, width & ~1
    halves = [np.empty((height // 2, width // 2), np.float32) for _ in reference.basis]
    step = max(STRIP_PIXELS // width & ~1, 2)
    difference, product = np.empty((2, step, warped.shape[1]), np.float32)
    for first in range(0, height, step):
        last = min(first + step, height)
        away, each = difference[: last - first], product[: last - first]
        cv2.subtract(warped[first:last], reference.band[first:last], dst=away)
        for part, half in zip(reference.basis, halves, strict=True):
            cv2.multiply(part[first:last], away, dst=each)
            half[first // 2 : last // 2] = halve(each)
    return [_pool(half, plan) for half in halves]


def _smooth(values: Float, window: float) -> Float:
    return cv2.GaussianBlur(values, (0, 0), window, borderType=cv2.BORDER_REFLECT)


def _solve(right: list[Float], reference: MeshReference, plan: MeshPlan) -> Float:
    """Solve for shifts and contrasts (rows, columns, 2 + n), window by window."""
    # Nodes last: along them the sums of five products run many nodes at a time.
    solution = np.zeros((len(reference.basis), plan.rows, plan.columns), np.float32)
    for window, normal, inverse in zip(plan.windows, reference.normal, reference.inverse, strict=True):
        b = np.stack([_smooth(part, window) for part in right])
        b -= np.einsum("klij,lij->kij", normal, solution)
        solution += np.einsum("klij,lij->kij", inverse, b)
    return np.moveaxis(solution, 0, -1)
