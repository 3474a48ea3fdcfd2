"""A model of the object from its outline: what of a sharp limb lies beyond the resolution that the data reach.

A limb is a step. Cut off at the frequency where noise takes over, a step rings; but that it is a step is known without
any data. So a smooth object with a sharp outline is taken as expectation, the data correct it wherever they have
something to say, and only what they cannot say is left to the model.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from .optics import Optics
from .signal import Signal
from .spectral import cosine, frequencies, uncosine

__all__ = ["edge_slope", "object_model"]

Float = NDArray[np.floating]
ROUNDS = 4


def edge_slope(optics: Optics, signal: Signal) -> float:
    """Return the steepest slope, a pixel, of a unit step seen by the telescope and cut off where noise takes over."""
    f = np.linspace(0, optics.cutoff, 400)
    return float(2 * np.trapezoid(optics.transfer(f) * signal.weight(f, optics.cutoff), f))


def _spread_out(values: Float, share: Float, sigma: float) -> NDArray[np.float32]:
    """Smooth `values` where `share` is, and continue them beyond (normalised convolution)."""
    total = cv2.GaussianBlur(np.float32(values * share), (0, 0), sigma, borderType=cv2.BORDER_REFLECT)
    weight = cv2.GaussianBlur(np.float32(share), (0, 0), sigma, borderType=cv2.BORDER_REFLECT)
    # Where nothing is near, the value is of no account; it only must not be wild.
    return total / np.maximum(weight, np.float32(1e-3))


def object_model(sharp: Float, inside: Float, optics: Optics, signal: Signal) -> NDArray[np.float32]:
    """Return the perfect telescope's picture of a smooth object with the outline seen.

    Parameters
    ----------
    sharp : ndarray of float32, shape (h, w)
        Sharpened picture above the sky background.
    inside : ndarray of shape (h, w)
        1 within the (generous) outline of the object, 0 in the sky.
    optics : Optics
        The telescope.
    signal : Signal
        Of the stack: tells what resolution was reached.

    Returns
    -------
    ndarray of float32, shape (h, w)
        The model. Edges that are soft in themselves, such as a terminator, stay soft.
    """
    sharp = np.asarray(sharp, np.float32)
    reached = optics.cutoff * max(signal.resolution(optics.cutoff), 0.1)
    width = 0.5 / reached
    core = cv2.erode(inside.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_odd(2.2 * width),) * 2))
    if not core.any():
        return np.zeros_like(sharp)
    level = np.maximum(_spread_out(sharp, core.astype(np.float32), 1.2 * width), np.float32(1e-6) + 0 * sharp)
    share = cv2.GaussianBlur(sharp / level, (0, 0), 0.5)
    slope = np.hypot(cv2.Sobel(share, cv2.CV_32F, 1, 0, scale=1 / 8), cv2.Sobel(share, cv2.CV_32F, 0, 1, scale=1 / 8))
    steep = edge_slope(optics, signal)
    step = np.clip(0.5 + (share - 0.5) / np.maximum(slope, 0.3 * steep), 0, 1)
    # A slope much gentler than the telescope's is the object's own.
    hard = np.clip((cv2.dilate(slope, np.ones((3, 3))) / steep - 0.45) / 0.25, 0, 1)
    cover = np.float32(np.where(core > 0, 1, hard * step + (1 - hard) * np.clip(share, 0, 1)) * (inside > 0))
    telescope = optics.transfer(frequencies(sharp.shape)).astype(np.float32)
    source = cover * level
    model = uncosine(cosine(source) * telescope)
    for _ in range(ROUNDS):
        source = source + cover * _spread_out(sharp - model, cover, 0.6 * width)
        model = uncosine(cosine(source) * telescope)
    return np.asarray(model, np.float32)


def _odd(size: float) -> int:
    return 2 * int(size / 2) + 1
