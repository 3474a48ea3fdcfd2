"""The curve of sRGB, by which linear light becomes what screens and picture files expect.

IEC 61966-2-1:1999, clause 5.2, with the rounded constants of that standard: threshold 0.0031308, slope 12.92, offset
0.055, exponent 2.4.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["srgb_decode", "srgb_encode"]


def srgb_encode(linear: NDArray[Any]) -> NDArray[np.float64]:
    """Encode linear light as sRGB.

    Parameters
    ----------
    linear : ndarray of float
        Linear light, 0 black to 1 white; values outside are clipped, NaN becomes 0.

    Returns
    -------
    ndarray of float64
        Encoded values, 0 to 1, same shape.
    """
    light = np.clip(np.nan_to_num(np.asarray(linear, np.float64), nan=0.0, posinf=1.0, neginf=0.0), 0.0, 1.0)
    # The power is taken of values above the threshold only, where both branches agree to the standard's rounding.
    bent = 1.055 * np.power(np.maximum(light, 0.0031308), 1.0 / 2.4) - 0.055
    return np.where(light <= 0.0031308, 12.92 * light, bent)


def srgb_decode(encoded: NDArray[Any]) -> NDArray[np.float64]:
    """Decode sRGB values, 0 to 1, to linear light, 0 to 1 (the inverse of `srgb_encode`)."""
    value = np.clip(np.asarray(encoded, np.float64), 0.0, 1.0)
    return np.where(value <= 0.04045, value / 12.92, np.power((value + 0.055) / 1.055, 2.4))
