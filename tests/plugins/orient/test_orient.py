"""The orient stage on simulated planets with known truth: a perfect telescope's picture, mild blur, noise.

Tolerances: scale 0.3 %, centre 0.15 px, pole angle 1 degree are what later stages need (a third of a per cent of scale
is the flexure of an amplifier; 1 degree is a quarter of a pixel at the ends of a belt of 30 px).
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from scipy import ndimage

from nightmill.artefacts import Capture, Picture
from nightmill.stage import Context
from nightmill.testing import PRESETS, Scenario
from nightmill.testing import Capture as Simulated
from nightmill_sky import Site, ephemerides, ephemeris
from nightmill_stages.orient import Orient
from nightmill_stages.orient.discs import disc_of
from nightmill_stages.orient.known import sky_of

NIGHT = {
    "telescope": {"aperture_mm": 203.0, "focal_length_mm": 2030.0, "amplifier": 1.3},
    "camera": {"pixel_um": 3.75},
    "filters": {"G": 530.0},
}
OPTICS_ARCSEC = 206.264806 * 3.75 / 2030.0 / 1.3


@lru_cache(maxsize=8)
def simulated(name: str, seed: int = 1, amplifier: float = 1.3):
    """Perfect picture, green plane, blurred by a Gaussian of 1 px with noise of 0.5 %; and its truth."""
    preset: Scenario = PRESETS[name](frames=2, scene_seed=seed)
    scenario = replace(
        preset, telescope=replace(preset.telescope, amplifier=amplifier), shape=(210, 310 if name == "saturn" else 210)
    )
    truth = Simulated(scenario).truth()
    plane = truth.picture[1] if truth.picture.ndim == 3 else truth.picture
    seen = ndimage.gaussian_filter(plane, 1.0)
    seen = 0.6 * seen / np.percentile(seen, 99.5) + 0.02
    return (seen + 0.003 * np.random.default_rng(seed).standard_normal(seen.shape)).astype(np.float32), truth


def picture(data, target: str | None, start: float | None, **header) -> Picture:
    source = Capture("/x", "x.ser", "ser", 1, 9, 9, target=target, filter="G", utc_start=start)
    return Picture(data, captures=(source,), filters=("G",), header=header)


def orient(one: Picture, night=NIGHT, **parameters) -> tuple[dict, Context]:
    context = Context(captures=one.captures, night=night)
    (made,) = Orient(Orient.Parameters(**parameters)).develop([one], context)
    assert made.data is one.data
    return made.geometry, context


def notes(context: Context, kind: str) -> dict[str, str]:
    return {note.name: note.text for note in context.notes if note.kind == kind}


def check_disc(geometry: dict, truth, scale: float = 0.003) -> None:
    disc = geometry["disc"]
    assert (disc["y_px"], disc["x_px"]) == pytest.approx(truth.centre_px, abs=0.15)
    assert disc["a_px"] == pytest.approx(truth.semi_axes_px[0], rel=scale)
    assert disc["b_px"] / disc["a_px"] == pytest.approx(truth.semi_axes_px[1] / truth.semi_axes_px[0], rel=0.002)
    assert geometry["scale_arcsec"] == pytest.approx(truth.scenario.scale_arcsec, rel=scale)


def test_jupiter_with_the_users_word_on_mirrors():
    data, truth = simulated("jupiter")
    start = truth.scenario.start.timestamp()
    geometry, context = orient(picture(data, "jupiter", start), mirrored=False)
    check_disc(geometry, truth)
    # The planet's pole stands at 12 degrees on the picture; north by the position angle of the pole on that night.
    assert geometry["pole_angle_deg"] == pytest.approx(truth.north_deg, abs=1.0)
    sky = ephemeris("jupiter", truth.scenario.start, satellites=False)
    assert geometry["north_angle_deg"] == pytest.approx(
        (truth.north_deg - sky.north_pole_position_angle_deg) % 360.0, abs=1.0
    )
    assert geometry["disc"]["angle_deg"] == pytest.approx(truth.north_deg, abs=1.0)
    assert geometry["confidence"]["north_angle_deg"] >= 0.95
    assert "confidence" in notes(context, "choice")["north_angle"]
    # 1.3 times 2030 mm is 2639 mm, at 203 mm of aperture f/13.
    assert "true focal length is 26" in notes(context, "measure")["sampling"]
    assert "f/13.0" in notes(context, "measure")["sampling"]
    globe = disc_of(geometry, sky)
    assert globe is not None
    assert globe.sub_observer_latitude_deg == pytest.approx(2.69, abs=0.02)


@pytest.mark.parametrize("flip", [False, True])
def test_jupiter_alone_shows_its_axis_and_its_turn_but_not_its_ends(flip):
    data, truth = simulated("jupiter", 7)
    shown = data[:, ::-1].copy() if flip else data
    geometry, context = orient(picture(shown, "jupiter", truth.scenario.start.timestamp()))
    pole = -truth.north_deg if flip else truth.north_deg
    # The most difficult of six: a dark belt meets the limb aslant, which turns the outline by 1.1 degrees.
    assert (geometry["pole_axis_deg"] - pole + 90.0) % 180.0 - 90.0 == pytest.approx(0.0, abs=1.3)
    # Planet east lies right of the pole, and left of it in a mirror.
    assert geometry["planet_east_deg"] == pytest.approx((pole + (90.0 if flip else -90.0)) % 360.0, abs=1.3)
    assert not {"north_angle_deg", "mirrored", "pole_angle_deg"} & set(geometry)
    assert "which end" in notes(context, "caution")["north_angle"]


def test_field_and_features_that_moved_leave_nothing_open():
    """What the stack says of its capture: together with the axis they tell end and mirror without a word."""
    data, truth = simulated("jupiter", 7)
    start = truth.scenario.start.timestamp()
    night = {**NIGHT, "site": {"latitude_deg": 47.1, "longitude_deg": 8.5}}
    site = Site(47.1, 8.5)
    now, after = ephemerides("jupiter", [truth.scenario.start, truth.scenario.start + timedelta(minutes=1)], site)
    rate = (after.parallactic_angle_deg - now.parallactic_angle_deg) / 60.0
    for mirrored in (False, True):
        shown = data[:, ::-1].copy() if mirrored else data
        pole = -truth.north_deg if mirrored else truth.north_deg
        turned = {"field_deg_s": rate if mirrored else -rate, "planet_east_deg": pole + (90 if mirrored else -90)}
        geometry, context = orient(picture(shown, "jupiter", start, turned=turned), night)
        assert geometry["mirrored"] is mirrored
        assert geometry["pole_angle_deg"] == pytest.approx(pole % 360.0, abs=1.3)
        assert "rotation of the field" in notes(context, "choice")["mirrored"]


def test_saturn_shows_its_north_by_the_rings():
    data, truth = simulated("saturn", 3, 2.0)
    night = {**NIGHT, "telescope": {**NIGHT["telescope"], "amplifier": 2.0}}
    one = picture(data, "saturn", truth.scenario.start.timestamp())
    geometry, context = orient(one, night)
    check_disc(geometry, truth, 0.0015)
    assert geometry["pole_angle_deg"] == pytest.approx(truth.north_deg, abs=0.3)
    # That far out of the ecliptic's plane the mirror would show only by a position angle that is large.
    assert "mirrored" not in geometry
    assert "scale_arcsec" not in notes(context, "caution")
    assert disc_of(geometry, sky_of(one, context)) is None


def test_mars_gives_its_scale_but_a_small_phase_no_axis():
    data, truth = simulated("mars", 7, 2.0)
    night = {**NIGHT, "telescope": {**NIGHT["telescope"], "amplifier": 2.0}}
    geometry, context = orient(picture(data, "mars", truth.scenario.start.timestamp()), night)
    # A disc of 70 px with dark features at its limb, phase 17 degrees: half a pixel of the diameter is 0.7 %.
    assert geometry["disc"]["a_px"] == pytest.approx(truth.semi_axes_px[0], rel=0.007)
    assert (geometry["disc"]["y_px"], geometry["disc"]["x_px"]) == pytest.approx(truth.centre_px, abs=0.5)
    assert not {"pole_axis_deg", "planet_east_deg", "north_angle_deg"} & set(geometry)
    assert "does not show" in notes(context, "caution")["north_angle"]


def test_the_users_word_wins_even_over_the_picture():
    data, truth = simulated("jupiter")
    one = picture(data, "jupiter", truth.scenario.start.timestamp())
    geometry, context = orient(one, north_angle="80 deg", mirrored=False)
    assert geometry["north_angle_deg"] == 80.0
    assert geometry["mirrored"] is False
    assert "believed" in notes(context, "caution")["north_angle"]


def test_drift_gives_north_where_the_picture_shows_none():
    data, truth = simulated("mars", 7, 2.0)
    night = {**NIGHT, "telescope": {**NIGHT["telescope"], "amplifier": 2.0}}
    sky = ephemeris("mars", truth.scenario.start, satellites=False)
    pace = 15.041 * math.cos(math.radians(sky.dec_deg)) / truth.scenario.scale_arcsec
    drift = {"px_s": [0.0, pace], "left_px": 1.0, "span_s": 6.0}  # west is right: north is up
    one = picture(data, "mars", truth.scenario.start.timestamp(), drift=drift)
    geometry, context = orient(one, night, mirrored=False)
    assert geometry["north_angle_deg"] == pytest.approx(0.0, abs=1e-6)
    assert geometry["pole_angle_deg"] == pytest.approx(sky.north_pole_position_angle_deg, abs=1e-2)
    assert "drift" in notes(context, "choice")["north_angle"]
    moon = picture(np.ones((50, 50), np.float32), "moon", truth.scenario.start.timestamp(), drift=drift)
    pace = 15.041 * math.cos(math.radians(ephemeris("moon", truth.scenario.start).dec_deg))
    moon.header["drift"] = {**drift, "px_s": [-0.96 * pace / truth.scenario.scale_arcsec, 0.0]}  # west is up
    geometry, context = orient(moon, night, mirrored=True)
    assert geometry["north_angle_deg"] == pytest.approx(270.0)
    geometry, context = orient(moon, night)
    assert "north_angle_deg" not in geometry
    assert "west" in notes(context, "caution")["north_angle"]


def test_wrong_equipment_is_told():
    data, truth = simulated("jupiter")
    night = {**NIGHT, "telescope": {**NIGHT["telescope"], "amplifier": 1.5}}
    geometry, context = orient(picture(data, "jupiter", truth.scenario.start.timestamp()), night)
    assert geometry["scale_arcsec"] == pytest.approx(truth.scenario.scale_arcsec, rel=0.003)
    assert "amplifier" in notes(context, "caution")["scale_arcsec"]


@pytest.mark.parametrize("target", ["jupiter", "uranus", "saturn"])
def test_a_picture_without_a_disc_is_a_caution(target):
    noise = np.random.default_rng(0).standard_normal((60, 60)).astype(np.float32)
    for data in (noise, np.zeros((50, 60), np.float32), np.full((3, 40, 40), np.nan, np.float32)):
        geometry, context = orient(picture(data, target, 1_768_255_800.0))
        assert geometry == {"scale_arcsec": pytest.approx(OPTICS_ARCSEC, rel=1e-5)}
        assert "disc" in notes(context, "caution")


def test_surfaces_and_strangers_get_the_scale_by_optics_only():
    data = np.random.default_rng(0).uniform(0.3, 0.6, (60, 80)).astype(np.float32)
    for target in ("moon", "sun", "comet_x", None):
        geometry, context = orient(picture(data, target, 1_768_255_800.0, scale=1.5))
        assert geometry == {"scale_arcsec": pytest.approx(OPTICS_ARCSEC / 1.5, rel=1e-5)}
        assert context.notes == []
    geometry, context = orient(picture(data, "jupiter", None), night={}, mirrored=True)
    assert geometry == {"mirrored": True}
    assert "time" in notes(context, "caution")["utc"]


def test_a_kernel_named_in_the_night_file_is_used(tmp_path):
    """The same places as with the library's own reading of the kernel; one that is not there is told."""
    from nightmill.errors import UsageError
    from nightmill.night import read_night

    skyfield_data = pytest.importorskip("skyfield_data", reason="the package skyfield-data brings DE421")
    kernel = Path(skyfield_data.__file__).parent / "data" / "de421.bsp"
    (tmp_path / "night.yaml").write_text(
        f"site: {{latitude: 47.1 deg, longitude: 8.5 deg, ephemeris: '{kernel.as_posix()}'}}"
    )
    night = read_night(tmp_path).sections(["site"])
    one = picture(np.zeros((9, 9), np.float32), "saturn", 1_768_255_800.0)
    context = Context(captures=one.captures, night=night)
    found = sky_of(one, context)
    meant = ephemeris("saturn", "2026-01-12T22:10:00", Site(47.1, 8.5), kernel=kernel, satellites=False)
    built_in = ephemeris("saturn", "2026-01-12T22:10:00", Site(47.1, 8.5), satellites=False)
    seconds = (one.utc_mid - 1_768_255_800.0) / 3600.0  # the planet moves by less than that many arcseconds
    assert found.ra_deg == pytest.approx(meant.ra_deg, abs=(0.1 + 20.0 * seconds) / 3600.0)
    assert abs(found.ra_deg - built_in.ra_deg) * 3600.0 > 1.0
    assert context.notes == []
    (tmp_path / "night.yaml").write_text("site: {ephemeris: gone.bsp}")
    with pytest.raises(UsageError, match=r"night.yaml:1:.*there is no file gone\.bsp"):
        read_night(tmp_path)
    # One that went away, or is none, meanwhile.
    (tmp_path / "no.bsp").write_text("not a kernel")
    context = Context(captures=one.captures, night={"site": {"ephemeris": str(tmp_path / "no.bsp")}})
    assert sky_of(one, context) is not None
    assert "built-in ephemeris is used" in notes(context, "caution")["utc"]
