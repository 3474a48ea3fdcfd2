"""Captures without an object, or without light, are set aside with a reason; faint ones are not."""

from __future__ import annotations

import numpy as np
import pytest
from nightmill_stages.grade import STAGES

from nightmill.artefacts import Capture, Frames, FrameTable
from nightmill.errors import CaptureError
from nightmill.stage import Context


def prepare(data: np.ndarray, full_scale: float = 255.0) -> dict:
    n, height, width = data.shape
    capture = Capture("", "x.ser", "ingest", n, height, width, full_scale=full_scale, target="mars", filter="B")
    context = Context(captures=(capture,))
    context.reader = lambda numbers: Frames(data[numbers], numbers, np.zeros(len(numbers)), full_scale)
    table = FrameTable({"number": np.arange(n), "utc": np.zeros(n), "kept": np.ones(n, bool)})
    return STAGES[0]().prepare(table, context)


def sky(rng: np.random.Generator, n: int = 40) -> np.ndarray:
    """Make quantised frames of nothing but read noise, less their dark: what a cloud leaves."""
    return np.maximum(np.round(rng.normal(0.0, 0.4, (n, 96, 128))), 0).astype(np.float32)


def test_a_cloud_is_not_graded():
    with pytest.raises(CaptureError, match="no object stands out: the brightest part is only"):
        prepare(sky(np.random.default_rng(1)))


def test_a_closed_cap_is_told():
    with pytest.raises(CaptureError, match="all frames looked at are black"):
        prepare(np.zeros((40, 96, 128), np.uint8))


def test_a_faint_planet_is_graded():
    rows, columns = np.mgrid[:96, :128]
    disc = 3.0 * (np.hypot(rows - 50, columns - 60) < 14)
    state = prepare(sky(np.random.default_rng(2)) + disc.astype(np.float32))
    assert not state["scene"]["fills_frame"]
    # The box holds the disc of 28 px; a cell more or less, as it is found on shrunk frames.
    assert 20 <= state["scene"]["extent_px"] <= 40
