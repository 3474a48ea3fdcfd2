"""The telescope's cut-off read off the spectrum of a stack, for those who tell nothing about their telescope.

What the two halves of a stack have in common is the scene times the square of the telescope's transfer, and ends at
D/lambda. The last of it drowns in noise, so where the signal seems to end is a lower bound; but the way it falls says
where it would reach zero. The scene's own power is taken as a power of frequency, which holds well over the upper half
of the band. So does the blur left by the air nearly, but behind an obstruction less of it is lost towards the cut-off,
which alone would make it seem several per cent too high: air as the motion of the frames tells it is reckoned with.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from nightmill_sky.optics import modulation_transfer

from .blur import Blur
from .spectral import Rings, cosine

__all__ = ["USUAL", "CutoffFit", "fit_cutoff"]

Float = NDArray[np.floating]
USUAL = 0.33
"""Cut-off at 530 nm that most sampling aims at, cycles a pixel: a pixel of a fifth of the focal ratio, in micrometres
(common practice, no source); and the spread of its logarithm."""
USUAL_SPREAD = 0.15
SLOPE, SLOPE_SPREAD = 3.2, 0.6
"""Scenes have power f^-SLOPE: 3 for edges, up to 4 for darkened limbs."""
UNSURE = 5.0
"""The model is no better than this many times the noise of the rings."""

APART, SURELY = 0.06, 4.0
"""By how much the logarithm of a cut-off must differ from the one read off the spectrum, which is off by up to 5 %, and
how much less likely (minus twice a logarithm) it must be, to be contradicted."""


@dataclass(frozen=True)
class CutoffFit:
    """Misfit as a function of the cut-off.

    Attributes
    ----------
    cutoff : ndarray of shape (k,)
        Cut-offs of the first channel, cycles a pixel, rising.
    cost : ndarray of shape (k,)
        Minus twice the logarithm of their probability, up to a constant.
    """

    cutoff: NDArray[np.float64]
    cost: NDArray[np.float64]

    @property
    def best(self) -> float:
        """The expected cut-off."""
        chance = np.exp(-(self.cost - self.cost.min()) / 2)
        return float((chance * self.cutoff).sum() / chance.sum())

    def at(self, cutoff: float) -> float:
        """Return the cost of a cut-off; beyond the grid that of its end."""
        return float(np.interp(cutoff, self.cutoff, self.cost))

    def likelier(self, first: float, second: float) -> float:
        """Return which of two cut-offs fits the spectrum better."""
        return first if self.at(first) <= self.at(second) else second

    def contradicts(self, cutoff: float) -> bool:
        """Whether the spectrum surely ends elsewhere."""
        far = abs(np.log(self.best / cutoff)) > APART
        return bool(far and self.at(cutoff) - self.at(self.best) > SURELY)


def fit_cutoff(
    halves: Sequence[tuple[Float, Float]],
    wavelengths_nm: Sequence[float],
    obstruction: float,
    air: tuple[float, float] | None = None,
) -> CutoffFit:
    """Fit the cut-off of all channels of a stack together.

    Parameters
    ----------
    halves : sequence of (ndarray, ndarray) of shape (h, w)
        The two half-sets of each channel, finite.
    wavelengths_nm : sequence of float
        Of the channels: cut-offs go with their inverse.
    obstruction : float
        Of the telescope.
    air : (float, float), optional
        D/r0 in the first channel and effective share of frames, see `Blur`; none by default.
    """
    grid = np.exp(np.linspace(np.log(0.08), np.log(0.9), 120))
    usual = USUAL * 530.0 / wavelengths_nm[0]
    cost = (np.log(grid / usual) / USUAL_SPREAD) ** 2
    for (first, second), wave in zip(halves, wavelengths_nm, strict=True):
        blur = None if air is None else Blur(air[0] * (wavelengths_nm[0] / wave) ** 1.2, air[1], obstruction)
        cost = cost + _cost(first, second, grid * wavelengths_nm[0] / wave, obstruction, blur)
    return CutoffFit(grid, cost)


def _cost(
    first: Float, second: Float, cutoffs: NDArray[np.float64], obstruction: float, blur: Blur | None
) -> NDArray[np.float64]:
    """Return the misfit of one channel for each supposed cut-off."""
    rings = Rings(first.shape, int(np.clip(min(first.shape) // 2, 24, 160)), float(np.sqrt(0.5)))
    a, b = (cosine(np.asarray(half, np.float64)) for half in (first, second))
    known = (rings.members > 0) & (rings.centres < 0.7)
    f, members = rings.centres[known], rings.members[known]
    shared = rings.mean(a * b)[known]
    noise = scipy.ndimage.gaussian_filter1d(rings.mean(((a - b) / 2) ** 2)[known], 2.0)
    clear = shared > 0.35 * noise
    gone = ~clear[:-2] & ~clear[1:-1] & ~clear[2:] & (f[:-2] > 0.06)
    seen = float(f[np.flatnonzero(gone)[0]]) if gone.any() else float(f[-3])
    used = f > 0.5 * seen
    f, members, shared, noise = f[used], members[used], shared[used], noise[used]
    above = np.maximum(shared, 0)
    error = np.hypot(np.sqrt(2 / members) * (above + noise), 0.1 * above)
    costs = np.full(cutoffs.size, np.inf)
    slopes = np.arange(1.5, 5.1, 0.25)
    for index, cutoff in enumerate(cutoffs):
        if cutoff < 0.9 * seen:
            continue
        passed = np.where(f < cutoff, np.asarray(modulation_transfer(np.minimum(f / cutoff, 1.0), obstruction)), 0) ** 2
        if blur is not None:
            passed = passed * blur.transfer(f, cutoff) ** 2
        for slope in slopes:
            base = passed * f**-slope
            # Scene, and what the halves share of their noise; neither can be negative.
            design = np.stack([base / max(base.max(), 1e-300), noise / noise.max()], axis=1) / error[:, None]
            _, left = scipy.optimize.nnls(design, shared / error)
            costs[index] = min(costs[index], left**2 + ((slope - SLOPE) / SLOPE_SPREAD) ** 2)
    finite = np.isfinite(costs)
    scale = UNSURE * max(float(costs[finite].min()) / f.size, 1.0)
    worst = float(costs[finite].max())
    return np.where(finite, costs, 10 * worst) / scale
