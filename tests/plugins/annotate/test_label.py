"""The label: what it says, and that its text neither overlaps nor is cut, at any size of picture."""

from __future__ import annotations

import itertools
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from nightmill.artefacts import Capture, Picture
from nightmill_sky import ephemeris
from nightmill_stages.annotate.draw import draw_labelled
from nightmill_stages.annotate.facts import SOLAR_CAUTION, facts, nice_length, title
from nightmill_stages.annotate.layout import Panel, enlargement, lay_out
from nightmill_stages.annotate.words import font, line_height, plain, text_width, wrap

FACTS = [
    ("Site", "Hill meadow (47.10° N, 8.50° E)"),
    ("Telescope", "203 mm, f/20"),
    ("Filters", "R 630 nm, G 530 nm, B 460 nm"),
    ("Diameter", "46.57 arcsec"),
    ("Central meridian", "I 240.9°, II 28.0°, III 278.9°"),
    ("Altitude", "61.3° (airmass 1.14)"),
    ("Frames", "1200 of 24000 (5%)"),
    ("Scale", "0.127 arcsec per pixel"),
    ("Resolution", "0.41 arcsec a period"),
]


def capture(target: str, utc: datetime, frames: int = 1) -> Capture:
    return Capture("/x", "x.ser", "ser", frames, 9, 9, target=target, filter="G", utc_start=utc.timestamp())


def boxes_of(panel: Panel) -> list[tuple[str, tuple[float, float, float, float]]]:
    boxes = [(text.text, text.box) for text in panel.texts]
    if panel.bar is not None:
        tick = max(2, panel.size // 4)
        bar = panel.bar
        boxes.append(("scale bar", (bar.x, bar.y - tick, bar.x + bar.length, bar.y + tick + 1)))
    return boxes


def check(panel: Panel) -> None:
    boxes = boxes_of(panel)
    for name, (left, top, right, bottom) in boxes:
        assert left >= 0, name
        assert top >= 0, name
        assert right <= panel.width, name
        assert bottom <= panel.height, name
    for (first, a), (second, b) in itertools.combinations(boxes, 2):
        apart = a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
        assert apart, f"{first!r} and {second!r} overlap"
    for arrow in panel.arrows:
        for x, y in (arrow.foot, arrow.tip):
            assert 0 <= x <= panel.width
            assert 0 <= y <= panel.height
        for name, (left, top, right, bottom) in boxes:
            for share in np.linspace(0.0, 1.0, 12):
                x = arrow.foot[0] + share * (arrow.tip[0] - arrow.foot[0])
                y = arrow.foot[1] + share * (arrow.tip[1] - arrow.foot[1])
                assert not (left < x < right and top < y < bottom), f"an arrow runs through {name!r}"


@pytest.mark.parametrize("width", [200, 330, 480, 500, 640, 900, 1200, 2000, 4000])
@pytest.mark.parametrize("north", [None, 0.0, 37.0, 135.0, 180.0, 251.0, 300.0])
def test_nothing_overlaps_or_is_cut(width, north):
    for mirrored in (None, False, True):
        check(
            lay_out(
                width,
                ("Jupiter", "2026-01-12 22:11:00 UTC"),
                FACTS,
                scale_arcsec=0.127,
                north_deg=north,
                mirrored=mirrored,
                cautions=[SOLAR_CAUTION],
            )
        )


TEXT = st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]), min_size=1, max_size=90)


@settings(max_examples=60, deadline=None)
@given(
    width=st.integers(200, 2200),
    name=TEXT,
    lines=st.lists(st.tuples(st.sampled_from(["Site", "Telescope", "Central meridian"]), TEXT), max_size=12),
    scale=st.one_of(st.none(), st.floats(1e-3, 50.0)),
    north=st.one_of(st.none(), st.floats(0.0, 360.0)),
)
@example(width=200, name=" ", lines=[], scale=None, north=125.0)
@example(width=200, name=" ", lines=[], scale=None, north=None)
def test_whatever_the_user_wrote_it_fits(width, name, lines, scale, north):
    check(lay_out(width, (name, "time not known"), lines, scale_arcsec=scale, north_deg=north, mirrored=False))


def test_ink_stays_inside_the_measured_boxes():
    # What the boxes promise is compared with the pixels that Pillow really sets.
    from PIL import Image, ImageDraw

    for words, size in itertools.product(["Jupiter fgjpqyQ|()", "Wolf 61.3° ±2", "f/20, j", "AV"], [13, 21, 34]):
        width, height = text_width(words, size), line_height(size)
        image = Image.new("L", (width + 40, height + 40))
        ImageDraw.Draw(image).text((20, 20), words, font=font(size), fill=255)
        rows, columns = np.nonzero(np.asarray(image))
        assert columns.min() >= 20
        assert columns.max() < 20 + width
        assert rows.min() >= 20
        assert rows.max() < 20 + height


def test_letters_that_the_font_lacks_are_spelt():
    assert plain("Čertův vrch – Größe 0.5″") == 'Certuv vrch - Grosse 0.5"'
    assert plain("Łódź\n\tpole") == "Lodz pole"
    assert plain("木星 45°") == "?? 45°"
    assert plain("\u2009 ") == ""


def test_wrapping_keeps_all_letters():
    words = "a site with a name of many words and averyveryveryverylongwordwithoutanyspaceinit"
    lines = wrap(words, 13, 120)
    assert all(text_width(line, 13) <= 120 for line in lines)
    assert "".join(lines).replace(" ", "") == words.replace(" ", "")


