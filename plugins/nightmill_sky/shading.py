"""How well a spot of a globe is seen, and how bright it is drawn: foreshortening, terminator, limb darkening.

Minnaert 1941 (ApJ 93, 403): brightness ~ mu0^k mu^(k-1), mu0 and mu the cosines of incidence and of emission.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from nightmill_sky.geometry import Disc
from nightmill_sky.outlines import ring_cover

__all__ = ["DARKENING", "darkening_of", "shading", "visibility"]

Array = NDArray[np.float64]

DARKENING = 0.9
"""Minnaert's exponent of limb darkening where a picture does not tell."""

_LEAST_EMISSION = 0.15
"""Cosine of the angle of view below which a place is not used: it is drawn out to seven times its height."""

_FULL_INCIDENCE = 0.2
"""Cosine of the angle of incidence from which light is enough; below, what is seen counts less."""


def visibility(disc: Disc, column: Array, row: Array, emission: Array, incidence: Array, shape: Sequence[int]) -> Array:
    """How well spots of a globe are seen on a picture.

    Parameters
    ----------
    disc : Disc
    column, row, emission, incidence : ndarray of float64, any one shape
        Of the spots, as `Disc.picture` gives them.
    shape : sequence of int
        Rows and columns of the picture.

    Returns
    -------
    ndarray of float64
        0 (not seen: beyond the limb or the picture, behind the rings, in the dark) to 1 (from straight above). A
        slanting piece of surface covers fewer pixels by the cosine; near the limb nothing is left.
    """
    weight = np.clip((emission - _LEAST_EMISSION) / (1.0 - _LEAST_EMISSION), 0.0, 1.0)
    weight *= np.clip(incidence / _FULL_INCIDENCE, 0.0, 1.0)
    inside = (column >= 0) & (column <= shape[1] - 1) & (row >= 0) & (row <= shape[0] - 1)
    weight = np.where(inside, weight, 0.0)
    return np.where(ring_cover(disc, column, row), 0.0, weight) if disc.rings_radii else weight


def shading(emission: Array, incidence: Array, exponent: float) -> Array:
    """Brightness that a surface of one albedo shows at these cosines, by Minnaert; 1 under the observer and the Sun.

    Cosines below 0.1 count as 0.1, so that dividing by it stays bounded.
    """
    lit, near = np.maximum(incidence, 0.1), np.maximum(emission, 0.1)
    return np.asarray(lit**exponent * near ** (exponent - 1.0))


def darkening_of(data: NDArray[np.float32], disc: Disc) -> list[float]:
    """Measure the limb darkening of a globe in each colour.

    Parameters
    ----------
    data : ndarray of float32, shape (h, w) or (3, h, w)
        Linear light, sky at zero.
    disc : Disc

    Returns
    -------
    list of float
        Minnaert's exponent, by least squares along the parallels: belts have each a brightness of their own, which
        cancels. 0.5 to 1.1; `DARKENING` where too little of a globe is seen.
    """
    row, column = np.indices(data.shape[-2:], np.float64)
    surface = disc.surface(column, row)
    good = (surface.emission > 0.3) & (surface.incidence > 0.3)
    if disc.rings_radii:
        good &= ~ring_cover(disc, column, row)
    slant = np.log((surface.emission * surface.incidence)[good])
    band = np.floor((surface.latitude_deg[good] + 90.0) / 5.0).astype(np.int64)
    counts = np.maximum(np.bincount(band), 1)
    slant = slant - (np.bincount(band, slant) / counts)[band]
    found = []
    for plane in data if data.ndim == 3 else data[None]:
        light = np.asarray(plane[good], np.float64)
        level = float(np.nanmedian(light)) if light.size else 0.0
        if light.size < 200 or not level > 0.0 or not (slant**2).sum() > 1.0:
            found.append(DARKENING)
            continue
        height = np.log(np.maximum(np.nan_to_num(light, nan=level), 0.05 * level) * surface.emission[good])
        height = height - (np.bincount(band, height) / counts)[band]
        found.append(float(np.clip((slant @ height) / (slant @ slant), 0.5, 1.1)))
    return found
