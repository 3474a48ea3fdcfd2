"""Places on the sky against Skyfield on the JPL ephemeris DE421, 2000 to 2040, from several sites.

Source: Skyfield and DE421 (the kernel from the package skyfield-data); nothing is downloaded. The tolerances of the
built-in ephemeris are its own accuracy (Simon et al. 1994 for the planets), with a JPL kernel they are 0.1 arcsec.
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
SITES = (Site(47.1, 8.5, 540.0), Site(-33.9, 18.4, 100.0), Site(69.6, 18.9, 0.0), Site(0.0, -78.5, 2850.0))
NAMES = {
    "mercury": "mercury",
    "venus": "venus",
    "mars": "mars",
    "jupiter": "jupiter barycenter",
    "saturn": "saturn barycenter",
    "uranus": "uranus barycenter",
    "neptune": "neptune barycenter",
    "moon": "moon",
    "sun": "sun",
}
PLACE_ARCSEC = {
    "jupiter": 60.0,
    "mars": 60.0,
    "uranus": 60.0,
    "saturn": 90.0,
    "venus": 12.0,
    "mercury": 6.0,
    "neptune": 10.0,
    "moon": 15.0,
    "sun": 3.0,
}


def wrap(degrees: Any) -> Any:
    return (np.asarray(degrees) + 180.0) % 360.0 - 180.0


@pytest.fixture(scope="module")
def sky() -> Iterator[SimpleNamespace]:
    from skyfield.api import load, wgs84
    from skyfield.jpllib import SpiceKernel

    generator = np.random.default_rng(20)
    utc = [datetime(2000, 1, 1) + timedelta(days=float(d)) for d in generator.uniform(0.0, 40 * 365.25, 60)]
    scale = load.timescale(builtin=True)
    columns = [(u.year, u.month, u.day, u.hour, u.minute, u.second + u.microsecond * 1e-6) for u in utc]
    kernel = SpiceKernel(str(DE421))
    yield SimpleNamespace(kernel=kernel, utc=utc, t=scale.utc(*np.array(columns).T), wgs84=wgs84)
    kernel.close()


@pytest.mark.parametrize("target", NAMES)
@pytest.mark.parametrize("site", SITES, ids=lambda s: f"{s.latitude_deg:g}")
@pytest.mark.parametrize("with_kernel", [False, True], ids=["builtin", "kernel"])
def test_apparent_place(sky: SimpleNamespace, target: str, site: Site, with_kernel: bool) -> None:
    mine = ephemerides(target, sky.utc, site, kernel=DE421 if with_kernel else None, satellites=False)
    place = sky.wgs84.latlon(site.latitude_deg, site.longitude_deg, site.height_m)
    apparent = (sky.kernel["earth"] + place).at(sky.t).observe(sky.kernel[NAMES[target]]).apparent()
    ra, dec, distance = apparent.radec("date")
    altitude, azimuth, _ = apparent.altaz()
    tolerance = 0.1 if with_kernel else PLACE_ARCSEC[target]
    if target == "moon" and with_kernel:
        # Beyond the measured part of the Earth's rotation each library foretells it in its own way, up to 1 s apart
        # by 2040; a second carries the site 465 m, which is 0.25 arcsec on the Moon.
        tolerance += 0.25
    east = wrap([e.ra_deg for e in mine] - ra._degrees) * np.cos(dec.radians) * 3600.0
    north = ([e.dec_deg for e in mine] - dec.degrees) * 3600.0
    assert np.abs(east).max() < tolerance
    assert np.abs(north).max() < tolerance
    assert np.abs([e.altitude_deg for e in mine] - altitude.degrees).max() < 0.03
    assert np.abs(wrap([e.azimuth_deg for e in mine] - azimuth.degrees) * np.cos(altitude.radians)).max() < 0.03
    # The triangle pole - zenith - body, solved from Skyfield's sides (sine and cosine rule).
    phi, h, d = np.radians(site.latitude_deg), altitude.radians, dec.radians
    sine = -np.sin(azimuth.radians) * np.cos(phi) / np.cos(d)
    cosine = (np.sin(phi) - np.sin(h) * np.sin(d)) / (np.cos(h) * np.cos(d))
    q = wrap([e.parallactic_angle_deg for e in mine] - np.degrees(np.arctan2(sine, cosine)))
    assert np.abs(q * np.cos(h)).max() < 0.05
    assert np.abs([e.distance_au for e in mine] / distance.au - 1.0).max() < (1e-6 if with_kernel else 3e-4)


@pytest.mark.parametrize("target", [t for t in NAMES if t != "sun"])
def test_phase(sky: SimpleNamespace, target: str) -> None:
    mine = ephemerides(target, sky.utc, satellites=False)
    seen = sky.kernel["earth"].at(sky.t).observe(sky.kernel[NAMES[target]])
    angle = seen.phase_angle(sky.kernel["sun"]).degrees
    assert np.abs([e.phase_angle_deg for e in mine] - angle).max() < 0.02
    lit = seen.fraction_illuminated(sky.kernel["sun"])
    assert np.abs([e.illuminated_fraction for e in mine] - lit).max() < 0.001


@pytest.mark.parametrize(
    ("target", "tolerance"),
    # Skyfield takes the Sun to stand at the barycentre, up to 0.01 au away: of weight for the inner planets.
    [
        ("mercury", 0.2),
        ("venus", 0.05),
        ("mars", 0.03),
        ("jupiter", 0.02),
        ("saturn", 0.02),
        ("uranus", 0.02),
        ("neptune", 0.02),
    ],
)
def test_magnitude(sky: SimpleNamespace, target: str, tolerance: float) -> None:
    from skyfield.magnitudelib import planetary_magnitude

    mine = np.array([e.magnitude for e in ephemerides(target, sky.utc, satellites=False)])
    theirs = planetary_magnitude(sky.kernel["earth"].at(sky.t).observe(sky.kernel[NAMES[target]]))
    assert np.nanmax(np.abs(mine - theirs)) < tolerance


def test_kernel_states_match_jplephem() -> None:
    """The reader of kernels against jplephem, position and velocity of every body, at the ends and inside."""
    from jplephem.spk import SPK

    from nightmill_sky.spk import Kernel

    mine = Kernel(DE421)
    theirs = SPK.open(str(DE421))
    try:
        jd = np.array([2415100.5, 2451545.0, 2459000.123, 2470000.5])
        zero = np.zeros_like(jd)
        chains = {10: [(0, 10)], 5: [(0, 5)], 499: [(0, 4), (4, 499)], 399: [(0, 3), (3, 399)], 301: [(0, 3), (3, 301)]}
        for code, chain in chains.items():
            position, velocity = mine.barycentric(code, jd, zero)
            expected = [theirs[pair].compute_and_differentiate(jd) for pair in chain]
            np.testing.assert_allclose(position, sum(p for p, _ in expected).T, rtol=0, atol=1e-3)  # a metre
            np.testing.assert_allclose(velocity, sum(v for _, v in expected).T / 86400.0, rtol=0, atol=1e-9)
    finally:
        theirs.close()
