"""Finds the blur of a surface from how much its frames differ: without sky, limb or any knowledge of the scene.

The steadier the air, the more alike are short exposures. The square of their mean transfer over the mean of its square
falls with D/r0 alone (the spectral ratio of von der Luehe 1984, J. Opt. Soc. Am. A 1, 510,
doi:10.1364/JOSAA.1.000510); what it does for registered frames is tabled beside the blur itself, from the same
Kolmogorov screens. Three things besides the air's strength make frames differ more or less than that, and are fitted
with it: shifts that the mesh did not follow, towards fine detail; air that changes while the capture runs, towards
coarse detail; and moments and directions of different air that are averaged within an exposure and where patches of
different air meet. The last takes from what directions do not have in common; what they have is seen, frequency by
frequency, in windows far apart. How much it takes nobody sees: there the spectrum of lunar scenes helps, which has
nearly the same slope everywhere.

D/r0 then says how blurred the mean of these frames is, and the stack's power over theirs how much less blurred the
stack is, whatever chose and weighted its frames.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from .blur import RATIO_RANGE, SHARE_RANGE, Blur, expected_steadiness
from .optics import Optics

__all__ = ["Air", "Steady", "air_by_steadiness"]

Float = NDArray[np.float64]
NOISY = 0.5
"""Rings whose frames hold more noise than this share of their power say nothing about the air; about the ratio of
stack and frames they say something up to `NOISIER`."""
NOISIER = 0.7
AIR_BAND = (0.08, 0.8)
"""Where the spectral ratio is looked at, shares of the cut-off: below, it is nearly 1 in any air; above is noise."""
BLUR_BAND = (0.03, 0.75)
LOCAL, LOCAL_SPREAD = 0.42, 0.45
"""How much is left of what differs from frame to frame here alone, and the spread of its logarithm: exposures average
over time, and simulators let patches of different air fade into each other. Linear ramps leave (2/3)^2 (the quality
benchmark's second simulator; found there: 0.2 to 0.45), narrow ones and exposures 0.65 to 0.85 (the first)."""
COMMON = 0.92
"""The same of what all directions have in common: exposures average it too (0.8 to 0.9 in simulated fields)."""
ONE_WINDOW = 0.67
"""The same where there is but one window, of all that differs."""
SLOPE, SLOPE_SPREAD = -2.1, 0.2
"""Power of frequency that the power of a lunar scene goes with: -2.0 to -2.2 in both simulators. Natural scenes have
-2.0 to -2.4 (Tolhurst, Tadmor & Chao 1992, doi:10.1111/j.1475-1313.1992.tb00296.x; from memory)."""
SLOPE_BAND = (0.1, 0.65)
"""Where it is looked at, shares of the cut-off."""
LEFT, LEFT_SPREAD = 0.4, 0.1
"""Shifts that are not followed, and their spread, as shares of the bending, where the mesh's nodes lie `BETWEEN` of the
telescope's finest periods at `BETWEEN_NM` apart. What a mesh misses of a smooth field is its curvature, which goes with
the square of the distance between nodes, an angle; periods tell that angle, whatever the aperture, but for light of
another colour. On simulated fields, which the square fits: 0.2 at 4.8 periods, 0.3 to 0.6 at 6.7, 0.6 and more at 10 to
18."""
LEFT_MOST = 0.95
BETWEEN, BETWEEN_NM = 6.7, 630.0
MESH_PX = 24.0
"""Distance of the nodes where the stack does not tell it."""
UNTOLD = (0.3, 0.4)
"""The same in pixels where the stack does not tell the bending."""
WANDER, WANDER_SPREAD = 0.15, 0.15
"""Standard deviation of ln(D/r0) while a capture runs, and its spread. On simulated fields: 0.03 to 0.3."""
UNSURE, UNSURE_NOISE = 0.04, 0.05
"""Error of the tabled spectral ratio; relative error of the noise."""
FEWEST = 6
"""Rings that are needed."""
START = (0.3, 0.8, 2.0)
DRAWS, WEIGHTS = np.polynomial.hermite_e.hermegauss(5)
WEIGHTS = WEIGHTS / WEIGHTS.sum()


@dataclass(frozen=True)
class Steady:
    """What the steadiness of the frames says.

    Attributes
    ----------
    frames_ratio : float
        D/r0 of the air over all registered frames, at the wavelength of the optics given.
    error : float
        Standard error of its logarithm.
    left_px : float
        Shifts that were not followed, rms along an axis, camera pixels.
    ratio, share, extra_px : float
        Of the stack's blur, see `Blur`: the member of the family closest to it. `extra_px`, in pixels of the stack, is
        without the telescope's own `drop_px`.
    """

    frames_ratio: float
    error: float
    left_px: float
    ratio: float
    share: float
    extra_px: float


@dataclass(frozen=True)
class Air:
    """Air over registered frames.

    Attributes
    ----------
    ratio : float
        D/r0, median over time.
    left_px : float
        Shifts that were not followed, rms along an axis, camera pixels.
    wander : float
        Standard deviation of ln(D/r0) over time.
    averaged : float
        Share of the differences between frames that is left by averaging, of those that directions do not have in
        common.
    """

    ratio: float
    left_px: float
    wander: float
    averaged: float

    def expect(
        self, frequency: Float, cutoff: float, share: float, obstruction: float, common: Float | float = 0.0
    ) -> tuple[Float, Float]:
        """Return the mean transfer of the frames, and the square of it over the mean square.

        Parameters
        ----------
        frequency : ndarray
            Cycles a camera pixel.
        cutoff : float
            Of the telescope, likewise.
        share : float
            Of the frames, sharpest first, that these are.
        obstruction : float
            Of the telescope.
        common : ndarray or float
            What windows far apart have in common of the frames' differences, as a share of the mean's power.
        """
        u = np.minimum(frequency / cutoff, 1.0)
        mean, square = np.zeros_like(u), np.zeros_like(u)
        for draw, weight in zip(DRAWS, WEIGHTS, strict=True):
            ratio = float(np.clip(self.ratio * np.exp(self.wander * draw), *RATIO_RANGE))
            passed = Blur(ratio, share, obstruction).transfer(frequency, cutoff)
            alike = np.maximum(expected_steadiness(u, ratio, share, obstruction), 1e-6)
            mean += weight * passed
            square += weight * passed**2 / alike
        moved = np.exp(-((2 * np.pi * self.left_px * frequency) ** 2))
        differs = square / mean**2 - 1
        # Seen are what all have in common, and of the rest what averaging left.
        common = np.minimum(common, COMMON * differs)
        differs = common + self.averaged * (differs - common / COMMON)
        return mean * np.sqrt(moved), moved / (1 + differs)


def air_by_steadiness(header: Mapping[str, Any], optics: Optics, lunar: bool = False) -> Steady | None:
    """Return the blur of a stack by the steadiness of its frames.

    Parameters
    ----------
    header : mapping
        Of the stack: "steadiness", "bending_px", "mesh_px" and "scale" are used.
    optics : Optics
        The telescope at the wavelength of the frames' brightness.
    lunar : bool
        The slope of the scene's spectrum is that of the Moon's.

    Returns
    -------
    Steady or None
        None when the stack does not tell, or noise hides it.
    """
    facts = header.get("steadiness") or {}
    names = ("frequency", "mean", "square", "stack", "passed", "grain")
    if any(not facts.get(name) for name in names):
        return None
    f, mean, square, stack, passed, grain = (np.asarray(facts[name], np.float64) for name in names)
    scale = float(header.get("scale", 1) or 1)
    cutoff = optics.cutoff * scale
    u = f / cutoff
    if facts.get("noise"):
        noise = np.asarray(facts["noise"], np.float64)
    else:
        # Beyond the cut-off is noise alone; resampling has coloured it.
        beyond = (u > 1.05) & (f <= f[-1])
        if not beyond.any():
            # Pixels too coarse to show noise alone: the last rings hold little else.
            beyond = f >= 0.95 * f[-1]
        noise = float(np.median(square[beyond] / grain[beyond])) * grain
    noisy = noise / np.maximum(square, 1e-300)
    share = float(facts.get("share", 1.0))
    used = (u > AIR_BAND[0]) & (u < AIR_BAND[1]) & (noisy < NOISY)
    if used.sum() < FEWEST:
        return None
    common = np.asarray(facts.get("common") or np.zeros(f.size), np.float64)
    bending = header.get("bending_px")
    between = float(header.get("mesh_px", MESH_PX)) * cutoff * optics.wavelength_nm / BETWEEN_NM
    left = _left(float(np.mean(bending)), between) if bending else UNTOLD
    seen = mean[used] / (square - noise)[used]
    part = _Rings(f[used], seen, noisy[used], scipy.ndimage.uniform_filter1d(common, 3)[used], np.zeros(0), np.zeros(0))
    sloping = (u > SLOPE_BAND[0]) & (u < SLOPE_BAND[1]) & (noisy < NOISY) & (mean > 0)
    if lunar and sloping.sum() >= FEWEST:
        unblurred = mean[sloping] / (passed[sloping] * optics.transfer(f[sloping] / scale)) ** 2
        part = replace(part, sloping=f[sloping], power=unblurred)
    air, error = _fit(part, left, LOCAL if common.any() else ONE_WINDOW, share, cutoff, optics.obstruction)
    used = (u > BLUR_BAND[0]) & (u < BLUR_BAND[1]) & (noisy < NOISIER) & (mean > 0) & (stack > 0)
    if used.sum() < FEWEST:
        return None
    f = f[used]
    frames = air.expect(f, cutoff, share, optics.obstruction)[0] * passed[used]
    found = _closest(f / scale, np.sqrt(stack[used] / mean[used]) * frames, optics)
    return Steady(air.ratio, error, air.left_px, *found)


def _left(bending_px: float, between: float) -> tuple[float, float]:
    """Return shifts that a mesh does not follow, and their spread, px; `between` counts periods from node to node."""
    wider = (between / BETWEEN) ** 2
    share = min(LEFT * wider, LEFT_MOST)
    return share * bending_px, LEFT_SPREAD / LEFT * share * bending_px


@dataclass(frozen=True)
class _Rings:
    """What the frames show by frequency: the spectral ratio, the share of noise, and how much windows far apart differ
    alike as a share of the mean's power.

    `power` is the power of the scene as blurred by the air alone, at the frequencies `sloping`; empty when its slope is
    unknown.
    """

    frequency: Float
    seen: Float
    noisy: Float
    common: Float
    sloping: Float
    power: Float


def _fit(
    rings: _Rings, left: tuple[float, float], averaged: float, share: float, cutoff: float, obstruction: float
) -> tuple[Air, float]:
    """Return the air that explains a spectral ratio, and the error of ln(D/r0)."""
    f, seen, noisy = rings.frequency, rings.seen, rings.noisy
    # Rings of fine detail are many and say the same.
    weight = np.sqrt(1 / f)
    weight /= np.sqrt(np.mean(weight**2))
    weight /= np.hypot(UNSURE, UNSURE_NOISE * seen * noisy / (1 - noisy))
    usual = np.array([left[0], WANDER, np.log(averaged)])
    spread = np.array([max(left[1], 0.02), WANDER_SPREAD, LOCAL_SPREAD])
    lever = np.log(rings.sloping) - np.log(rings.sloping).mean() if rings.sloping.size else np.zeros(0)

    def misfit(point: Float) -> Float:
        air = Air(float(np.exp(point[0])), float(point[1]), float(point[2]), float(np.exp(point[3])))
        expected = air.expect(f, cutoff, share, obstruction, rings.common)[1]
        parts = [weight * (expected - seen), (point[1:] - usual) / spread]
        if lever.size:
            blur = air.expect(rings.sloping, cutoff, share, obstruction)[0]
            slope = lever @ (np.log(rings.power) - 2 * np.log(blur)) / (lever @ lever)
            parts.append(np.array([(slope - SLOPE) / SLOPE_SPREAD]))
        return np.concatenate(parts)

    low, high = np.log(RATIO_RANGE[0]), np.log(RATIO_RANGE[1])
    best = min(
        (
            scipy.optimize.least_squares(
                misfit,
                [np.log(start), *usual],
                bounds=([low, 0, 0, np.log(0.05)], [high, 2 * usual[0] + 1, 1, 0.0]),
                diff_step=1e-3,
                x_scale=[0.1, 0.1, 0.1, 0.1],
            )
            for start in (2.0, 4.5)
        ),
        key=lambda one: float(one.cost),
    )
    ratio, averaged = (float(value) for value in np.exp(best.x[[0, 3]]))
    error = float(np.sqrt(np.linalg.pinv(best.jac.T @ best.jac)[0, 0]))
    return Air(ratio, float(best.x[1]), float(best.x[2]), averaged), error


def _closest(frequency: Float, transfer: Float, optics: Optics) -> tuple[float, float, float]:
    """Return ratio, share and Gaussian of the blur closest to a transfer, in its logarithm, by least squares.

    Pictures have most power at low frequencies: rings count as the inverse of their frequency.
    """
    bounds = (
        [np.log(RATIO_RANGE[0]), np.log(SHARE_RANGE[0]), 0.0],
        [np.log(RATIO_RANGE[1]), np.log(SHARE_RANGE[1]), 4.0],
    )
    weight = np.sqrt(frequency[0] / frequency)

    def misfit(point: Float) -> Float:
        extra = float(np.hypot(point[2], optics.drop_px))
        blur = Blur(*np.exp(point[:2]).tolist(), optics.obstruction, extra)
        return np.asarray(weight * (np.log(blur.transfer(frequency, optics.cutoff)) - np.log(transfer)), np.float64)

    tries = [
        scipy.optimize.least_squares(misfit, [np.log(3.0), np.log(share), 0.3], bounds=bounds, diff_step=0.01)
        for share in START
    ]
    best = min(tries, key=lambda one: float(one.cost))
    ratio, share = (float(value) for value in np.exp(best.x[:2]))
    return ratio, share, float(best.x[2])
