"""Finds moons beside a planet and lets them say how it lies: pure functions on arrays.

Points of light outside the planet are compared with the places of its moons by the ephemeris, for each way in which
the planet may lie. A star or a speck of noise may lie there by chance; how likely that is follows from how many points
there are, so a single moon counts for less on a picture full of stars.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill_sky import Disc, Ephemeris
from nightmill_sky.placing import offset_px

from .posterior import Way

__all__ = ["Points", "find_points", "weigh_moons"]

_LEAST_SNR = 8.0
_MOST_POINTS = 30
_SEEN = 0.7
"""Chance that a moon in the frame is found: it may be too faint for the exposure, or lie in the planet's glow."""
_MOST_ODDS = 6.0
"""What one moon can say at most, as log odds: the ephemeris or the clock may be wrong."""
_PLACE_ARCSEC = 0.15
"""Accuracy of the moons' places (measured against an independent theory)."""


@dataclass(frozen=True)
class Points:
    """Points of light on the sky around a planet.

    Attributes
    ----------
    columns_px, rows_px : ndarray of float64, shape (n,)
        The brightest first.
    looked_at : ndarray of bool, shape (rows, columns)
        Where one would have been found.
    """

    columns_px: NDArray[np.float64]
    rows_px: NDArray[np.float64]
    looked_at: NDArray[np.bool_]


def find_points(plane: NDArray[np.float32], disc: Disc, blur_px: float) -> Points:
    """Find points of light outside a planet and its rings.

    Parameters
    ----------
    plane : ndarray of float32, shape (rows, columns)
        Linear light, finite.
    disc : Disc
        The planet.
    blur_px : float
        Standard deviation of the blur.
    """
    width = float(np.clip(blur_px, 1.0, 4.0))
    row, column = np.mgrid[0 : plane.shape[0], 0 : plane.shape[1]].astype(np.float64)
    x, y = disc.to_planet_axes(column, row)
    reach = max((outer for _, outer in disc.rings_radii), default=1.0)
    short = disc.semi_axes_px[1] / disc.equatorial_radius_px
    if reach > 1.0:
        short = max(short, reach * abs(math.sin(math.radians(disc.sub_observer_latitude_deg))))
    margin = 6.0 * width / disc.equatorial_radius_px
    away = np.hypot(x / (reach + margin), y / (short + margin)) > 1.0
    edge = math.ceil(3.0 * width)
    away[:edge] = away[-edge:] = False
    away[:, :edge] = away[:, -edge:] = False
    # Of the width of a point; the smooth glow around the planet has none of that.
    sharp = cv2.GaussianBlur(plane, (0, 0), width) - cv2.GaussianBlur(plane, (0, 0), 2.5 * width)
    none = np.zeros(0)
    if not away.any():
        return Points(none, none, away)
    noise = 1.4826 * float(np.median(np.abs(sharp[away] - np.median(sharp[away]))))
    size = 2 * math.ceil(2.0 * width) + 1
    peak = (
        (sharp >= cv2.dilate(sharp, np.ones((size, size), np.uint8))) & away & (sharp > _LEAST_SNR * max(noise, 1e-9))
    )
    rows, columns = np.nonzero(peak)
    order = np.argsort(-sharp[rows, columns], kind="stable")[:_MOST_POINTS]
    rows, columns = rows[order], columns[order]
    fine = [_refined(sharp, int(r), int(c)) for r, c in zip(rows, columns, strict=True)]
    return Points(np.array([c for _, c in fine]), np.array([r for r, _ in fine]), away)


def _refined(sharp: NDArray[np.float32], row: int, column: int) -> tuple[float, float]:
    """The top of a parabola through a peak and its neighbours, along both axes."""
    out = []
    for at, line in ((row, sharp[row - 1 : row + 2, column]), (column, sharp[row, column - 1 : column + 2])):
        bend = float(line[0] - 2.0 * line[1] + line[2])
        out.append(at + (float(np.clip(0.5 * (line[0] - line[2]) / bend, -0.5, 0.5)) if bend < 0.0 else 0.0))
    return out[0], out[1]


def weigh_moons(
    ways: Sequence[Way], points: Points, disc: Disc, sky: Ephemeris, disc_sigma: float, pole_sigma_deg: float
) -> tuple[list[Way], tuple[str, ...]]:
    """Let the moons weigh in.

    Parameters
    ----------
    ways : sequence of Way
        In which the planet may lie.
    points : Points
        Found on the picture.
    disc : Disc
        The planet on it.
    sky : Ephemeris
        With satellites.
    disc_sigma : float
        Relative error of the radius.
    pole_sigma_deg : float
        Error of the axis.

    Returns
    -------
    ways : list of Way
        With their weights multiplied by how well each explains the points.
    found : tuple of str
        The moons that lie where the likeliest way puts them.
    """
    if not ways or not len(points.columns_px):
        return list(ways), ()
    scale = 0.5 * sky.equatorial_diameter_arcsec / disc.equatorial_radius_px
    crowd = len(points.columns_px) / max(float(points.looked_at.sum()), 1.0)
    heard = []
    for way in ways:
        odds, names = 0.0, []
        for moon in sky.satellites:
            if moon.state in ("occulted", "eclipsed", "transit", "behind the rings"):
                continue
            right, down = offset_px(
                moon.x_arcsec, moon.y_arcsec, scale, way.north_deg(sky.north_pole_position_angle_deg), way.mirrored
            )
            column, row = disc.centre_column_px + right, disc.centre_row_px + down
            inside = 0 <= round(row) < points.looked_at.shape[0] and 0 <= round(column) < points.looked_at.shape[1]
            if not inside or not points.looked_at[round(row), round(column)]:
                continue
            away = math.hypot(right, down)
            errors = (0.7, disc_sigma * away, math.radians(pole_sigma_deg) * away, _PLACE_ARCSEC / scale)
            sigma = math.hypot(*errors)
            off = np.hypot(points.columns_px - column, points.rows_px - row) / sigma
            nearest = float(off.min())
            found = math.exp(-0.5 * nearest**2) / (2.0 * math.pi * sigma**2) / crowd
            odds += min(math.log(_SEEN * found + 1.0 - _SEEN), _MOST_ODDS)
            if nearest < 3.0:
                names.append(moon.name)
        heard.append((replace(way, weight=way.weight * math.exp(odds)), tuple(names)))
    best = max(heard, key=lambda pair: pair[0].weight)
    return [way for way, _ in heard], best[1]
