"""Finds the blur of a surface from how much its frames differ: without sky, limb or any knowledge of the scene.

The steadier the air, the more alike are short exposures. The square of their mean transfer over the mean of its square
falls with D/r0 alone (the spectral ratio of von der Luehe 1984, J. Opt. Soc. Am. A 1, 510,
doi:10.1364/JOSAA.1.000510); what it does for registered frames is tabled beside the blur itself, from the same
Kolmogorov screens. Three things besides the air's strength make frames differ more or less than that, and are fitted
with it: shifts that the mesh did not follow, towards fine detail; air that changes while the capture runs, towards
coarse detail; and moments and directions of different air that are averaged within an exposure and a window, at all
frequencies alike. How far directions differ is told by windows far apart.

D/r0 then says how blurred the mean of these frames is, and the stack's power over theirs how much less blurred the
stack is, whatever chose and weighted its frames.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
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
ALIKE_BAND = (0.25, 0.5)
"""Where windows are compared with each other: below, changing air makes them alike; above, noise is strong."""
AVERAGED = ((0.3, 0.58), (0.8, 0.72), (1.0, 0.92))
"""How much of the air's differences between frames is left where patches of different air are averaged, by how much
of it windows far apart have in common. Where linear ramps fade one into the other it is (2/3)^2 of what two patches do
not have in common, and all of the rest. Pictures are best with 0.5 for 0.4 in common and 0.7 for 0.7 where patches fade
all the way (the quality benchmark's second simulator), with 0.75 and 0.85 where they hardly do (the first), and with
0.8 to 0.9 in both where all directions see the same air."""
AVERAGED_ERROR = 0.05
"""Error of ln(D/r0) by not knowing it better."""
UNKNOWN = 0.67
"""The same where nothing is known, for there is but one window."""
LEFT, LEFT_SPREAD = 0.37, 0.1
"""Shifts that are not followed, and their spread, as shares of the bending. On simulated fields: 0.25 to 0.5."""
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
        Share of the differences between frames that is not averaged away.
    """

    ratio: float
    left_px: float
    wander: float
    averaged: float

    def expect(self, frequency: Float, cutoff: float, share: float, obstruction: float) -> tuple[Float, Float]:
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
        """
        u = np.minimum(frequency / cutoff, 1.0)
        mean, square = np.zeros_like(u), np.zeros_like(u)
        for draw, weight in zip(DRAWS, WEIGHTS, strict=True):
            ratio = float(np.clip(self.ratio * np.exp(self.wander * draw), *RATIO_RANGE))
            passed = Blur(ratio, share, obstruction).transfer(frequency, cutoff)
            alike = np.maximum(expected_steadiness(u, ratio, share, obstruction), 1e-6)
            mean += weight * passed
            square += weight * passed**2 * (1 + self.averaged * (1 / alike - 1))
        moved = np.exp(-((2 * np.pi * self.left_px * frequency) ** 2))
        return mean * np.sqrt(moved), mean**2 * moved / square


def air_by_steadiness(header: Mapping[str, Any], optics: Optics) -> Steady | None:
    """Return the blur of a stack by the steadiness of its frames.

    Parameters
    ----------
    header : mapping
        Of the stack: "steadiness", "bending_px" and "scale" are used.
    optics : Optics
        The telescope at the wavelength of the frames' brightness.

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
    left = (LEFT * float(np.mean(bending)), LEFT_SPREAD * float(np.mean(bending))) if bending else UNTOLD
    seen = mean[used] / (square - noise)[used]
    wave = (2 * np.pi * f[used]) ** 2
    compared = (u[used] > ALIKE_BAND[0]) & (u[used] < ALIKE_BAND[1])
    averaged = UNKNOWN
    # How alike windows are is known once the shifts are that were left in them.
    for _ in range(2):
        air, error = _fit(f[used], seen, noisy[used], left, averaged, share, cutoff, optics.obstruction)
        if not compared.any() or not common.any():
            break
        still = np.maximum(np.exp(-wave * air.left_px**2) / np.maximum(seen, 1e-6) - 1, 1e-6)[compared]
        alike = float(common[used][compared].sum() / still.sum())
        averaged = float(np.interp(alike, *zip(*AVERAGED, strict=True)))
        if averaged == air.averaged:
            break
    used = (u > BLUR_BAND[0]) & (u < BLUR_BAND[1]) & (noisy < NOISIER) & (mean > 0) & (stack > 0)
    if used.sum() < FEWEST:
        return None
    f = f[used]
    frames = air.expect(f, cutoff, share, optics.obstruction)[0] * passed[used]
    found = _closest(f / scale, np.sqrt(stack[used] / mean[used]) * frames, optics)
    return Steady(air.ratio, error, air.left_px, *found)


def _fit(
    f: Float,
    seen: Float,
    noisy: Float,
    left: tuple[float, float],
    averaged: float,
    share: float,
    cutoff: float,
    obstruction: float,
) -> tuple[Air, float]:
    """Return the air that explains a spectral ratio, and the error of ln(D/r0)."""
    # Rings of fine detail are many and say the same.
    weight = np.sqrt(1 / f)
    weight /= np.sqrt(np.mean(weight**2))
    weight /= np.hypot(UNSURE, UNSURE_NOISE * seen * noisy / (1 - noisy))
    usual, spread = np.array([left[0], WANDER]), np.array([max(left[1], 0.02), WANDER_SPREAD])

    def misfit(point: Float) -> Float:
        air = Air(float(np.exp(point[0])), float(point[1]), float(point[2]), averaged)
        expected = air.expect(f, cutoff, share, obstruction)[1]
        return np.concatenate([weight * (expected - seen), (point[1:] - usual) / spread])

    low, high = np.log(RATIO_RANGE[0]), np.log(RATIO_RANGE[1])
    best = min(
        (
            scipy.optimize.least_squares(
                misfit,
                [np.log(start), *usual],
                bounds=([low, 0, 0], [high, 2 * usual[0] + 1, 1]),
                diff_step=1e-3,
                x_scale=[0.1, 0.1, 0.1],
            )
            for start in (2.0, 4.5)
        ),
        key=lambda one: float(one.cost),
    )
    ratio, left_px, wander = float(np.exp(best.x[0])), float(best.x[1]), float(best.x[2])
    error = float(np.sqrt(np.linalg.pinv(best.jac.T @ best.jac)[0, 0] + AVERAGED_ERROR**2))
    return Air(ratio, left_px, wander, averaged), error


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
