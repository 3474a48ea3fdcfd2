"""How the globes are turned, against vectors from Skyfield and DE421 put through the handbook's spherical formulas.

Sources: Skyfield and DE421 for the vectors; Meeus, Astronomical Algorithms, chapters 42 and 43 (the formulas for the
planetocentric latitude, the central meridian and the position angle from right ascension and declination);
rotational elements of the IAU report of 2015 (Archinal et al. 2018), for Mars those of the report of 2000 (Seidelmann
et al. 2002), all written down here a second time. Ls: Allison & McEwen (2000), Planet. Space Sci. 48, 215.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from nightmill_sky import Site, ephemerides

skyfield_data = pytest.importorskip("skyfield_data", reason="the package skyfield-data brings DE421")

DE421 = Path(skyfield_data.__file__).parent / "data" / "de421.bsp"

# Pole (right ascension, rate a century, declination, rate) and W (at J2000, rate a day) by system.
SIMPLE: dict[str, tuple[str, tuple[float, float, float, float], dict[str, tuple[float, float]]]] = {
    "venus": ("venus", (272.76, 0.0, 67.16, 0.0), {"IAU": (160.20, -1.4813688)}),
    "mercury": ("mercury", (281.0103, -0.0328, 61.4155, -0.0049), {"IAU": (329.5988, 6.1385108)}),
    "mars": ("mars", (317.68143, -0.1061, 52.88650, -0.0609), {"IAU": (176.630, 350.89198226)}),
    "jupiter": (
        "jupiter barycenter",
        (268.056595, -0.006499, 64.495303, 0.002413),
        {"I": (67.1, 877.900), "II": (43.3, 870.270), "III": (284.95, 870.536)},
    ),
    "saturn": (
        "saturn barycenter",
        (40.589, -0.036, 83.537, -0.004),
        {"III": (38.90, 810.7939024), "I": (227.2037, 844.3)},
    ),
    "uranus": ("uranus barycenter", (257.311, 0.0, -15.175, 0.0), {"IAU": (203.81, -501.1600928)}),
    "neptune": ("neptune barycenter", (299.36, 0.0, 43.46, 0.0), {"IAU": (249.978, 541.1397757)}),
    "sun": ("sun", (286.13, 0.0, 63.87, 0.0), {"IAU": (84.176, 14.1844)}),
}
SITES = (None, Site(47.1, 8.5, 540.0), Site(-33.9, 18.4, 100.0))
CM_DEG = {"saturn": 0.05, "uranus": 0.05, "neptune": 0.05, "sun": 0.02}


def wrap(degrees: Any) -> Any:
    return (np.asarray(degrees) + 180.0) % 360.0 - 180.0


@pytest.fixture(scope="module")
def sky() -> Iterator[SimpleNamespace]:
    from skyfield.api import load, wgs84
    from skyfield.jpllib import SpiceKernel

    generator = np.random.default_rng(21)
    utc = [datetime(2000, 1, 1) + timedelta(days=float(d)) for d in generator.uniform(0.0, 40 * 365.25, 60)]
    scale = load.timescale(builtin=True)
    columns = [(u.year, u.month, u.day, u.hour, u.minute, u.second + u.microsecond * 1e-6) for u in utc]
    kernel = SpiceKernel(str(DE421))
    places = {s: wgs84.latlon(s.latitude_deg, s.longitude_deg, s.height_m) for s in SITES if s is not None}
    seers = {None: kernel["earth"], **{s: kernel["earth"] + place for s, place in places.items()}}
    yield SimpleNamespace(kernel=kernel, seers=seers, utc=utc, t=scale.utc(*np.array(columns).T), scale=scale)
    kernel.close()


def spherical(xyz: Any) -> tuple[Any, Any]:
    return np.arctan2(xyz[1], xyz[0]), np.arcsin(xyz[2] / np.sqrt((np.asarray(xyz) ** 2).sum(axis=0)))


def pole_of(target: str, days: Any) -> tuple[Any, Any]:
    ra0, ra1, dec0, dec1 = SIMPLE[target][1]
    centuries = days / 36525.0
    ra, dec = ra0 + ra1 * centuries, dec0 + dec1 * centuries
    if target == "neptune":
        n = np.radians(357.85 + 52.316 * centuries)
        ra, dec = ra + 0.70 * np.sin(n), dec - 0.51 * np.cos(n)
    return np.radians(ra), np.radians(dec)


def meridian(target: str, system: str, days: Any) -> Any:
    start, rate = SIMPLE[target][2][system]
    w = start + rate * days
    if target == "neptune":
        w = w - 0.48 * np.sin(np.radians(357.85 + 52.316 * days / 36525.0))
    if target == "mercury":
        w = w + 0.01067257 * np.sin(np.radians(174.7910857 + 4.092335 * days))
    return w


def centric(pole: tuple[Any, Any], xyz: Any) -> tuple[Any, Any]:
    """Latitude and the angle K of the book's W - K, in degrees, of the point under an onlooker.

    `xyz` points from the onlooker to the planet.
    """
    (a0, d0), (a, d) = pole, spherical(xyz)
    latitude = np.arcsin(-np.sin(d0) * np.sin(d) - np.cos(d0) * np.cos(d) * np.cos(a0 - a))
    y = np.sin(d0) * np.cos(d) * np.cos(a0 - a) - np.sin(d) * np.cos(d0)
    return np.degrees(latitude), np.degrees(np.arctan2(y, np.cos(d) * np.sin(a0 - a)))


def of(site: Site | None) -> str:
    return "centre" if site is None else f"{site.latitude_deg:g}"


@pytest.mark.parametrize("site", SITES, ids=of)
@pytest.mark.parametrize("target", SIMPLE)
def test_globe(sky: SimpleNamespace, target: str, site: Site | None) -> None:
    name, _, systems = SIMPLE[target]
    mine = ephemerides(target, sky.utc, site, satellites=False)
    seen = sky.seers[site].at(sky.t).observe(sky.kernel[name])
    left = sky.t.tdb - seen.light_time - 2451545.0
    pole = pole_of(target, left)
    latitude, angle = centric(pole, seen.xyz.au)
    got = np.array([e.sub_observer_latitude_planetocentric_deg for e in mine])
    assert np.abs(got - latitude).max() < 0.02
    for system in systems:
        west = meridian(target, system, left) - angle
        if target == "sun":
            difference = wrap([e.sun_l0_deg for e in mine] + west)
        else:
            difference = wrap([e.central_meridian_deg[system] for e in mine] - west)
        assert np.abs(difference).max() < CM_DEG.get(target, 0.03)

    # Position angle: pole and apparent place both in the frame of date.
    x, y, z = np.cos(pole[1]) * np.cos(pole[0]), np.cos(pole[1]) * np.sin(pole[0]), np.sin(pole[1])
    vector = np.stack(np.broadcast_arrays(x, y, z, left)[:3])
    a0, d0 = spherical(np.einsum("ijn,jn->in", sky.t.M, vector))
    ra, dec, _ = seen.apparent().radec("date")
    a, d = ra.radians, dec.radians
    bottom = np.sin(d0) * np.cos(d) - np.cos(d0) * np.sin(d) * np.cos(a0 - a)
    position_angle = np.degrees(np.arctan2(np.cos(d0) * np.sin(a0 - a), bottom))
    assert np.abs(wrap([e.north_pole_position_angle_deg for e in mine] - position_angle)).max() < 0.03
    if target == "sun":
        assert np.abs([e.sun_p_deg for e in mine] - wrap(position_angle)).max() < 0.03
        return

    then = sky.scale.tdb_jd(sky.t.tdb - seen.light_time)
    from_sun = (sky.kernel[name] - sky.kernel["sun"]).at(then).xyz.au
    sun_latitude, sun_angle = centric(pole, from_sun)
    assert np.abs([e.sub_solar_latitude_planetocentric_deg for e in mine] - sun_latitude).max() < 0.03
    own = next(iter(systems)) if target != "jupiter" else "III"
    west = meridian(target, own, left) - sun_angle
    assert np.abs(wrap([e.sub_solar_longitude_deg for e in mine] - west)).max() < 0.05
    if target == "saturn":
        assert np.abs([e.ring_opening_earth_deg for e in mine] - latitude).max() < 0.03
        assert np.abs([e.ring_opening_sun_deg for e in mine] - sun_latitude).max() < 0.03


@pytest.mark.parametrize(
    ("target", "radius_km"),
    [
        ("mercury", 2440.53),
        ("venus", 6051.8),
        ("mars", 3396.19),
        ("jupiter", 71492.0),
        ("saturn", 60268.0),
        ("uranus", 25559.0),
        ("neptune", 24764.0),
        ("moon", 1737.4),
        ("sun", 695700.0),
    ],
)
@pytest.mark.parametrize("site", SITES, ids=of)
def test_diameters(sky: SimpleNamespace, target: str, radius_km: float, site: Site | None) -> None:
    """To 0.1 %; the Moon's topocentric diameter is up to 1.7 % larger than the geocentric one."""
    name = SIMPLE[target][0] if target in SIMPLE else target
    mine = np.array([e.equatorial_diameter_arcsec for e in ephemerides(target, sky.utc, site, satellites=False)])
    distance = sky.seers[site].at(sky.t).observe(sky.kernel[name]).distance().km
    expected = 2.0 * np.degrees(np.arcsin(radius_km / distance)) * 3600.0
    assert np.abs(mine / expected - 1.0).max() < 0.001


