"""Whole nights: the files a night consists of, and planets of the size an ephemeris says."""

from __future__ import annotations

import re

import ephem
import numpy as np
import pytest
import yaml

from nightmill.testing import PRESETS, make_night, make_scene


def test_a_short_night(tmp_path):
    night = make_night(tmp_path / "night", length=0.006, seed=3)
    names = sorted(p.name for p in night.folder.iterdir())
    assert "night.yaml" in names
    pattern = re.compile(r"(jupiter|mars|moon)_\d{8}_\d{6}_(RGB|R|G|B)\.ser")
    captures = [n for n in names if pattern.fullmatch(n)]
    assert set(captures) == set(night.truths) | {night.spoilt}
    assert len(night.truths) == 5
    assert {re.match(r"flat_(\w+?)_", n).group(1) for n in night.flats} == {"RGB", "R", "G", "B"}
    assert len(night.darks) == 3
    text = yaml.safe_load((night.folder / "night.yaml").read_text(encoding="utf-8"))
    assert text["telescope"]["aperture"] == "203 mm"
    assert text["site"]["latitude"] == "47.10 deg"


def test_the_same_seed_writes_the_same_bytes(tmp_path):
    options = {"length": 0.004, "seed": 2, "targets": ("mars",), "spoilt": "cut"}
    one, two = make_night(tmp_path / "a", **options), make_night(tmp_path / "b", threads=1, **options)
    for path in sorted(one.folder.iterdir()):
        assert path.read_bytes() == (two.folder / path.name).read_bytes(), path.name
    assert (one.folder / one.spoilt).stat().st_size < 178 + 192 * 192


@pytest.mark.parametrize(("name", "radius_km"), [("jupiter", 71492.0), ("mars", 3396.19), ("saturn", 60268.0)])
def test_sizes_are_those_of_the_date(name, radius_km):
    """Distance by the ephem library (VSOP87); radii of Archinal et al. 2018, doi:10.1007/s10569-017-9805-5."""
    scenario = PRESETS[name]()
    planet = getattr(ephem, name.capitalize())(ephem.Date(scenario.start.replace(tzinfo=None)))
    expected = 2 * np.degrees(np.arcsin(radius_km / (planet.earth_distance * 149597870.7))) * 3600
    scene = make_scene(name, 1, map_rows=64)
    assert scene.diameter_arcsec == pytest.approx(expected, abs=0.01)
    if name == "saturn":
        assert scene.body.tilt_deg == pytest.approx(np.degrees(planet.earth_tilt), abs=0.05)
        assert scene.body.sun_latitude_deg == pytest.approx(np.degrees(planet.sun_tilt), abs=0.05)
