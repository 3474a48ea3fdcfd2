"""The air as an optical element: its refractivity, and how it spreads a planet into a little spectrum.

Source
------
Ciddor, P. E. (1996), "Refractive index of air: new equations for the visible and near infrared", Appl. Opt. 35,
1566-1573, doi:10.1364/AO.35.001566 (valid 300 to 1690 nm). Dispersion across the sky: Filippenko, A. V. (1982),
"The importance of atmospheric differential refraction in spectrophotometry", PASP 94, 715-721, doi:10.1086/131052.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["differential_refraction_arcsec", "pressure_at_height_hpa", "refractivity"]

Array = NDArray[np.float64]

_ARCSEC_PER_RADIAN = 206_264.806_247_096_36
_GAS_CONSTANT = 8.314510  # J / (mol K), the value that belongs to Ciddor's density equation
_WATER_KG_PER_MOL = 0.018015


def _compressibility(kelvin: Array, pressure_pa: Array, water: Array) -> Array:
    t = kelvin - 273.15
    ratio = pressure_pa / kelvin
    first = 1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t**2
    second = (5.707e-6 - 2.051e-8 * t) * water + (1.9898e-4 - 2.376e-6 * t) * water**2
    return 1.0 - ratio * (first + second) + ratio**2 * (1.83e-11 - 0.765e-8 * water**2)


def refractivity(
    wavelength_nm: ArrayLike,
    *,
    pressure_hpa: ArrayLike = 1013.25,
    temperature_c: ArrayLike = 15.0,
    relative_humidity: ArrayLike = 0.0,
    co2_ppm: ArrayLike = 420.0,
) -> Array:
    """Refractive index of air minus one.

    Parameters
    ----------
    wavelength_nm : array_like
        Vacuum wavelength, 300 to 1690 nm.
    pressure_hpa : array_like
        Pressure of the air at the telescope (not reduced to sea level), above 0 to 1400 hPa.
    temperature_c : array_like
        -40 to 100 degrees Celsius.
    relative_humidity : array_like
        0 to 1.
    co2_ppm : array_like
        Carbon dioxide, parts in a million.

    Returns
    -------
    ndarray of float64
        n - 1, broadcast over the arguments; uncertain by 2 to 5 parts in 10^8.

    Raises
    ------
    ValueError
        An argument outside its range.

    Notes
    -----
    Ciddor (1996), equations 1 to 5 and appendices A, B.

    Examples
    --------
    >>> round(float(refractivity(633.0, pressure_hpa=1000.0, temperature_c=20.0, co2_ppm=450.0)) * 1e8, 1)
    26824.4
    """
    nm, hpa, t, humidity, co2 = (
        np.asarray(x, dtype=np.float64)
        for x in (wavelength_nm, pressure_hpa, temperature_c, relative_humidity, co2_ppm)
    )
    for label, value, low, high in (
        ("wavelength_nm", nm, 300.0, 1690.0),
        ("pressure_hpa", hpa, 1e-3, 1400.0),
        ("temperature_c", t, -40.0, 100.0),
        ("relative_humidity", humidity, 0.0, 1.0),
    ):
        if not np.all((value >= low) & (value <= high)):
            raise ValueError(f"{label} must lie between {low:g} and {high:g}, got {value}.")
    pascal, kelvin = hpa * 100.0, t + 273.15
    s2 = (1000.0 / nm) ** 2
    dry = 1e-8 * (5_792_105.0 / (238.0185 - s2) + 167_917.0 / (57.362 - s2)) * (1.0 + 0.534e-6 * (co2 - 450.0))
    vapour = 1.022e-8 * (295.235 + 2.6422 * s2 - 0.032380 * s2**2 + 0.004028 * s2**3)
    saturation = np.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)
    water = (1.00062 + 3.14e-8 * pascal + 5.6e-7 * t**2) * humidity * saturation / pascal
    air_mole = 1e-3 * (28.9635 + 12.011e-6 * (co2 - 400.0))
    none = np.zeros_like(water)
    standard_dry = (
        101_325.0
        * air_mole
        / (_compressibility(np.float64(288.15), np.float64(101_325.0), none) * _GAS_CONSTANT * 288.15)
    )
    standard_vapour = (
        1333.0
        * _WATER_KG_PER_MOL
        / (_compressibility(np.float64(293.15), np.float64(1333.0), none + 1.0) * _GAS_CONSTANT * 293.15)
    )
    moles = pascal / (_compressibility(kelvin, pascal, water) * _GAS_CONSTANT * kelvin)
    dry_part = moles * air_mole * (1.0 - water) / standard_dry
    vapour_part = moles * _WATER_KG_PER_MOL * water / standard_vapour
    return dry_part * dry + vapour_part * vapour


def pressure_at_height_hpa(height_m: ArrayLike) -> Array:
    """Mean pressure of the air at a height above the sea.

    Parameters
    ----------
    height_m : array_like
        -1000 to 11000 m.

    Returns
    -------
    ndarray of float64
        hPa; the weather changes it by some 30 hPa.

    Notes
    -----
    ISO 2533 standard atmosphere, troposphere: 1013.25 (1 - 0.0065 h / 288.15)^5.2559.
    """
    return 1013.25 * (1.0 - 0.0065 * np.asarray(height_m, dtype=np.float64) / 288.15) ** 5.25588


def differential_refraction_arcsec(
    wavelength_nm: ArrayLike,
    reference_nm: ArrayLike,
    altitude_deg: ArrayLike,
    *,
    pressure_hpa: ArrayLike = 1013.25,
    temperature_c: ArrayLike = 15.0,
    relative_humidity: ArrayLike = 0.0,
) -> Array:
    """How much higher light of one wavelength appears than light of another.

    Parameters
    ----------
    wavelength_nm, reference_nm : array_like
        Vacuum wavelengths, 300 to 1690 nm.
    altitude_deg : array_like
        Above 5 to 90 degrees; lower down the plane-parallel air of the formula is no longer true (5 % at 10 degrees).
    pressure_hpa, temperature_c, relative_humidity : array_like
        See `refractivity`.

    Returns
    -------
    ndarray of float64
        Arcseconds towards the zenith; positive for blue against red.

    Raises
    ------
    ValueError
        An argument outside its range.

    Notes
    -----
    Filippenko (1982), equation 4: 206265 (n - n_reference) tan z, with Ciddor's refractivity.
    """
    altitude = np.asarray(altitude_deg, dtype=np.float64)
    if not np.all((altitude > 5.0) & (altitude <= 90.0)):
        raise ValueError(f"altitude_deg must lie above 5 and up to 90, got {altitude}.")
    weather = {
        "pressure_hpa": pressure_hpa,
        "temperature_c": temperature_c,
        "relative_humidity": relative_humidity,
    }
    difference = refractivity(wavelength_nm, **weather) - refractivity(reference_nm, **weather)
    return _ARCSEC_PER_RADIAN * difference / np.tan(np.radians(altitude))
