"""How much light the air takes away at each wavelength, and how high a star stands.

Source
------
Three parts, after Hayes, D. S. & Latham, D. W. (1975), "A rediscussion of the atmospheric extinction and the absolute
spectral-energy distribution of Vega", ApJ 197, 593, doi:10.1086/153548. Molecules: Hansen, J. E. & Travis, L. D.
(1974), "Light scattering in planetary atmospheres", Space Sci. Rev. 16, 527, doi:10.1007/BF00168069, equation 2.30, in
proportion to the pressure. Haze: their usual amount, 0.05 mag at 1000 nm and sea level, falling with the wavelength to
the power of 1.3 (Angstrom) and with a height of 1.5 km. Ozone: 3 mm at normal pressure, with the cross-sections of the
Chappuis band that Serdyuchenko et al. (2014), Atmos. Meas. Tech. 7, 625, measured (rounded, from memory: good to a
tenth, where ozone itself changes by a third over the seasons). Lines of water and oxygen are left out.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nightmill_sky.air import pressure_at_height_hpa
from nightmill_sky.physical import airmass, refraction_deg
from nightmill_sky.site import Site
from nightmill_sky.timescales import instants

__all__ = ["extinction_mag", "haze_mag", "molecules_mag", "ozone_mag", "star_airmass"]

Array = NDArray[np.float64]

_MAGNITUDES = 2.5 / np.log(10.0)
_HAZE_MAG = 0.05
_HAZE_POWER = 1.3
_HAZE_HEIGHT_M = 1500.0
_OZONE_CM = 0.3
_LOSCHMIDT = 2.687e19  # molecules in a cubic centimetre at normal conditions
_CHAPPUIS_NM = (350, 400, 430, 450, 470, 490, 510, 530, 550, 570, 590, 603, 620, 640, 660, 680, 700, 740, 800, 900)
_CHAPPUIS_CM2 = (0.3, 0.01, 0.06, 0.17, 0.36, 0.85, 1.6, 2.7, 3.35, 4.6, 4.6, 5.2, 4.0, 2.9, 2.1, 1.4, 0.9, 0.5, 0.2, 0)
"""Cross-sections of ozone, 1e-21 square centimetres."""


def _checked(wavelength_nm: ArrayLike) -> Array:
    nm = np.asarray(wavelength_nm, np.float64)
    if not np.all((nm >= 350.0) & (nm <= 1700.0)):
        raise ValueError(f"wavelength_nm must lie between 350 and 1700, got {nm}.")
    return nm


def molecules_mag(wavelength_nm: ArrayLike, pressure_hpa: ArrayLike = 1013.25) -> Array:
    """Light scattered by the air's molecules (Rayleigh), looking straight up.

    Parameters
    ----------
    wavelength_nm : array_like
        350 to 1700 nm.
    pressure_hpa : array_like
        Pressure of the air at the telescope, not reduced to sea level.

    Returns
    -------
    ndarray of float64
        Magnitudes.

    Raises
    ------
    ValueError
        A wavelength outside the range.
    """
    s2 = (1000.0 / _checked(wavelength_nm)) ** 2
    depth = 0.008569 * s2**2 * (1.0 + 0.0113 * s2 + 0.00013 * s2**2)
    return np.asarray(_MAGNITUDES * depth * np.asarray(pressure_hpa, np.float64) / 1013.25)


def haze_mag(wavelength_nm: ArrayLike, height_m: ArrayLike = 0.0) -> Array:
    """Light scattered by the usual haze, looking straight up; a given night may have half of it or twice as much.

    As `molecules_mag`; by the height of the site above the sea, metres.
    """
    thin = np.exp(-np.maximum(np.asarray(height_m, np.float64), 0.0) / _HAZE_HEIGHT_M)
    return np.asarray(_HAZE_MAG * (1000.0 / _checked(wavelength_nm)) ** _HAZE_POWER * thin)


def ozone_mag(wavelength_nm: ArrayLike) -> Array:
    """Light taken by ozone in its broad band around 600 nm, looking straight up; as `molecules_mag`."""
    section = np.interp(_checked(wavelength_nm), _CHAPPUIS_NM, _CHAPPUIS_CM2)
    return np.asarray(_MAGNITUDES * _OZONE_CM * _LOSCHMIDT * 1e-21 * section)


def extinction_mag(wavelength_nm: ArrayLike, height_m: float = 0.0, pressure_hpa: float | None = None) -> Array:
    """Light that usual air takes away, looking straight up: molecules, haze and ozone.

    Parameters
    ----------
    wavelength_nm : array_like
        350 to 1700 nm.
    height_m : float
        Height of the site above the sea, metres.
    pressure_hpa : float, optional
        Pressure at the site; by its height when left out.

    Returns
    -------
    ndarray of float64
        Magnitudes; multiply by the air mass.

    Raises
    ------
    ValueError
        A wavelength outside the range.
    """
    pressure = float(pressure_at_height_hpa(height_m)) if pressure_hpa is None else pressure_hpa
    parts = molecules_mag(wavelength_nm, pressure), haze_mag(wavelength_nm, height_m), ozone_mag(wavelength_nm)
    return np.asarray(sum(parts))


def star_airmass(ra_deg: float, dec_deg: float, when: Any, site: Site) -> tuple[float, float]:
    """Say how high a star stands and through how much air it is seen.

    Parameters
    ----------
    ra_deg, dec_deg : float
        Right ascension and declination of J2000.0, degrees. The star's own motion, its parallax and aberration are
        left out: all together less than a hundredth of a degree but for the fastest stars.
    when : str, datetime
        UTC, one instant; see `timescales.instants`.
    site : Site

    Returns
    -------
    altitude_deg : float
        As seen through the air, degrees.
    airmass : float
        1 at the zenith; NaN below the horizon.
    """
    import erfa

    time = instants(when)
    ra, dec = np.radians(ra_deg), np.radians(dec_deg)
    place = np.array([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])
    x, y, z = np.einsum("nij,j->ni", erfa.pnm06a(*time.tt), place)[0]
    hour = float(erfa.gst06a(*time.ut1, *time.tt)[0]) + np.radians(site.longitude_deg) - np.arctan2(y, x)
    phi = np.radians(site.latitude_deg)
    sine = np.sin(phi) * z + np.cos(phi) * np.hypot(x, y) * np.cos(hour)
    true = np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0)))
    seen = float(true + refraction_deg(np.array(true)))
    return seen, float(airmass(np.array(seen)))
