"""Jupiter's large moons against the handbook, PyEphem and well-known events.

Sources: Meeus, Astronomical Algorithms, 2nd edition, example 44.b; PyEphem 4 (its own theory, UT taken as TT, so it is
asked at the moment whose UT reads as our TT; its north is that of J2000 and its radius of Jupiter 71398 km). The hours
of the triple shadows were widely published; quoted from memory.
"""

from __future__ import annotations

import math
from datetime import datetime, timedelta

import ephem
import numpy as np
import pytest

from nightmill_sky import Ephemeris, ephemerides, ephemeris

RADIUS = 71398.0 / 71492.0


def in_radii(found: Ephemeris) -> list[tuple[float, float]]:
    """Offsets along and across Jupiter's equator, west and north positive, in the handbook's radii."""
    unit = found.equatorial_diameter_arcsec / 2.0 * RADIUS
    p = math.radians(found.north_pole_position_angle_deg)
    return [
        (
            -(m.x_arcsec * math.cos(p) - m.y_arcsec * math.sin(p)) / unit,
            (m.x_arcsec * math.sin(p) + m.y_arcsec * math.cos(p)) / unit,
        )
        for m in found.satellites
    ]


def test_handbook_example() -> None:
    """Example 44.b, 1992 December 16, 0h UT: X, Y in radii of Jupiter."""
    jupiter = ephemeris("jupiter", "1992-12-16T00:00:00")
    expected = [(-3.4502, 0.2137), (7.4418, 0.2753), (1.2011, 0.5900), (7.0720, 1.0291)]
    assert [m.name for m in jupiter.satellites] == ["Io", "Europa", "Ganymede", "Callisto"]
    # The built-in place of Jupiter is off by up to 0.0003 rad, 0.008 radius at Callisto's distance.
    np.testing.assert_allclose(in_radii(jupiter), expected, atol=0.005)
    assert all(m.state == "visible" for m in jupiter.satellites)


def test_against_pyephem() -> None:
    utc = [datetime(2000, 1, 1) + timedelta(days=float(d)) for d in np.random.default_rng(23).uniform(0, 13800, 150)]
    apart = np.zeros((len(utc), 4))
    agree = dark = 0
    for i, found in enumerate(ephemerides("jupiter", utc)):
        date = ephem.Date(utc[i])
        date = ephem.Date(date + ephem.delta_t(date) * ephem.second)
        unit = found.equatorial_diameter_arcsec / 2.0 * RADIUS
        for k, kind in enumerate((ephem.Io, ephem.Europa, ephem.Ganymede, ephem.Callisto)):
            theirs, mine = kind(date), found.satellites[k]
            apart[i, k] = math.hypot(mine.x_arcsec / unit - theirs.x, mine.y_arcsec / unit + theirs.y)
            agree += (mine.state == "occulted") == (theirs.earth_visible <= 0.0)
            dark += mine.state == "occulted" or (mine.state == "eclipsed") == (theirs.sun_visible <= 0.0)
    # Two theories and a north that differs by up to 0.2 degrees; a minute of time is 0.015 radius for Io.
    assert np.all(apart.max(axis=0) < [0.04, 0.06, 0.08, 0.13])
    assert np.all(np.median(apart, axis=0) < [0.015, 0.02, 0.03, 0.05])
    # A moon within a hundredth of a radius of the limb, or of the edge of the shadow, may differ.
    assert agree >= 4 * len(utc) - 4
    assert dark >= 4 * len(utc) - 4


@pytest.mark.parametrize(
    ("before", "during", "after"),
    [
        ("2013-10-12T04:20:00", "2013-10-12T05:05:00", "2013-10-12T05:50:00"),
        ("2015-01-24T06:15:00", "2015-01-24T06:40:00", "2015-01-24T07:05:00"),
    ],
)
def test_triple_shadows(before: str, during: str, after: str) -> None:
    """2013 October 12, 04:32 to 05:37 UT, and 2015 January 24, 06:27 to 06:52 UT: Io, Europa and Callisto."""
    counts = [
        sum(m.shadow_x_arcsec is not None for m in found.satellites)
        for found in ephemerides("jupiter", [before, during, after])
    ]
    assert counts[1] == 3
    assert counts[0] < 3 and counts[2] < 3


def test_three_shadows_and_two_moons() -> None:
    """2004 March 28, 8:10 UT (a well-known picture): Io and Ganymede before the disc, the shadows of both and that of
    Callisto, which stands beside it in the west."""
    jupiter = ephemeris("jupiter", "2004-03-28T08:10:00")
    seen = {moon.name: moon for moon in jupiter.satellites}
    assert seen["Io"].state == seen["Ganymede"].state == "transit"
    assert seen["Callisto"].state == "shadow transit"
    assert all((seen[name].shadow_x_arcsec is not None) == (name != "Europa") for name in seen)
    radius = jupiter.equatorial_diameter_arcsec / 2.0
    assert abs(seen["Io"].x_arcsec) < 0.1 * radius
    assert seen["Callisto"].x_arcsec < -1.5 * radius


def test_states_follow_from_the_places() -> None:
    """Over two weeks every state occurs, and each one lies where it must."""
    utc = [datetime(2025, 12, 1) + timedelta(minutes=20.0 * i) for i in range(1000)]
    seen = set()
    for found in ephemerides("jupiter", utc):
        radius = found.equatorial_diameter_arcsec / 2.0
        for moon in found.satellites:
            seen.add(moon.state)
            away = math.hypot(moon.x_arcsec, moon.y_arcsec)
            if moon.state in ("transit", "occulted"):
                assert away < radius
            if moon.state in ("visible", "shadow transit"):
                assert away > 0.93 * radius
            if moon.state == "shadow transit":
                assert moon.shadow_x_arcsec is not None
            if moon.shadow_x_arcsec is not None and moon.shadow_y_arcsec is not None:
                assert math.hypot(moon.shadow_x_arcsec, moon.shadow_y_arcsec) < radius
                assert moon.state in ("transit", "shadow transit")
    assert seen == {"visible", "transit", "shadow transit", "eclipsed", "occulted"}
