"""White balance from the planets' published colours: pure functions on arrays.

A planet shown in neutral light has, summed over its disc, the colour of its albedo: what it reflects of sunlight
through each filter. Gains per channel make that so; the Moon's and the Sun's surface is made neutral instead. Gains
are factors on linear light, so the picture stays linear.

Source
------
Mallama, Krobusek & Pavlov 2017, "Comprehensive wide-band magnitudes and albedos for the planets", Icarus 282, 19,
doi:10.1016/j.icarus.2016.09.023: geometric albedos in the Johnson-Cousins bands. The numbers below are from memory,
good to a few hundredths; their ratios agree with the planets' B-V colours. Effective wavelengths of the bands: Bessell
2005, Annu. Rev. Astron. Astrophys. 43, 293, table 1 (rounded, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import scipy
from numpy.typing import NDArray

__all__ = ["ALBEDOS", "albedo", "disc_colour", "gains_for", "surface_colour"]

BANDS_NM = (366.0, 436.0, 545.0, 641.0, 798.0)
"""Effective wavelengths of U, B, V, R and I, nm."""

ALBEDOS: dict[str, tuple[float, float, float, float, float]] = {
    "mercury": (0.087, 0.105, 0.142, 0.158, 0.180),
    "venus": (0.348, 0.658, 0.689, 0.658, 0.640),
    "mars": (0.060, 0.088, 0.170, 0.250, 0.285),
    "jupiter": (0.358, 0.443, 0.538, 0.513, 0.382),
    "saturn": (0.203, 0.339, 0.499, 0.568, 0.423),
    "uranus": (0.502, 0.561, 0.488, 0.264, 0.089),
    "neptune": (0.578, 0.562, 0.442, 0.226, 0.101),
}
"""Geometric albedos in U, B, V, R and I, from memory (see the source above)."""


def albedo(target: str, wavelength_nm: float) -> float:
    """Return a planet's geometric albedo, interpolated linearly between the bands.

    Parameters
    ----------
    target : str
        Lower-case name of a planet.
    wavelength_nm : float
        Effective wavelength, nm; beyond the bands the last value holds.

    Raises
    ------
    KeyError
        No colours are known for `target`.
    """
    return float(np.interp(wavelength_nm, BANDS_NM, ALBEDOS[target]))


def disc_colour(data: NDArray[np.float32], mask: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Sum each channel over an object surrounded by sky.

    Parameters
    ----------
    data : ndarray of float32, shape (3, h, w)
        Linear light freed of the sky's level; NaN where there are no data.
    mask : ndarray of bool, shape (h, w)
        The object. It is widened by a tenth of its size so that light blurred over the limb counts in every channel.

    Returns
    -------
    ndarray of float64, shape (3,)
    """
    reach = max(2, round(0.1 * float(np.sqrt(mask.sum() / np.pi))))
    wide = scipy.ndimage.binary_dilation(mask, iterations=reach) & np.isfinite(data).all(axis=0)
    total: NDArray[np.float64] = np.asarray(data[:, wide], np.float64).sum(axis=1)
    return total


def surface_colour(data: NDArray[np.float32]) -> NDArray[np.float64]:
    """Typical level of each channel on a surface that fills the picture.

    Parameters
    ----------
    data : ndarray of float32, shape (3, h, w)
        Linear light; NaN where there are no data.

    Returns
    -------
    ndarray of float64, shape (3,)
        Mean over the pixels between the 30th and the 95th percentile of brightness: neither shadow nor glare.
    """
    values = np.asarray(data[:, np.isfinite(data).all(axis=0)], np.float64)
    if values.shape[1] == 0:
        return np.zeros(3)
    typical = np.median(values, axis=1, keepdims=True)
    light = (values / np.where(typical > 0, typical, 1.0)).mean(axis=0)
    low, high = np.percentile(light, [30.0, 95.0])
    return np.asarray(values[:, (light >= low) & (light <= high)].mean(axis=1), np.float64)


def gains_for(colour: NDArray[np.float64], target: str | None, wavelengths_nm: Sequence[float]) -> tuple[float, ...]:
    """Return the gains that give an object its published colour, or a neutral one where none is known.

    Parameters
    ----------
    colour : ndarray of float64, shape (3,)
        Light of the object in R, G and B, from `disc_colour` or `surface_colour`.
    target : str or None
        A planet of `ALBEDOS`; all else is made neutral.
    wavelengths_nm : sequence of float
        Effective wavelengths of the three channels, nm.

    Returns
    -------
    tuple of float
        Factors for R, G and B; that of G is 1.

    Raises
    ------
    ValueError
        A channel has no light, or a gain would be outside 0.05 to 20: not a colour that a camera gives.
    """
    if not (np.isfinite(colour).all() and (colour > 0).all()):
        raise ValueError("one of the channels has no light above the sky")
    wanted = np.array([albedo(target, w) for w in wavelengths_nm] if target in ALBEDOS else [1.0, 1.0, 1.0])
    gains = (wanted / wanted[1]) / (colour / colour[1])
    if gains.min() < 0.05 or gains.max() > 20.0:
        raise ValueError(f"gains of {gains[0]:.3g} and {gains[2]:.3g} would be needed for red and blue")
    return tuple(float(f"{gain:.6g}") for gain in gains)
