"""Refractivity of air and limits of the telescope against published values."""

from __future__ import annotations

import numpy as np
import pytest

from nightmill_sky.air import differential_refraction_arcsec, pressure_at_height_hpa, refractivity
from nightmill_sky.optics import (
    cutoff_frequency_per_arcsec,
    dawes_limit_arcsec,
    modulation_transfer,
    nyquist_focal_ratio,
    pixel_scale_arcsec_per_px,
    rayleigh_limit_arcsec,
)


@pytest.mark.parametrize(
    ("pressure_hpa", "temperature_c", "expected"),
    [
        (800.0, 20.0, 21458.0),
        (1000.0, 20.0, 26824.4),
        (1200.0, 20.0, 32191.6),
        (1000.0, 10.0, 27774.7),
        (1000.0, 30.0, 25937.2),
    ],
)
def test_dry_air_at_633_nm(pressure_hpa: float, temperature_c: float, expected: float) -> None:
    """Birch & Downs (1994), Metrologia 31, 315, table of 10^8 (n - 1) for dry air with 450 ppm CO2 (from memory)."""
    n = refractivity(633.0, pressure_hpa=pressure_hpa, temperature_c=temperature_c, co2_ppm=450.0)
    assert n * 1e8 == pytest.approx(expected, abs=0.1)


def filippenko_refractivity(nm: float, pressure_hpa: float, temperature_c: float, vapour_hpa: float) -> float:
    """Filippenko (1982), equations 1 to 3 (after Edlen 1953), in millimetres of mercury."""
    s2 = (1000.0 / nm) ** 2
    p, t, f = pressure_hpa * 0.750062, temperature_c, vapour_hpa * 0.750062
    n = 64.328 + 29498.1 / (146.0 - s2) + 255.4 / (41.0 - s2)
    n *= p * (1.0 + (1.049 - 0.0157 * t) * 1e-6 * p) / (720.883 * (1.0 + 0.003661 * t))
    return (n - f * (0.0624 - 0.000680 * s2) / (1.0 + 0.003661 * t)) * 1e-6


@pytest.mark.parametrize("altitude", [20.0, 41.8, 75.0])
def test_dispersion_of_the_sky(altitude: float) -> None:
    """Ciddor's air inside against Filippenko's formula, 600 mmHg, 7 degrees, 8 mmHg vapour: his mountain site."""
    pressure, temperature, vapour = 600.0 / 0.750062, 7.0, 8.0 / 0.750062
    humidity = 8.0 / 7.51  # his vapour pressure is a little above saturation at 7 degrees
    for nm in (380.0, 450.0, 600.0, 700.0, 900.0):
        mine = differential_refraction_arcsec(
            nm, 500.0, altitude, pressure_hpa=pressure, temperature_c=temperature, relative_humidity=min(humidity, 1.0)
        )
        n = filippenko_refractivity(nm, pressure, temperature, vapour)
        n0 = filippenko_refractivity(500.0, pressure, temperature, vapour)
        assert mine == pytest.approx(206265.0 * (n - n0) / np.tan(np.radians(altitude)), abs=0.01)


FILIPPENKO = {
    1.1: (0.97, 0.55, 0.29, 0.12, 0.0, -0.09, -0.15, -0.20, -0.24, -0.30, -0.34, -0.37),
    1.5: (2.37, 1.34, 0.71, 0.29, 0.0, -0.21, -0.37, -0.50, -0.60, -0.74, -0.84, -0.91),
    2.0: (3.67, 2.08, 1.10, 0.45, 0.0, -0.33, -0.58, -0.77, -0.92, -1.15, -1.30, -1.40),
    3.0: (5.99, 3.40, 1.80, 0.74, 0.0, -0.54, -0.95, -1.26, -1.51, -1.87, -2.12, -2.29),
    4.0: (8.20, 4.66, 2.47, 1.02, 0.0, -0.74, -1.30, -1.73, -2.07, -2.56, -2.90, -3.14),
}
"""By air mass: differential refraction against 500 nm, arcseconds, at 300 to 700 nm by 50 and 800, 900, 1000 nm.

Filippenko (1982), table 1 (600 mmHg, 7 degrees, 8 mmHg vapour), as his equations 1 to 4 give it; the rows of air mass
1.5 and 2 are those printed, from memory.
"""


@pytest.mark.parametrize("mass", FILIPPENKO)
def test_filippenkos_table(mass: float) -> None:
    """To 0.01 arcsec up to air mass 3, as the table is rounded; 0.02 beyond (Edlen's air against Ciddor's)."""
    found = differential_refraction_arcsec(
        [300.0, 350.0, 400.0, 450.0, 500.0, 550.0, 600.0, 650.0, 700.0, 800.0, 900.0, 1000.0],
        500.0,
        np.degrees(np.arcsin(1.0 / mass)),
        pressure_hpa=600.0 / 0.750062,
        temperature_c=7.0,
        relative_humidity=1.0,
    )
    np.testing.assert_allclose(found, FILIPPENKO[mass], atol=0.012 if mass <= 3.0 else 0.02)


def test_standard_atmosphere() -> None:
    """ISO 2533: 898.76 hPa at 1000 m, 795.01 at 2000 m (geometric height; the formula counts geopotential metres)."""
    for height, pressure in ((0.0, 1013.25), (1000.0, 898.76), (2000.0, 795.01)):
        assert pressure_at_height_hpa(height) == pytest.approx(pressure, abs=0.1)


def test_limits_of_a_200_mm_telescope() -> None:
    """138 / D(mm) arcsec at 550 nm (Rayleigh), 116 / D (Dawes): common practice, no source."""
    assert rayleigh_limit_arcsec(200.0, 550.0) == pytest.approx(0.692, abs=0.001)
    assert dawes_limit_arcsec(200.0) == pytest.approx(0.579, abs=0.001)
    assert cutoff_frequency_per_arcsec(200.0, 550.0) == pytest.approx(0.2 / 550e-9 / 206264.8, rel=1e-6)
    assert pixel_scale_arcsec_per_px(3.75, 2030.0) == pytest.approx(0.38103, abs=1e-5)
    assert nyquist_focal_ratio(3.75, 500.0) == pytest.approx(15.0)


def test_transfer_of_an_annular_aperture_equals_its_autocorrelation() -> None:
    """Definition of the transfer function of a pupil, by brute force on a grid (independent of O'Neill's formula)."""
    n, obstruction = 400, 0.33
    y, x = np.mgrid[-n:n, -n:n] + 0.5
    radius = np.hypot(x, y) / (n / 2)
    pupil = ((radius <= 1.0) & (radius >= obstruction)).astype(np.float64)
    correlation = np.fft.fftshift(np.fft.irfft2(np.abs(np.fft.rfft2(pupil)) ** 2))
    line = correlation[n, n:] / correlation[n, n]
    frequency = np.arange(n) / n  # a shift of the whole diameter is the cut-off
    np.testing.assert_allclose(modulation_transfer(frequency, obstruction), line, atol=0.004)
    np.testing.assert_allclose(
        modulation_transfer([0.0, 0.5, 1.0]), [1.0, (2 / np.pi) * (np.pi / 3 - np.sqrt(3) / 4), 0.0], atol=1e-12
    )
