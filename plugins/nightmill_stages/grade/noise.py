"""The camera's noise, read off single frames: variance as a straight line in brightness.

Read noise gives the offset, photon noise the slope. The estimate looks at the diagonal second difference of cells, a
band beyond what a telescope delivers at usual sampling (Immerkaer 1996, Computer Vision and Image Understanding 64,
300, uses the same mask).
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["noise_line"]

_MASK = np.array([1, -2, 1], np.float32)


def noise_line(planes: list[NDArray[Any]]) -> tuple[float, float]:
    """Return (offset, slope) of noise variance against brightness, in the planes' own unit.

    Parameters
    ----------
    planes : list of ndarray, shape (h, w)
        Cells of some frames, same unit throughout.

    Returns
    -------
    offset, slope : float
        Variance = offset + slope x brightness, both at least 0.
    """
    levels, variances, counts = [], [], []
    for plane in planes:
        values = plane.astype(np.float32)
        mean = cv2.blur(values, (3, 3))[1:-1, 1:-1].ravel()
        rough = cv2.sepFilter2D(values, cv2.CV_32F, _MASK, _MASK)[1:-1, 1:-1].ravel() / 6.0
        order = np.argsort(mean, kind="stable")
        for part in np.array_split(order, 8):
            if len(part) < 64:
                continue
            square = rough[part] ** 2
            # Limb, crater rims and impulses sit in the tail: the mean below three sigma (of a first guess) is robust,
            # 0.973 corrects for the missing tail of a Gaussian.
            guess = np.median(square) / 0.455
            kept = square[square <= max(9 * guess, 1e-12)]
            levels.append(float(mean[part].mean()))
            variances.append(float(kept.mean()) / 0.973)
            counts.append(len(part))
    if not levels:
        return 0.0, 0.0
    x, y, w = np.array(levels), np.array(variances), np.sqrt(np.array(counts, np.float64))
    if np.ptp(x) < 1e-6 * max(abs(x).max(), 1e-12):
        return float(np.median(y)), 0.0
    # Parts with detail read too high: three rounds of a fit that trusts low values.
    offset, slope = float(np.percentile(y, 25)), 0.0
    for _ in range(4):
        excess = y - (offset + slope * x)
        scale = max(float(np.median(np.abs(excess))), 1e-12)
        trust = w / np.sqrt(1 + np.maximum(excess / (2 * scale), 0) ** 2)
        slope, offset = np.polyfit(x, y, 1, w=trust)
        if slope < 0:
            slope, offset = 0.0, float(np.average(y, weights=trust))
        if offset < 0:
            offset = 0.0
            slope = float(np.sum(trust**2 * x * y) / np.sum(trust**2 * x * x))
    return max(float(offset), 0.0), max(float(slope), 0.0)
