"""Apparent visual magnitudes.

Sources
-------
Planets: Mallama, A. & Hilton, J. L. (2018), "Computing apparent planetary magnitudes for The Astronomical Almanac",
Astronomy and Computing 25, 10-24, doi:10.1016/j.ascom.2018.08.002; without its small terms for the features on Mars
that face the observer (0.06 mag). Moon: Allen, Astrophysical Quantities (3rd edition, 1973), section 66. Sun: V =
-26.74 at 1 au (Willmer 2018, doi:10.3847/1538-4365/aabfdf: -26.76; the handbooks' -26.74 is kept).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["magnitude"]

Array = NDArray[np.float64]


def _poly(x: Array, *coefficients: float) -> Array:
    return np.polynomial.polynomial.polyval(x, np.array(coefficients, dtype=np.float64))


def _mercury(a: Array) -> Array:
    return -0.613 + _poly(a, 0.0, 6.3280e-02, -1.6336e-03, 3.3644e-05, -3.4265e-07, 1.6893e-09, -3.0334e-12)


def _venus(a: Array) -> Array:
    near = -4.384 + _poly(a, 0.0, -1.044e-03, 3.687e-04, -2.814e-06, 8.938e-09)
    far = 236.05828 + _poly(a, 0.0, -2.81914, 8.39034e-03)
    return np.where(a < 163.7, near, far)


def _mars(a: Array) -> Array:
    return np.where(a <= 50.0, -1.601 + _poly(a, 0.0, 0.02267, -0.0001302), -0.367 + _poly(a, 0.0, -0.02573, 0.0003445))


def _jupiter(a: Array) -> Array:
    # Seen from the Earth the phase angle never exceeds 12 degrees.
    return -9.395 + _poly(a, 0.0, -3.7e-04, 6.16e-04)


def _saturn(a: Array, sun_latitude: Array, earth_latitude: Array) -> Array:
    tilt = np.radians(np.sqrt(np.clip(sun_latitude * earth_latitude, 0.0, None)))
    return -8.914 - 1.825 * np.sin(tilt) + 0.026 * a - 0.378 * np.sin(tilt) * np.exp(-2.25 * a)


def _uranus(a: Array, sun_latitude: Array, earth_latitude: Array) -> Array:
    tilt = 0.5 * (np.abs(sun_latitude) + np.abs(earth_latitude))
    return -7.110 - 0.00084 * tilt + np.where(a > 3.1, _poly(a, 0.0, 6.587e-03, 1.045e-04), 0.0)


def _neptune(a: Array, year: Array) -> Array:
    base = np.clip(-6.89 - 0.0054 * (year - 1980.0), -7.00, -6.89)
    return base + np.where(a > 1.9, _poly(a, 0.0, 7.944e-03, 9.617e-05), 0.0)


_SIMPLE: dict[str, Callable[[Array], Array]] = {
    "mercury": _mercury,
    "venus": _venus,
    "mars": _mars,
    "jupiter": _jupiter,
}


def magnitude(
    name: str,
    *,
    sun_distance_au: Array,
    distance_au: Array,
    phase_angle_deg: Array,
    sun_latitude_deg: Array,
    earth_latitude_deg: Array,
    year: Array,
) -> Array:
    """Apparent V magnitude of a body.

    Parameters
    ----------
    name : str
        A target's name.
    sun_distance_au, distance_au : ndarray of float64, shape (n,)
        Distance of the body from the Sun and from the observer.
    phase_angle_deg : ndarray, shape (n,)
        Angle Sun - body - observer.
    sun_latitude_deg, earth_latitude_deg : ndarray, shape (n,)
        Sub-solar and sub-observer latitude: planetocentric for Saturn, planetographic for Uranus; others ignore it.
    year : ndarray, shape (n,)
        Decimal year (Neptune has brightened).

    Returns
    -------
    ndarray of float64, shape (n,)
        Magnitudes; without the extinction of the air.
    """
    if name == "sun":
        return -26.74 + 5.0 * np.log10(distance_au)
    spread = 5.0 * np.log10(sun_distance_au * distance_au)
    a = phase_angle_deg
    if name == "moon":
        return 0.21 + spread + 0.026 * np.abs(a) + 4.0e-9 * a**4
    if name == "saturn":
        return spread + _saturn(a, sun_latitude_deg, earth_latitude_deg)
    if name == "uranus":
        return spread + _uranus(a, sun_latitude_deg, earth_latitude_deg)
    if name == "neptune":
        return spread + _neptune(a, year)
    return spread + _SIMPLE[name](a)
