"""The annotate stage: geometry, scale, orientation and label of a picture."""

from __future__ import annotations

import numpy as np
import pytest
from nightmill.artefacts import Capture, Picture
from nightmill.stage import Context
from nightmill_sky import Site, ephemeris
from nightmill_stages.annotate import Annotate
from nightmill_stages.annotate.disc import fit_disc
from scipy import ndimage

START = 1_768_255_800.0  # 2026-01-12 22:10:00 UTC
NIGHT = {
    "site": {"name": "Hill meadow", "latitude_deg": 47.1, "longitude_deg": 8.5, "height_m": 540.0},
    "telescope": {"aperture_mm": 203.0, "focal_length_mm": 2030.0, "amplifier": 2.0},
    "camera": {"pixel_um": 3.75},
    "filters": {},
}
OPTICS_ARCSEC = 206.264806 * 3.75 / 4060.0


def ellipse(size: int, x: float, y: float, a: float, b: float, angle_deg: float, *, noise: float = 0.0, seed: int = 0):
    """A limb-darkened ellipse drawn four times finer than its pixels; the angle is counter-clockwise as displayed."""
    axis = (np.arange(size * 4) + 0.5) / 4 - 0.5
    dx, dy = axis[None, :] - x, axis[:, None] - y
    angle = np.radians(angle_deg)
    u, v = dx * np.cos(angle) - dy * np.sin(angle), dx * np.sin(angle) + dy * np.cos(angle)
    inside = np.clip(1.0 - (u / a) ** 2 - (v / b) ** 2, 0.0, None)
    light = np.where(inside > 0, 0.3 + 0.7 * np.sqrt(inside), 0.0)
    binned = light.reshape(size, 4, size, 4).mean(axis=(1, 3))
    seen = 0.6 * ndimage.gaussian_filter(binned, 1.0)
    return (seen + noise * np.random.default_rng(seed).standard_normal(seen.shape)).astype(np.float32)


def picture(data, target: str | None = "jupiter", *, start: float | None = START, **changes) -> Picture:
    source = Capture("/x", "x.ser", "ser", 1, 9, 9, target=target, filter="G", utc_start=start)
    return Picture(data, captures=(source,), filters=("G",), header={"frames_kept": 10, "frames_total": 100}, **changes)


def annotate(one: Picture, night=NIGHT, **parameters) -> tuple[Picture, Context]:
    context = Context(captures=one.captures, night=night)
    (made,) = Annotate(Annotate.Parameters(**parameters)).develop([one], context)
    return made, context


def cautions(context: Context) -> dict[str, str]:
    return {note.name: note.text for note in context.notes if note.kind == "caution"}


@pytest.mark.parametrize("angle", [-60.0, 0.0, 35.0, 80.0])
def test_disc_is_found_where_it_is(angle):
    found = fit_disc(ellipse(140, 71.3, 66.6, 50.0, 46.7, angle, noise=0.004))
    assert found is not None
    # The centre to 0.1 px; the edge's steepest fall lies inside the limb by part of the blur of 1 px.
    assert (found.x_px, found.y_px) == pytest.approx((71.3, 66.6), abs=0.1)
    assert (found.a_px, found.b_px) == pytest.approx((50.0, 46.7), abs=0.6)
    assert found.a_px - found.b_px == pytest.approx(3.3, abs=0.15)
    assert found.angle_deg == pytest.approx(angle, abs=2.0)
    assert found.spread_px < 0.1


def test_no_disc_where_there_is_none():
    assert fit_disc(np.random.default_rng(0).uniform(0.3, 0.6, (60, 60)).astype(np.float32)) is None
    assert fit_disc(np.full((3, 30, 30), np.nan, np.float32)) is None
    square = np.zeros((80, 80), np.float32)
    square[15:60, 20:70] = 0.5
    assert fit_disc(square) is None


def test_scale_by_equipment_where_the_planet_agrees():
    sky = ephemeris("jupiter", "2026-01-12T22:10:00", Site(47.1, 8.5, 540.0), satellites=False)
    radius = 0.5 * sky.equatorial_diameter_arcsec / OPTICS_ARCSEC
    one = picture(ellipse(280, 140.0, 139.0, radius, 0.935 * radius, 20.0))
    made, context = annotate(one)
    assert made.geometry["scale_arcsec"] == pytest.approx(OPTICS_ARCSEC, rel=1e-5)
    assert made.geometry["disc"]["x_px"] == pytest.approx(140.0, abs=0.1)
    assert "scale_arcsec" not in cautions(context)
    measured = next(note.value for note in context.notes if note.name == "scale_by_disc")
    assert measured == pytest.approx(OPTICS_ARCSEC, rel=0.01)


