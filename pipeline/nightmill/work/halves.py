"""How far a stack can be believed: the correlation of its two halves, ring by ring of spatial frequency.

Source
------
Saxton & Baumeister (1982), J. Microsc. 127, 127-138, doi:10.1111/j.1365-2818.1982.tb00405.x (ring correlation); van
Heel & Schatz (2005), J. Struct. Biol. 151, 250-262, doi:10.1016/j.jsb.2005.05.009 (on thresholds); Rosenthal &
Henderson (2003), J. Mol. Biol. 333, 721-745, doi:10.1016/j.jmb.2003.07.013 (0.143 for two halves of the data).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["THRESHOLD", "HalfCurve", "half_set_correlation"]

THRESHOLD = 0.143
"""Correlation of two halves at which the mean of both correlates 0.5 with the truth (Rosenthal & Henderson 2003)."""

WINDOW_LOSS = 2.25
"""Values of a spectrum for each independent one, after a Hann window in both directions: 1.5 squared."""

MOST_PX = 1024
"""Larger pictures are judged by their middle."""


@dataclass(frozen=True)
class HalfCurve:
    """Correlation of two half-set pictures against spatial frequency.

    Attributes
    ----------
    frequency : ndarray of float64, shape (k,)
        Cycles per pixel of the pictures, increasing, up to 0.5.
    correlation : ndarray of float64, shape (k,)
        -1 to 1.
    limit : float or None
        Frequency at which the correlation falls below `THRESHOLD` for good; 0.5 when it never does, None when it
        never was above.
    """

    frequency: NDArray[np.float64]
    correlation: NDArray[np.float64]
    limit: float | None


def half_set_correlation(first: NDArray[np.floating], second: NDArray[np.floating], rings: int = 64) -> HalfCurve:
    """Correlate two pictures of the same thing ring by ring.

    Parameters
    ----------
    first, second : ndarray of float, shape (h, w)
        Linear light, disjoint halves of the frames; NaN where there are no data. At least 16 x 16.
    rings : int
        At most so many rings from 0 to 0.5 cycles per pixel.

    Returns
    -------
    HalfCurve

    Raises
    ------
    ValueError
        Different shapes, pictures smaller than 16 x 16, or no common data.

    Notes
    -----
    Pictures are tapered by a Hann window, so that their edges do not correlate, and their means are taken off.
    """
    a, b = np.asarray(first, np.float64), np.asarray(second, np.float64)
    if a.shape != b.shape or a.ndim != 2 or min(a.shape) < 16:
        raise ValueError(f"two pictures of one shape, at least 16 x 16, are needed, not {a.shape} and {b.shape}")
    a, b = _middle(a), _middle(b)
    good = np.isfinite(a) & np.isfinite(b)
    if good.sum() < 256:
        raise ValueError("the halves have no pixels in common")
    window = np.hanning(a.shape[0] + 2)[1:-1, None] * np.hanning(a.shape[1] + 2)[None, 1:-1] * good
    spectra = [np.fft.rfft2(window * (np.where(good, one, 0) - one[good].mean())) for one in (a, b)]
    rows, columns = np.fft.fftfreq(a.shape[0])[:, None], np.fft.rfftfreq(a.shape[1])[None, :]
    radius = np.hypot(rows, columns)
    # Of a real picture's spectrum only half is held; the columns in between stand for two.
    share = np.full(radius.shape, 2.0)
    share[:, 0] = 1.0
    if a.shape[1] % 2 == 0:
        share[:, -1] = 1.0
    count = max(8, min(rings, min(a.shape) // 2))
    ring = np.minimum((radius / 0.5 * count).astype(np.int64), count)

    def sums(values: NDArray[np.float64]) -> NDArray[np.float64]:
        total: NDArray[np.float64] = np.bincount(ring.ravel(), (share * values).ravel(), count + 1).astype(np.float64)
        return total[:count]

    cross = sums((spectra[0] * spectra[1].conj()).real)
    norm = np.sqrt(sums(np.abs(spectra[0]) ** 2) * sums(np.abs(spectra[1]) ** 2))
    correlation = np.divide(cross, norm, out=np.zeros(count), where=norm > 0)
    frequency = (np.arange(count) + 0.5) * 0.5 / count
    chance = 1.0 / np.sqrt(np.maximum(sums(np.ones(radius.shape)) / 2.0 / WINDOW_LOSS, 1.0))
    return HalfCurve(frequency, correlation, _limit(frequency, correlation, chance))


def _middle(picture: NDArray[np.float64]) -> NDArray[np.float64]:
    cuts = []
    for size in picture.shape:
        kept = min(size, MOST_PX)
        cuts.append(slice((size - kept) // 2, (size - kept) // 2 + kept))
    return picture[tuple(cuts)]


def _limit(
    frequency: NDArray[np.float64], correlation: NDArray[np.float64], chance: NDArray[np.float64]
) -> float | None:
    """Find where the curve, a little smoothed, falls below the threshold and stays there for three rings.

    In small rings chance alone correlates: to begin with, the curve must also stand out by three of its standard
    deviations somewhere.
    """
    padded = np.pad(correlation, 1, mode="edge")
    # The median, for a mean would carry a steep fall outwards.
    smooth = np.median([padded[:-2], padded[1:-1], padded[2:]], axis=0)
    sure = smooth >= np.clip(3.0 * chance, THRESHOLD, 0.9)
    if not sure.any():
        return None
    start = int(np.argmax(sure))
    below = smooth < THRESHOLD
    for k in range(start, len(below)):
        if below[k : k + 3].all():
            high, low = smooth[k - 1], smooth[k]
            step = frequency[k] - frequency[k - 1]
            return float(frequency[k - 1] + step * min(max((high - THRESHOLD) / max(high - low, 1e-12), 0.0), 1.0))
    return 0.5
