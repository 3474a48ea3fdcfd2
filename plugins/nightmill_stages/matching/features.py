"""Registers pictures through two filters by what both show on the object itself: pure functions on arrays.

The disc is cut into tiles. In each one the moving picture, freed of shading and of noise, is explained by the
reference and its two slopes (Lucas & Kanade 1981, Proc. IJCAI, 674, with a contrast of its own in each tile: a spot
may be dark through one filter and bright through another). A tile speaks only where the two look alike; its worth
along each direction is the Cramer-Rao bound of what did not fit. Tiles scatter more than that says, since clouds
differ from filter to filter: the excess is estimated with the mean (DerSimonian & Laird 1986, Control. Clin. Trials 7,
177, doi:10.1016/0197-2456(86)90046-2, here in two dimensions) and far tiles count less.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from .voices import Voice

__all__ = ["fit_feature_offset", "tile_offsets"]

Float = NDArray[np.float64]

FINE_PX = 1.0
"""Standard deviation of the smoothing: finer detail is mostly noise, and differs with the blur of the filters."""
LEAST_TILE_PX = 16
LEAST_TILES = 6
LEAST_ALIKE = 0.7
"""Correlation from which two tiles show the same. Chance hardly gives it: a tile holds some 30 independent pixels."""
RIM = 0.2
"""Share of the object's radius along its edge that is left out: there slopes are those of the limb."""
LEAST_SIGMA_PX = 0.05
"""Error that no number of tiles takes away: the blur that is left of a short capture is lopsided, which shifts detail
of one size against that of another (0.03 to 0.08 px on simulated sets of 400 frames)."""


def fit_feature_offset(
    reference: Float, moving: Float, mask: NDArray[np.bool_], start: tuple[float, float]
) -> Voice | None:
    """Fit the offset of the features of an object.

    Parameters
    ----------
    reference, moving : ndarray of float64, shapes (h, w) and (h2, w2)
        Linear light without gaps.
    mask : ndarray of bool, shape (h, w)
        The object on the reference.
    start : tuple of float
        Offset (dy, dx) to begin with, good to about 2 px.

    Returns
    -------
    Voice or None
        None when fewer than six tiles show the same through both filters.
    """
    grid = _Grid.over(reference, moving, mask)
    if grid is None:
        return None
    offset = np.array(start, np.float64)
    found = None
    for _ in range(4):
        steps, worth, _ = grid.at(offset)
        if len(steps) < LEAST_TILES:
            return None
        step, covariance = _mean(steps, worth)
        offset = offset + step
        found = Voice(offset, covariance + LEAST_SIGMA_PX**2 * np.eye(2), len(steps))
        if np.abs(step).max() < 0.002:
            break
    return found


def tile_offsets(
    reference: Float, moving: Float, mask: NDArray[np.bool_], start: tuple[float, float]
) -> tuple[Float, Float, Float] | None:
    """Measure the offset of the features of an object tile by tile.

    Parameters
    ----------
    reference, moving, mask, start
        As for `fit_feature_offset`.

    Returns
    -------
    offsets : ndarray of float64, shape (n, 2)
        (dy, dx) of the tiles that show the same through both filters, `start` included, px.
    covariances : ndarray of float64, shape (n, 2, 2)
        px^2, by what did not fit; scatter from tile to tile is larger.
    places : ndarray of float64, shape (n, 2)
        Row and column of their middles on the reference. None instead of all when the object is too small.
    """
    grid = _Grid.over(reference, moving, mask)
    if grid is None:
        return None
    offset = np.array(start, np.float64)
    steps, worth, names = grid.at(offset)
    return steps + offset, np.linalg.inv(worth), grid.middles[names]


