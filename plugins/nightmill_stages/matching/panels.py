"""What is kept of every panel while a mosaic is made: small copies, never the panel itself."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill.artefacts import Picture

__all__ = ["Panel", "contrast", "describe_panel", "filled", "planes_of", "usable"]

Float = NDArray[np.float32]

COARSE_PX = 320
"""Longer side of the copies on which overlaps are looked for."""

REACH_STEP = 4
"""Pixels of a panel for each value of its map of distances from the edge."""

EDGE_PX = 3
"""So many pixels at a panel's edges are not shown: sharpening rings there."""


@dataclass(frozen=True)
class Panel:
    """A panel without its pixels.

    Attributes
    ----------
    file : str
        Recording that it is named after.
    shape : tuple of int
        Rows and columns.
    step : tuple of float
        Pixels of the panel for each pixel of its coarse copies, along x and y.
    light : ndarray of float32, shape (c, h, w)
        Coarse copy, linear, a plane a channel; NaN where there are no data.
    detail : ndarray of float32, shape (h, w)
        Coarse copy, its contrast made even: mean 0, spread about 1 where there is detail; 0 without data.
    valid : ndarray of bool, shape (h, w)
        Where the coarse copies hold data.
    reach : ndarray of float32
        Distance from the edge of the data, panel pixels, every `REACH_STEP` pixels; 0 or less outside.
    noise : float
        Typical noise of a pixel, linear.
    """

    file: str
    shape: tuple[int, int]
    step: tuple[float, float]
    light: Float
    detail: Float
    valid: NDArray[np.bool_]
    reach: Float
    noise: float

    @property
    def whole(self) -> NDArray[np.float64]:
        """The matrix (3, 3) from pixels of the coarse copies to those of the panel."""
        (across, down) = self.step
        return np.array([[across, 0, (across - 1) / 2], [0, down, (down - 1) / 2], [0, 0, 1.0]])


def planes_of(data: Float) -> Float:
    """A picture's channels as (c, h, w)."""
    return data if data.ndim == 3 else data[None]


def usable(picture: Picture) -> NDArray[np.bool_]:
    """Where a picture has data in all channels."""
    good = np.isfinite(planes_of(picture.data)).all(axis=0)
    if picture.weight is not None:
        good &= (planes_of(picture.weight) > 0).all(axis=0)
    return good


def filled(plane: Float, good: NDArray[np.bool_]) -> Float:
    """The plane with the nearest good value where there are no data."""
    if good.all():
        return plane
    if not good.any():
        return np.zeros_like(plane)
    from scipy.ndimage import distance_transform_edt

    rows, columns = distance_transform_edt(~good, return_distances=False, return_indices=True)
    return np.ascontiguousarray(plane[rows, columns])


def describe_panel(picture: Picture) -> Panel:
    """Make the small copies of a picture."""
    good = usable(picture)
    height, width = good.shape
    # One camera pixel is one camera pixel in all panels, whatever each stack's scale.
    scale = float(picture.header.get("scale", 1.0) or 1.0)
    step = max(1.0, max(height, width) / scale / COARSE_PX) * scale
    size = (max(8, round(width / step)), max(8, round(height / step)))
    share = cv2.resize(good.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    valid = share > 0.5
    light = np.stack([_shrink(plane, good, share, size) for plane in planes_of(picture.data)])
    grey = np.where(valid, light.mean(axis=0), 0).astype(np.float32)
    padded = np.pad(good, 1)  # beyond the frame there are no data either
    reach = cv2.distanceTransform(padded.astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
    # The least of its surroundings, so that what lies between two values is never promised too much.
    reach = cv2.erode(reach, np.ones((2 * REACH_STEP - 1, 2 * REACH_STEP - 1), np.uint8))
    return Panel(
        picture.captures[0].file,
        (height, width),
        (width / size[0], height / size[1]),
        light,
        contrast(filled(grey, valid), valid),
        valid,
        (reach[::REACH_STEP, ::REACH_STEP] - EDGE_PX).astype(np.float32),
        _noise(picture, good),
    )


def contrast(grey: Float, valid: NDArray[np.bool_], fine: float = 1.0, broad: float = 6.0) -> Float:
    """Band-pass a picture and divide it by its local contrast, so that no bright rim outweighs all craters.

    Parameters
    ----------
    grey : ndarray of float32, shape (h, w)
        Without NaN.
    valid : ndarray of bool, shape (h, w)
        Where there are data; elsewhere the result is 0.
    fine, broad : float
        Standard deviations of the Gaussians between which structures pass, pixels.
    """
    band = cv2.GaussianBlur(grey, (0, 0), fine) - cv2.GaussianBlur(grey, (0, 0), broad)
    local = np.sqrt(np.maximum(cv2.GaussianBlur(band * band, (0, 0), 2 * broad), 0))
    there = local[valid]
    if there.size == 0 or not float(there.max()) > 0:
        return np.zeros_like(grey)
    # Sky and shadow have no detail of their own: their noise must not count as much as craters do.
    floor = np.float32(0.3 * np.percentile(there, 80.0) + 1e-12)
    return np.where(valid, band / (local + floor), 0).astype(np.float32)


def _shrink(plane: Float, good: NDArray[np.bool_], share: Float, size: tuple[int, int]) -> Float:
    clean = np.where(good, plane, 0).astype(np.float32)
    small = cv2.resize(clean, size, interpolation=cv2.INTER_AREA)
    return np.where(share > 0.5, small / np.maximum(share, 1e-6), np.nan).astype(np.float32)


def _noise(picture: Picture, good: NDArray[np.bool_]) -> float:
    """Median of the noise map; without one the scatter of the finest differences."""
    if picture.noise is not None:
        values = planes_of(picture.noise)[:, good]
        values = values[np.isfinite(values) & (values > 0)]
        if values.size:
            return float(np.median(values))
    plane = filled(planes_of(picture.data)[0], good)
    # Immerkaer (1996), Comput. Vis. Image Underst. 64, 300, doi:10.1006/cviu.1996.0060: blind to smooth light.
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    return float(1.4826 * np.median(np.abs(cv2.filter2D(plane, -1, kernel))) / 6.0)
