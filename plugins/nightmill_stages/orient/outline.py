"""Measures a fitted globe's pole angle by the steepest edge: a pure function on an array.

The fit of the whole globe also listens to belts and spots, and a large spot can turn or shift it a little. The
outline hears little of that, but its steepest place lies inside the limb by an amount that depends on blur and
darkening. So the edge is found in the same way in the picture and in a picture of the fitted globe without features;
the two differ by a shift, a turn and a constant. Errors of the two measurements have little in common, so a mean is
better than either.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill_sky import Disc

from ..matching.outline import outline_edges

__all__ = ["Correction", "correct_by_outline"]

_FLOOR = 0.03
_BELTS_DEG = 0.5
"""What belts that meet the limb do to its direction (root mean square of six simulated Jupiters at 150 px)."""


@dataclass(frozen=True)
class Correction:
    """What the steepest edge says of a fitted disc.

    Attributes
    ----------
    disc : Disc
        The disc with centre and, where the outline is flat enough, pole angle by the edge.
    pole_sigma_deg : float
        Standard error of the pole angle; infinite where the outline does not show it.
    """

    disc: Disc
    pole_sigma_deg: float


def _plain_globe(disc: Disc, shape: tuple[int, int], blur_px: float, darkening: float) -> NDArray[np.float64]:
    """A globe of one colour by Minnaert's law, two samples across a pixel, blurred."""
    place = [(np.arange(2 * n) + 0.5) / 2.0 - 0.5 for n in shape]
    column, row = np.meshgrid(place[1], place[0])
    seen = disc.surface(column, row)
    lit = np.maximum(seen.incidence, 0.0) ** darkening * np.maximum(seen.emission, _FLOOR) ** (darkening - 1.0)
    lit[(seen.emission <= 0.0) | (seen.incidence <= 0.0)] = 0.0
    binned = lit.reshape(shape[0], 2, shape[1], 2).mean(axis=(1, 3))
    return np.asarray(cv2.GaussianBlur(binned, (0, 0), max(blur_px, 0.5)), np.float64)


def correct_by_outline(
    picture: NDArray[np.float32], disc: Disc, blur_px: float, *, darkening: float = 0.9
) -> Correction | None:
    """Measure centre and pole angle by the steepest edge.

    Parameters
    ----------
    picture : ndarray of float32, shape (rows, columns)
        Linear light, finite.
    disc : Disc
        A good fit: edges more than a few pixels from it are not found.
    blur_px : float
        Standard deviation of the blur of the limb.
    darkening : float
        Minnaert's exponent.

    Returns
    -------
    Correction or None
        None when the edge cannot be followed all around.
    """
    short = disc.semi_axes_px[1] / disc.equatorial_radius_px
    flat = 1.0 - short > 0.03
    model = _plain_globe(disc, (picture.shape[0], picture.shape[1]), blur_px, darkening)
    edges = [outline_edges(plane, scale_px=1.0) for plane in (picture.astype(np.float64), model)]
    if edges[0] is None or edges[1] is None or min(e[0].shape[1] for e in edges if e is not None) < 48:
        return None
    (seen, seen_radius, steep), (meant, meant_radius, meant_steep) = (
        _polar(disc, e, short) for e in edges if e is not None
    )
    order = np.argsort(meant)
    off = seen_radius - np.interp(seen, meant[order], meant_radius[order], period=2.0 * np.pi)
    firm = np.interp(seen, meant[order], meant_steep[order], period=2.0 * np.pi)
    weight = np.minimum(steep / np.median(steep), 1.0) * np.minimum(firm / np.median(firm), 1.0)
    turned = disc.equatorial_radius_px * np.sin(seen) * np.cos(seen) * (1.0 / short - short)
    terms = [np.cos(seen), np.sin(seen) / short, np.ones_like(seen), *([turned] if flat else [])]
    step, errors = _solve(np.stack(terms, axis=1), off, weight)
    column, row = disc.from_planet_axes(*(step[:2] / disc.equatorial_radius_px))
    moved = disc.moved(float(column), float(row))
    if not flat:
        return Correction(moved, math.inf)
    turn = math.degrees(step[3]) * (-1.0 if disc.mirrored else 1.0)
    turned_disc = replace(moved, pole_angle_deg=(disc.pole_angle_deg + turn) % 360.0)
    return Correction(turned_disc, math.hypot(math.degrees(errors[3]), _BELTS_DEG))


def _polar(
    disc: Disc, edges: tuple[NDArray[np.float64], NDArray[np.float64]], short: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Angle and radius (px, the short axis stretched) of points of the edge, and their steepness."""
    (rows, columns), steepness = edges
    x, y = disc.to_planet_axes(columns, rows)
    return np.arctan2(y / short, x), np.hypot(x, y / short) * disc.equatorial_radius_px, steepness


def _solve(
    terms: NDArray[np.float64], off: NDArray[np.float64], weight: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Least squares with Tukey's biweight: solution and standard errors."""
    robust = np.ones(len(off))
    for _ in range(10):
        root = weight * np.sqrt(robust)
        solution = np.linalg.lstsq(terms * root[:, None], off * root, rcond=None)[0]
        left = off - terms @ solution
        scatter = max(1.4826 * float(np.median(np.abs(left))), 1e-3)
        robust = np.clip(1.0 - (left / (4.685 * scatter)) ** 2, 0.0, None) ** 2
    design = terms * root[:, None]
    covariance = np.linalg.pinv(design.T @ design) * scatter**2
    return np.asarray(solution, np.float64), np.asarray(np.sqrt(np.diag(covariance)), np.float64)
