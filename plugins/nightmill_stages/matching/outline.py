"""Registers a planet through two filters by its outline alone: pure functions on arrays.

Belts, spots and caps differ between filters, and so does the fall-off towards the limb; what stays is where the limb
lies. Along the normals of the outline the steepest place is found in both pictures, and one offset is fitted to how
far they lie apart, together with a constant: blur and limb darkening move the steepest place in or out all around by
the same amount, which without the constant would shift a planet with a phase. The method is our own.
"""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

from .voices import Voice

__all__ = [
    "edge_width",
    "find_object",
    "fit_constant",
    "fit_outline_offset",
    "object_mask",
    "outline_edges",
    "outline_normals",
]

MOST_POINTS = 1440
SMOOTHING = 0.4
"""Smoothing of the slopes against the blur of the edge: less, and ripples that sharpening leaves beside a limb decide
where it is steepest."""
SHARE_UNKNOWN = 0.03
"""Error of the offset that no number of points takes away, as a share of the width of the edge: limb darkening differs
from filter to filter (0.05 to 0.1 px on simulated sets with edges of 4 px)."""


def object_mask(plane: NDArray[np.float64]) -> NDArray[np.bool_] | None:
    """Find the object when sky surrounds it.

    Parameters
    ----------
    plane : ndarray of float64, shape (h, w)
        Linear light without gaps, smoothed enough that noise does not break it up.

    Returns
    -------
    ndarray of bool, shape (h, w), or None
        The largest connected part above a quarter of the object's brightness, its holes filled; None when it touches
        more than a fiftieth of the border, as a lunar or solar surface does, or is smaller than 25 pixels.
    """
    sky = float(np.percentile(plane, 5.0))
    bright = plane > sky + 0.25 * (float(plane.max()) - sky)
    # The typical level of the object, not its brightest cap, sets the threshold.
    level = float(np.median(plane[bright])) if bright.any() else sky
    labels, count = scipy.ndimage.label(plane > sky + 0.25 * (level - sky))
    if count == 0:
        return None
    sizes = np.bincount(labels.ravel())
    sizes[0] = 0
    mask: NDArray[np.bool_] = scipy.ndimage.binary_fill_holes(labels == int(sizes.argmax()))
    border = np.concatenate([mask[0], mask[-1], mask[:, 0], mask[:, -1]])
    if int(mask.sum()) < 25 or border.mean() > 0.02:
        return None
    return mask


def find_object(data: NDArray[np.float32]) -> NDArray[np.bool_] | None:
    """Find the object when sky surrounds it: mask (h, w), or None on a surface that fills the picture.

    `data` has the shape (h, w) or (3, h, w).
    """
    planes = data[None] if data.ndim == 2 else data
    values = np.asarray(planes, np.float64)
    tops = np.array([np.nanpercentile(p, 99.9) if np.isfinite(p).any() else 1.0 for p in values])
    light = (values / np.where(tops > 0, tops, 1.0)[:, None, None]).mean(axis=0)
    missing = ~np.isfinite(light)
    if missing.all():
        return None
    light = np.where(missing, np.percentile(light[~missing], 5.0), light)
    return object_mask(scipy.ndimage.gaussian_filter(scipy.ndimage.median_filter(light, size=3), 1.0))


def fit_outline_offset(
    reference: NDArray[np.float64], moving: NDArray[np.float64], *, scale_px: float, start: tuple[float, float]
) -> Voice | None:
    """Fit the offset of an object's outline.

    Parameters
    ----------
    reference, moving : ndarray of float64, shapes (h, w) and (h2, w2)
        Linear light without gaps.
    scale_px : float
        Standard deviation of the Gaussian before the slopes are taken, at least; more on a soft edge.
    start : tuple of float
        Offset (dy, dx) to begin with, good to about 2 px.

    Returns
    -------
    Voice or None
        Along each direction as uncertain as the points that face it are many, steep and of one mind. None when the
        reference has no object surrounded by sky, or too few points of it are seen in both.
    """
    widths = [edge_width(plane, scale_px) for plane in (reference, moving)]
    if widths[0] is None:
        return None
    if widths[1] is not None:
        # Equal blur in both, or the soft and the steep side of a planet with a phase would move differently.
        blur = np.sqrt(abs(widths[0] ** 2 - widths[1] ** 2))
        if widths[0] < widths[1]:
            reference = scipy.ndimage.gaussian_filter(reference, blur, mode="nearest")
        else:
            moving = scipy.ndimage.gaussian_filter(moving, blur, mode="nearest")
    width = max(w for w in widths if w is not None)
    scale_px = max(scale_px, SMOOTHING * width)
    found = _edges(reference, scale_px)
    if found is None:
        return None
    points, normals, here, steep_here = found
    others = _Slopes(moving, scale_px)
    offset = np.array(start, np.float64)
    covariance, used = np.eye(2), 0
    for _ in range(3):
        there, steep_there = others.steepest(points + offset[:, None], normals)
        good = np.isfinite(here) & np.isfinite(there)
        if good.sum() < 12:
            return None
        steps, spread, unit = fit_constant(
            there[good] - here[good], normals[:, good], steep_here[good] * steep_there[good]
        )
        # Neighbouring points share their noise: a stretch of twice the smoothing and blur makes one independent one.
        used = int(good.sum())
        alone = max(used / (2.0 * float(np.hypot(scale_px, width))), 4.0)
        covariance = (spread**2 / alone + 0.5 * (SHARE_UNKNOWN * width) ** 2) * unit
        offset += steps
        if np.abs(steps).max() < 0.002:
            break
    return Voice(offset, covariance, used)