def test_planet_is_believed_over_the_equipment():
    made, context = annotate(picture(ellipse(140, 70.0, 70.0, 50.0, 46.7, 0.0)))
    # Jupiter was 46.57 arcsec across (JPL Horizons, from memory 46.6): 100 px of them.
    assert made.geometry["scale_arcsec"] == pytest.approx(0.466, rel=0.015)
    assert "focal length" in cautions(context)["scale_arcsec"]


def test_stack_drawn_finer_has_a_finer_scale():
    flat = picture(np.random.default_rng(0).uniform(0.3, 0.6, (60, 80)).astype(np.float32), "moon")
    made, _ = annotate(flat.replace(header={"scale": 1.5}))
    assert made.geometry == {"scale_arcsec": pytest.approx(OPTICS_ARCSEC / 1.5, rel=1e-5)}


def test_rings_and_crescents_are_not_taken_for_discs():
    saturn, _ = annotate(picture(ellipse(140, 70.0, 70.0, 50.0, 20.0, 0.0), "saturn"))
    assert "disc" not in saturn.geometry
    # Venus, 2025-03-01: a crescent, 16 % lit (Astronomical Almanac, from memory 0.15 to 0.17).
    venus, _ = annotate(picture(ellipse(140, 70.0, 70.0, 50.0, 50.0, 0.0), "venus", start=1_740_850_000.0))
    assert "disc" not in venus.geometry


def test_orientation_is_the_users_or_said_to_be_unknown():
    one = picture(ellipse(100, 50.0, 50.0, 30.0, 28.0, 0.0))
    made, context = annotate(one)
    assert "north_angle_deg" not in made.geometry
    assert "north_angle" in cautions(context)
    made, context = annotate(one, north_angle="-20 deg", mirrored=True)
    assert made.geometry["north_angle_deg"] == 340.0
    assert made.geometry["mirrored"] is True
    assert "north_angle" not in cautions(context)
    earlier = one.replace(geometry={"north_angle_deg": 12.0, "mirrored": False, "scale_arcsec": 0.5})
    made, _ = annotate(earlier)
    assert made.geometry["north_angle_deg"] == 12.0
    assert made.geometry["scale_arcsec"] == 0.5


def test_clean_picture_stays_bit_for_bit():
    data = ellipse(100, 50.0, 50.0, 30.0, 28.0, 0.0, noise=0.003)
    before = data.copy()
    data.setflags(write=False)
    made, _ = annotate(picture(data))
    assert made.data is data
    np.testing.assert_array_equal(data, before)
    assert made.labelled is not None
    assert made.labelled.dtype == np.uint8
    again, _ = annotate(picture(data))
    np.testing.assert_array_equal(again.labelled, made.labelled)


def test_label_can_be_left_out():
    made, _ = annotate(picture(ellipse(60, 30.0, 30.0, 20.0, 19.0, 0.0)), label=False)
    assert made.labelled is None


def test_the_sun_carries_its_caution():
    # The sentence takes room at the bottom, in the colour of warnings.
    data = ellipse(100, 50.0, 50.0, 30.0, 30.0, 0.0)
    sun, _ = annotate(picture(data, "sun"))
    mars, _ = annotate(picture(data, "mars"))
    warning = np.array([255, 196, 96], np.uint8)
    assert sun.labelled is not None
    assert mars.labelled is not None
    assert (sun.labelled == warning).all(axis=-1).sum() > 200
    assert (mars.labelled == warning).all(axis=-1).sum() == 0


def test_a_night_that_says_nothing_is_no_obstacle():
    data = ellipse(100, 50.0, 50.0, 30.0, 28.0, 0.0)
    for one in (picture(data, None, start=None), picture(data, "jupiter", start=None), picture(data, "comet_x")):
        made, _ = annotate(one, night={})
        assert made.labelled is not None
        assert "scale_arcsec" not in made.geometry
    _, context = annotate(picture(data, "jupiter", start=None), night={})
    assert "time" in cautions(context)["utc"]
    made, _ = annotate(Picture(data), night={})
    assert made.labelled is not None


def test_a_planet_below_the_horizon_is_a_hint_at_a_wrong_time():
    # Twelve hours later Jupiter, near opposition, is below the horizon of a site at 47 degrees north.
    _, context = annotate(picture(ellipse(100, 50.0, 50.0, 30.0, 28.0, 0.0), start=START + 43_200.0))
    assert "below the horizon" in cautions(context)["site"]
