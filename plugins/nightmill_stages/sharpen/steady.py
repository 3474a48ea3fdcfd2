"""Finds the blur of a surface from how much its frames differ: without sky, limb or any knowledge of the scene.

The steadier the air, the more alike are short exposures. The square of their mean transfer over the mean of its square
falls with D/r0 alone (the spectral ratio of von der Luehe 1984, J. Opt. Soc. Am. A 1, 510,
doi:10.1364/JOSAA.1.000510); what it does for registered frames is tabled beside the blur itself, from the same
Kolmogorov screens. D/r0 then says how blurred the mean of these frames is, and the stack's power over theirs how much
less blurred the stack is, whatever chose and weighted its frames. Shifts that the mesh did not follow make frames
differ more towards fine detail than air does, and blur them: their size is fitted too.
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

__all__ = ["Steady", "air_by_steadiness"]

Float = NDArray[np.float64]
NOISY = 0.5
"""Rings whose frames hold more noise than this share of their power say nothing about the air; about the ratio of
stack and frames they say something up to `NOISIER`."""
NOISIER = 0.7
AIR_BAND = (0.08, 0.8)
"""Where the spectral ratio is looked at, shares of the cut-off: below, it is nearly 1 in any air; above is noise."""
AVERAGED = 1.1
"""D/r0 over what it seems to be where directions and moments that saw different air are averaged, for frames then
differ less. Measured: 1.03 to 1.12 where patches of a frame fade into each other (the benchmark's second simulator,
seeds 5 to 7), 0.93 to 0.96 where they hardly do (the first, tuning set)."""
LEFT = 0.65
"""At most this share of the bending is left, and of `USUAL_BENDING` pixels where the stack does not tell it. Found on
simulated fields: 0.3 to 0.45, in the worst air 0.65."""
USUAL_BENDING = 1.5
BLUR_BAND = (0.03, 0.75)
FEWEST = 6
"""Rings that are needed."""
START = (0.3, 0.8, 2.0)


@dataclass(frozen=True)
class Steady:
    """What the steadiness of the frames says.

    Attributes
    ----------
    frames_ratio : float
        D/r0 of the air over all registered frames, at the wavelength of the optics given.
    error : float
        Standard error of its logarithm, by the misfit.
    left_px : float
        Shifts that were not followed, rms along an axis, camera pixels.
    ratio, share : float
        Of the stack's blur, see `Blur`: the member of the family closest to it.
    """

    frames_ratio: float
    error: float
    left_px: float
    ratio: float
    share: float


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
    seen = mean[used] / (square - noise)[used]
    wave = (2 * np.pi * f[used]) ** 2

    def misfit(point: Float) -> Float:
        expected = expected_steadiness(u[used], float(np.exp(point[0])), share, optics.obstruction)
        spoilt = np.exp(-wave * point[1] ** 2) if point.size > 1 else 1.0
        return np.asarray(expected * spoilt - seen, np.float64)

    low, high = np.log(RATIO_RANGE[0]), np.log(RATIO_RANGE[1])
    alone = scipy.optimize.least_squares(misfit, [np.log(3.0)], bounds=([low], [high]), diff_step=0.01)
    # Where noise leaves the lower frequencies alone, air and shifts look alike: most of the bending is followed.
    most = max(LEFT * float(np.mean(header.get("bending_px") or [USUAL_BENDING])), 0.2)
    both = scipy.optimize.least_squares(misfit, [np.log(3.0), 0.1], bounds=([low, 0], [high, most]), diff_step=0.01)
    # Alone, all differences are the air's: an upper bound. With shifts fitted, what the air of some directions and
    # moments within a window and an exposure has averaged away is missing.
    left_px = float(both.x[1])
    ratio = float(np.exp(min(alone.x[0], both.x[0] + np.log(AVERAGED))))
    error = float(np.sqrt(np.mean(alone.fun**2) / max(float(np.mean(alone.jac**2)), 1e-12)))
    used = (u > BLUR_BAND[0]) & (u < BLUR_BAND[1]) & (noisy < NOISIER) & (mean > 0) & (stack > 0)
    if used.sum() < FEWEST:
        return None
    f, u = f[used], u[used]
    frames = Blur(ratio, share, optics.obstruction, left_px).transfer(f, cutoff) * passed[used]
    found = _closest(f / scale, np.sqrt(stack[used] / mean[used]) * frames, optics)
    return Steady(ratio, error, left_px, *found)


def _closest(frequency: Float, transfer: Float, optics: Optics) -> tuple[float, float]:
    """Return ratio and share of the blur closest to a transfer, in its logarithm, by least squares.

    Pictures have most power at low frequencies: rings count as the inverse of their frequency.
    """
    bounds = np.log([[RATIO_RANGE[0], SHARE_RANGE[0]], [RATIO_RANGE[1], SHARE_RANGE[1]]])
    weight = np.sqrt(frequency[0] / frequency)

    def misfit(point: Float) -> Float:
        blur = Blur(*np.exp(point).tolist(), optics.obstruction, optics.drop_px)
        return np.asarray(weight * (np.log(blur.transfer(frequency, optics.cutoff)) - np.log(transfer)), np.float64)

    tries = [
        scipy.optimize.least_squares(misfit, np.log([3.0, share]), bounds=bounds, diff_step=0.01) for share in START
    ]
    best = min(tries, key=lambda one: float(one.cost))
    ratio, share = (float(value) for value in np.exp(best.x))
    return ratio, share
