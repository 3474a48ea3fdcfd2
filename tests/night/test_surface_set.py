"""A whole night: one field of the Moon through R, G and B, the camera turned a little before the last of them."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import cv2
import numpy as np
import pytest
from astropy.io import fits

from nightmill.run import Options, run_night
from nightmill.run.progress import Progress
from nightmill.testing import make_capture
from nightmill.testing.presets import PRESETS
from nightmill.testing.scenario import Faults

SHAPE, FRAMES, HEADER = (220, 280), 30, 178
TURN_DEG, SCALE = 1.5, 1.006
"""Of blue against the others: a camera that was taken off, and filters of another thickness."""


def test_a_turned_filter_is_turned_back(tmp_path):
    night = tmp_path / "night"
    night.mkdir()
    base = PRESETS["moon"]()
    for k, band in enumerate("RGB"):
        start = base.start + timedelta(seconds=90 * k)
        one = replace(base, filter=band, frames=FRAMES, shape=SHAPE, start=start, seed=30 + k, faults=Faults())
        make_capture(one, night)
    blue = next(night.glob("*_B.ser"))
    frames = np.memmap(blue, "<u2", "r+", HEADER, (FRAMES, *SHAPE))
    turn = cv2.getRotationMatrix2D(((SHAPE[1] - 1) / 2, (SHAPE[0] - 1) / 2), -TURN_DEG, SCALE)
    for index in range(FRAMES):
        frames[index] = cv2.warpAffine(
            frames[index], turn, SHAPE[::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
        )
    frames.flush()
    result = run_night(night, tmp_path / "out", Options(using="serial"), Progress(quiet=True))
    assert result.exit_code == 0
    (made,) = result.summary["pictures"]
    told = {note["name"]: note["value"] for note in made["notes"] if note["stage"] == "compose"}
    # The air tilts and stretches the mean of 30 frames as well: by 0.1 to 0.2 px over a field of 140 px radius.
    assert told["channel_turns_deg"]["B"] == pytest.approx(TURN_DEG, abs=0.12)
    assert told["channel_turns_deg"]["R"] == pytest.approx(0.0, abs=0.12)
    assert told["channel_scales"]["B"] == pytest.approx(SCALE, abs=0.002)
    file = next(name for name in made["files"] if name.endswith(".fits"))
    red, green, blue_ = np.asarray(fits.getdata(tmp_path / "out" / file), np.float64)
    inner = (slice(24, -24), slice(24, -24))
    for plane in (red, blue_):
        detail = [one[inner] - cv2.GaussianBlur(one[inner], (0, 0), 6.0) for one in (plane, green)]
        # Left as it was, blue would be off by 4 px in the corners.
        assert np.corrcoef(detail[0].ravel(), detail[1].ravel())[0, 1] > 0.9