def _moon_from(t: Any, lon: Any, lat: Any) -> tuple[Any, Any]:
    """Longitude and latitude of the middle of the Moon's disc seen from where it stands at `lon`, `lat` (degrees,
    apparent ecliptic of date): Meeus, chapter 53, optical and physical libration, to the principal axes."""
    c = (t.tt - 2451545.0) / 36525.0
    d = np.radians(297.8501921 + 445267.1114034 * c - 0.0018819 * c**2)
    m = np.radians(357.5291092 + 35999.0502909 * c)
    m1 = np.radians(134.9633964 + 477198.8675055 * c + 0.0087414 * c**2)
    f = np.radians(93.2720950 + 483202.0175233 * c - 0.0036539 * c**2)
    node = np.radians(125.0445479 - 1934.1362891 * c + 0.0020754 * c**2)
    e, tilt = 1.0 - 0.002516 * c, np.radians(1.54242)
    k1, k2 = np.radians(119.75 + 131.849 * c), np.radians(72.56 + 20.186 * c)
    # Nutation in longitude, its two largest terms: enough for a thousandth of a degree.
    nutation = np.radians(-17.20 * np.sin(node) - 1.32 * np.sin(2.0 * (f - d + node))) / 3600.0
    w, b = np.radians(lon) - nutation - node, np.radians(lat)
    a = np.arctan2(np.sin(w) * np.cos(b) * np.cos(tilt) - np.sin(b) * np.sin(tilt), np.cos(w) * np.cos(b))
    optical = wrap(np.degrees(a - f))
    b1 = np.arcsin(-np.sin(w) * np.cos(b) * np.sin(tilt) - np.sin(b) * np.cos(tilt))
    rho = -0.02752 * np.cos(m1) - 0.02245 * np.sin(f) + 0.00684 * np.cos(m1 - 2 * f) - 0.00293 * np.cos(2 * f)
    rho = rho - 0.00085 * np.cos(2 * f - 2 * d) - 0.00054 * np.cos(m1 - 2 * d)
    sigma = -0.02816 * np.sin(m1) + 0.02244 * np.cos(f) - 0.00682 * np.sin(m1 - 2 * f) - 0.00279 * np.sin(2 * f)
    sigma = sigma - 0.00083 * np.sin(2 * f - 2 * d) + 0.00069 * np.sin(m1 - 2 * d) + 0.00040 * np.cos(m1 + f)
    tau = 0.02520 * e * np.sin(m) + 0.00473 * np.sin(2 * m1 - 2 * f) - 0.00467 * np.sin(m1) + 0.00396 * np.sin(k1)
    tau = tau + 0.00276 * np.sin(2 * m1 - 2 * d) + 0.00196 * np.sin(node) - 0.00183 * np.cos(m1 - f)
    tau = tau + 0.00115 * np.sin(m1 - 2 * d) - 0.00096 * np.sin(m1 - d) + 0.00046 * np.sin(2 * f - 2 * d)
    tau = tau - 0.00039 * np.sin(m1 - f) - 0.00032 * np.sin(m1 - m - d) + 0.00023 * np.sin(k2)
    longitude = optical - tau + (rho * np.cos(a) + sigma * np.sin(a)) * np.tan(b1)
    return longitude, np.degrees(b1) + sigma * np.cos(a) - rho * np.sin(a)


