"""Lends colour the detail of a luminance picture: pure functions on arrays, all in linear light."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["LUMA", "apply_luminance"]

LUMA = (0.2126, 0.7152, 0.0722)
"""Luminance of the linear sRGB primaries (IEC 61966-2-1)."""


def apply_luminance(colour: NDArray[np.float32], luminance: NDArray[np.float32]) -> NDArray[np.float32]:
    """Give a colour picture the brightness of another picture of the same object, keeping hue and saturation.

    Parameters
    ----------
    colour : ndarray of float32, shape (3, h, w)
        Linear light, sky at zero.
    luminance : ndarray of float32, shape (h, w)
        Linear light on the same pixels, sky at zero, in any unit.

    Returns
    -------
    ndarray of float32, shape (3, h, w)
        Each pixel's three values times one factor: the luminance wanted over that of the colours, both on a pedestal
        of a twentieth of the object's level so that the sky's noise is not blown up. The mean over the object
        stays.
    """
    own = np.tensordot(np.array(LUMA, np.float32), colour, axes=1)
    both = np.isfinite(own) & np.isfinite(luminance)
    if not both.any():
        return np.full_like(colour, np.nan)
    bright = both & (own > 0.25 * np.percentile(own[both], 99.5))
    level, other = float(own[bright].mean()), float(luminance[bright].mean())
    if not (level > 0 and other > 0):
        return colour
    pedestal = 0.05 * level
    factor = (luminance * (level / other) + pedestal) / np.maximum(own + pedestal, 0.2 * pedestal)
    lit: NDArray[np.float32] = (colour * np.clip(factor, 0.0, 20.0)).astype(np.float32)
    return lit