@pytest.mark.parametrize("most, nice", [(1.0, 1.0), (1.99, 1.0), (2.0, 2.0), (49.0, 20.0), (0.3, 0.2), (5e3, 5e3)])
def test_scale_bar_has_a_round_length(most, nice):
    assert nice_length(most) == nice


def test_scale_bar_is_as_long_as_it_says():
    panel = lay_out(800, ("Mars", ""), FACTS, scale_arcsec=0.05)
    assert panel.bar is not None
    said = next(text.text for text in panel.texts if text.text.endswith("arcsec") and text.x >= panel.bar.x - 60)
    assert panel.bar.length * 0.05 == pytest.approx(float(said.split()[0]), rel=0.02)


def test_directions_on_the_sky():
    # Seen from the northern hemisphere with north up, east is to the left; a mirror turns it to the right.
    def ways(**options):
        panel = lay_out(800, ("Moon", ""), [], **options)
        return [
            (round((a.tip[0] - a.foot[0]) / panel.size, 6), round((a.tip[1] - a.foot[1]) / panel.size, 6))
            for a in panel.arrows
        ]

    assert ways(north_deg=0.0, mirrored=False) == [(0.0, -2.6), (-2.6, 0.0)]
    assert ways(north_deg=0.0, mirrored=True) == [(0.0, -2.6), (2.6, 0.0)]
    assert ways(north_deg=90.0, mirrored=False) == [(-2.6, 0.0), (0.0, 2.6)]
    assert len(ways(north_deg=10.0)) == 1
    assert ways() == []


def test_unknown_orientation_is_said():
    assert "Orientation not known" in [t.text for t in lay_out(800, ("Moon", ""), FACTS).texts]
    assert "East not known" in [t.text for t in lay_out(800, ("Moon", ""), FACTS, north_deg=3.0).texts]


def test_central_meridian_and_diameter_of_a_published_example():
    # Meeus, Astronomical Algorithms (2nd ed.), example 43.a: Jupiter, 1992 December 16, 0h UT: central meridians
    # 268.06 (I) and 72.74 (II), which include his correction for the phase, 57.2958 sin^2(alpha / 2) with
    # alpha = 9.92 degrees = 0.43; the label gives the geometric meridian. His constants differ from IAU 2015's by
    # up to 0.1 degree. Chapter 55: 98.44" equatorial semidiameter at 1 au, at 5.6606 au 34.78" across; IAU's radius
    # gives 0.14 % more.
    when = datetime(1992, 12, 16, tzinfo=UTC)
    picture = Picture(np.zeros((9, 9), np.float32), captures=(capture("jupiter", when),), filters=("G",))
    assert title(picture) == ("Jupiter", "1992-12-16 00:00:00 UTC")
    lines = dict(facts(picture, {}, ephemeris("jupiter", when, satellites=False)))
    meridians = dict(part.split(" ") for part in lines["Central meridian"].split(", "))
    phase = 0.43
    assert float(meridians["I"].rstrip("°")) == pytest.approx(268.06 - phase, abs=0.15)
    assert float(meridians["II"].rstrip("°")) == pytest.approx(72.74 - phase, abs=0.15)
    assert float(lines["Diameter"].split()[0]) == pytest.approx(34.78, rel=0.002)


def test_what_is_known_is_said_in_the_users_units():
    when = datetime(2026, 1, 12, 22, 10, tzinfo=UTC)
    picture = Picture(
        np.zeros((9, 9), np.float32),
        captures=(capture("jupiter", when),),
        filters=("R", "CH4"),
        geometry={"scale_arcsec": 0.127},
        header={"frames_kept": 1200, "frames_total": 24000, "sharpen": {"resolution_arcsec": [0.5, 0.38, 0.3]}},
    )
    night = {
        "site": {"name": "Hill meadow", "latitude_deg": -47.1, "longitude_deg": -8.5},
        "telescope": {"aperture_mm": 203.0, "focal_length_mm": 2030.0, "amplifier": 2.0},
        "filters": {"R": 630.0},
    }
    assert dict(facts(picture, night, None)) == {
        "Site": "Hill meadow (47.10° S, 8.50° W)",
        "Telescope": "203 mm, f/20",
        "Filters": "R 630 nm, CH4",
        "Frames": "1200 of 24000 (5%)",
        "Scale": "0.127 arcsec per pixel",
        "Resolution": "0.38 arcsec a period",
    }
    bare = Picture(np.zeros((9, 9), np.float32), filters=("L",))
    assert title(bare) == ("Unknown target", "time not known")
    assert facts(bare, {}, None) == [("Filter", "L")]


@pytest.mark.parametrize("shape", [(60, 100), (2000, 2000), (100, 40), (300, 480)])
def test_picture_stands_whole_above_the_panel(shape):
    height, width = shape
    factor = enlargement(width, height)
    shown = np.random.default_rng(0).integers(0, 65536, (height, width, 3), dtype=np.uint16)
    panel = lay_out(max(200, factor * width), ("Mars", "2026-01-12 22:11:00 UTC"), FACTS, scale_arcsec=0.1)
    labelled = draw_labelled(shown, factor, panel)
    assert labelled.dtype == np.uint8
    assert labelled.shape == (factor * height + panel.height, panel.width, 3)
    assert labelled.shape[1] >= 200
    if factor == 1:
        np.testing.assert_allclose(labelled[:height], shown / 257.0, atol=0.5)
    # The panel is not empty and its border is: nothing is cut at its edges.
    ground = labelled[-1, 0]
    assert (labelled[height * factor :] != ground).any()
    assert (labelled[-3:] == ground).all()
    assert (labelled[factor * height + 12 :, :3] == ground).all()
    assert (labelled[factor * height + 12 :, -3:] == ground).all()
