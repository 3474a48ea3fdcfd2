"""Lines and masks of the globe and its rings on the picture: limb, terminator, rings.

For overlays and for keeping rings apart from the globe. Conventions as in `geometry`.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nightmill_sky.geometry import Disc

__all__ = ["limb_line", "ring_cover", "ring_line", "ring_radius", "terminator_line"]

Array = NDArray[np.float64]


def limb_line(disc: Disc, points: int = 360) -> tuple[Array, Array]:
    """The outline of the globe as a closed line.

    Parameters
    ----------
    disc : Disc
    points : int
        At least 4.

    Returns
    -------
    column_px, row_px : ndarray of float64, shape (points,)
        Beginning at the pole's end, counter-clockwise on an unmirrored picture.
    """
    long, short = (s / disc.equatorial_radius_px for s in disc.semi_axes_px)
    angle = np.linspace(0.0, 2.0 * np.pi, points, endpoint=False)
    return disc.from_planet_axes(-long * np.sin(angle), short * np.cos(angle))


def terminator_line(disc: Disc, points: int = 361) -> tuple[Array, Array]:
    """The border of day and night, on the side turned to the observer.

    Parameters
    ----------
    disc : Disc
    points : int
        Points on the whole circle, of which about half are on this side.

    Returns
    -------
    column_px, row_px : ndarray of float64, shape (n,), n <= points
        From one limb to the other; empty when the whole near side is lit.
    """
    q = 1.0 - disc.flattening
    sun = disc.sun_direction
    helper = np.array([0.0, 0.0, 1.0]) if abs(sun[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
    one = np.cross(sun, helper)
    one /= np.linalg.norm(one)
    two = np.cross(sun, one)
    turn = np.linspace(-np.pi, np.pi, points)
    # Start behind the globe so that the near half comes out in one piece.
    towards = np.arctan2(disc.axes[2] @ two, disc.axes[2] @ one)
    normal = np.outer(np.cos(turn + towards), one) + np.outer(np.sin(turn + towards), two)
    point = normal * np.array([1.0, 1.0, q**2])
    point /= np.sqrt(np.sum(point * normal, axis=-1, keepdims=True))
    column, row, emission = disc.project(point, normal)
    return column[emission > 0.0], row[emission > 0.0]


def ring_line(disc: Disc, radius_radii: float, points: int = 361) -> tuple[Array, Array, NDArray[np.bool_]]:
    """A circle in the plane of the equator, as seen.

    Parameters
    ----------
    disc : Disc
    radius_radii : float
        Radius in equatorial radii.
    points : int

    Returns
    -------
    column_px, row_px : ndarray of float64, shape (points,)
    hidden : ndarray of bool, shape (points,)
        The part behind the globe.
    """
    turn = np.linspace(0.0, 2.0 * np.pi, points)
    circle = radius_radii * np.stack([np.cos(turn), np.sin(turn), np.zeros(points)], axis=-1)
    x, y, z = np.moveaxis(circle @ disc.axes.T, -1, 0)
    column, row = disc.from_planet_axes(x, y)
    return column, row, (z < 0.0) & (disc.surface(column, row).emission > 0.0)


def ring_radius(disc: Disc, column_px: ArrayLike, row_px: ArrayLike) -> tuple[Array, NDArray[np.bool_]]:
    """Where the line of sight meets the plane of the equator.

    Parameters
    ----------
    disc : Disc
    column_px, row_px : array_like

    Returns
    -------
    radius_radii : ndarray of float64
        Distance from the middle in that plane, equatorial radii; infinite when the plane is seen edge-on.
    in_front : ndarray of bool
        That point is on this side of the globe's middle, so that a ring there covers the globe.
    """
    x, y = disc.to_planet_axes(column_px, row_px)
    sine = math.sin(math.radians(disc.sub_observer_latitude_deg))
    if abs(sine) < 1e-9:
        return np.where(y == 0.0, np.abs(x), np.inf), np.zeros(np.shape(y), dtype=bool)
    # In the plane the depth z follows from y: the pole (0, cos B, sin B) is at right angles to the point.
    z = -y * math.cos(math.radians(disc.sub_observer_latitude_deg)) / sine
    return np.sqrt(x * x + y * y + z * z), z > 0.0


def ring_cover(disc: Disc, column_px: ArrayLike, row_px: ArrayLike) -> NDArray[np.bool_]:
    """Whether a ring is what one sees at points of the picture (beside or before the globe).

    Parameters
    ----------
    disc : Disc
    column_px, row_px : array_like

    Returns
    -------
    ndarray of bool
    """
    radius, in_front = ring_radius(disc, column_px, row_px)
    covered = np.zeros(np.shape(radius), dtype=bool)
    for inner, outer in disc.rings_radii:
        covered |= (radius >= inner) & (radius <= outer)
    return covered & (in_front | (disc.surface(column_px, row_px).emission <= 0.0))
