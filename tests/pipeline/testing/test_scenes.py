"""Scenes: seeded, geometrically right, and bright where they should be."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from nightmill.testing import SCENES, Capture, Scenario, make_scene
from nightmill.testing.bodies import Body, Rings
from nightmill.testing.scenes import mix
from nightmill.testing.textures import spectral_noise

SMALL = {"jupiter": {"map_rows": 128}, "mars": {"map_rows": 128}, "saturn": {"map_rows": 128}, "moon": {}, "sun": {}}


@pytest.mark.parametrize("name", [name for name in SCENES if name != "star"])
def test_scenes_are_seeded_and_finite(name):
    def draw(seed):
        scene = make_scene(name, seed, **SMALL[name])
        if name in {"moon", "sun"}:
            return scene.draw((90, 120), 0.4)
        return scene.draw((90, 120), 0.6, (44.5, 59.5), 10.0, 0.0)

    first = draw(1)
    assert first.shape == (3, 90, 120)
    assert first.dtype == np.float32
    assert np.isfinite(first).all()
    assert first.min() >= 0
    assert first.std() > 0.01
    assert np.array_equal(first, draw(1))
    assert not np.array_equal(first, draw(2))


def test_a_star_gives_as_much_light_as_a_square_arcsecond_of_white():
    star = make_scene("star", 1, colour=(1.0, 0.9, 0.7))
    for scale, centre in ((0.2, (20.25, 31.0)), (0.1, (10.0, 9.5))):
        picture = star.draw((48, 64), scale, centre, 0.0, 0.0)
        light = picture.sum(axis=(1, 2))
        assert light * scale**2 == pytest.approx([1.0, 0.9, 0.7], rel=1e-5)
        rows, columns = np.mgrid[:48, :64]
        assert (picture[0] * rows).sum() / light[0] == pytest.approx(centre[0])
        assert (picture[0] * columns).sum() / light[0] == pytest.approx(centre[1])


def grey(**options) -> Body:
    return Body(np.full((3, 64, 128), 0.5, np.float32), minnaert=(0.5, 0.5, 0.5), **options)


def test_area_and_axes_of_the_disc():
    """Apparent ellipse of a spheroid: semi-axes a and a sqrt(c^2 cos^2 B + sin^2 B) (Meeus, ch. 43, in other words)."""
    body = grey(flattening=0.1, tilt_deg=20.0, sun_latitude_deg=20.0)
    picture = body.render((260, 260), (129.5, 129.5), 100.0)[0] > 0.01
    share = np.hypot(0.9 * np.cos(np.radians(20)), np.sin(np.radians(20)))
    assert body.polar_share == pytest.approx(share)
    # Anti-aliased edge pixels count whole: half a pixel at the limb.
    assert picture.sum() == pytest.approx(np.pi * 100.5 * (100 * share + 0.5), rel=3e-3)
    assert picture.any(axis=0).sum() == pytest.approx(201, abs=2)
    assert picture.any(axis=1).sum() == pytest.approx(2 * 100 * share + 1, abs=2)


def spot(latitude: float, longitude: float) -> np.ndarray:
    albedo = np.full((3, 180, 360), 0.01, np.float32)
    row, column = round(89.5 - latitude), round(longitude - 0.5) % 360
    albedo[:, row - 1 : row + 2, column - 1 : column + 2] = 1.0
    return albedo


def peak(body: Body, **options) -> np.ndarray:
    picture = body.render((301, 301), (150.0, 150.0), 100.0, **options)[0]
    rows, columns = np.nonzero(picture > 0.5 * picture.max())
    return np.array([rows.mean(), columns.mean()])


def test_places_on_the_globe():
    """Orthographic: x = cos(b) sin(dl), y = sin(b) cos(B) - cos(b) cos(dl) sin(B) (Snyder 1987, eq. 20-3 and 20-4).

    West longitudes: what has a larger longitude than the central meridian is still to come, on the left (east).
    """
    for tilt in (0.0, 15.0):
        for latitude, west in [(0.0, 0.0), (30.0, 0.0), (0.0, 40.0), (-25.0, -30.0)]:
            body = Body(spot(latitude, 100 + west), tilt_deg=tilt, meridian_deg=100.0)
            b, d, t = np.radians([latitude, west, tilt])
            expected = (
                150 - 100 * (np.sin(b) * np.cos(t) - np.cos(b) * np.cos(d) * np.sin(t)),
                150 - 100 * np.cos(b) * np.sin(d),
            )
            # The spot is three degrees wide: up to a pixel of rounding.
            assert peak(body) == pytest.approx(expected, abs=1.3)


def test_rotation_carries_features_to_the_right_and_north_turns_anticlockwise():
    body = Body(spot(0.0, 100.0), meridian_deg=100.0, day_hours=10.0)
    later = peak(body, time_s=3600.0)  # 36 degrees
    assert later == pytest.approx((150, 150 + 100 * np.sin(np.radians(36))), abs=1.0)
    assert body.meridian_at(3600.0) == pytest.approx(136.0)
    north = Body(spot(40.0, 100.0), meridian_deg=100.0)
    r = 100 * np.sin(np.radians(40))
    assert peak(north, north_deg=90.0) == pytest.approx((150, 150 - r), abs=1.0)


def test_phase_and_sun():
    lit = grey(sun_west_deg=60.0).render((240, 240), (119.5, 119.5), 100.0)[0]
    # Terminator of a sphere at 60 degrees: a half-ellipse with semi-axis cos 60 on the left side (Meeus, ch. 41).
    assert lit[120, 120 - 47] > 0
    assert lit[120, 120 - 53] == pytest.approx(0, abs=1e-6)
    assert (lit > 1e-4).sum() / (np.pi * 1e4) == pytest.approx((1 + np.cos(np.radians(60))) / 2, abs=0.02)


def test_rings_lie_in_the_equatorial_plane():
    body = grey(tilt_deg=20.0, sun_latitude_deg=20.0, rings=Rings())
    picture = body.render((240, 480), (119.5, 239.5), 90.0)[0]
    lit = picture > 0.02
    assert lit.any(axis=0).sum() == pytest.approx(2 * 2.27 * 90, abs=4)
    far = Rings(edges=((1.5, 1.9, 1.0, 1.0),))
    picture = replace(body, rings=far).render((240, 480), (119.5, 239.5), 90.0)[0]
    # Seen from the north the near half of the ring passes south of the centre, in front of the globe.
    south, north = 119.5 + 1.7 * 90 * np.sin(np.radians(20)), 119.5 - 1.7 * 90 * np.sin(np.radians(20))
    tint = far.colour[0]
    assert picture[round(south), 240] == pytest.approx(tint, rel=0.15)
    assert picture[round(north), 240] < 0.6


def test_mix_and_noise():
    planes = np.stack([np.full((2, 2), v, np.float32) for v in (3.0, 2.0, 1.0)])
    assert mix(planes, 530.0)[0, 0] == pytest.approx(2.0)
    assert mix(planes, 580.0)[0, 0] == pytest.approx(2.5)
    assert mix(planes, 900.0)[0, 0] == pytest.approx(3.0)
    noise = spectral_noise((256, 256), 3.0, np.random.default_rng(1))
    power = np.abs(np.fft.rfft(noise, axis=1)).mean(axis=0) ** 2
    f = np.arange(4, 60)
    # A cut through a plane of slope -3 has slope -2.
    assert np.polyfit(np.log(f), np.log(power[4:60]), 1)[0] == pytest.approx(-2.0, abs=0.35)


def test_unknown_scene():
    with pytest.raises(ValueError, match="no scene is called 'venus'"):
        make_scene("venus", 1)


def test_light_in_electrons_is_the_same_for_every_capture():
    """A star of colour 0.7 gives 0.7 times what a square arc second of white does, whatever its neighbours do."""
    for name, share in (("R", 1.0), ("B", 0.7)):
        scenario = Scenario(
            scene="star",
            scene_options={"colour": (1.0, 0.9, 0.7)},
            filter=name,
            shape=(96, 96),
            frames=1,
            light_e=900.0,
        )
        capture = Capture(scenario)
        electrons = capture.truth().picture.sum(dtype=np.float64) / capture.sensor.adu_per_e
        assert electrons * scenario.scale_arcsec**2 == pytest.approx(900.0 * share, rel=0.005)
