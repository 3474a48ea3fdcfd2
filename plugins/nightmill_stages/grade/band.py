"""Sharpness in a band of spatial frequencies: what seeing changes and noise does not.

A difference of two Gaussians passes the band in which sharp and blurred frames differ most. Its mean square, minus what
noise alone would give, over the square of the brightness, ranks frames by quality. Impulses (cosmic rays, hot pixels)
are cut by a 3x3 median and by a limit on the response: they must not count as sharpness.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .batch import gather, gaussian, groups, median3, reach

__all__ = ["Band", "respond", "response_gain", "sharpness", "sharpness_of"]

Array = NDArray[Any]


@dataclass(frozen=True)
class Band:
    """A pass band and the noise in it.

    Attributes
    ----------
    fine, coarse : float
        Standard deviations of the two Gaussians, in cells.
    read_variance, photon_gain : float
        Variance of the response from noise: read_variance + photon_gain x brightness above the sky, ADU squared.
    limit : float
        Largest response, as a share of the object's brightness, that detail reaches; beyond it is an impulse.
    """

    fine: float
    coarse: float
    read_variance: float = 0.0
    photon_gain: float = 0.0
    limit: float = np.inf

    def to_json(self) -> dict[str, Any]:
        """Return plain values."""
        return asdict(self)


def respond(plane: Array, fine: float, coarse: float) -> NDArray[np.float32]:
    """Return the band-passed plane, float32, same shape: 3x3 median, then the difference of two Gaussians."""
    guard = guard_rows(fine, coarse)
    start = np.zeros(1, np.int64)
    boxes = gather(plane[None], start, start, plane.shape[0], plane.shape[1], guard)
    return _respond(boxes, fine, coarse, guard)[0]


def guard_rows(fine: float, coarse: float) -> int:
    """Return how many rows the filters of a band reach beyond a picture."""
    return reach(max(fine, _rest(fine, coarse)))


def _respond(boxes: NDArray[np.float32], fine: float, coarse: float, guard: int) -> NDArray[np.float32]:
    calm = median3(boxes, guard)
    near = gaussian(calm, guard, fine) if fine > 0.3 else calm
    far = gaussian(near, guard, _rest(fine, coarse))
    inner = slice(guard, boxes.shape[1] - guard)
    return near[:, inner] - far[:, inner]


def _rest(fine: float, coarse: float) -> float:
    """Return the Gaussian that makes the wide one of the narrow one: variances add, and the kernel may be smaller."""
    return float(np.sqrt(max(coarse**2 - fine**2, 0.09)))


def response_gain(fine: float, coarse: float) -> float:
    """Return the variance of the response to white noise of variance 1 (measured, for the median is not linear)."""
    noise = np.random.default_rng(20).normal(0, 1, (256, 256)).astype(np.float32)
    return float(respond(noise, fine, coarse)[16:-16, 16:-16].var())


def sharpness(plane: Array, band: Band, level: float, share: float = 1.0) -> float:
    """Return the noise-corrected power in the band over the squared brightness, > 0.

    Parameters
    ----------
    plane : ndarray of uint8, uint16 or float32, shape (h, w)
        The object's box, on the grid of cells.
    band : Band
    level : float
        Brightness of the object above the sky, ADU.
    share : float
        Share of the box that the object covers, 0 to 1: only there is photon noise.
    """
    start = np.zeros(1, np.int64)
    return float(sharpness_of(plane[None], start, start, plane.shape, band, np.array([level]), np.array([share]))[0])


def sharpness_of(
    planes: Array,
    top: NDArray[np.int64],
    left: NDArray[np.int64],
    shape: tuple[int, ...],
    band: Band,
    level: NDArray[np.float64],
    share: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return `sharpness` of a box of each plane.

    Parameters
    ----------
    planes : ndarray of uint8, uint16 or float32, shape (n, h, w)
    top, left : ndarray of int64, shape (n,)
        Where the boxes begin.
    shape : (int, int)
        Of the boxes, which lie inside the planes.
    band : Band
    level, share : ndarray of float64, shape (n,)
        As for `sharpness`.
    """
    guard = guard_rows(band.fine, band.coarse)
    level = np.maximum(level, 1e-6)
    power = np.empty(len(planes))
    for some in groups(len(planes), shape[0] + 2 * guard, shape[1]):
        boxes = gather(planes[some], top[some], left[some], shape[0], shape[1], guard)
        response = _respond(boxes, band.fine, band.coarse, guard).reshape(len(boxes), -1)
        if np.isfinite(band.limit):
            limit = (band.limit * level[some]).astype(np.float32)[:, None]
            np.clip(response, -limit, limit, out=response)
        # Sums row by row, not a matrix product: its bits would depend on how many frames come together.
        power[some] = np.einsum("ij,ij->i", response, response) / response.shape[1]
    power -= band.read_variance + band.photon_gain * level * share
    return np.maximum(power, 1e-9 * level**2) / level**2