def outline_edges(
    plane: NDArray[np.float64], *, scale_px: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Find the edge of an object surrounded by sky to a fraction of a pixel.

    Parameters
    ----------
    plane : ndarray of float64, shape (h, w)
        Linear light without gaps.
    scale_px : float
        Standard deviation of the Gaussian before the slopes are taken.

    Returns
    -------
    places : ndarray of float64, shape (2, n)
        Rows and columns of the steepest fall along the normals.
    steepness : ndarray of float64, shape (n,)
        Slope there, in the picture's unit per pixel. None instead of both when there is no such object.
    """
    found = _edges(plane, scale_px)
    if found is None:
        return None
    points, normals, distances, steepness = found
    good = np.isfinite(distances)
    return points[:, good] + normals[:, good] * distances[good], steepness[good]


def outline_normals(
    plane: NDArray[np.float64], scale_px: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]] | None:
    """Find the edge with its outward normals: places (2, n), normals (2, n), steepness (n,); see `outline_edges`."""
    found = _edges(plane, scale_px)
    if found is None:
        return None
    points, normals, distances, steepness = found
    good = np.isfinite(distances)
    return points[:, good] + normals[:, good] * distances[good], normals[:, good], steepness[good]


Edges = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]


def _edges(plane: NDArray[np.float64], scale_px: float) -> Edges | None:
    """Points of the outline (2, n), outward normals (2, n), distance to the edge along them and its slope (n,)."""
    mask = object_mask(scipy.ndimage.gaussian_filter(plane, scale_px))
    if mask is None:
        return None
    rows, columns = np.nonzero(mask & ~scipy.ndimage.binary_erosion(mask))
    pick = np.arange(0, len(rows), max(1, -(-len(rows) // MOST_POINTS)))
    points = np.stack([rows[pick], columns[pick]]).astype(np.float64)
    slopes = _Slopes(plane, scale_px)
    down, right = slopes.at(points)
    size = np.hypot(down, right)
    points, down, right, size = points[:, size > 0], down[size > 0], right[size > 0], size[size > 0]
    normals = -np.stack([down, right]) / size
    distances, steepness = slopes.steepest(points, normals)
    return points, normals, distances, steepness


def edge_width(plane: NDArray[np.float64], scale_px: float) -> float | None:
    """Standard deviation of the blur of the steep parts of the edge, px, as if the object were evenly bright."""
    found = _edges(plane, scale_px)
    mask = object_mask(scipy.ndimage.gaussian_filter(plane, scale_px))
    if found is None or mask is None or not (steep := float(np.percentile(found[3], 70.0))) > 0.0:
        return None
    level = float(np.median(plane[mask]) - np.percentile(plane, 5.0))
    return level / steep / float(np.sqrt(2.0 * np.pi))


class _Slopes:
    """The slopes of a smoothed picture, ready to be sampled anywhere."""

    def __init__(self, plane: NDArray[np.float64], scale_px: float) -> None:
        self.reach = 2.0 + 3.0 * scale_px
        pair = [scipy.ndimage.gaussian_filter(plane, scale_px, order=o, mode="nearest") for o in ((1, 0), (0, 1))]
        self._coefficients = [scipy.ndimage.spline_filter(slope, order=3) for slope in pair]

    def at(self, places: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Slopes down and to the right at places (2, ...)."""
        down, right = (
            scipy.ndimage.map_coordinates(c, places, order=3, prefilter=False, mode="nearest")
            for c in self._coefficients
        )
        return down, right

    def steepest(
        self, points: NDArray[np.float64], normals: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Distance along each normal to the steepest fall, NaN where it is out of reach, and its slope; shape (n,)."""
        step = 0.25
        along = np.arange(-self.reach, self.reach + step / 2, step)
        down, right = self.at(points[:, :, None] + normals[:, :, None] * along)
        fall = -(down * normals[0][:, None] + right * normals[1][:, None])
        best = fall.argmax(axis=1)
        inner = (best > 0) & (best < len(along) - 1)
        middle = np.clip(best, 1, len(along) - 2)
        index = np.arange(len(best))
        left, top, next_ = fall[index, middle - 1], fall[index, middle], fall[index, middle + 1]
        bend = left - 2.0 * top + next_
        good = inner & (bend < 0) & (top > 0)
        vertex = 0.5 * (left - next_) / np.where(good, bend, -1.0)
        return np.where(good, along[middle] + step * vertex, np.nan), np.maximum(top, 0.0)


def fit_constant(
    distances: NDArray[np.float64], normals: NDArray[np.float64], weights: NDArray[np.float64]
) -> tuple[NDArray[np.float64], float, NDArray[np.float64]]:
    """Offset (2,), robust scatter, and the offset's covariance for a mean weight of 1 and n points of a scatter of 1/n:
    distances = normals . offset + constant, with Tukey's biweight.
    """
    design = np.stack([normals[0], normals[1], np.ones(len(distances))], axis=1)
    # Where the limb is steep in both pictures counts; a soft terminator, which moves with the filter, hardly does.
    base = np.minimum(weights / np.median(weights), 1.0) ** 2
    robust = np.ones(len(distances))
    solution = np.zeros(3)
    scatter = 0.0
    for _ in range(12):
        root = np.sqrt(base * robust)
        solution = np.linalg.lstsq(design * root[:, None], distances * root, rcond=None)[0]
        left = distances - design @ solution
        scatter = 1.4826 * float(np.median(np.abs(left)))
        robust = np.clip(1.0 - (left / (4.685 * max(scatter, 1e-3))) ** 2, 0.0, None) ** 2
    weights = base * robust
    information = (design * weights[:, None]).T @ design / max(float(weights.sum()), 1e-9)
    # A tiny ridge: points that all face one way say nothing across it, which is a large error and no failure.
    return solution[:2], scatter, np.linalg.inv(information + 1e-6 * np.eye(3))[:2, :2]
