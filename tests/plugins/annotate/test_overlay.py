"""Lines and names over the planet: where they go, that names neither overlap nor are cut, and that they stay light."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from nightmill_sky import Satellite, ephemeris
from nightmill_stages.annotate.draw import draw_labelled
from nightmill_stages.annotate.facts import orientation
from nightmill_stages.annotate.layout import lay_out
from nightmill_stages.annotate.overlay import DUSK, Overlay, lay_overlay
from nightmill_stages.orient.discs import disc_of

WHEN = datetime(1992, 12, 16, tzinfo=UTC)


def sky(*moons: Satellite):
    return replace(ephemeris("jupiter", WHEN, satellites=False), satellites=moons)


def geometry(radius: float, size: int, **more) -> dict:
    middle = (size - 1) / 2.0
    disc = {"x_px": middle, "y_px": middle, "a_px": radius, "b_px": 0.9355 * radius, "angle_deg": 0.0}
    return {"disc": disc, "scale_arcsec": 17.4 / radius, **more}


NORTH_UP = {"north_angle_deg": 0.0, "mirrored": False, "pole_angle_deg": 341.0, "pole_axis_deg": 161.0}


def check(overlay: Overlay) -> None:
    for text in overlay.texts:
        left, top, right, bottom = text.box
        assert left >= 0
        assert top >= 0
        assert right <= overlay.width
        assert bottom <= overlay.height
    for one, other in itertools.combinations([text.box for text in overlay.texts], 2):
        assert one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]


@pytest.mark.parametrize("size, factor", [(60, 8), (120, 4), (480, 1), (1500, 1)])
@pytest.mark.parametrize("mirrored", [False, True])
def test_moons_stand_where_they_are_and_names_do_not_overlap(size, factor, mirrored):
    close = [Satellite(name, 20.0 + 0.3 * k, 1.0, "visible") for k, name in enumerate(["io", "europa", "ganymede"])]
    now = sky(*close, Satellite("callisto", -300.0, 0.0, "visible"), Satellite("thebe", 0.0, 0.0, "occulted"))
    known = geometry(size / 3.2, size, **{**NORTH_UP, "mirrored": mirrored})
    overlay = lay_overlay((size, size), factor, known, disc_of(known, now), now)
    check(overlay)
    names = {text.text for text in overlay.texts}
    assert {"N", "S"} <= names
    assert "Io" in names
    assert not {"Callisto", "Thebe"} & names
    # Offsets on the sky count east, which is left with north up and right in a mirror; strokes flank the moon.
    scale = known["scale_arcsec"]
    wanted = (known["disc"]["x_px"] + (1.0 if mirrored else -1.0) * 20.0 / scale + 0.5) * factor - 0.5
    flanks = [
        line.points[:, 0].mean() for line in overlay.lines if len(line.points) == 2 and np.ptp(line.points[:, 1]) == 0.0
    ]
    assert min(abs(np.mean(pair) - wanted) for pair in itertools.combinations(flanks, 2)) < 0.01


def test_graticule_lies_on_the_globe():
    now = sky()
    known = geometry(150.0, 400, **NORTH_UP)
    globe = disc_of(known, now)
    assert globe is not None
    overlay = lay_overlay((400, 400), 1, known, globe, now)
    on_globe = [line for line in overlay.lines if len(line.points) > 2]
    assert len(on_globe) >= 10
    for line in on_globe:
        x, y = globe.to_planet_axes(line.points[:, 0], line.points[:, 1])
        assert np.hypot(x, y / 0.9).max() < 1.06
    # Phase angle 9.9 degrees (Meeus, Astronomical Algorithms, example 43.a): the terminator is drawn.
    assert any(line.colour == DUSK for line in overlay.lines)
    # The central meridian runs through pole and centre.
    strongest = max(on_globe, key=lambda line: (line.strength, -abs(line.points[:, 0].mean() - 199.5)))
    assert strongest.strength <= 0.6
    assert globe.pole_angle_deg == pytest.approx(341.0)


def test_only_what_is_known_is_drawn():
    now = sky(Satellite("io", 30.0, 0.0, "visible"))
    axis = geometry(100.0, 300, pole_axis_deg=20.0)
    overlay = lay_overlay((300, 300), 1, axis, disc_of(axis, now, any_end=True), now)
    assert overlay.texts == []
    (one, other) = (line.points for line in overlay.lines)
    along = one[1] - one[0]
    # The axis leans 20 degrees to the left of up.
    assert math.degrees(math.atan2(-along[0], -along[1])) % 180.0 == pytest.approx(20.0, abs=1e-6)
    assert other[0] + one[0] == pytest.approx([299.0, 299.0])
    turning = {**axis, "planet_east_deg": 290.0}
    overlay = lay_overlay((300, 300), 1, turning, disc_of(turning, now, any_end=True), now)
    assert len(overlay.lines) > 10
    assert overlay.texts == []
    assert lay_overlay((300, 300), 1, {}, None, now).lines == []


def test_words_for_half_known_orientations():
    assert orientation({"pole_axis_deg": 3.0}) == "Pole axis known, which end is north is not"
    assert "mirror" in orientation({"pole_axis_deg": 3.0, "pole_angle_deg": 3.0})
    assert orientation({}) == "Orientation not known"
    panel = lay_out(480, ("Jupiter", ""), [("Site", "here")], unknown=orientation({"pole_axis_deg": 3.0}))
    assert "Pole axis known" in " ".join(text.text for text in panel.texts)


def test_the_planet_shows_through():
    now = sky()
    known = geometry(80.0, 240, **NORTH_UP)
    overlay = lay_overlay((240, 240), 2, known, disc_of(known, now), now)
    shown = np.full((240, 240, 3), 30000, np.uint16)
    panel = lay_out(480, ("Jupiter", ""), [])
    plain = draw_labelled(shown, 2, panel).astype(int)[:480]
    drawn = draw_labelled(shown, 2, panel, overlay).astype(int)[:480]
    inside = np.hypot(*(np.mgrid[0:480, 0:480] - 239.5)) < 140
    changed = np.abs(drawn - plain).max(axis=2)
    # Faint: nowhere more than half way to the line's colour; and thin: most of the disc is as it was.
    assert 20 < changed[inside].max() < 80
    assert (changed[inside] > 0).mean() < 0.2
    again = draw_labelled(shown, 2, panel, overlay)
    np.testing.assert_array_equal(again[:480], drawn)
