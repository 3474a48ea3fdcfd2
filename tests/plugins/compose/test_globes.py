"""What the members of a filter set agree on."""

from __future__ import annotations

import numpy as np
import pytest

from nightmill.artefacts import Capture, Picture
from nightmill_stages.compose.turn.globes import agree

START = 1_740_176_000.0
"""February 2025, Venus a thin crescent."""


def member(radius_px: float, sigma: float, filter: str) -> Picture:
    capture = Capture("v.ser", "v.ser", "ser", 10, 100, 100, 1, "uint8", 255.0, target="venus", filter=filter)
    capture = capture.replace(utc_start=START, frame_interval_s=0.01)
    disc = {"x_px": 50.0, "y_px": 50.0, "a_px": radius_px, "b_px": radius_px}
    picture = Picture(np.zeros((100, 100), np.float32), captures=(capture,), filters=(filter,))
    return picture.replace(geometry={"disc": disc, "disc_sigma": sigma})


@pytest.mark.parametrize(
    ("radii", "zooms"),
    [
        ((70.0, 70.2, 70.1), (1.0, 1.0, 1.0)),  # within errors
        ((70.0, 70.0, 70.7), (1.0, 1.0, 70.0 / 70.7)),  # optics that magnify one colour by a hundredth
        ((70.0, 70.0, 65.4), (1.0, 1.0, 1.0)),  # no optics do that: it was measured badly
    ],
)
def test_scales_differ_as_much_as_optics_can_make_them(radii, zooms):
    globes = agree([member(r, 0.002, f) for r, f in zip(radii, "RGB", strict=True)], 1, derotate=False)
    found = [1.0, 1.0, 1.0] if globes is None else globes.zooms
    assert found == pytest.approx(zooms, abs=0.0015)
