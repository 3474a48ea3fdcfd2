"""The map of a night and the globe under it, against a body whose map is known."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy import ndimage

from nightmill.artefacts import Capture, Picture
from nightmill.stage import Context
from nightmill.testing.bodies import Body
from nightmill.testing.textures import banded_map
from nightmill_sky import Disc, ephemeris
from nightmill_sky.shading import darkening_of
from nightmill_stages.orient.discs import disc_of
from nightmill_stages.sequence import Globe
from nightmill_stages.sequence.night_map import NightMap
from nightmill_stages.sequence.turning_globe import GlobeView

ALBEDO = ndimage.gaussian_filter(
    banded_map(180, np.random.default_rng(6)), (0, 2.0, 2.0), mode=("nearest", "nearest", "wrap")
)
BODY = Body(ALBEDO, flattening=0.06487, tilt_deg=3.0, sun_latitude_deg=3.0, minnaert=(0.85, 0.95, 1.0))
RADIUS = 60.0


def seen(meridian: float, *, north: float = 0.0) -> np.ndarray:
    return replace(BODY, meridian_deg=meridian).render((140, 140), (69.5, 69.5), RADIUS, north_deg=north)


def disc(meridian: float, *, north: float = 0.0) -> Disc:
    return Disc(
        69.5,
        69.5,
        RADIUS,
        flattening=0.06487,
        sub_observer_latitude_deg=3.0,
        sub_solar_latitude_deg=3.0,
        pole_angle_deg=north,
        central_meridian_deg=meridian,
        central_meridians_deg={"III": meridian},
    )


@pytest.fixture(scope="module")
def chart() -> NightMap:
    """Three pictures, 50 degrees of turn apart, the camera turned between them."""
    chart = NightMap(disc(100.0), 1.0, (0.85, 0.95, 1.0))
    for meridian, north in ((50.0, 0.0), (100.0, 35.0), (150.0, 180.0)):
        chart.add(seen(meridian, north=north), disc(meridian, north=north), 1.0)
    return chart


def test_darkening_is_that_of_the_body():
    assert darkening_of(seen(80.0), disc(80.0)) == pytest.approx([0.85, 0.95, 1.0], abs=0.03)


def test_map_is_the_albedo_of_the_body(chart):
    rows, columns = chart.weight.shape
    east = (np.arange(columns) + 0.5) * 360.0 / columns
    # The body's map has longitude growing to the right from 0, two columns a degree of latitude's row.
    truth = np.stack(
        [ndimage.zoom(plane, (rows / plane.shape[0], columns / plane.shape[1]), order=1) for plane in ALBEDO]
    )
    at = np.mod(100.0 - east, 360.0)
    index = np.clip(np.round(at * columns / 360.0 - 0.5).astype(int), 0, columns - 1)
    error = chart.values / truth[:, :, index] - 1.0
    good = chart.best > 0.3
    assert good.mean() > 0.4
    # A degree is a pixel in the middle and less near the edge: what is left is interpolation.
    assert np.sqrt(np.nanmean(error[:, good] ** 2)) < 0.02
    assert np.isnan(chart.values[:, chart.weight == 0]).all()


def test_longitudes_that_were_seen_are_counted(chart):
    # The angle of view reaches cos 0.2 (78 degrees), and the meridians 100 degrees: 256 of 360.
    assert chart.seen == pytest.approx((156.9 + 100.0) / 360.0, abs=0.02)


def test_globe_is_what_the_body_looks_like_and_the_rest_is_grey(chart):
    view = GlobeView(disc(100.0), 140, chart.values, chart.darkening)
    white = float(np.nanmax(chart.values))
    frame = view.frame(-30.0, white)  # from 30 degrees further west: longitude 130
    want = replace(BODY, meridian_deg=130.0).render((140, 140), (69.5, 69.5), 0.46 * 140)
    y, x = np.indices(frame.shape[1:])
    inner = np.hypot(x - 69.5, y - 69.5) < 0.8 * 0.46 * 140
    assert np.sqrt(((frame - want)[:, inner] ** 2).mean()) / want[:, inner].mean() < 0.025
    # From behind nothing was seen: no light but the grey and its lines, the same in all colours.
    back = view.frame(180.0, white)
    middle = back[:, 60:80, 60:80]
    assert middle.max() < 0.12 * white
    np.testing.assert_array_equal(middle[0], middle[2])
    assert frame[:, 0, 0].max() == 0.0


def real_pictures(step_minutes: float, count: int) -> list[Picture]:
    """Pictures whose meridians are the ephemeris', so that longitudes of the stage mean something."""
    start = datetime(2025, 2, 5, 20, 0, tzinfo=UTC)
    made = []
    for k in range(count):
        when = start + timedelta(minutes=step_minutes * k)
        geometry = {
            "disc": {"x_px": 69.5, "y_px": 69.5, "a_px": RADIUS, "b_px": 0.94 * RADIUS, "angle_deg": 0.0},
            "pole_angle_deg": 0.0,
            "mirrored": False,
            "planet_east_deg": 270.0,
        }
        there = disc_of(geometry, ephemeris("jupiter", when))
        assert there is not None
        one = Capture(f"{k}.ser", "", "t", 1, 140, 140, 3, target="jupiter", filter="RGB", utc_start=when.timestamp())
        data = seen(there.central_meridians_deg["II"])
        made.append(Picture(data, captures=(one,), filters=("RGB",), geometry=geometry))
    return made


def test_stage_makes_a_whole_turn_or_says_why_not():
    context = Context()
    (globe,) = Globe(Globe.Parameters(step="30 deg")).develop(real_pictures(60.0, 3), context)
    assert globe.kind == "globe"
    assert globe.frames.shape[0] == 12
    assert globe.frames.shape[1] % 2 == globe.frames.shape[2] % 2 == 0
    assert globe.data.shape[0] == 3
    (share,) = [note.value for note in context.notes if note.name == "globe"]
    assert share == pytest.approx((156.9 + 72.5) / 360.0, abs=0.03)
    context = Context()
    assert Globe().develop(real_pictures(5.0, 2), context) == []
    assert "least_seen" in " ".join(note.text for note in context.notes)


def test_without_the_sense_of_turning_there_is_no_globe():
    pictures = [p.replace(geometry={"disc": p.geometry["disc"]}) for p in real_pictures(60.0, 3)]
    context = Context()
    assert Globe().develop(pictures, context) == []
    assert "north_angle" in context.notes[0].text
