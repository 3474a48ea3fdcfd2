"""Where a telescope's transfer ends, by a disc: how much of each frequency of a known thing is left in the stack.

Of the whole scene the spectrum of the halves tells how strong it still is, but not how strong it was. Of a disc that
ends sharply, darkened as its limb says, strength and phase are known at every frequency; what of the stack goes with
it is telescope times blur, and chance (noise, clouds, maria) averages out of it as the root of the ring's members. Both
ways err by 2 to 3 % and hardly together (tuning captures of the second simulator).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from nightmill_sky.optics import modulation_transfer

from .blur import Blur
from .canvas import around_object, sky_level
from .ellipse import Ellipse
from .limb import around, disc_powers
from .signal import HIGHEST
from .spectral import Rings, apply_transfer, cosine

__all__ = ["ending_cost"]

Array = NDArray[np.float64]
FROM = 0.55
"""Share of the supposed cut-off from which on is looked: below, the blur alone tells."""
TO = 1.6
UNSURE = 0.05
"""What the model of disc and blur misses from ring to ring, as a share."""
SLOPE, BEND = 0.1, 0.2
"""By how much (logarithm, from 0 to the cut-off; and the same in the square) the blur may be otherwise."""
UNLIKE = 3.0
"""Errors squared are so many times as large as chance: on tuning captures they were 1.7 times as large as expected."""


def ending_cost(
    picture: NDArray[np.float32],
    gain: NDArray[np.floating],
    ellipse: Ellipse,
    blur: Blur,
    supposed: float,
    cutoffs: Array,
) -> Array:
    """Return how badly each cut-off fits what of a disc is left in a stack.

    Parameters
    ----------
    picture : ndarray of float32, shape (h, w)
        The stack.
    gain : ndarray of shape (h, w)
        What sharpens it: says how bright the disc is in each direction.
    ellipse : Ellipse
        Outline, with its darkening.
    blur : Blur
        Measured with the `supposed` cut-off, cycles a pixel.
    cutoffs : ndarray of shape (k,)
        Looked at, cycles a pixel.

    Returns
    -------
    ndarray of float64, shape (k,)
        Minus twice the logarithm of the likelihood, up to a constant.
    """
    above = np.asarray(picture - sky_level(picture), np.float32)
    window = around_object(above)
    sharp, stack = apply_transfer(above, gain)[window], np.ascontiguousarray(above[window], np.float64)
    placed = replace(ellipse, row=ellipse.row - (window[0].start or 0), column=ellipse.column - (window[1].start or 0))
    disc = np.tensordot(np.array(ellipse.darkening), disc_powers(placed, stack.shape), 1) * around(sharp, placed)
    rings = Rings(stack.shape, int(np.clip(min(stack.shape) // 2, 24, 160)), HIGHEST)
    seen, shown = cosine(stack), cosine(np.asarray(disc, np.float64))
    power = np.maximum(rings.mean(shown * shown), 1e-300)
    left = rings.mean(seen * shown) / power
    rest = np.maximum(rings.mean(seen * seen) - left**2 * power, 0)
    error = np.sqrt(rest / np.maximum(rings.members, 1) / power)
    used = (rings.members > 0) & (rings.centres > FROM * supposed) & (rings.centres < min(TO * supposed, 0.68))
    f, left = rings.centres[used], left[used]
    error = np.maximum(np.hypot(error[used], UNSURE * np.abs(left)), 1e-12)
    x = f / supposed - 0.6
    wanted = np.concatenate([left / error, [0.0, 0.0]])
    costs = np.empty(cutoffs.size)
    # How bright the disc is is free; a slope and a bend of the blur are nearly known.
    near = np.diag([0, 1 / SLOPE, 1 / BEND])[1:]
    for index, cutoff in enumerate(cutoffs):
        inside = np.minimum(f, cutoff)
        passed = modulation_transfer(inside / cutoff, blur.obstruction) * blur.transfer(inside, float(cutoff)) / error
        design = np.concatenate([np.stack([passed, passed * x, passed * x * x], axis=1), near])
        found, *_ = np.linalg.lstsq(design, wanted, rcond=None)
        costs[index] = np.sum((design @ found - wanted) ** 2)
    return costs / UNLIKE
