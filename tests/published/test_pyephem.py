"""The Moon's libration, Jupiter's central meridians and Saturn's tilt against PyEphem.

Source: PyEphem 4 (XEphem's library). It takes UT as TT in its central meridians, so it is asked at the moment whose
UT reads as our TT; its libration is geocentric; its colongitude is an approximation (0.3 degrees from the handbook's
worked example) and no reference.
"""

from __future__ import annotations

import math
from datetime import datetime, timedelta

import ephem
import numpy as np
import pytest

from nightmill_sky import Site, ephemerides

UTC = [datetime(2000, 1, 1) + timedelta(days=float(d)) for d in np.random.default_rng(22).uniform(0, 38 * 365.25, 60)]


def wrap(degrees: float) -> float:
    return (degrees + 180.0) % 360.0 - 180.0


def test_libration_of_the_moon() -> None:
    for when, mine in zip(UTC, ephemerides("moon", UTC), strict=True):
        moon = ephem.Moon(ephem.Date(when))
        # Principal axes there, mean direction of the Earth here: 0.02 degrees apart.
        assert wrap(math.degrees(moon.libration_long) - mine.libration_longitude_deg) == pytest.approx(-0.018, abs=0.01)
        assert wrap(math.degrees(moon.libration_lat) - mine.libration_latitude_deg) == pytest.approx(0.022, abs=0.006)


def test_central_meridians_of_jupiter() -> None:
    differences = []
    for when, mine in zip(UTC, ephemerides("jupiter", UTC, satellites=False), strict=True):
        date = ephem.Date(when)
        jupiter = ephem.Jupiter(ephem.Date(date + ephem.delta_t(date) * ephem.second))
        one = wrap(math.degrees(jupiter.cmlI) - mine.central_meridian_deg["I"])
        two = wrap(math.degrees(jupiter.cmlII) - mine.central_meridian_deg["II"])
        differences.append((one, two))
    # A constant part from older elements, and a scatter from PyEphem's abridged formula.
    spread = np.array(differences)
    assert np.abs(spread.mean(axis=0)).max() < 0.12
    assert spread.std(axis=0).max() < 0.07


def test_rings_of_saturn() -> None:
    for when, mine in zip(UTC, ephemerides("saturn", UTC, satellites=False), strict=True):
        saturn = ephem.Saturn(ephem.Date(when))
        assert math.degrees(saturn.earth_tilt) == pytest.approx(mine.ring_opening_earth_deg, abs=0.03)
        assert math.degrees(saturn.sun_tilt) == pytest.approx(mine.ring_opening_sun_deg, abs=0.03)


@pytest.mark.parametrize("site", [Site(-33.9, 18.4, 100.0), Site(47.1, 8.5, 540.0)], ids=["south", "north"])
def test_altitude_and_azimuth(site: Site) -> None:
    for name, kind in (("venus", ephem.Venus), ("moon", ephem.Moon), ("saturn", ephem.Saturn), ("sun", ephem.Sun)):
        for when, mine in zip(UTC, ephemerides(name, UTC, site, satellites=False), strict=True):
            seer = ephem.Observer()
            seer.lat, seer.lon = str(site.latitude_deg), str(site.longitude_deg)
            seer.elevation, seer.pressure = site.height_m, 0
            seer.date = ephem.Date(when)
            body = kind(seer)  # its parallactic angle mixes epochs (0.3 degrees) and is not compared
            assert math.degrees(body.alt) == pytest.approx(mine.altitude_deg, abs=0.03)
            across = wrap(math.degrees(body.az) - mine.azimuth_deg) * math.cos(body.alt)
            assert across == pytest.approx(0.0, abs=0.03)
