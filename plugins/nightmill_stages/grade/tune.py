"""Choosing the band for grading from some frames of the capture itself."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .band import Band, respond, response_gain, sharpness
from .noise import noise_line

__all__ = ["choose_band"]

FINE = (0.6, 0.8, 1.0, 1.3, 1.6, 2.0, 2.6)
"""Candidates for the narrower Gaussian, in cells; the wider one is twice as wide."""


def choose_band(
    boxes: list[NDArray[Any]], levels: NDArray[np.float64], background: float, centre: float | None
) -> tuple[Band, list[list[float]]]:
    """Choose the band in which frames differ most against their noise.

    Parameters
    ----------
    boxes : list of ndarray, shape (h, w)
        The object in some frames, on the grid for grading.
    levels : ndarray of float64, shape (n,)
        Object brightness above the sky, ADU.
    background : float
        Sky, ADU.
    centre : float or None
        A centre that the user wants, in cycles per cell.

    Returns
    -------
    band : Band
    curve : list of [centre in cycles per cell, merit]
        What led to the choice.
    """
    offset, slope = noise_line(boxes[:: max(len(boxes) // 8, 1)])
    sky_variance = offset + slope * max(background, 0.0)
    candidates = FINE if centre is None else (0.19 / centre / np.sqrt(2.0),)
    best: tuple[float, Band] | None = None
    curve: list[list[float]] = []
    for fine in candidates:
        coarse = 2 * fine
        gain = response_gain(fine, coarse)
        # The largest honest response: of the frames' own 99.95th percentiles, the third quartile (an impulse is rare).
        tops = [
            np.percentile(np.abs(respond(box, fine, coarse))[::2], 99.95) / level
            for box, level in zip(boxes, levels, strict=True)
        ]
        band = Band(fine, coarse, gain * sky_variance, gain * slope, 1.5 * float(np.percentile(tops, 75)))
        values = np.array([sharpness(box, band, float(level)) for box, level in zip(boxes, levels, strict=True)])
        # Error of the measured power: the noise's own scatter and its product with the detail.
        count = np.mean([box.size for box in boxes]) / (2 * np.pi * (2 * fine) ** 2)
        noise = (band.read_variance + band.photon_gain * levels.mean()) / levels.mean() ** 2
        error = np.sqrt(2 * noise**2 + 4 * noise * values.mean()) / np.sqrt(max(count, 1)) + 1e-3 * values.mean()
        spread = 0.5 * (np.percentile(values, 90) - np.percentile(values, 10))
        merit = float(spread / error) if error > 0 else 0.0
        curve.append([round(float(0.19 / fine / np.sqrt(2.0)), 4), round(merit, 3)])
        if best is None or merit > best[0]:
            best = (merit, band)
    assert best is not None
    return best[1], curve
