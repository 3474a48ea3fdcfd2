"""The ellipse along which a disc ends in a sharpened picture, and in which directions it does."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

__all__ = ["SECTORS", "Ellipse", "find_ellipse"]

Float = NDArray[np.floating]
SECTORS = 72
LEAST = 0.55
"""Share of the sectors in which the outline must be an ellipse's."""


@dataclass(frozen=True)
class Ellipse:
    """An outline: centre (row, column), semi-axes along and across `angle_rad` (from columns towards rows), pixels.

    `limb` says for each of `SECTORS` sectors of position angle whether the outline is the ellipse there; `darkening`
    how bright the disc is: factors of `limb.POWERS` of the cosine of emergence, none when not known.
    """

    row: float
    column: float
    a: float
    b: float
    angle_rad: float
    limb: NDArray[np.bool_]
    darkening: tuple[float, ...] = ()

    def radius(self, rows: Float, columns: Float) -> NDArray[np.float64]:
        """Return the elliptical radius of positions, 1 on the outline."""
        y, x = np.asarray(rows) - self.row, np.asarray(columns) - self.column
        along = x * np.cos(self.angle_rad) + y * np.sin(self.angle_rad)
        across = y * np.cos(self.angle_rad) - x * np.sin(self.angle_rad)
        return np.hypot(along / self.a, across / self.b)

    def sector(self, rows: Float, columns: Float) -> NDArray[np.int64]:
        """Return the sector of positions."""
        turn = np.arctan2(np.asarray(rows) - self.row, np.asarray(columns) - self.column) / (2 * np.pi)
        return np.minimum((turn % 1.0 * SECTORS).astype(np.int64), SECTORS - 1)


def find_ellipse(sharp: Float, inside: Float, cutoff: float) -> Ellipse | None:
    """Find the ellipse along which an object ends.

    Parameters
    ----------
    sharp : ndarray of shape (h, w)
        Sharpened picture, sky at 0.
    inside : ndarray of shape (h, w)
        1 on the object, 0 on the sky.
    cutoff : float
        Of the telescope, cycles a pixel.

    Returns
    -------
    Ellipse or None
        None when the outline is not an ellipse in most directions (rings, phases, a disc cut by the frame's edge).
    """
    total = float(inside.sum())
    if total < 300:
        return None
    y, x = np.nonzero(inside > 0.5)
    middle, radius = (float(y.mean()), float(x.mean())), float(np.sqrt(total / np.pi))
    around = (np.arange(SECTORS) + 0.5) / SECTORS * 2 * np.pi
    steps = np.arange(0.3 * radius, 1.7 * radius, 0.25)
    rows = middle[0] + np.sin(around)[:, None] * steps
    columns = middle[1] + np.cos(around)[:, None] * steps
    soft = scipy.ndimage.gaussian_filter(np.asarray(sharp, np.float64), 0.2 / cutoff)
    rays = scipy.ndimage.map_coordinates(soft, [rows, columns], order=1, mode="nearest")
    # The edge: where a ray falls steepest, to a fraction of a step.
    fall = scipy.ndimage.gaussian_filter1d(-np.gradient(rays, axis=1), 0.35 / cutoff / 0.25, axis=1)
    top = np.clip(fall.argmax(axis=1), 1, fall.shape[1] - 2)
    each = np.arange(SECTORS)
    before, peak, after = fall[each, top - 1], fall[each, top], fall[each, top + 1]
    bend = 2 * peak - before - after
    edge = steps[top] + 0.25 * np.where(bend > 0, (after - before) / (2 * np.where(bend > 0, bend, 1)), 0)
    ey, ex = middle[0] + edge * np.sin(around), middle[1] + edge * np.cos(around)
    limb = peak > 0.4 * np.median(peak)
    found = None
    for limit in (3.0, 1.5, 0.8, 0.8):
        if limb.sum() < LEAST * SECTORS:
            return None
        found = _fit(ey[limb], ex[limb], middle, radius)
        away = (found.radius(ey, ex) - 1) * np.sqrt(found.a * found.b)
        limb = (peak > 0.4 * np.median(peak)) & (np.abs(away) < limit)
    assert found is not None
    if limb.sum() < LEAST * SECTORS or not 0.6 < found.b / found.a < 1.7:
        return None
    return Ellipse(found.row, found.column, found.a, found.b, found.angle_rad, limb)


def _fit(ey: Float, ex: Float, middle: tuple[float, float], radius: float) -> Ellipse:
    """Fit an ellipse to points of an outline: the centre, and 1/r^2 as a quadratic form, by least squares."""
    u, v = (ex - middle[1]) / radius, (ey - middle[0]) / radius
    design = np.stack([u * u, u * v, v * v, u, v], axis=1)
    # A little weight on the circle keeps short arcs from running away.
    ridge = 1e-4 * len(u) * np.diag([1.0, 1.0, 1.0, 0.0, 0.0])
    start = np.array([1.0, 0.0, 1.0, 0.0, 0.0])
    p = np.linalg.solve(design.T @ design + ridge, design.T @ np.ones(len(u)) + ridge @ start)
    form = np.array([[p[0], p[1] / 2], [p[1] / 2, p[2]]])
    centre = np.linalg.solve(2 * form, -p[3:5])
    level = 1 + centre @ form @ centre
    values, vectors = np.linalg.eigh(form / level)
    axes = radius / np.sqrt(np.maximum(values, 1e-9))
    angle = float(np.arctan2(vectors[1, 0], vectors[0, 0]))
    row, column = middle[0] + radius * centre[1], middle[1] + radius * centre[0]
    return Ellipse(float(row), float(column), float(axes[0]), float(axes[1]), angle, np.ones(SECTORS, bool))
