"""How the object moved over the sensor, from the table of frames: a straight way with jitter, and none to speak of."""

from __future__ import annotations

import numpy as np
import pytest

from nightmill.artefacts import FrameTable
from nightmill_stages.stack.motion import drift


def table(dy, dx, utc) -> FrameTable:
    return FrameTable({"number": np.arange(len(utc)), "utc": np.asarray(utc), "dy_px": dy, "dx_px": dx})


def test_drift_of_a_straight_way():
    generator = np.random.default_rng(1)
    utc = 1_700_000_000.0 + np.sort(generator.uniform(0.0, 6.0, 400))
    dy = 3.0 - 8.0 * (utc - utc[0]) + generator.normal(0.0, 0.5, 400)
    dx = -2.0 + 45.0 * (utc - utc[0]) + generator.normal(0.0, 0.5, 400)
    dy[7] = np.nan  # a frame that was not registered
    usable = np.isfinite(dy)
    found = drift(table(dy, dx, utc), usable)
    assert found["px_s"] == pytest.approx([-8.0, 45.0], abs=0.1)
    assert found["left_px"] == pytest.approx(0.5 * np.sqrt(2.0), rel=0.1)
    assert found["span_s"] == pytest.approx(6.0, abs=0.1)


def test_nothing_is_said_without_times_or_for_a_moment():
    line = np.arange(50.0)
    everything = np.ones(50, bool)
    assert drift(table(line, line, np.full(50, np.nan)), everything) is None
    assert drift(table(line, line, np.linspace(0.0, 1.0, 50)), everything) is None
    assert drift(table(line, line, np.linspace(0.0, 9.0, 50)), line < 5) is None
