"""The isotropic undecimated wavelet transform, its noise, and sharpening by layers.

Starck & Murtagh 2006, Astronomical Image and Data Analysis, doi:10.1007/978-3-540-33025-7 (the "à trous" algorithm
with the cubic B-spline); Starck, Fadili & Murtagh 2007, doi:10.1109/TIP.2006.887733.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["decompose", "layer_transfer", "most_layers", "recompose", "shrink", "smooth", "white_noise_factors"]

SPLINE = (1 / 16, 4 / 16, 6 / 16, 4 / 16, 1 / 16)
Float = NDArray[np.floating]


def most_layers(shape: tuple[int, int]) -> int:
    """Return how many layers a picture can carry: the widest kernel must not exceed its smaller side."""
    return max(int(np.floor(np.log2(max(min(shape) - 1, 4) / 4))) + 1, 1)


def smooth(picture: Float, level: int) -> Float:
    """Smooth with the B-spline whose taps lie 2**level pixels apart, mirrored at the borders."""
    step = 2**level
    kernel = np.zeros(4 * step + 1, picture.dtype)
    kernel[::step] = SPLINE
    return cv2.sepFilter2D(picture, -1, kernel, kernel, borderType=cv2.BORDER_REFLECT_101)


def decompose(picture: Float, layers: int) -> tuple[NDArray[np.floating], Float]:
    """Split a picture into layers of detail and what remains.

    Parameters
    ----------
    picture : ndarray of float32 or float64, shape (h, w)
        Finite everywhere.
    layers : int
        Number of layers, 1 to `most_layers`; layer j holds structures about 2**j pixels wide.

    Returns
    -------
    details : ndarray of shape (layers, h, w)
        Finest first, dtype of `picture`.
    rest : ndarray of shape (h, w)
        The smooth remainder.

    Notes
    -----
    `details.sum(0) + rest` is `picture` up to rounding.
    """
    if not 1 <= layers <= most_layers(picture.shape):
        raise ValueError(f"{layers} layers for a picture of {picture.shape}: 1 to {most_layers(picture.shape)} fit")
    picture = np.ascontiguousarray(picture)
    details = np.empty((layers, *picture.shape), picture.dtype)
    for level in range(layers):
        smoother = smooth(picture, level)
        np.subtract(picture, smoother, out=details[level])
        picture = smoother
    return details, picture


def recompose(details: Float, rest: Float, gains: Sequence[float] | None = None) -> Float:
    """Put layers together again, each with its gain (1 by default)."""
    total = rest.copy()
    for level, detail in enumerate(details):
        total += detail if gains is None else detail * total.dtype.type(gains[level])
    return total


def white_noise_factors(layers: int) -> NDArray[np.float64]:
    """Return the standard deviation of each layer for white noise of standard deviation 1.

    Computed from the kernels themselves; agrees with the table in Starck & Murtagh (0.889, 0.200, 0.086, ...).
    """
    side = 8 * 2**layers + 1
    impulse = np.zeros((side, side))
    impulse[side // 2, side // 2] = 1
    details, _ = decompose(impulse, layers)
    return np.sqrt((details**2).sum(axis=(1, 2)))


def layer_transfer(frequency: Float, level: int) -> NDArray[np.float64]:
    """Return the transfer of layer `level` along an axis of the picture, at `frequency` in cycles a pixel."""
    f = np.asarray(frequency, np.float64)

    def spline(step: int) -> NDArray[np.float64]:
        return (6 + 8 * np.cos(2 * np.pi * f * step) + 2 * np.cos(4 * np.pi * f * step)) / 16

    before = np.ones_like(f)
    for lower in range(level):
        before = before * spline(2**lower)
    return before * (1 - spline(2**level))


def shrink(detail: Float, noise: Float | float, threshold: float = 3.0) -> Float:
    """Return the share of each coefficient that stands out of the noise, times the coefficient.

    Parameters
    ----------
    detail : ndarray of shape (h, w)
        A layer.
    noise : ndarray of shape (h, w), or float
        Standard deviation of the layer's noise.
    threshold : float, optional
        Coefficients this many standard deviations high keep half of what the estimator could take from them.

    Notes
    -----
    The firm, everywhere continuous rule d (1 - (t sigma / d)^2)+ (James-Stein type, "non-negative garrote": Gao 1998,
    doi:10.1080/10618600.1998.10474789): nothing below the threshold, hardly any bias far above it.
    """
    limit = (threshold * np.asarray(noise, np.float64)) ** 2
    square = np.maximum(np.asarray(detail, np.float64) ** 2, 1e-300)
    return (detail * np.maximum(1 - limit / square, 0)).astype(detail.dtype)
