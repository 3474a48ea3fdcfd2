"""Finds the Sun's limb on a picture that shows the whole disc or a part of it: a circle through the steepest points."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Circle", "find_limb"]

Float = NDArray[np.float32]

WORK_PX = 1000
"""Longer side of the copy on which the limb is looked for."""

LEAST_ARC_DEG = 8.0
MOST_RADIUS_ERROR = 0.05
RAYS_PER_PX = 0.5


@dataclass(frozen=True)
class Circle:
    """A circle on a picture.

    Attributes
    ----------
    x_px, y_px : float
        Centre, 0-based column and row; it may lie outside the picture.
    radius_px : float
    radius_error : float
        Relative standard error of the radius.
    arc_deg : float
        Angle under which the limb in the picture is seen from the centre.
    """

    x_px: float
    y_px: float
    radius_px: float
    radius_error: float
    arc_deg: float

    def mu(self, shape: tuple[int, int], top: int = 0) -> Float:
        """Cosine of the angle between the line of sight and the surface's normal, (h, w), 0 to 1; 0 off the disc."""
        y = (np.arange(shape[0], dtype=np.float32) + np.float32(top - self.y_px))[:, None]
        x = (np.arange(shape[1], dtype=np.float32) - np.float32(self.x_px))[None, :]
        square = 1 - (x * x + y * y) / np.float32(self.radius_px) ** 2
        return np.sqrt(np.maximum(square, 0)).astype(np.float32)


