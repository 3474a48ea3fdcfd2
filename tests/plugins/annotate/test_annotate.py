"""The annotate stage: geometry, scale, orientation and label of a picture."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from nightmill.artefacts import Capture, Picture
from nightmill.stage import Context
from nightmill_stages.annotate import Annotate

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


def picture(
    data, target: str | None = "jupiter", *, start: float | None = START, oriented: bool = True, **changes
) -> Picture:
    """A picture that went through the stage orient, which found nothing unless `geometry` says otherwise."""
    source = Capture("/x", "x.ser", "ser", 1, 9, 9, target=target, filter="G", utc_start=start)
    header = {"frames_kept": 10, "frames_total": 100, **({"orient": {"version": "1"}} if oriented else {})}
    return Picture(data, captures=(source,), filters=("G",), **{"header": header, **changes})


def annotate(one: Picture, night=NIGHT, **parameters) -> tuple[Picture, Context]:
    context = Context(captures=one.captures, night=night)
    (made,) = Annotate(Annotate.Parameters(**parameters)).develop([one], context)
    return made, context


def cautions(context: Context) -> dict[str, str]:
    return {note.name: note.text for note in context.notes if note.kind == "caution"}


def test_what_an_earlier_stage_measured_is_not_measured_again():
    known = {"scale_arcsec": 0.5, "disc": {"x_px": 1.0, "y_px": 2.0, "a_px": 9.0, "b_px": 8.0, "angle_deg": 0.0}}
    made, context = annotate(picture(ellipse(100, 50.0, 50.0, 30.0, 28.0, 0.0), geometry=known))
    assert made.geometry == known
    assert not [note for note in context.notes if note.kind == "measure"]


def test_without_such_a_stage_disc_and_scale_are_measured_here():
    data = ellipse(140, 71.3, 66.6, 50.0, 46.7, 20.0, noise=0.004)
    made, context = annotate(picture(data, oriented=False))
    disc = made.geometry["disc"]
    assert (disc["x_px"], disc["y_px"]) == pytest.approx((71.3, 66.6), abs=0.3)
    # The edge of the drawing falls to a third of its middle before it ends, Minnaert's globe further: they differ by
    # a part of the blur. The steepest fall itself would give 2 % less.
    assert disc["a_px"] == pytest.approx(50.0, rel=0.01)
    # Jupiter was 46.57 arcsec across (JPL Horizons, from memory 46.6): 100 px of them.
    assert made.geometry["scale_arcsec"] == pytest.approx(0.466, rel=0.01)
    assert "focal length" in cautions(context)["scale_arcsec"]


def test_stack_drawn_finer_has_a_finer_scale():
    flat = picture(np.random.default_rng(0).uniform(0.3, 0.6, (60, 80)).astype(np.float32), "moon")
    made, _ = annotate(flat.replace(header={"scale": 1.5}))  # no planet: by the optics
    assert made.geometry == {"scale_arcsec": pytest.approx(OPTICS_ARCSEC / 1.5, rel=1e-5)}


def test_orientation_is_the_users_or_said_to_be_unknown():
    one = picture(ellipse(100, 50.0, 50.0, 30.0, 28.0, 0.0))
    made, context = annotate(one)
    assert "north_angle_deg" not in made.geometry
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
    strangers = [(None, None), ("jupiter", None), ("comet_x", START)]
    for one in (picture(data, target, start=start, oriented=False) for target, start in strangers):
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