@pytest.mark.parametrize("site", SITES, ids=of)
def test_libration_and_colongitude_of_the_moon(sky: SimpleNamespace, site: Site | None) -> None:
    """Skyfield's apparent places, from each site, put through the handbook's chapter 53; both to 0.03 degrees.

    The handbook refers to the Moon's principal axes, the IAU to the mean direction of the Earth: 79 arcsec apart in
    latitude and 68 in longitude (Archinal et al. 2018), which is taken off.
    """
    from skyfield.framelib import ecliptic_frame

    mine = ephemerides("moon", sky.utc, site, satellites=False)
    apparent = sky.seers[site].at(sky.t).observe(sky.kernel["moon"]).apparent()
    lat, lon, _ = apparent.frame_latlon(ecliptic_frame)
    longitude, latitude = _moon_from(sky.t, lon.degrees, lat.degrees)
    assert np.abs(wrap([e.libration_longitude_deg for e in mine] - longitude - 68 / 3600)).max() < 0.03
    assert np.abs([e.libration_latitude_deg for e in mine] - latitude + 79 / 3600).max() < 0.03
    # The Sun's place as seen from the Moon, by the handbook's formulas 53.5, from the Earth's centre.
    middle = sky.kernel["earth"].at(sky.t)
    _, lon0, far = middle.observe(sky.kernel["sun"]).apparent().frame_latlon(ecliptic_frame)
    lat, lon, near = middle.observe(sky.kernel["moon"]).apparent().frame_latlon(ecliptic_frame)
    ratio = near.au / far.au
    away = np.degrees(ratio) * np.cos(lat.radians) * np.sin(lon0.radians - lon.radians)
    sun, _ = _moon_from(sky.t, lon0.degrees + 180.0 + away, np.degrees(ratio * lat.radians))
    assert np.abs(wrap([e.colongitude_deg for e in mine] - (90.0 - sun - 68 / 3600))).max() < 0.03


