"""How much of a stack's spectrum is signal: noise from the half-sets, corrected by what lies beyond the optics.

Two halves of the frames share what is the same in both (fixed pattern, resampling), so their difference alone is too
hopeful. No light passes the telescope beyond D/lambda: all power there is noise, shared or not, and its ratio to the
noise of the halves corrects them at every frequency.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from .spectral import Rings

__all__ = ["Signal", "measure_signal", "white_noise"]

Float = NDArray[np.floating]
HIGHEST = float(np.sqrt(0.5))
"""End of the rings: the corners of the frequency plane, cycles a pixel."""


@dataclass(frozen=True)
class Signal:
    """Power of a stack by frequency.

    Attributes
    ----------
    frequency : ndarray of shape (rings,)
        Centres of the rings, cycles a pixel.
    power : ndarray of shape (rings,)
        Mean power of the stack, noise included (units of the picture, squared).
    noise : ndarray of shape (rings,)
        Of that, noise.
    shared : float
        Noise power over noise power by the half-sets, beyond the cut-off; 1 when it could not be measured.
    half_correlation : ndarray of shape (rings,) or None
        Ring correlation of the two halves, as drawn in reports.
    """

    frequency: NDArray[np.float64]
    power: NDArray[np.float64]
    noise: NDArray[np.float64]
    shared: float
    half_correlation: NDArray[np.float64] | None

    def weight(self, frequency: Float, cutoff: float) -> NDArray[np.float64]:
        """Return signal / (signal + noise) at `frequency`; exactly 0 from the cut-off on.

        With C the corrected correlation of the halves this is 2 C / (1 + C), the square of the figure of merit of
        Rosenthal & Henderson 2003, doi:10.1016/j.jmb.2003.07.013: the expected correlation with the noise-free
        picture is its square root.
        """
        share = np.clip((self.power - self.noise) / np.maximum(self.power, 1e-300), 0, 1)
        share = scipy.ndimage.gaussian_filter1d(scipy.ndimage.median_filter(share, 5, mode="nearest"), 1.0)
        share[:3] = np.maximum(share[:3], (1 - self.noise / np.maximum(self.power, 1e-300))[:3].clip(0))
        # Once lost in the noise, a later bump is chance: what the rings give there is not amplified.
        lost = np.flatnonzero((share < 0.05) & (self.frequency > 0.3 * cutoff))
        if lost.size:
            share[lost[0] :] = 0
        values = np.interp(frequency, self.frequency, share)
        # The last tenth before the cut-off fades, so that no hard edge in frequency rings in the picture.
        fade = np.clip((cutoff - np.asarray(frequency)) / (0.08 * cutoff), 0, 1)
        return np.asarray(values * (0.5 - 0.5 * np.cos(np.pi * fade)), np.float64)

    def resolution(self, cutoff: float) -> float:
        """Return where the expected correlation with the truth falls below 0.5, as a share of the cut-off."""
        fine = np.linspace(0.02, 1, 491) * cutoff
        below = np.flatnonzero(np.sqrt(self.weight(fine, cutoff * 1.0001)) < 0.5)
        return float(fine[below[0]] / cutoff) if below.size else 1.0


def white_noise(picture: Float) -> float:
    """Return the standard deviation of white noise in a picture from its finest detail.

    The median of absolute second differences in both directions (Immerkaer 1996, doi:10.1006/cviu.1996.0060, with the
    median in place of the mean so that edges do not count).
    """
    mixed = np.diff(np.diff(np.asarray(picture, np.float64), n=2, axis=0), n=2, axis=1)
    return float(np.median(np.abs(mixed)) / 0.6745 / 6)


def measure_signal(
    picture: Float, half_a: Float | None, half_b: Float | None, noise: float | None, cutoff: float
) -> Signal:
    """Measure signal and noise by frequency.

    Parameters
    ----------
    picture : ndarray of shape (h, w)
        The stack, finite.
    half_a, half_b : ndarray of shape (h, w) or None
        Means of two disjoint halves of the frames.
    noise : float or None
        Root mean square of the noise map: taken as white when there are no halves.
    cutoff : float
        Of the telescope, cycles a pixel.
    """
    rings = Rings(picture.shape, int(np.clip(min(picture.shape) // 2, 24, 160)), HIGHEST)
    power = rings.power(picture)
    correlation = None
    if half_a is not None and half_b is not None:
        a, b = rings.power(half_a), rings.power(half_b)
        by_halves = rings.power((np.asarray(half_a, np.float64) - half_b) / 2)
        both = rings.power((np.asarray(half_a, np.float64) + half_b) / 2)
        correlation = (both - by_halves) / np.maximum(np.sqrt(a * b), 1e-300)
        estimate = scipy.ndimage.gaussian_filter1d(by_halves, 2.0)
    else:
        level = noise if noise is not None else white_noise(picture)
        estimate = np.full(rings.count, float(level) ** 2)
    beyond = (rings.centres > 1.04 * cutoff) & (rings.members > 0)
    shared = 1.0
    if rings.members[beyond].sum() >= 200:
        total = float(np.median(power[beyond] / np.maximum(estimate[beyond], 1e-300)))
        shared = float(np.clip(total, 1.0, 20.0))
    usable = rings.members > 0
    return Signal(
        rings.centres[usable],
        power[usable],
        (estimate * shared)[usable],
        shared,
        None if correlation is None else correlation[usable],
    )
