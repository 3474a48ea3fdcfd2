"""Where a disc is, roughly: the starting point for the fit in `limb`.

Level, lit area, a circle through its outer border, and the direction in which the picture is striped or bright.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill_sky.geometry import Disc

__all__ = ["DiscNotFoundError", "Start", "find_start"]

Image = NDArray[np.float32]
Array = NDArray[np.float64]

_SMALLEST_RADIUS_PX = 6.0


class DiscNotFoundError(ValueError):
    """There is no whole disc on the picture."""


@dataclass(frozen=True)
class Start:
    """A rough disc.

    Parameters
    ----------
    column_px, row_px, radius_px : float
        Middle and equatorial radius of the globe.
    pole_angles_deg : tuple of float
        Pole angles worth beginning with.
    background : float
        Level of the sky.
    """

    column_px: float
    row_px: float
    radius_px: float
    pole_angles_deg: tuple[float, ...]
    background: float


def _lit_region(picture: Image) -> tuple[NDArray[np.uint8], float]:
    """The largest bright region, and the level of the sky."""
    border = np.concatenate([picture[0], picture[-1], picture[:, 0], picture[:, -1]])
    sky = float(np.median(border))
    soft = cv2.GaussianBlur(picture, (0, 0), 1.5)
    top = float(np.percentile(soft, 99.7))
    noise = float(np.median(np.abs(border - sky))) * 1.4826
    if not top - sky > max(6.0 * noise, 1e-9):
        raise DiscNotFoundError("no disc on the picture: nothing stands out from the background.")
    # A quarter of the brightness: low enough to hold dark belts, high enough to leave out glow.
    mask = (soft > sky + 0.25 * (top - sky)).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    if count < 2:
        raise DiscNotFoundError("no disc on the picture: nothing stands out from the background.")
    largest = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    region = (labels == largest).astype(np.uint8)
    left, top_row, width, height = (int(stats[largest, k]) for k in range(4))
    if left <= 0 or top_row <= 0 or left + width >= picture.shape[1] or top_row + height >= picture.shape[0]:
        raise DiscNotFoundError(
            "the disc is cut by the edge of the picture: its centre and scale need the whole outline."
        )
    return region, sky


def _circle(points: Array) -> tuple[float, float, float]:
    """Circle through points by least squares (Kasa 1976)."""
    a = np.column_stack([2.0 * points, np.ones(len(points))])
    solution, *_ = np.linalg.lstsq(a, (points**2).sum(axis=1), rcond=None)
    x, y = float(solution[0]), float(solution[1])
    return x, y, math.sqrt(max(float(solution[2]) + x * x + y * y, 0.0))


def _outer_circle(points: Array) -> tuple[float, float, float]:
    """Circle through the limb, leaving out the terminator.

    Of circles through three border points the one wins that has the most points near it and none far outside:
    the limb is the outermost arc, and the terminator lies inside its circle.
    """
    generator = np.random.default_rng(0)
    size = float(np.ptp(points, axis=0).max())
    best, best_score = _circle(points), -math.inf
    for _ in range(300):
        three = points[generator.choice(len(points), 3, replace=False)]
        x, y, r = _circle(three)
        if not 0.4 * size < r < 1.2 * size:
            continue
        off = np.hypot(points[:, 0] - x, points[:, 1] - y) - r
        score = float((np.abs(off) < 0.02 * r).mean() - 3.0 * (off > 0.03 * r).mean())
        if score > best_score:
            best, best_score = (x, y, r), score
    x, y, r = best
    off = np.hypot(points[:, 0] - x, points[:, 1] - y) - r
    near = points[np.abs(off) < 0.03 * r]
    return _circle(near) if len(near) >= 8 else best


def _stripe_angle(picture: Image, x: float, y: float, radius: float) -> tuple[float, float]:
    """Direction across the stripes inside the disc (counter-clockwise from up), and how striped it is, 0 to 1."""
    soft = cv2.GaussianBlur(picture, (0, 0), max(1.0, 0.04 * radius))
    row, column = np.mgrid[0 : picture.shape[0], 0 : picture.shape[1]]
    # Take off the round darkening towards the limb, which has no direction of its own but is strong.
    rho = np.hypot(column - x, row - y) / radius
    inside = rho < 0.7
    fit = np.polynomial.polynomial.polyfit(rho[inside] ** 2, soft[inside], 2)
    flat = soft - np.polynomial.polynomial.polyval(rho**2, fit)
    dy, dx = np.gradient(flat)
    jxx, jyy, jxy = (float((a * b)[inside].sum()) for a, b in ((dx, dx), (dy, dy), (dx, dy)))
    # Gradient direction by doubled angle, with y upwards.
    strength = math.hypot(jxx - jyy, 2.0 * jxy) / max(jxx + jyy, 1e-30)
    from_right = 0.5 * math.atan2(-2.0 * jxy, jxx - jyy)
    return math.degrees(from_right) - 90.0, strength


def find_start(picture: Image, template: Disc, pole_angle_deg: float | None) -> Start:
    """Find a disc roughly.

    Parameters
    ----------
    picture : ndarray of float32, shape (rows, columns)
    template : Disc
        See `nightmill_sky.limb.fit_disc`.
    pole_angle_deg : float, optional
        Approximate pole angle.

    Returns
    -------
    Start

    Raises
    ------
    DiscNotFoundError
        Nothing there, too small, or cut by the edge.
    """
    region, sky = _lit_region(picture)
    contours, _ = cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    points = max(contours, key=len).reshape(-1, 2).astype(np.float64)
    sine = math.sin(math.radians(template.sub_observer_latitude_deg))
    moments = cv2.moments(region, binaryImage=True)
    mean = np.array([moments["m10"], moments["m01"]]) / moments["m00"]
    if template.rings_radii and abs(sine) > 0.03:
        start = _ringed_start(picture, region, mean, template, pole_angle_deg, sky)
    else:
        x, y, r = _outer_circle(points)
        short = template.semi_axes_px[1] / template.equatorial_radius_px
        start = Start(x, y, r / math.sqrt(short), _angles(picture, mean, x, y, r, template, pole_angle_deg), sky)
    if start.radius_px < _SMALLEST_RADIUS_PX:
        raise DiscNotFoundError(f"the disc is only {2.0 * start.radius_px:.1f} px across; at least 12 are needed.")
    return start


def _leaning_deg(picture: Image, x: float, y: float, r: float) -> float:
    """Direction to which the light on the disc leans, counter-clockwise from up."""
    row, column = np.mgrid[0 : picture.shape[0], 0 : picture.shape[1]]
    right, down = (column - x) / r, (row - y) / r
    light = picture * (right**2 + down**2 < 0.9**2)
    return math.degrees(math.atan2(-float((light * right).sum()), -float((light * down).sum())))


def _angles(
    picture: Image, mean: Array, x: float, y: float, r: float, template: Disc, hint: float | None
) -> tuple[float, ...]:
    if template.flattening < 0.03 and hint is not None:
        return (hint,)
    sun = template.sun_direction
    across, along = float(sun @ template.axes[0]), float(sun @ template.axes[1])
    if math.hypot(across, along) > 0.3:
        # The bright side says where the Sun is, and the ephemeris how the pole lies to it.
        bright = math.degrees(math.atan2(-(mean[0] - x), -(mean[1] - y)))
        in_planet = math.degrees(math.atan2(-across, along))
        return ((bright + in_planet if template.mirrored else bright - in_planet),)
    if template.flattening < 0.03:
        if math.hypot(across, along) < 0.1:
            return (0.0,)
        # Far from a half disc the outline says little, but the light still leans to the Sun, more than spots lean.
        bright = _leaning_deg(picture, x, y, r)
        in_planet = math.degrees(math.atan2(-across, along))
        return ((bright + in_planet if template.mirrored else bright - in_planet),)
    angle, strength = _stripe_angle(picture, x, y, r)
    if hint is not None:
        angle = hint + (angle - hint + 90.0) % 180.0 - 90.0
        return (angle,) if strength > 0.25 else (hint,)
    return (angle,) if strength > 0.25 else (0.0, 45.0, 90.0, 135.0)


def _ringed_start(
    picture: Image, region: NDArray[np.uint8], mean: Array, template: Disc, hint: float | None, sky: float
) -> Start:
    """Globe and ring together are long along the ring: its length gives the scale, its direction the angle."""
    moments = cv2.moments(region, binaryImage=True)
    angle = 0.5 * math.atan2(2.0 * moments["mu11"], moments["mu20"] - moments["mu02"])
    row, column = np.nonzero(region)
    along = (column - mean[0]) * math.cos(angle) + (row - mean[1]) * math.sin(angle)
    radius = float(np.ptp(along)) / 2.0 / template.rings_radii[-1][1]
    middle = float(along.max() + along.min()) / 2.0
    x, y = mean[0] + middle * math.cos(angle), mean[1] + middle * math.sin(angle)
    pole = -math.degrees(angle)
    if hint is not None:
        pole = hint + (pole - hint + 90.0) % 180.0 - 90.0
        return Start(x, y, radius, (pole,), sky)
    # Which end of the short axis is north shows by the globe before and behind the ring.
    return Start(x, y, radius, (pole, pole + 180.0), sky)
