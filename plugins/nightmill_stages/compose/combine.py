"""Puts channels together: registering all layers of a set, and lending colour the detail of a luminance picture.

Pure functions on arrays, all in linear light.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import scipy
from numpy.typing import NDArray

from nightmill.stage import Each, in_turn

from ..matching.outline import object_mask
from ..matching.register import Offset, move

__all__ = ["align_planes", "apply_luminance", "find_object"]

NO_OFFSET = Offset(0.0, 0.0, 1.0)
LUMA = (0.2126, 0.7152, 0.0722)
"""Luminance of the linear sRGB primaries (IEC 61966-2-1)."""


def align_planes(
    planes: Sequence[NDArray[np.float32]],
    offsets: Sequence[Offset],
    shape: tuple[int, int],
    *,
    order: int = 5,
    each: Each = in_turn,
) -> NDArray[np.float32]:
    """Resample planes on common pixels; only what all of them cover has data.

    Returns
    -------
    ndarray of float32, shape (n, h, w)
        NaN in all planes wherever one of them has no data.
    """
    moved = np.stack(each(lambda k: move(planes[k], offsets[k], shape, order=order), range(len(planes))))
    moved[:, ~np.isfinite(moved).all(axis=0)] = np.nan
    return moved


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


def find_object(data: NDArray[np.float32]) -> NDArray[np.bool_] | None:
    """Find the object when sky surrounds it: mask (h, w), or None on a surface that fills the picture.

    `data` has the shape (h, w) or (3, h, w).
    """
    planes = data[None] if data.ndim == 2 else data
    values = np.asarray(planes, np.float64)
    tops = np.array([np.nanpercentile(p, 99.9) if np.isfinite(p).any() else 1.0 for p in values])
    light = (values / np.where(tops > 0, tops, 1.0)[:, None, None]).mean(axis=0)
    missing = ~np.isfinite(light)
    if missing.all():
        return None
    light = np.where(missing, np.percentile(light[~missing], 5.0), light)
    return object_mask(scipy.ndimage.gaussian_filter(scipy.ndimage.median_filter(light, size=3), 1.0))
