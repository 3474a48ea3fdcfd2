"""Registers a planet through two filters by its limb where its globe is known: pure functions on arrays.

Around the limb the one picture is explained by the other and its slope along the normal: all of the fall counts, not
its steepest place alone. Limbs darken differently from filter to filter, and on a planet with a phase that moves the
light of one side more than that of the other. How much the fit is misled by it follows from the geometry: a globe
without clouds is drawn with the darkening measured on each picture (`nightmill_sky.shading`), the same fit is made on
the two drawings, which lie at the same place, and what it finds there is taken off. The method is our own.
"""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

from nightmill_sky import Disc
from nightmill_sky.bare import bare_globes
from nightmill_sky.shading import darkening_of

from .outline import edge_width, fit_constant, outline_normals
from .voices import Voice

__all__ = ["fit_limb_offset"]

Float = NDArray[np.float64]

SMOOTHING = 0.25
DRAWN = 0.6
"""Blur of the drawings, in widths of the edge: darkening itself makes up the rest of the width."""
INSIDE, OUTSIDE = 2.6, 1.0
"""How far around the limb is looked, in widths of its edge."""
SECTORS = 60
"""Directions in which the offset is measured by itself."""
LEAST_SECTORS = 20
LEAST_SIGMA = 0.01
"""Error that no averaging takes away, in widths of the edge: darkening follows Minnaert's law only so well."""


def fit_limb_offset(
    reference: Float, moving: Float, disc: Disc, start: tuple[float, float] = (0.0, 0.0)
) -> Voice | None:
    """Fit the offset of the limb of a planet.

    Parameters
    ----------
    reference, moving : ndarray of float64, shapes (h, w) and (h2, w2)
        Linear light without gaps, sky at zero, alike in sharpness.
    disc : Disc
        The globe on the reference, to about half a pixel.
    start : tuple of float
        Offset (dy, dx) to begin with, good to about 2 px.

    Returns
    -------
    Voice or None
        None when the object is no disc surrounded by sky, or half hidden.
    """
    width = edge_width(reference, 1.0)
    if width is None or disc.rings_radii:
        return None
    found = _fit(reference, moving, width, start)
    if found is None:
        return None
    there = disc.moved(disc.centre_column_px + found.offset[1], disc.centre_row_px + found.offset[0])
    pairs = ((reference, disc), (moving, there))
    exponents = [darkening_of(np.asarray(plane, np.float32), globe)[0] for plane, globe in pairs]
    drawn = bare_globes(disc, exponents, (reference.shape[0], reference.shape[1]))
    sharp = [scipy.ndimage.gaussian_filter(plane, DRAWN * width) for plane in drawn]
    misled = _fit(sharp[0], sharp[1], width, (0.0, 0.0))
    if misled is None:
        return None
    # Half of what was taken off is not believed, as an error: a real planet's darkening is no one's law.
    doubt = 0.5 * misled.offset
    covariance = found.covariance + np.outer(doubt, doubt)
    return Voice(found.offset - misled.offset, covariance, found.points)


def _fit(reference: Float, moving: Float, width: float, start: tuple[float, float]) -> Voice | None:
    """Offset around the limb, as it comes."""
    found = outline_normals(reference, max(1.0, 0.4 * width))
    if found is None:
        return None
    points, normals, steep = found
    radius = float(np.hypot(*(points - points.mean(axis=1, keepdims=True))).mean())
    along = np.arange(-min(INSIDE * width, 0.4 * radius), OUTSIDE * width, 0.5)
    planes = [scipy.ndimage.gaussian_filter(plane, SMOOTHING * width) for plane in (reference, moving)]
    splines = [scipy.ndimage.spline_filter(plane, order=3) for plane in planes]
    reach = points[:, :, None] + normals[:, :, None] * along
    here = _at(splines[0], reach)
    fall = np.gradient(here, 0.5, axis=1)
    sector = np.floor((np.arctan2(normals[0], normals[1]) / (2.0 * np.pi) + 0.5) * SECTORS).astype(np.int64) % SECTORS
    members = np.bincount(sector, minlength=SECTORS)
    good = np.flatnonzero(members >= 3)
    if len(good) < LEAST_SECTORS:
        return None

    def total(values: Float) -> Float:
        return np.bincount(sector, values.sum(axis=1), SECTORS)[good]

    facing = np.stack([np.bincount(sector, n, SECTORS)[good] for n in normals])
    facing = facing / np.hypot(*facing)
    worth = np.bincount(sector, steep, SECTORS)[good] / members[good]
    same, mixed, steeps = total(here * here), total(here * fall), total(fall * fall)
    offset = np.array(start, np.float64)
    covariance = np.eye(2)
    for _ in range(3):
        there = _at(splines[1], reach + offset[:, None, None])
        # there = level * (here - distance * fall), in each sector by itself
        first, second = total(here * there), total(fall * there)
        size = same * steeps - mixed**2
        level, slope = (first * steeps - second * mixed) / size, (second * same - first * mixed) / size
        distances = -slope / np.where(np.abs(level) > 1e-9, level, np.inf)
        step, spread, unit = fit_constant(distances, facing, worth**2)
        offset = offset + step
        # Neighbouring sectors share belts: three make one.
        covariance = (spread**2 * 3.0 / len(good) + 0.5 * (LEAST_SIGMA * width) ** 2) * unit
    return Voice(offset, covariance, len(good))


def _at(coefficients: Float, places: Float) -> Float:
    values: Float = scipy.ndimage.map_coordinates(coefficients, places, order=3, prefilter=False, mode="nearest")
    return values
