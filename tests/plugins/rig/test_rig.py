"""The evening sheet against common practice, published formulas and an independent ephemeris."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightmill_sky import Site, ephemeris
from nightmill_sky.rig import (
    LINKS_MB_S,
    Camera,
    Telescope,
    choose_lens,
    make_sheet,
    read_equipment,
    rotation_budget_s,
    setup,
    smallest_frame,
    target_night,
)
from nightmill_sky.rig.cameras import link_of
from nightmill_sky.rig.equipment import size_of

HILL = Site(47.10, 8.50, 540.0)
FILTERS = {"R": 630.0, "G": 530.0, "B": 460.0}
EIGHT_INCH = Telescope(203.0, 2030.0, 0.33)


def camera(pixel=3.75, rates=((640, 480, 113.0),), **more):
    return Camera("camera", pixel, 1280, 960, rates=tuple(rates), **more)


def test_small_pixels_need_no_lens_and_larger_ones_about_twice_at_f10():
    """Common practice, no source: 2.2 um none at f/10, 3.75 um about 2x there."""
    assert choose_lens(2.2, 10.0) == 1.0
    assert choose_lens(3.75, 10.0) == 2.0


def test_a_640x480_frame_holds_every_planet_up_to_about_16_inches():
    """Common practice, no source; at two pixels to the finest period at 550 nm, largest apparent sizes.

    Jupiter at 50.1 arcsec, Saturn's rings 46.5 (outer ring A at 20.7 arcsec of globe), Mars 25.1, Uranus 4.1,
    Neptune 2.4, Mercury 13 (sizes at the best oppositions and elongations, from memory of almanacs). Venus as a thin
    crescent of up to 66 arcsec is left out, as is done.
    """
    sizes = [(50.1, 46.9), (46.5, 20.7), (25.1, 25.0), (4.1, 4.0), (2.4, 2.3), (13.0, 13.0)]

    def all_fit(aperture_mm):
        scale = 0.5 * 206264.806 * 550e-6 / aperture_mm
        frames = [smallest_frame(camera(rates=((640, 480, 113.0), (1280, 960, 30.0))), *size, scale) for size in sizes]
        return all(frame is not None and (frame.width_px, frame.height_px) == (640, 480) for frame in frames)

    assert all_fit(16 * 25.4)
    assert not all_fit(20 * 25.4)


def test_two_minutes_at_one_200th_of_a_second_are_24000_frames():
    """Common practice, no source."""
    sheet = make_sheet(
        EIGHT_INCH, [camera(rates=((640, 480, 200.0),))], targets=["saturn"], date="2025-09-21", site=HILL
    )
    pair = sheet["targets"][0]["cameras"][0]
    assert pair["frame"]["longest_exposure_ms"] == pytest.approx(5.0)
    assert pair["frame"]["frames"] / pair["capture_s"] * 120.0 == pytest.approx(24_000)


@pytest.mark.parametrize(
    ("width", "height", "rate", "fits"),
    [(640, 480, 113.0, True), (640, 480, 150.0, False), (1280, 960, 113.0, False), (320, 240, 200.0, True)],
)
def test_what_a_usb_2_link_carries(width, height, rate, fits):
    """Common practice, no source: 640x480 at 113 frames a second is within it, larger and faster is not."""
    link = link_of(camera(interface="usb2"), width, height, rate)
    assert link is not None
    assert link.fits is fits
    assert LINKS_MB_S["usb2"] < 60.0  # 480 Mbit/s by the bus's own specification


def test_scale_is_206265_p_over_f_and_the_limits_are_the_published_ones():
    """Pixel scale 206265 p/f; Rayleigh 1.22 lambda/D; Dawes 4.56 arcsec / aperture in inches (116 arcsec mm)."""
    found = setup(EIGHT_INCH, camera(), 2.0, FILTERS)
    assert found.scale_arcsec == pytest.approx(206.265 * 3.75 / 4060.0, rel=1e-5)
    # Cut-off D/lambda cycles a radian; two pixels to its period: focal ratio 2 p / lambda.
    assert found.critical["G"] == pytest.approx(2 * 3.75e-6 / 530e-9)
    sheet = make_sheet(EIGHT_INCH, [camera()], filters=FILTERS, date="2026-01-12")
    assert sheet["telescope"]["rayleigh_arcsec"] == pytest.approx(1.22 * 550e-9 / 0.203 * 206265, rel=1e-3)
    assert sheet["telescope"]["dawes_arcsec"] == pytest.approx(116.0 / 203.0, rel=5e-3)


@given(st.floats(1.5, 12.0), st.floats(3.5, 25.0))
def test_the_chosen_lens_is_the_nearest_of_all(pixel, ratio):
    factors = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0)
    best = choose_lens(pixel, ratio)
    assert best in factors

    def miss(factor):
        return abs(math.log(ratio * factor / (5.0 * pixel)))

    assert all(miss(best) <= miss(other) + 1e-12 for other in factors)


def test_jupiter_smears_as_its_period_says():
    """9 h 50 min 30.0 s, System I (Astronomical Almanac's conventional period), against the ephemeris's rate."""
    night = target_night("jupiter", "2026-01-12", None)
    speed = 0.5 * night.equatorial_diameter_arcsec * 2 * math.pi / (9 * 3600 + 50 * 60 + 30.0)
    # The Earth moves too, and the latitude of the disc's middle is some degrees: half a per cent.
    assert night.speed_arcsec_per_s == pytest.approx(speed, rel=0.005)
    # Common practice, no source: two to three minutes with eight inches.
    assert 100 < rotation_budget_s(night.speed_arcsec_per_s, 206265 * 550e-9 / 0.203) < 180


def test_mars_smears_as_its_day_says():
    """Sidereal period 24 h 37 min 22.66 s (handbook value, from memory)."""
    night = target_night("mars", "2025-01-16", None)
    speed = 0.5 * night.equatorial_diameter_arcsec * 2 * math.pi / 88_642.66
    lean = ephemeris("mars", "2025-01-17T00:00:00").sub_observer_latitude_planetocentric_deg
    assert night.speed_arcsec_per_s == pytest.approx(speed * math.cos(math.radians(lean)), rel=0.01)


def test_altitudes_agree_with_an_independent_ephemeris():
    ephem = pytest.importorskip("ephem", reason="PyEphem is not installed: pip install .[test]")
    night = target_night("jupiter", "2026-01-12", HILL)
    observer = ephem.Observer()
    observer.lat, observer.lon, observer.elevation, observer.pressure = "47.10", "8.50", 540.0, 1010.0
    observer.temp = 10.0
    for k in (20, 50, 70):
        observer.date = night.utc[k].replace("T", " ").removesuffix("Z")
        body = ephem.Jupiter(observer)
        # Both refract by formulas good to a few arcseconds at such heights.
        assert night.altitude_deg[k] == pytest.approx(math.degrees(body.alt), abs=0.01)


def test_dispersion_grows_as_the_tangent_of_the_zenith_distance():
    """Filippenko (1982), equation 4; the amounts themselves are checked with the air, in tests/published."""
    night = target_night("jupiter", "2026-01-12", HILL)
    high, low = (int(np.argmin([abs(a - goal) for a in night.altitude_deg])) for goal in (60.0, 30.0))
    zenith = [math.tan(math.radians(90.0 - night.altitude_deg[k])) for k in (low, high)]
    ratio = night.dispersion_arcsec[low] / night.dispersion_arcsec[high]
    assert ratio == pytest.approx(zenith[0] / zenith[1], rel=1e-6)
    assert night.dispersion_arcsec[0] is None or night.altitude_deg[0] >= 10.0


def test_saturn_is_as_wide_as_its_rings():
    """Outer radius of ring A over Saturn's equatorial radius: 136775 / 60268 (handbook values)."""
    night = target_night("saturn", "2026-01-12", None)
    assert night.width_arcsec / night.equatorial_diameter_arcsec == pytest.approx(136775 / 60268, rel=1e-3)
    assert night.height_arcsec < night.width_arcsec


def test_a_sheet_is_json_and_every_verdict_has_a_figure():
    cameras = [
        camera(rates=((320, 240, 220.0), (640, 480, 113.0)), interface="usb2", full_well_e=14500.0, read_noise_e=1.2),
        Camera("fine", 2.2, 1920, 1080, bits=12, rates=((640, 480, 400.0),), interface="usb2"),
    ]
    names = ["mercury", "venus", "mars", "jupiter", "saturn", "uranus", "neptune", "moon", "sun"]
    sheet = make_sheet(EIGHT_INCH, cameras, targets=names, date="2026-01-12", site=HILL)
    json.dumps(sheet, allow_nan=False)
    assert len(sheet["targets"]) == 9
    for verdict in sheet["verdicts"]:
        assert any(letter.isdigit() for letter in verdict), verdict
        assert verdict[0].isupper() or verdict.startswith(("camera:", "fine:"))
        assert verdict.endswith(".")
    first = sheet["cameras"][0]
    assert first["stops"] == pytest.approx(math.log2(14500 / 1.2))
    assert first["electrons_per_step"] == pytest.approx(14500 / 256)
    # Two bytes a sample halve what the link carries: 38 MB/s of 245.
    fine = next(pair for part in sheet["targets"] if part["target"] == "jupiter" for pair in part["cameras"][1:])
    assert fine["frame"]["limited_by"] == "link"
    assert fine["frame"]["frames_per_s"] == pytest.approx(38e6 / (640 * 480 * 2))
    assert fine["frame"]["eight_bit_rate"] == pytest.approx(38e6 / (640 * 480))


def test_the_sun_comes_with_its_caution_and_nothing_else_does():
    assert "certified filter" in make_sheet(EIGHT_INCH, [camera()], targets=["sun"], date="2026-06-01")["cautions"][0]
    assert make_sheet(EIGHT_INCH, [camera()], targets=["moon"], date="2026-06-01")["cautions"] == []


def test_a_planet_that_stays_down_is_said_to():
    """Venus and Mars are within 2 degrees of the Sun's direction in January 2026 (both in superior conjunction)."""
    sheet = make_sheet(EIGHT_INCH, [camera()], targets=["venus"], date="2026-01-08", site=HILL)
    assert sheet["verdicts"][-1] == "Venus does not stand 10 degrees high in the dark on this date."


def test_what_is_missing_is_named():
    with pytest.raises(ValueError, match="aperture and focal_length is missing"):
        read_equipment({})
    with pytest.raises(ValueError, match="pixel"):
        read_equipment({"telescope": {"aperture_mm": 203.0, "focal_length_mm": 2030.0}})
    with pytest.raises(ValueError, match="YYYY-MM-DD"):
        target_night("mars", "12.1.2026", None)
    with pytest.raises(ValueError, match="640x480"):
        size_of("640 by 480")
    assert size_of("640x480") == size_of("640×480") == (640, 480)


def test_a_sensor_that_is_too_small_is_said_to_be():
    tiny = Camera("tiny", 3.75, 160, 120)
    assert smallest_frame(tiny, 50.0, 47.0, 0.19) is None
    free = smallest_frame(Camera("free", 3.75), 50.0, 47.0, 0.19)
    assert free is not None
    assert (free.width_px % 8, free.frames_per_s) == (0, None)
    assert free.width_px >= 1.3 * 50.0 / 0.19


def test_what_the_night_file_does_not_tell_is_named_with_how_to_write_it():
    telescope, cameras = read_equipment(
        {"telescope": {"aperture_mm": 203.0, "focal_length_mm": 2030.0}, "camera": {"pixel_um": 3.75}}
    )
    sheet = make_sheet(telescope, cameras, targets=["jupiter", "moon"], date="2026-01-12")
    assert [one.split(":")[1].strip() for one in sheet["missing"]] == ["sensor", "frame_rates", "full_well"]
    assert not any("frame rate" in one for one in sheet["verdicts"])
    known = {"pixel_um": 3.75, "sensor": "640x480", "frame_rates": {"640x480": 113.0}, "interface": "usb2"}
    telescope, cameras = read_equipment(
        {"telescope": {"aperture_mm": 203.0, "focal_length_mm": 2030.0}, "camera": {**known, "full_well_e": 9000.0}}
    )
    assert len(make_sheet(telescope, cameras, targets=["jupiter"], date="2026-01-12")["missing"]) == 1
