"""The broad fall of light over a field without a limb: a robust surface of second degree."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Trend", "fit_trend"]

Float = NDArray[np.float32]

BLOCKS = 24


class Trend:
    """A surface: the exponential of a polynomial of second degree in x and y, its mean over the field 1."""

    def __init__(self, coefficients: NDArray[np.float64], shape: tuple[int, int]) -> None:
        self.coefficients, self.shape = coefficients, shape

    def rows(self, top: int, bottom: int) -> Float:
        """Its values on some rows of the picture, (bottom - top, w)."""
        y = _unit(np.arange(top, bottom), self.shape[0])[:, None]
        x = _unit(np.arange(self.shape[1]), self.shape[1])[None, :]
        a, b, c, d, e, f = self.coefficients
        return np.exp(a + b * x + c * y + d * x * x + e * x * y + f * y * y).astype(np.float32)

    @property
    def span(self) -> float:
        """Brightest over darkest place of the field."""
        picture = np.concatenate([self.rows(row, row + 1) for row in np.linspace(0, self.shape[0] - 1, 9).astype(int)])
        return float(picture.max() / picture.min())


def fit_trend(grey: Float, good: NDArray[np.bool_]) -> Trend | None:
    """Fit a surface to the medians of blocks, robustly; None when too little of the field is lit."""
    size = (min(BLOCKS, grey.shape[1] // 4), min(BLOCKS, grey.shape[0] // 4))
    if min(size) < 3:
        return None
    clean = np.where(good, grey, 0).astype(np.float32)
    share = cv2.resize(good.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    light = cv2.resize(clean, size, interpolation=cv2.INTER_AREA) / np.maximum(share, 1e-6)
    use = (share > 0.5) & (light > 0.2 * np.percentile(light[share > 0.5], 90.0) if (share > 0.5).any() else False)
    if use.sum() < 20:
        return None
    rows, columns = np.nonzero(use)
    y, x = _unit(rows, size[1]), _unit(columns, size[0])
    matrix = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    value = np.log(light[use].astype(np.float64))
    robust = np.ones_like(value)
    found = np.zeros(6)
    for _ in range(10):
        found = np.linalg.lstsq(matrix * np.sqrt(robust)[:, None], value * np.sqrt(robust), rcond=None)[0]
        rest = value - matrix @ found
        spread = max(1.4826 * float(np.median(np.abs(rest))), 1e-3)
        robust = np.clip(1 - (rest / (4.685 * spread)) ** 2, 0, None) ** 2
    found[0] -= float(np.log(np.exp(matrix @ found).mean()))
    return Trend(found, (grey.shape[0], grey.shape[1]))


def _unit(index: NDArray[np.int64], length: int) -> NDArray[np.float64]:
    """Places from -1 to 1, the same for blocks and for the pixels in them."""
    return (index + 0.5) / length * 2 - 1
