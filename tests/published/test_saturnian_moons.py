"""Saturn's bright moons against PyEphem, against Kepler's third law and against events that were widely published.

Source: PyEphem 4, asked at the moment whose UT reads as our TT; its unit of length is not Saturn's radius but 0.5 %
smaller, so a common scale is left free. Periods: handbook values, days.
"""

from __future__ import annotations

from datetime import datetime, timedelta

import ephem
import numpy as np
import pytest

from nightmill_sky import ephemerides, ephemeris
from nightmill_sky.saturnian import SATURNIAN_NAMES, saturnian_positions


def test_places_against_pyephem() -> None:
    utc = [datetime(2000, 1, 1) + timedelta(days=float(d)) for d in np.random.default_rng(24).uniform(0, 13800, 100)]
    found = ephemerides("saturn", utc)
    dates = [ephem.Date(u) for u in utc]
    dates = [ephem.Date(d + ephem.delta_t(d) * ephem.second) for d in dates]
    radii = np.array([e.equatorial_diameter_arcsec / 2.0 for e in found])
    for k, name in enumerate(SATURNIAN_NAMES):
        assert all(e.satellites[k].name == name for e in found)
        mine = np.array([e.satellites[k].x_arcsec + 1j * e.satellites[k].y_arcsec for e in found]) / radii
        moons = [getattr(ephem, name)(d) for d in dates]
        theirs = np.array([m.x - 1j * m.y for m in moons])
        scale = np.vdot(mine, theirs) / np.vdot(mine, mine)
        assert abs(scale.real - 1.004) < 0.003 and abs(scale.imag) < 0.003
        # 0.06 radius is half an arcsecond; north of J2000 there and of date here turn the outer ones by 0.2 degrees.
        assert np.abs(mine * scale.real - theirs).max() < {"Titan": 0.08, "Iapetus": 0.25}.get(name, 0.06)


@pytest.mark.parametrize(
    ("name", "period_days", "axis_km"),
    [
        ("Mimas", 0.942422, 185539.0),
        ("Enceladus", 1.370218, 238042.0),
        ("Tethys", 1.887802, 294672.0),
        ("Dione", 2.736915, 377415.0),
        ("Rhea", 4.517503, 527108.0),
        ("Titan", 15.945448, 1221870.0),
        ("Iapetus", 79.331, 3561300.0),
    ],
)
def test_sizes_and_periods_of_the_orbits(name: str, period_days: float, axis_km: float) -> None:
    """Mean elements of JPL's table of planetary satellites, from memory."""
    turns = round(2000.0 / period_days)
    days = np.linspace(8000.0, 8000.0 + period_days, 100, endpoint=False)
    place = saturnian_positions(days)[SATURNIAN_NAMES.index(name)]
    assert np.linalg.norm(place, axis=1).mean() == pytest.approx(axis_km, rel=2e-3)
    later = saturnian_positions(days + turns * period_days)[SATURNIAN_NAMES.index(name)]
    cosine = np.sum(place * later, axis=1) / np.linalg.norm(place, axis=1) / np.linalg.norm(later, axis=1)
    assert np.degrees(np.arccos(np.clip(cosine, -1, 1))).mean() < 8.0  # Mimas librates by 43 degrees in 71 years


def states(utc: str) -> dict[str, str]:
    return {moon.name: moon.state for moon in ephemeris("saturn", utc).satellites}


def test_four_moons_before_saturn() -> None:
    """2009 February 24, 14:24 UT: Titan, Mimas, Dione and Enceladus with their shadows (a well-known picture)."""
    saturn = ephemeris("saturn", "2009-02-24T14:24:00")
    seen = {moon.name: moon for moon in saturn.satellites}
    assert seen["Titan"].state == seen["Mimas"].state == seen["Dione"].state == "transit"
    # Enceladus stands at the limb, its shadow on the disc.
    assert seen["Enceladus"].state in ("transit", "shadow transit")
    assert seen["Enceladus"].shadow_x_arcsec is not None and seen["Dione"].shadow_x_arcsec is not None
    assert seen["Rhea"].state == "visible"


@pytest.mark.parametrize(
    "utc", ["2025-07-02T08:00", "2025-07-18T07:25", "2025-08-03T06:25", "2025-08-19T05:50", "2025-09-04T05:24"]
)
def test_shadow_of_titan(utc: str) -> None:
    """The shadow transits of 2025 at mid-transit (announced in the magazines; from memory), and none a day later."""
    assert states(utc)["Titan"] == "shadow transit"
    assert states(utc.replace("T0", "T1").replace("-02T", "-03T").replace("-18T", "-19T"))["Titan"] == "visible"


def test_iapetus_in_the_shadow_of_globe_and_rings() -> None:
    """1889 November 2 before dawn in California (UT - 8 h): Iapetus left the shadow of the globe, shone through that
    of ring C and was lost in that of ring B (Barnard 1890, MNRAS 50, 107; the hours from memory)."""
    order = [states(f"1889-11-02T{hour}")["Iapetus"] for hour in ("09:00", "11:30", "13:30")]
    assert order == ["eclipsed", "visible", "eclipsed"]
