"""Round planets, whose phase alone tells how they lie: discs with and without spots, blurred, noise of 1 %."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from nightmill_sky import ephemeris
from nightmill_stages.orient.discs import template_of
from nightmill_stages.orient.fit import place_globe
from nightmill_stages.orient.posterior import apart_deg


def disc_of_light(sky, *, pole: float, mirrored: bool, spots: float):
    """A disc of 60 px, two samples across a pixel, and its picture."""
    disc = replace(
        template_of(sky, mirrored=mirrored),
        centre_column_px=50.6,
        centre_row_px=48.3,
        equatorial_radius_px=30.0,
        pole_angle_deg=pole,
    )
    place = (np.arange(200) + 0.5) / 2.0 - 0.5
    seen = disc.surface(*np.meshgrid(place, place))
    longitude, latitude = (np.radians(np.nan_to_num(a)) for a in (seen.longitude_deg, seen.latitude_deg))
    paint = 1.0 + spots * np.sin(2.0 * longitude + 0.5) * np.cos(latitude) ** 2
    light = paint * np.maximum(seen.incidence, 0.0) ** 0.8 * np.maximum(seen.emission, 0.03) ** -0.2
    image = np.where(seen.emission > 0.0, light, 0.0).reshape(100, 2, 100, 2).mean(axis=(1, 3))
    noise = 0.01 * np.random.default_rng(3).standard_normal(image.shape)
    return disc, (cv2.GaussianBlur(image, (0, 0), 1.6) + noise).astype(np.float32)


@pytest.mark.parametrize(
    ("target", "utc", "spots", "mirrored"),
    [("venus", "2025-01-10", 0.0, False), ("mercury", "2025-03-08", 0.2, True), ("mars", "2024-10-20", 0.2, False)],
)
def test_a_phase_shows_the_axis_up_to_a_mirror(target, utc, spots, mirrored):
    sky = ephemeris(target, utc, satellites=False)
    truth, picture = disc_of_light(sky, pole=110.0, mirrored=mirrored, spots=spots)
    placed = place_globe(picture, template_of(sky), sky.phase_angle_deg, darkening=0.8)
    assert placed.disc.equatorial_radius_px == pytest.approx(30.0, rel=0.01)
    assert placed.pole_sigma_deg < 5.0
    (way,) = [way for way in placed.ways if way.mirrored == mirrored]
    assert apart_deg(way.pole_angle_deg, truth.pole_angle_deg) < 2.0 * placed.pole_sigma_deg
    # Nothing tells one sense from the other.
    assert len({round(way.weight, 6) for way in placed.ways}) == 1
