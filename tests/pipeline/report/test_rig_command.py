"""`nightmill rig`: table, JSON, plot, and errors that say what to write."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET

import pytest

from nightmill.cli import main
from nightmill.night import read_night_file
from nightmill.report.evening import _free
from nightmill.report.plots import Plot

EVENING = """\
site: {name: Hill meadow, latitude: 47.10 deg, longitude: 8.50 deg, height: 540 m}
telescope: {aperture: 203 mm, focal_length: 2030 mm, obstruction: 0.33, amplifiers: [1.5, 2.0, 3.0]}
camera:
  name: Small colour camera
  pixel: 3.75 um
  colours: RGGB
  sensor: 1280x960
  full_well: 14500 electron
  read_noise: 1.2 electron
  frame_rates: {320x240: 220 Hz, 640x480: 113 Hz}
  interface: usb2
cameras:
  Fine mono camera: {pixel: 2.2 um, bits: 12, sensor: 1920x1080, interface: usb3}
targets: [jupiter, sun]
date: 2026-01-12
"""


@pytest.fixture
def evening(tmp_path):
    path = tmp_path / "evening.yaml"
    path.write_text(EVENING, encoding="utf-8")
    return path


def rig(*arguments) -> int:
    with pytest.raises(SystemExit) as stop:
        main(["rig", *map(str, arguments)])
    return stop.value.code


def test_the_caution_comes_first_when_the_sun_is_a_target(evening, capsys):
    assert rig(evening) == 0
    out = capsys.readouterr().out
    assert out.startswith("Sun: never point")
    for words in ("Small colour camera", "Fine mono camera", "jupiter", "f/20.0", "Rayleigh 0.68"):
        assert words in out


def test_json_holds_the_same_and_more(evening, capsys):
    assert rig(evening, "--json") == 0
    sheet = json.loads(capsys.readouterr().out)
    assert [one["name"] for one in sheet["cameras"]] == ["Small colour camera", "Fine mono camera"]
    assert sheet["cameras"][0]["lens"] == 2.0
    assert sheet["targets"][0]["night"]["best_altitude_deg"] == pytest.approx(65, abs=1)


def test_the_plot_is_one_whole_svg(evening, tmp_path, capsys):
    target = tmp_path / "plots" / "evening.svg"
    assert rig(evening, "--plot", target) == 0
    root = ET.fromstring(target.read_text(encoding="utf-8"))
    assert root.tag.endswith("svg")
    words = [one.text for one in root.iter() if one.tag.endswith("text")]
    assert "altitude, deg" in words
    assert "spread 450 to 650 nm, arcsec" in words
    assert ".plot .line" in next(one.text for one in root.iter() if one.tag.endswith("style"))


def test_a_folder_with_a_night_file_does_as_well(tmp_path, capsys):
    (tmp_path / "night.yaml").write_text(EVENING.replace("date: 2026-01-12", ""), encoding="utf-8")
    assert rig(tmp_path) == 0
    assert "taking today" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("aperture: 203 mm, ", "", "aperture is missing"),
        ("pixel: 3.75 um", "pixel: 3.75", "needs its unit"),
        ("[jupiter, sun]", "[jupitr]", "jupiter"),
        ("usb2", "usb", "usb2"),
        ("640x480: 113 Hz", "640by480: 113 Hz", "640by480"),
    ],
)
def test_what_is_wrong_is_named(evening, capsys, old, new, words):
    evening.write_text(EVENING.replace(old, new), encoding="utf-8")
    assert rig(evening) == 2
    assert words in capsys.readouterr().err


def test_a_missing_file_and_a_plot_of_another_kind_are_refused(evening, tmp_path, capsys):
    assert rig(tmp_path / "none.yaml") == 2
    assert "there is no night file" in capsys.readouterr().err
    assert rig(evening, "--plot", tmp_path / "x.png") == 2
    assert ".svg" in capsys.readouterr().err
    evening.write_text(EVENING.split("\n", 1)[1], encoding="utf-8")
    assert rig(evening, "--plot", tmp_path / "x.svg") == 2
    assert "latitude" in capsys.readouterr().err


def test_what_only_serves_planning_reaches_no_stage(evening):
    camera = read_night_file(evening).camera
    assert "frame_rates" not in camera.plain()
    assert camera.plain()["full_well_e"] == 14500.0
    assert camera.plain(planning=True)["frame_rates"]["640x480"] == 113.0


def test_names_in_the_plot_do_not_cover_each_other():
    plot = Plot("Altitude", "", (0.0, 10.0), (0.0, 90.0), width=900, height=320)
    taken = []
    heights = [_free(plot, taken, when, 59.0, name) for when, name in ((5.0, "jupiter"), (5.1, "mars"), (9.0, "moon"))]
    assert heights[0] == heights[2] == 59.0
    assert plot.py(heights[0]) - plot.py(heights[1]) >= 12
