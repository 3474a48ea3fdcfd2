"""Extinction, and the air on the line of sight, against published values."""

from __future__ import annotations

import numpy as np
import pytest

from nightmill_sky import Site
from nightmill_sky.extinction import extinction_mag, haze_mag, molecules_mag, ozone_mag, star_airmass
from nightmill_sky.physical import airmass


def hayes_latham(nm: float) -> float:
    """Rayleigh part at sea level by Hayes & Latham (1975), ApJ 197, 593: magnitudes, another formula than ours."""
    s2 = (1000.0 / nm) ** 2
    index = 0.23465 + 107.6 / (146.0 - s2) + 0.93161 / (41.0 - s2)
    return 9.4977e-3 * s2**2 * index**2


@pytest.mark.parametrize("nm", [400.0, 460.0, 510.0, 550.0, 630.0, 800.0])
def test_molecules_agree_with_hayes_and_latham(nm: float) -> None:
    """Two published fits of one physics; they differ by the air's refractivity that they were made with."""
    assert molecules_mag(nm) == pytest.approx(hayes_latham(nm), rel=0.015)


def test_the_eyes_light_at_sea_level() -> None:
    """Green (1992), International Comet Quarterly 14, 55: 0.1451, 0.120 and 0.016 mag at 510 nm (from memory)."""
    assert molecules_mag(510.0) == pytest.approx(0.1451, rel=0.015)
    assert haze_mag(510.0) == pytest.approx(0.120, abs=0.0005)
    # Ozone from other laboratory values than his.
    assert ozone_mag(510.0) == pytest.approx(0.016, abs=0.003)


@pytest.mark.parametrize(
    ("nm", "depth"), [(400.0, 0.3599), (500.0, 0.1431), (550.0, 0.0971), (600.0, 0.0682), (700.0, 0.0365)]
)
def test_molecules_agree_with_bucholtz(nm: float, depth: float) -> None:
    """Bucholtz (1995), Appl. Opt. 34, 2765, table of Rayleigh optical depths (from memory, hence one in a hundred)."""
    assert molecules_mag(nm) / 1.0857 == pytest.approx(depth, rel=0.012)


def test_a_mountain_has_less_of_it() -> None:
    """Hayes & Latham (1975): molecules fall off with a height of 7.996 km, haze with one of 1.5 km."""
    ratio = extinction_mag(460.0, 2000.0) - ozone_mag(460.0)
    assert ratio == pytest.approx(
        hayes_latham(460.0) * np.exp(-2.0 / 7.996) + 0.05 * 0.46**-1.3 * np.exp(-2.0 / 1.5), rel=0.02
    )


@pytest.mark.parametrize("altitude", [90.0, 60.0, 40.0, 30.0, 20.0, 15.0, 10.0])
def test_air_mass(altitude: float) -> None:
    """Kasten & Young (1989), Appl. Opt. 28, 4735: their fit to their table of the standard atmosphere."""
    known = 1.0 / (np.sin(np.radians(altitude)) + 0.50572 * (altitude + 6.07995) ** -1.6364)
    assert airmass(np.array(altitude)) == pytest.approx(known, rel=0.005)


def test_height_of_a_star() -> None:
    """Meeus, Astronomical Algorithms, example 13.b: Venus, 1987 April 10, 19:21:00 UT, at the US Naval Observatory.

    Its apparent place (23h09m16.641s, -6d43m11.61s) stands 15.1249 degrees high. Ours goes in as of J2000.0, to which
    it is precessed here by 12.7 years.
    """
    import erfa

    ra, dec = np.radians(347.3193375), np.radians(-6.719891667)
    place = np.array([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])
    x, y, z = erfa.pnm06a(2446896.0, 0.306897).T @ place
    site = Site(38.921389, -77.065556)
    ra, dec = np.degrees(np.arctan2(y, x)) % 360.0, np.degrees(np.arcsin(z))
    seen, air = star_airmass(ra, dec, "1987-04-10T19:21:00", site)
    # Refraction of a sixteenth of a degree stands on top: Meeus, formula 16.4.
    assert seen == pytest.approx(15.1249 + 1.02 / np.tan(np.radians(15.1249 + 10.3 / 20.2349)) / 60.0, abs=0.003)
    # Kasten & Young (1989) at this height.
    assert air == pytest.approx(3.768, rel=0.005)


def test_wavelengths_beyond_the_formulas_are_refused() -> None:
    with pytest.raises(ValueError, match="between 350 and 1700"):
        extinction_mag(300.0)