def mars_solar_longitude_deg(tt_days: Any) -> Any:
    """Allison & McEwen (2000), equations 16 to 19 and table 5; days since J2000 in TT."""
    mean = np.radians(19.3871 + 0.52402073 * tt_days)
    fictitious = 270.3871 + 0.524038496 * tt_days
    terms = (
        (0.0071, 2.2353, 49.409),
        (0.0057, 2.7543, 168.173),
        (0.0039, 1.1177, 191.837),
        (0.0037, 15.7866, 21.736),
        (0.0021, 2.1354, 15.704),
        (0.0020, 2.4694, 95.528),
        (0.0018, 32.8493, 49.095),
    )
    disturbed = sum(a * np.cos(np.radians(0.985626 * tt_days / tau + phi)) for a, tau, phi in terms)
    centre = (
        (10.691 + 3.0e-7 * tt_days) * np.sin(mean)
        + 0.623 * np.sin(2 * mean)
        + 0.050 * np.sin(3 * mean)
        + 0.005 * np.sin(4 * mean)
        + 0.0005 * np.sin(5 * mean)
    )
    return fictitious + centre + disturbed


def test_solar_longitude_formula_reproduces_its_own_example() -> None:
    """2000 January 6, 0h UTC: Ls = 277.18758 (worked example published with the method)."""
    assert mars_solar_longitude_deg(2451549.500743 - 2451545.0) % 360.0 == pytest.approx(277.1876, abs=0.001)


def test_mars_solar_longitude(sky: SimpleNamespace) -> None:
    mine = [e.solar_longitude_deg for e in ephemerides("mars", sky.utc)]
    light_time = sky.kernel["earth"].at(sky.t).observe(sky.kernel["mars"]).light_time
    assert np.abs(wrap(mine - mars_solar_longitude_deg(sky.t.tt - light_time - 2451545.0))).max() < 0.05


def test_carrington_rotation_1699() -> None:
    """Meeus, chapter 29, example 29.b: rotation 1699 began on 1980 August 29.22."""
    before, after = ephemerides("sun", ["1980-08-29T03:00:00", "1980-08-29T08:00:00"])
    assert (before.carrington_rotation, after.carrington_rotation) == (1698, 1699)
    assert before.sun_l0_deg is not None and before.sun_l0_deg < 2.0
    assert after.sun_l0_deg is not None and after.sun_l0_deg > 358.0
    # The count and L0 turn over together: their sum never jumps.
    days = [datetime(1980, 8, 20) + timedelta(hours=5.0 * i) for i in range(300)]
    turns = np.array([e.carrington_rotation - e.sun_l0_deg / 360.0 for e in ephemerides("sun", days)])
    assert np.abs(np.diff(turns) - 5.0 / 24.0 / 27.2752316).max() < 0.0005
