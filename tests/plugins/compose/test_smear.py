"""Dispersion within a filter's band: predicted, said, and cautioned about where it costs detail."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from nightmill.artefacts import Capture, Picture
from nightmill.stage import Context
from nightmill_sky.filters import band_nm
from nightmill_stages.compose.smear import say_smear, smear_arcsec

SITE = {"latitude_deg": 47.1, "longitude_deg": 8.5, "height_m": 540.0}


def taken(name: str, hour: int, scale: float | None = 0.2) -> Picture:
    start = datetime(2025, 2, 5, hour, 40, tzinfo=UTC).timestamp()
    capture = Capture("a.ser", "", "t", 1, 64, 64, 1, target="jupiter", filter=name, utc_start=start)
    geometry = {} if scale is None else {"scale_arcsec": scale}
    return Picture(np.zeros((64, 64), np.float32), captures=(capture,), filters=(name,), geometry=geometry)


def said(hour: int, scale: float | None = 0.2, **night):
    context = Context(night={"site": SITE, **night})
    say_smear([taken(name, hour, scale) for name in "RGB"], list("RGB"), context)
    return context.notes


def test_smear_by_the_published_amount():
    """Filippenko (1982), table 1, air mass 2: 4500 A stands +0.45, 6500 A -0.77 against 5000 A (from memory)."""
    site = {"pressure_hpa": 600.0 / 0.750062, "temperature_c": 7.0}
    assert smear_arcsec((450.0, 650.0), 30.0, site) == pytest.approx(1.22, abs=0.02)


def test_bands_follow_the_night_file_and_unknown_filters_have_none():
    assert band_nm("R", {"r": 650.0}) == (600.0, 700.0)
    assert band_nm("b", {}) == (410.0, 510.0)
    assert band_nm("CH4", {"CH4": 889.0}) is None


def test_high_planet_is_measured_and_low_one_cautioned():
    """Blue is drawn out most: the air's refractivity rises ever steeper towards short waves (Ciddor 1996)."""
    high = said(18)
    assert [note.kind for note in high] == ["measure"]
    low = said(12)
    assert [note.kind for note in low] == ["measure", "caution"]
    drawn = {name: value["px"] for name, value in low[0].value.items()}
    assert drawn["B"] > 2.0 * drawn["R"] > 0.5
    assert drawn["B"] > 5.0 * high[0].value["B"]["px"]
    assert "B" in low[1].text


def test_a_night_file_with_longer_waves_has_less_smear():
    usual, longer = (said(12, filters=f)[0].value["B"]["px"] for f in ({}, {"B": 480.0}))
    assert longer < usual


def test_a_larger_telescope_is_cautioned_sooner():
    assert len(said(18, telescope={"aperture_mm": 150.0})) == 1  # blue passes 0.75 arcsec a period
    assert len(said(18, telescope={"aperture_mm": 400.0})) == 2


def test_without_site_or_scale_nothing_is_said():
    context = Context(night={})
    say_smear([taken("R", 12)], ["R"], context)
    assert context.notes == []
    assert said(12, scale=None) == []
