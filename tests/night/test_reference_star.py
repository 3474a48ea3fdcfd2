"""Whole nights with a star that colours are measured by: Mars comes out in its own, whatever stands before it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import yaml
from astropy.io import fits

from nightmill.run import Options, Result, run_night
from nightmill.run.progress import Progress
from nightmill.testing import PRESETS, Camera, Scenario, Seeing, make_capture
from nightmill.testing.nights import NIGHT_SITE
from nightmill_sky import Site, ephemeris
from nightmill_sky.extinction import star_airmass

START = datetime(2025, 2, 5, 20, 30, tzinfo=UTC)
SITE = Site(47.10, 8.50, 540.0)
EXTINCTION = {"R": 0.10, "G": 0.17, "B": 0.29}
"""Magnitudes an air mass, of no model."""
THROUGHPUT = {"R": 0.6, "G": 1.0, "B": 0.45}
CAMERA = Camera(bits=12, full_well_e=12000.0, offset_adu=40.0, dust=0, vignetting=0.0, hot_pixels=0.0)
SEEING = Seeing(r0_m=0.12)
STAR = {"right_ascension": "98.0 deg", "declination": "-15.0 deg"}
"""A place low in the south at that hour."""


def thickness(altitude_deg: float) -> float:
    """Air mass by another formula than the one inside: Kasten & Young 1989."""
    return 1.0 / (np.sin(np.radians(altitude_deg)) + 0.50572 * (altitude_deg + 6.07995) ** -1.6364)


def light(name: str, altitude_deg: float, exposure_s: float, level: float) -> float:
    """Electrons that white gives through a filter and the air, in one exposure."""
    return level * THROUGHPUT[name] * exposure_s * 10 ** (-0.4 * EXTINCTION[name] * thickness(altitude_deg))


def mars(**changes) -> Scenario:
    small = {"shape": (96, 96), "frames": 30, "seeing": SEEING, "camera": CAMERA, "start": START}
    return replace(PRESETS["mars"](), **(small | changes))


def star(**changes) -> Scenario:
    base = {"scene": "star", "target": "mystar", "shape": (96, 96), "frames": 30, "fps": 20.0, "seeing": SEEING}
    return replace(mars(), **(base | {"moments": 3, "altitude_deg": 90.0} | changes))


def write_night(folder: Path, **sections) -> None:
    content = {
        "site": NIGHT_SITE,
        "telescope": {"aperture": "203 mm", "focal_length": "2030 mm", "obstruction": 0.33, "amplifier": 2.0},
        "camera": {"pixel": "3.75 um"},
        "references": {"mystar": STAR},
        "extinction": EXTINCTION,
        **sections,
    }
    (folder / "night.yaml").write_text(yaml.safe_dump(content), encoding="utf-8")


def run(folder: Path) -> Result:
    recipe = folder.parent / "plain.yaml"
    recipe.write_text(
        "nightmill: 1\nstages: [ingest, calibrate, grade, align, {stack: {share: 0.9}}, compose]\n", encoding="utf-8"
    )
    return run_night(folder, folder.parent / "out", Options(using="serial", recipe=str(recipe)), Progress(quiet=True))


def colour_of(result: Result) -> tuple[np.ndarray, dict]:
    """Return the light of the finished colour picture against green, and what was noted on it."""
    one = next(one for one in result.summary["pictures"] if one["target"] == "mars")
    path = result.out / next(file for file in one["files"] if file.endswith(".fits"))
    data = fits.getdata(path)
    total = np.nansum(data.astype(np.float64), axis=(1, 2))
    return total / total[1], {note["name"]: note for note in one["notes"] if note["stage"] == "compose"}


@pytest.fixture(scope="module")
def filter_night(tmp_path_factory):
    """Mars and a star through R, G and B, exposed otherwise, the star at a third of the height; and the true colour."""
    folder = tmp_path_factory.mktemp("filters") / "night"
    folder.mkdir()
    low = star_airmass(98.0, -15.0, START + timedelta(minutes=11), SITE)[0]
    high = float(ephemeris("mars", START, SITE).refracted_altitude_deg)
    assert 20 < low < 30 < 60 < high
    exposures = {"R": 0.006, "G": 0.005, "B": 0.018}
    true = []
    for number, name in enumerate("RGB"):
        start = START + timedelta(minutes=number)
        given = light(name, high, exposures[name], 3.0e6)
        truth = make_capture(mars(filter=name, start=start, light_e=given, altitude_deg=90.0, seed=number), folder)
        true.append(truth.picture.sum(dtype=np.float64) / given)
        of_star = light(name, low, 0.05 if name == "B" else 0.03, 1.6e5)
        make_capture(star(filter=name, start=start + timedelta(minutes=10), light_e=of_star, seed=9 + number), folder)
    return folder, np.array(true) / true[1]


CAPTURES = {
    "mystar_*": {"exposure": "30 ms", "gain": 120},
    "mystar_*_B.ser": {"exposure": "50 ms"},
    "mars_*": {"gain": 80},
    "mars_*_R.ser": {"exposure": "6 ms"},
    "mars_*_G.ser": {"exposure": "5 ms"},
    "mars_*_B.ser": {"exposure": "18 ms"},
}


def test_mars_through_filters_comes_out_in_its_own_colour(filter_night):
    folder, true = filter_night
    write_night(folder, captures=CAPTURES)
    result = run(folder)
    assert result.exit_code == 0
    colour, notes = colour_of(result)
    assert colour == pytest.approx(true, rel=0.02)
    said = notes["reference_star"]["value"]
    # Without a word of the air it would not be.
    more = np.array(said["target_airmass"]) - np.array(said["airmass"])
    taken = 10 ** (0.4 * np.array(said["extinction_mag"]) * more)
    assert colour / taken * taken[1] != pytest.approx(true, rel=0.08)
    assert said["star"] == "mystar"
    assert said["extinction_mag"] == [0.10, 0.17, 0.29]
    assert said["airmass"][1] == pytest.approx(2.3, abs=0.3)
    assert max(said["gain_errors"]) < 0.05
    assert "gain" not in notes
    assert "measured on the star mystar" in notes["balance"]["text"] or notes["balance"]["kind"] == "caution"


def test_mars_in_one_shot_colour_needs_no_exposures(tmp_path):
    """Exposure and gain are the same for all channels of one capture, and cancel."""
    folder = tmp_path / "night"
    folder.mkdir()
    camera = replace(CAMERA, colour="RGGB", filter_response=((0.6, 0.1, 0.0), (0.1, 0.9, 0.1), (0.0, 0.1, 0.4)))
    common = {"camera": camera, "filter": "RGB", "altitude_deg": 90.0}
    truth = make_capture(mars(**common, light_e=14000.0, seed=3), folder)
    make_capture(star(**common, light_e=4000.0, start=START + timedelta(minutes=5), seed=4), folder)
    white = np.array(camera.filter_response).sum(axis=1)
    true = truth.picture.sum(axis=(1, 2), dtype=np.float64) / white
    write_night(folder, extinction={"R": 0, "G": 0, "B": 0})
    colour, notes = colour_of(run(folder))
    assert notes["reference_star"]["value"]["star"] == "mystar"
    assert colour == pytest.approx(true / true[1], rel=0.02)


def test_what_cannot_be_used_costs_no_picture(filter_night):
    """Without exposures; then without a channel of the star: the published colour serves, and what to do is said."""
    folder, _ = filter_night
    write_night(folder)
    result = run(folder)
    assert result.exit_code == 0
    _, notes = colour_of(result)
    assert "exposures are not known" in notes["reference_star"]["text"]
    assert "{exposure: 8 ms}" in notes["reference_star"]["text"]
    assert "published colour of mars" in notes["balance"]["text"]
    write_night(folder, captures=CAPTURES | {"mystar_*_G.ser": {"skip": True}})
    _, notes = colour_of(run(folder))
    assert notes["reference_star"]["text"] == (
        "No reference star was used: the star mystar has nothing usable through G."
    )
