"""The direction in which a planet turns, from the way of its features over the disc."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import ndimage

from nightmill.artefacts import Capture, Picture
from nightmill_sky import BODIES
from nightmill_stages.compose.turn.globes import agree
from nightmill_stages.compose.turn.spin import Motion, direction, find_spin

START = 1_736_985_600.0
"""16 January 2025: Mars at opposition, a full disc, seen from 2 degrees off its equator."""
RADIUS, SIZE = 45.0, 120
LATE_S = {"R": 0.0, "G": 180.0, "B": 360.0}
CONTRAST = {"R": 0.5, "G": 0.25, "B": 0.02}
"""Through blue Mars shows hardly anything."""


def unit(east_deg: float) -> np.ndarray:
    """Down and right of a direction counter-clockwise from up."""
    return np.array([-np.cos(np.radians(east_deg)), -np.sin(np.radians(east_deg))])


def member(band: str, east_deg: float, seed: int = 1, contrast: float | None = None) -> Picture:
    """A featured globe through a filter, turned about an axis in the picture, blurred, with noise."""
    rng = np.random.default_rng(seed)
    sheet = ndimage.gaussian_filter(rng.standard_normal((90, 180)), 2.5, mode="wrap")
    sheet /= sheet.std()
    turned = np.radians(BODIES["mars"].rotation_deg_per_day) * LATE_S[band] / 86400.0
    centre = (59.6 + {"R": 0.7, "G": 0.0, "B": -0.5}[band], 60.2)
    y, x = (np.arange(SIZE * 3) + 0.5) / 3 - 0.5, (np.arange(SIZE * 3) + 0.5) / 3 - 0.5
    down, right = (y[:, None] - centre[0]) / RADIUS, (x[None, :] - centre[1]) / RADIUS
    towards = unit(east_deg)
    along, across = down * towards[0] + right * towards[1], down * towards[1] - right * towards[0]
    depth = np.sqrt(np.maximum(1 - along**2 - across**2, 0))
    lon, lat = np.arctan2(along, depth) - turned, np.arcsin(np.clip(across, -1, 1))
    places = [(lat / np.pi + 0.5) * 89, (lon / (2 * np.pi) + 0.5) * 180]
    spots = ndimage.map_coordinates(sheet, places, order=1, mode="wrap")
    light = np.where(
        depth > 0, (1 + (CONTRAST[band] if contrast is None else contrast) * np.clip(spots, -1, 1)) * depth**0.6, 0
    )
    plane = light.reshape(SIZE, 3, SIZE, 3).mean(axis=(1, 3))
    data = ndimage.gaussian_filter(plane, 1.5) + 0.004 * rng.standard_normal(plane.shape)
    capture = Capture("m.ser", "m.ser", "ser", 10, SIZE, SIZE, 1, "uint8", 255.0, target="mars", filter=band)
    capture = capture.replace(utc_start=START + LATE_S[band], frame_interval_s=0.01)
    disc = {"x_px": centre[1], "y_px": centre[0], "a_px": RADIUS, "b_px": RADIUS, "angle_deg": 0.0}
    geometry = {"disc": disc, "disc_sigma": 0.004}
    return Picture(data.astype(np.float32), captures=(capture,), filters=(band,), geometry=geometry)


@pytest.mark.parametrize("east", [20.0, 110.0, 250.0])
def test_features_tell_where_the_disc_turns_to(east):
    found, confidence = find_spin([member(band, east) for band in "RGB"])
    # 0.8 px from the first capture to the last, the limb good to 0.1 px: 10 degrees, here three times that at most.
    assert abs((found - east + 180) % 360 - 180) < 30
    assert confidence > 0.95


def test_what_is_only_good_to_turn_by_is_not_told():
    members = [member(band, 110.0) for band in "RGB"]
    rough = {"planet_east_deg": 110.0, "confidence": {"planet_east_deg": 0.5}}
    globes = agree([one.replace(geometry={**one.geometry, **rough}) for one in members], 1, derotate=True)
    assert globes.turned_deg is not None
    assert "planet_east_deg" not in globes.geometry


def test_a_planet_without_features_says_nothing():
    assert find_spin([member(band, 70.0, seed, 0.0) for seed, band in enumerate("RGB")]) is None


@given(st.floats(0, 359), st.floats(0.3, 3), st.integers(0, 10_000))
def test_ways_without_error_are_found_exactly(east, length, seed):
    rng = np.random.default_rng(seed)
    places = rng.uniform(-0.6, 0.6, (14, 2)) * 40
    depth = np.sqrt(1 - (places**2).sum(axis=1) / 40.0**2)
    limb = rng.normal(0, 3, 2)
    offsets = limb + length * depth[:, None] * unit(east)
    motion = Motion()
    motion.listen((offsets, np.tile(0.01 * np.eye(2), (14, 1, 1)), places), depth, limb, 0.05, 100.0)
    middle, covariance = motion.middle()
    np.testing.assert_allclose(middle * 100.0, length * unit(east), atol=1e-3 * length)
    found, _ = direction(middle, covariance, length / 100.0)
    assert abs((found - east + 180) % 360 - 180) <= 0.51


def test_a_way_of_another_length_is_no_turn():
    assert direction(np.array([0.0, 3.0]), 0.01 * np.eye(2), 1.0) is None
