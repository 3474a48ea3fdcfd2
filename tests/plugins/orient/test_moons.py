"""North by moons beside the planet, by the field's rotation and by drift: simulated pictures of known orientation."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from nightmill_sky import Disc, Site, ephemerides, ephemeris
from nightmill_sky.placing import offset_px
from nightmill_stages.orient.field import mirror_by_field, ways_by_west, west_by_drift
from nightmill_stages.orient.moons import find_points, weigh_moons
from nightmill_stages.orient.posterior import Way, known

UTC = "2025-02-07T20:00:00"
NORTH, SCALE, BLUR = 20.0, 0.5, 1.4


@pytest.fixture(scope="module")
def sky():
    return ephemeris("jupiter", UTC)


def frame(sky, *, mirrored: bool, moons: bool, stars: int = 0, seed: int = 0):
    """A plain disc with its glow, moons or stars beside it, noise of 0.3 %; and the four ways in which it may lie."""
    pole = (NORTH + (-1.0 if mirrored else 1.0) * sky.north_pole_position_angle_deg) % 360.0
    disc = Disc(300.3, 205.7, 0.5 * sky.equatorial_diameter_arcsec / SCALE, 0.0649, 2.7, pole, mirrored)
    row, column = np.mgrid[0:400, 0:600].astype(float)
    away = np.hypot(column - disc.centre_column_px, row - disc.centre_row_px)
    plane = 0.02 + 0.6 / (1.0 + np.exp((away - disc.equatorial_radius_px) / 1.5)) + 0.05 * np.exp(-away / 60.0)
    places = []
    if moons:
        for moon in sky.satellites:
            right, down = offset_px(moon.x_arcsec, moon.y_arcsec, SCALE, NORTH, mirrored)
            places.append((300.3 + right, 205.7 + down))
    places += list(np.random.default_rng(seed).uniform([10, 10], [590, 390], (stars, 2)))
    for x, y in places:
        plane += 0.2 * np.exp(-0.5 * ((column - x) ** 2 + (row - y) ** 2) / BLUR**2)
    plane += 0.003 * np.random.default_rng(seed + 1).standard_normal(plane.shape)
    other = (pole + 180.0) % 360.0
    ways = [Way(a, m, 1.0) for a in (pole, other) for m in (False, True)]
    return plane.astype(np.float32), disc, ways


@pytest.mark.parametrize("mirrored", [False, True])
def test_moons_tell_north_and_mirror(sky, mirrored):
    """Io and Europa are in the frame, one on each side, a few pixels off the equator."""
    plane, disc, ways = frame(sky, mirrored=mirrored, moons=True, stars=3)
    points = find_points(plane, disc, BLUR)
    assert len(points.columns_px) >= 4
    heard, found = weigh_moons(ways, points, disc, sky, 0.001, 0.5)
    assert len(found) >= 2
    pole = known(heard, lambda way: way.pole_angle_deg)
    flipped = known(heard, lambda way: 180.0 * way.mirrored)
    assert pole.sure and pole.value == pytest.approx(disc.pole_angle_deg)
    assert flipped.sure and (flipped.value > 90.0) == mirrored


@pytest.mark.parametrize("seed", range(4))
def test_stars_tell_nothing(sky, seed):
    plane, disc, ways = frame(sky, mirrored=False, moons=False, stars=6, seed=seed)
    heard, _ = weigh_moons(ways, find_points(plane, disc, BLUR), disc, sky, 0.001, 0.5)
    assert not known(heard, lambda way: 180.0 * way.mirrored).sure
    assert not known(heard, lambda way: way.pole_angle_deg).sure


def test_a_bare_picture_shows_no_points(sky):
    plane, disc, ways = frame(sky, mirrored=False, moons=False)
    points = find_points(plane, disc, BLUR)
    assert len(points.columns_px) == 0
    assert weigh_moons(ways, points, disc, sky, 0.001, 0.5) == (ways, ())


def test_points_are_found_to_a_fraction_of_a_pixel(sky):
    plane, disc, _ = frame(sky, mirrored=False, moons=True)
    points = find_points(plane, disc, BLUR)
    for moon in sky.satellites:
        right, down = offset_px(moon.x_arcsec, moon.y_arcsec, SCALE, NORTH, False)
        if abs(right) < 280 and abs(down) < 180 and math.hypot(right, down) > 100:
            off = np.hypot(points.columns_px - 300.3 - right, points.rows_px - 205.7 - down)
            assert off.min() < 0.2


def test_an_offset_on_the_sky():
    """North up: east is left on an upright picture and right in a mirror; north turned to the left puts east down."""
    assert offset_px(2.0, 1.0, 0.5, 0.0, False) == pytest.approx((-4.0, -2.0))
    assert offset_px(2.0, 1.0, 0.5, 0.0, True) == pytest.approx((4.0, -2.0))
    assert offset_px(2.0, 0.0, 0.5, 90.0, False) == pytest.approx((0.0, 4.0))
    assert offset_px(0.0, 1.0, 0.5, 90.0, False) == pytest.approx((-2.0, 0.0))


def test_the_field_of_an_alt_azimuth_mount_tells_a_mirror():
    """The zenith stays where it is on the picture, so north turns clockwise while the parallactic angle grows."""
    site = Site(47.1, 8.5)
    now, after = ephemerides("jupiter", ["2025-02-05T20:10:00", "2025-02-05T20:11:00"], site, satellites=False)
    rate = (after.parallactic_angle_deg - now.parallactic_angle_deg) / 60.0
    # Near the meridian in the south it grows by 15 arcsec a second times cos(latitude) cos(azimuth) / cos(altitude).
    assert rate == pytest.approx(
        15.041
        / 3600.0
        * math.cos(math.radians(47.1))
        * -math.cos(math.radians(now.azimuth_deg))
        / math.cos(math.radians(now.altitude_deg)),
        rel=0.03,
    )
    assert mirror_by_field({"field_deg_s": -rate}, now, after) is False
    assert mirror_by_field({"field_deg_s": 1.1 * rate}, now, after) is True
    assert mirror_by_field({"field_deg_s": 3.0 * rate}, now, after) is None
    assert mirror_by_field({}, now, after) is None
    assert mirror_by_field({"field_deg_s": rate}, now, None) is None
    assert mirror_by_field({"field_deg_s": rate}, replace(now, parallactic_angle_deg=None), after) is None


def test_drift_of_a_resting_camera_runs_west():
    """15.04 arcsec a second times cos(declination), in the picture's west whichever way that lies."""
    pace = 15.041 * math.cos(math.radians(20.0)) / 0.3
    for north, mirrored in ((0.0, False), (35.0, False), (35.0, True)):
        right, down = offset_px(-pace * 0.3, 0.0, 0.3, north, mirrored)
        drift = {"px_s": [down, right], "left_px": 0.5, "span_s": 5.0}
        west = west_by_drift(drift, 0.3, 20.0)
        assert west == pytest.approx((north + (90.0 if mirrored else -90.0)) % 360.0)
        # Alone it leaves one way in each sense; with an axis it tells which sense and end are right.
        (own,) = [way for way in ways_by_west([], west, 25.0) if way.mirrored == mirrored]
        assert own.north_deg(25.0) == pytest.approx(north)
        four = [Way((own.pole_angle_deg + turn) % 360.0, m, 1.0) for turn in (0.0, 180.0) for m in (False, True)]
        best = max(ways_by_west(four, west, 25.0), key=lambda way: way.weight)
        assert (best.pole_angle_deg, best.mirrored) == (own.pole_angle_deg, mirrored)
    steady = {"px_s": [0.0, pace], "left_px": 0.5, "span_s": 5.0}
    assert west_by_drift({**steady, "px_s": [0.0, 0.02 * pace]}, 0.3, 20.0) is None  # a mount that follows
    assert west_by_drift({**steady, "left_px": 90.0}, 0.3, 20.0) is None  # pushed about
    assert west_by_drift({}, 0.3, 20.0) is None
