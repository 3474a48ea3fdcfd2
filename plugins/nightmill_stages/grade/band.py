"""Sharpness in a band of spatial frequencies: what seeing changes and noise does not.

A difference of two Gaussians passes the band in which sharp and blurred frames differ most. Its mean square, minus what
noise alone would give, over the square of the brightness, ranks frames by quality. Impulses (cosmic rays, hot pixels)
are cut by a 3x3 median and by a limit on the response: they must not count as sharpness.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Band", "respond", "response_gain", "sharpness"]

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
    calm = cv2.medianBlur(np.ascontiguousarray(plane), 3).astype(np.float32, copy=False)
    near = cv2.GaussianBlur(calm, _size(fine), fine) if fine > 0.3 else calm
    # The wide Gaussian is taken of the narrow one: variances add, and the kernel may be smaller.
    rest = float(np.sqrt(max(coarse**2 - fine**2, 0.09)))
    far = cv2.GaussianBlur(near, _size(rest), rest)
    return cv2.subtract(near, far)


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
    level = max(level, 1e-6)
    response = respond(plane, band.fine, band.coarse)
    if np.isfinite(band.limit):
        top = float(band.limit * level)
        cv2.min(response, top, response)
        cv2.max(response, -top, response)
    flat = response.ravel()
    power = float(np.dot(flat, flat)) / flat.size
    power -= band.read_variance + band.photon_gain * level * share
    return max(power, 1e-9 * level**2) / level**2


def _size(sigma: float) -> tuple[int, int]:
    half = max(int(np.ceil(2.5 * sigma)), 1)
    return 2 * half + 1, 2 * half + 1