@dataclass(frozen=True)
class _Grid:
    """Tiles over the inner part of an object, and what is known of them on the reference.

    Attributes
    ----------
    rows, columns, tile : ndarray, shape (n,)
        Where the pixels lie, and to which tile they belong.
    known : ndarray of float64, shape (3, n)
        The reference's detail and its slopes there.
    coefficients : ndarray of float64
        Spline of the moving picture's detail.
    middles : ndarray of float64, shape (tiles, 2)
    size : int
        Side of a tile, px.
    """

    rows: NDArray[np.int64]
    columns: NDArray[np.int64]
    tile: NDArray[np.int64]
    known: Float
    coefficients: Float
    middles: Float
    size: int

    @classmethod
    def over(cls, reference: Float, moving: Float, mask: NDArray[np.bool_]) -> _Grid | None:
        """Lay tiles over an object; None when it holds too few."""
        radius = float(np.sqrt(mask.sum() / np.pi))
        size = max(LEAST_TILE_PX, round(radius / 5.0))
        # The border counts as the object's edge too: beyond it nothing is known.
        inside = scipy.ndimage.distance_transform_edt(np.pad(mask, 1))[1:-1, 1:-1] > RIM * radius
        rows, columns = np.nonzero(inside)
        if len(rows) < LEAST_TILES * size**2 // 2:
            return None
        tile = (rows - round(rows.mean())) // size * 4096 + (columns - round(columns.mean())) // size
        tile = np.unique(tile, return_inverse=True)[1]
        coarse = size / 3.0
        here = _band(reference, coarse)
        known = np.stack([here[rows, columns], *(slope[rows, columns] for slope in np.gradient(here))])
        coefficients = scipy.ndimage.spline_filter(_band(moving, coarse), order=3)
        members = np.bincount(tile)
        middles = np.stack([np.bincount(tile, v) / members for v in (rows, columns)], axis=1)
        return cls(rows, columns, tile, known, coefficients, middles, size)

    def at(self, offset: Float) -> tuple[Float, Float, NDArray[np.int64]]:
        """Further offsets (n, 2), inverse covariances (n, 2, 2) and numbers of the tiles that look alike."""
        places = [self.rows + offset[0], self.columns + offset[1]]
        there = scipy.ndimage.map_coordinates(self.coefficients, places, order=3, prefilter=False, mode="nearest")
        return _tiles(self.known, there, self.tile, len(self.middles), self.size)


def _band(plane: Float, coarse: float) -> Float:
    """Detail between noise and shading."""
    fine: Float = scipy.ndimage.gaussian_filter(plane, FINE_PX, mode="nearest")
    return fine - scipy.ndimage.gaussian_filter(plane, coarse, mode="nearest")


def _tiles(
    known: Float, there: Float, tile: NDArray[np.int64], count: int, size: int
) -> tuple[Float, Float, NDArray[np.int64]]:
    """Offset (n, 2), inverse covariance (n, 2, 2) and number of the tiles that show the same in both pictures."""
    values = np.concatenate([known, there[None]])
    members = np.bincount(tile, minlength=count)
    means = np.stack([np.bincount(tile, v, count) for v in values]) / np.maximum(members, 1)
    free = values - means[:, tile]
    products = np.array([[np.bincount(tile, a * b, count) for b in free] for a in free])
    steps, worth, names = [], [], []
    # Neighbouring pixels of smoothed pictures say the same: so many make one independent one.
    alike_px = 4.0 * np.pi * (1.5 * FINE_PX) ** 2
    for k in np.flatnonzero(members >= 0.5 * size**2):
        square = products[:, :, k]
        if not (square[0, 0] > 0.0 and square[3, 3] > 0.0):
            continue
        alike = abs(square[0, 3]) / np.sqrt(square[0, 0] * square[3, 3])
        if alike < LEAST_ALIKE or np.linalg.cond(square[:3, :3]) > 1e10:
            continue
        # moving = contrast * (reference - offset . slopes)
        fit = np.linalg.solve(square[:3, :3], square[:3, 3])
        left = max(square[3, 3] - fit @ square[:3, 3], 1e-6 * square[3, 3]) / members[k]
        names.append(k)
        steps.append(-fit[1:] / fit[0])
        worth.append(fit[0] ** 2 * square[1:3, 1:3] / (left * alike_px))
    found = np.array(names, np.int64)
    return np.array(steps).reshape(-1, 2), np.array(worth).reshape(-1, 2, 2), found


def _mean(steps: Float, worth: Float) -> tuple[Float, Float]:
    """Weighted mean (2,) of offsets and its covariance (2, 2), with an excess scatter common to all tiles."""
    alone = np.linalg.inv(worth)
    excess = 0.02**2
    robust = np.ones(len(steps))
    mean, weights = np.zeros(2), worth
    for _ in range(12):
        full = np.linalg.inv(alone + excess * np.eye(2))
        weights = full * robust[:, None, None]
        mean = np.linalg.solve(weights.sum(axis=0), np.einsum("nij,nj->i", weights, steps))
        far = np.einsum("ni,nij,nj->n", steps - mean, full, steps - mean)
        # Huber's weights, from 2.5 standard deviations on.
        robust = np.minimum(1.0, 2.5 / np.sqrt(np.maximum(far, 1e-12)))
        excess = max(excess * float((far * robust).mean()) / 2.0, 1e-4)
    return mean, np.linalg.inv(weights.sum(axis=0))
