"""Dispersion of the air between the channels of a colour picture: expected, measured, compared."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from nightmill.artefacts import Capture, Picture
from nightmill.stage import Context
from nightmill_sky import Site, ephemeris
from nightmill_stages.compose.dispersion import compare, expect, say_dispersion
from nightmill_stages.matching.register import Offset

WHEN = datetime(2025, 2, 5, 20, 10, tzinfo=UTC)
SITE = {"latitude_deg": 47.1, "longitude_deg": 8.5, "height_m": 540.0}
SKY = ephemeris("jupiter", WHEN, Site(47.1, 8.5, 540.0))
WAVES = (630.0, 530.0, 460.0)


def low(altitude: float = 30.0):
    return replace(SKY, altitude_deg=altitude, parallactic_angle_deg=0.0)


def test_blue_rises_and_red_sinks_by_the_published_amount():
    """Filippenko (1982), table 1, air mass 2 (30 degrees): 4500 A +0.45, 6500 A -0.77 against 5000 A (from memory)."""
    site = {"pressure_hpa": 600.0 / 0.750062, "temperature_c": 7.0}
    found = expect(low(30.0), {"scale_arcsec": 0.2}, site, (650.0, 500.0, 450.0), 1)
    assert found is not None
    assert found.rise_arcsec == pytest.approx((-0.77, 0.0, 0.45), abs=0.01)
    assert found.offsets_px is None  # where the zenith lies is not known


def test_direction_follows_north_mirror_and_the_parallactic_angle():
    # At the meridian the zenith is north: up on the picture when north is, and to the left when north is there.
    for north, mirrored, angle, way in (
        (0.0, False, 0.0, (-1, 0)),
        (90.0, False, 0.0, (0, -1)),
        (0.0, False, 90.0, (0, -1)),  # zenith in the east, which is left
        (0.0, True, 90.0, (0, 1)),
    ):
        sky = replace(low(), parallactic_angle_deg=angle)
        geometry = {"scale_arcsec": 0.2, "north_angle_deg": north, "mirrored": mirrored}
        found = expect(sky, geometry, SITE, WAVES, 1)
        assert found is not None
        assert found.offsets_px is not None
        np.testing.assert_allclose(found.offsets_px[2], np.array(way) * found.rise_arcsec[2] / 0.2, atol=1e-9)
        np.testing.assert_allclose(found.offsets_px[0], np.array(way) * found.rise_arcsec[0] / 0.2, atol=1e-9)


def test_pressure_and_temperature_count():
    geometry = {"scale_arcsec": 0.2}
    sea = expect(low(), geometry, {"pressure_hpa": 1013.0, "temperature_c": 0.0}, WAVES, 1)
    hill = expect(low(), geometry, {"pressure_hpa": 760.0, "temperature_c": 20.0}, WAVES, 1)
    assert sea is not None
    assert hill is not None
    # Density of the air: (760 / 1013) (273 / 293), refraction by dry air follows it.
    assert hill.rise_arcsec[2] / sea.rise_arcsec[2] == pytest.approx(760 / 1013 * 273.15 / 293.15, rel=0.003)
    by_height = expect(low(), geometry, {"height_m": 2000.0}, WAVES, 1)
    assert by_height is not None
    assert by_height.pressure_hpa == pytest.approx(795.0, abs=0.5)


def test_agreement_and_what_a_corrector_leaves():
    expected = expect(low(20.0), {"scale_arcsec": 0.2, "north_angle_deg": 0.0, "mirrored": False}, SITE, WAVES, 1)
    assert expected is not None
    assert expected.offsets_px is not None
    apart, agree, corrected = compare(expected, expected.offsets_px, 0.2)
    assert (round(apart, 9), agree, corrected) == (0.0, True, False)
    nothing = [(0.0, 0.0)] * 3
    assert compare(expected, nothing, 0.2)[1:] == (False, True)
    turned = [(-dy, -dx) for dy, dx in expected.offsets_px]
    apart, agree, corrected = compare(expected, turned, 0.2)
    assert apart == pytest.approx(2.0 * max(abs(rise) for rise in expected.rise_arcsec))
    assert (agree, corrected) == (False, False)
    unknown = replace(expected, offsets_px=None)
    assert compare(unknown, turned, 0.2)[1]  # sizes agree, and no more can be said


@pytest.mark.parametrize(("factor", "kinds"), [(1.0, []), (3.0, ["caution"]), (0.0, ["measure"])])
def test_record_tells_both_and_cautions_when_they_disagree(factor, kinds):
    # Low over the horizon: the air spreads the colours by more than an arcsecond.
    start = datetime(2025, 2, 5, 12, 40, tzinfo=UTC).timestamp()
    capture = Capture("a.ser", "", "t", 1, 64, 64, 3, target="jupiter", filter="RGB", utc_start=start)
    geometry = {"scale_arcsec": 0.2, "north_angle_deg": 30.0, "mirrored": False}
    picture = Picture(np.zeros((3, 64, 64), np.float32), captures=(capture,), geometry=geometry)
    sky = ephemeris("jupiter", datetime.fromtimestamp(start, UTC), Site(47.1, 8.5, 540.0))
    assert sky.altitude_deg == pytest.approx(14.0, abs=4.0)
    expected = expect(sky, geometry, SITE, WAVES, 1)
    assert expected is not None
    assert expected.offsets_px is not None
    offsets = [Offset(factor * dy, factor * dx, 1.0) for dy, dx in expected.offsets_px]
    context = Context(night={"site": SITE})
    say_dispersion(picture, offsets, WAVES, 1, context)
    first, *rest = context.notes
    assert first.name == "dispersion"
    assert first.value["expected_arcsec"]["blue"] > 0.5 > 0.0 > first.value["expected_arcsec"]["red"]
    assert first.value["measured_arcsec"]["blue"] == pytest.approx(
        factor * first.value["expected_arcsec"]["blue"], abs=0.002
    )
    assert [note.kind for note in rest] == kinds
    # What was taken out before the frames were added belongs to it.
    context = Context(night={"site": SITE})
    halves = [[0.5 * dy, 0.5 * dx] for dy, dx in expected.offsets_px]
    rest = [Offset(0.5 * dy, 0.5 * dx, 1.0) for dy, dx in expected.offsets_px]
    say_dispersion(picture.replace(header={"dispersion_px": halves}), rest, WAVES, 1, context)
    assert [note.kind for note in context.notes] == ["measure"]


def test_without_site_or_scale_nothing_is_said():
    capture = Capture("a.ser", "", "t", 1, 64, 64, 3, target="jupiter", filter="RGB", utc_start=WHEN.timestamp())
    picture = Picture(np.zeros((3, 64, 64), np.float32), captures=(capture,))
    for night in ({}, {"site": SITE}):
        context = Context(night=night)
        say_dispersion(picture, [Offset(0, 0, 1)] * 3, WAVES, 1, context)
        assert context.notes == []