def find_limb(grey: Float, good: NDArray[np.bool_], radius_px: float | None = None) -> Circle | None:
    """Find the limb.

    Parameters
    ----------
    grey : ndarray of float32, shape (h, w)
        Linear light.
    good : ndarray of bool, shape (h, w)
        Where there are data.
    radius_px : float, optional
        Radius expected from telescope and camera, believed to 3 %: with it a short piece of the limb is enough.

    Returns
    -------
    Circle or None
        None when no sky is seen beyond a limb, or too little of it for a radius good to 5 %.
    """
    factor = max(1.0, max(grey.shape) / WORK_PX)
    size = (max(8, round(grey.shape[1] / factor)), max(8, round(grey.shape[0] / factor)))
    share = cv2.resize(good.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    small = cv2.resize(np.where(good, grey, 0).astype(np.float32), size, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(np.where(share > 0.5, small / np.maximum(share, 1e-6), 0), (0, 0), 1.0)
    valid = cv2.erode((share > 0.99).astype(np.uint8), np.ones((5, 5), np.uint8), borderValue=0) > 0
    start = _edge_points(small, valid)
    if start is None:
        return None
    across, down = grey.shape[1] / size[0], grey.shape[0] / size[1]
    expected = None if radius_px is None else 2 * radius_px / (across + down)
    circle = _fit(start[0], start[1], expected)
    for _ in range(3):
        if circle is None:
            return None
        circle = _fit(_steepest(small, valid, circle), start[1], expected)
    least = LEAST_ARC_DEG if expected is None else 0.0
    if circle is None or circle.arc_deg < least or circle.radius_error > MOST_RADIUS_ERROR:
        return None
    return Circle(
        (circle.x_px + 0.5) * across - 0.5,
        (circle.y_px + 0.5) * down - 0.5,
        circle.radius_px * (across + down) / 2,
        circle.radius_error,
        circle.arc_deg,
    )


def _edge_points(small: Float, valid: NDArray[np.bool_]) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Points (x, y) where the disc ends, roughly, and the middle of the sky beyond; None when there is no sky."""
    values = small[valid]
    if values.size < 64:
        return None
    dark, bright = np.percentile(values, [0.5, 90.0])
    # The limb of the Sun has a third of the centre's light; spots within the disc are darker, but surrounded.
    level = dark + 0.15 * (bright - dark)
    sky = (small < level) & valid
    count, labels, stats, _ = cv2.connectedComponentsWithStats(sky.astype(np.uint8), connectivity=4)
    inside = cv2.erode(valid.astype(np.uint8), np.ones((3, 3), np.uint8), borderValue=0) > 0
    best, area = 0, 0
    for label in range(1, count):
        if stats[label, cv2.CC_STAT_AREA] > area and (labels[valid & ~inside] == label).any():
            best, area = label, int(stats[label, cv2.CC_STAT_AREA])
    if area < 0.005 * values.size:
        return None
    outside = (labels == best).astype(np.uint8)
    ring = cv2.dilate(outside, np.ones((3, 3), np.uint8)).astype(bool) & (outside == 0) & inside
    rows, columns = np.nonzero(ring)
    if len(rows) < 16:
        return None
    sky_rows, sky_columns = np.nonzero(outside)
    beyond = np.array([sky_columns.mean(), sky_rows.mean()])
    return np.stack([columns, rows], axis=1).astype(np.float64), beyond


def _steepest(small: Float, valid: NDArray[np.bool_], circle: Circle) -> NDArray[np.float64]:
    """Points (x, y) of steepest fall along rays across the circle."""
    reach = float(np.clip(0.02 * circle.radius_px, 6.0, 25.0))
    along = np.arange(-reach, reach + 0.25, 0.5)
    count = int(np.clip(2 * np.pi * circle.radius_px * RAYS_PER_PX, 180, 6000))
    angles = np.linspace(0, 2 * np.pi, count, endpoint=False)
    radius = circle.radius_px + along
    x = (circle.x_px + np.cos(angles)[:, None] * radius).astype(np.float32)
    y = (circle.y_px + np.sin(angles)[:, None] * radius).astype(np.float32)
    height, width = small.shape
    inside = ((x >= 1) & (y >= 1) & (x <= width - 2) & (y <= height - 2)).all(axis=1)
    if not inside.any():
        return np.zeros((0, 2))
    x, y, angles = x[inside], y[inside], angles[inside]
    there = cv2.remap(valid.astype(np.float32), x, y, cv2.INTER_LINEAR).min(axis=1) > 0.9
    x, y, angles = x[there], y[there], angles[there]
    if len(angles) < 8:
        return np.zeros((0, 2))
    fall = -np.gradient(cv2.remap(small, x, y, cv2.INTER_LINEAR), axis=1)
    peak = np.clip(fall.argmax(axis=1), 1, len(along) - 2)
    each = np.arange(len(peak))
    before, top, after = fall[each, peak - 1], fall[each, peak], fall[each, peak + 1]
    bend = 2 * top - before - after
    offset = np.where(bend > 0, np.clip((after - before) / (2 * np.where(bend > 0, bend, 1)), -0.5, 0.5), 0)
    clear = top > 0.3 * np.percentile(top, 90.0)
    found = circle.radius_px + along[peak] + 0.5 * offset
    return np.stack([circle.x_px + np.cos(angles) * found, circle.y_px + np.sin(angles) * found], axis=1)[clear]


def _fit(points: NDArray[np.float64], beyond: NDArray[np.float64], expected: float | None) -> Circle | None:
    """Circle through points, by least squares of the distances with a soft loss; `beyond` lies in the sky."""
    from scipy.optimize import least_squares

    if len(points) < 16:
        return None
    middle = points.mean(axis=0)
    x, y = (points - middle).T
    # Kasa (1976), IEEE Trans. Instrum. Meas. 25, 8: linear, good enough to begin with.
    matrix = np.stack([x, y, np.ones_like(x)], axis=1)
    a, b, c = np.linalg.lstsq(matrix, x * x + y * y, rcond=None)[0]
    square = c + (a * a + b * b) / 4
    start = [a / 2, b / 2, np.sqrt(max(square, 1.0))]
    if expected is not None and not 0.7 < start[2] / expected < 1.4:
        # Nearly straight: the centre lies behind the line, as seen from the sky.
        across = np.linalg.svd(points - middle, full_matrices=False)[2][1]
        across = across if across @ (middle - beyond) > 0 else -across
        start = [*(expected * across), expected]
    elif not square > 0:
        return None
    # A radius that is known to 3 % weighs as one more distance, good to a third of a pixel.
    pull = 0.0 if expected is None else 0.3 / (0.03 * expected)

    def distances(p: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.append(np.hypot(x - p[0], y - p[1]) - p[2], pull * (p[2] - (expected or 0.0)))

    found = least_squares(distances, start, loss="soft_l1", f_scale=0.5, x_scale="jac", max_nfev=200)
    cx, cy, radius = found.x
    rest = np.hypot(x - cx, y - cy) - radius
    spread = max(1.4826 * float(np.median(np.abs(rest))), 0.05)
    if not radius > 0 or spread > max(1.5, 0.01 * radius):
        return None
    try:
        covariance = np.linalg.inv(found.jac.T @ found.jac)
    except np.linalg.LinAlgError:
        return None
    # Neighbouring points share the air: one in ten counts.
    error = np.sqrt(10 * covariance[2, 2]) * spread / radius
    angles = np.sort(np.arctan2(y - cy, x - cx))
    gaps = np.diff(np.r_[angles, angles[0] + 2 * np.pi])
    return Circle(cx + middle[0], cy + middle[1], radius, float(error), 360.0 - float(np.degrees(gaps.max())))
