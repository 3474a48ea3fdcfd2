"""Captures without an object, or without light, are set aside with a reason; faint ones are not."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from nightmill.artefacts import Capture, Frames, FrameTable
from nightmill.errors import CaptureError
from nightmill.stage import Context
from nightmill_stages.grade import STAGES


def prepare(data: np.ndarray, full_scale: float = 255.0) -> dict:
    n, height, width = data.shape
    capture = Capture("", "x.ser", "ingest", n, height, width, full_scale=full_scale, target="mars", filter="B")
    context = Context(captures=(capture,))
    context.reader = lambda numbers: Frames(data[numbers], numbers, np.zeros(len(numbers)), full_scale)
    table = FrameTable({"number": np.arange(n), "utc": np.zeros(n), "kept": np.ones(n, bool)})
    return STAGES[0]().prepare(table, context)


def sky(rng: np.random.Generator, noise: float, clipped: bool = True) -> np.ndarray:
    """Make quantised frames of nothing but read noise, less their dark: what a cloud leaves."""
    frames = np.round(rng.normal(0.0, noise, (40, 192, 256)))
    return (np.maximum(frames, 0) if clipped else frames).astype(np.float32)


@pytest.mark.parametrize("clipped", [True, False])
@pytest.mark.parametrize("noise", [0.2, 0.3, 0.4, 0.6, 1.0, 3.0, 10.0])
def test_a_cloud_is_not_graded(noise, clipped):
    with pytest.raises(CaptureError, match="no object stands out: the brightest part is only"):
        prepare(sky(np.random.default_rng(1), noise, clipped))


def test_a_low_contrast_surface_is_graded():
    """Texture of 2 % of the brightness, as fine as a telescope shows, on a field with one per cent of noise."""
    rng = np.random.default_rng(3)
    texture = cv2.GaussianBlur(rng.normal(0, 1, (192, 256)).astype(np.float32), (0, 0), 2.0)
    field = 150 * (1 + 0.02 * texture / texture.std())
    state = prepare(np.round(field + rng.normal(0, 1.5, (40, 192, 256))).astype(np.uint8))
    assert state["scene"]["fills_frame"]


def test_a_closed_cap_is_told():
    with pytest.raises(CaptureError, match="all frames looked at are black"):
        prepare(np.zeros((40, 96, 128), np.uint8))


def test_a_burnt_out_capture_and_one_of_gaps_are_told():
    with pytest.raises(CaptureError, match="all frames looked at are burnt out from edge to edge"):
        prepare(np.full((40, 96, 128), 255, np.uint8))
    gaps = np.full((40, 96, 128), np.nan, np.float32)
    with pytest.raises(CaptureError, match="its frames hold no numbers"):
        prepare(gaps)
    gaps[3:] = 0
    with pytest.raises(CaptureError, match="all frames looked at are black"):
        prepare(gaps)


def test_a_faint_planet_is_graded():
    rows, columns = np.mgrid[:192, :256]
    disc = 3.0 * (np.hypot(rows - 50, columns - 60) < 14)
    state = prepare(sky(np.random.default_rng(2), 0.4) + disc.astype(np.float32))
    assert not state["scene"]["fills_frame"]
    # The box holds the disc of 28 px; a cell more or less, as it is found on shrunk frames.
    assert 20 <= state["scene"]["extent_px"] <= 40
