"""Hot pixels are found on the frames themselves, also when the planet never moved, and leave no trace in the stack."""

from __future__ import annotations

import numpy as np
import pytest

from nightmill.artefacts import Capture, Frames, FrameTable, Stack
from nightmill.stage import Context
from nightmill_stages.stack import StackFrames
from nightmill_stages.stack.hot import find_hot, repaired

SIZE, COUNT = 96, 40
HOT = np.array([[40, 47], [47, 60], [20, 20], [52, 33], [0, 5]])


def scene(cfa: str | None) -> np.ndarray:
    """A disc of 25 px radius with a soft limb and a spot as small as a telescope shows; ADU."""
    y, x = np.mgrid[:SIZE, :SIZE].astype(float)
    disc = 120 / (1 + np.exp((np.hypot(y - 47, x - 48) - 25) / 1.2))
    light = 10 + disc * (1 - 0.4 * np.exp(-((y - 44) ** 2 + (x - 40) ** 2) / (2 * 1.2**2)))
    if cfa:
        for site, name in enumerate(cfa):
            light[site // 2 :: 2, site % 2 :: 2] *= {"R": 1.0, "G": 0.8, "B": 0.5}[name]
    return light


def stacked(cfa: str | None, hot: bool, dtype: type = np.uint8) -> tuple[Stack, list[str]]:
    rng = np.random.default_rng(9)
    frames = scene(cfa) + rng.normal(0, 3, (COUNT, SIZE, SIZE))
    if hot:
        frames[:, HOT[:, 0], HOT[:, 1]] += np.array([90, 60, 70, 12, 60])
    frames = np.clip(frames.round(), 0, 255).astype(dtype)
    capture = Capture("x", "x", "test", COUNT, SIZE, SIZE, dtype=np.dtype(dtype).name, full_scale=255.0, cfa=cfa)
    each = np.ones(COUNT)
    columns = {"dy_px": 0.0, "dx_px": 0.0, "level": 0.4, "background": 0.04, "y_px": 47.0, "x_px": 48.0}
    table = FrameTable(
        {
            "number": np.arange(COUNT),
            "utc": 0.02 * np.arange(COUNT),
            "kept": each.astype(bool),
            "sharpness": each,
            **{name: value * each for name, value in columns.items()},
            "extent_px": 52 * each,
            "fills_frame": np.zeros(COUNT, bool),
            "mesh": np.zeros((COUNT, 1, 1, 2), np.float32),
        }
    )

    def read(numbers: np.ndarray) -> Frames:
        return Frames(frames[numbers], numbers, numbers * 0.02, 255.0, cfa)

    fold = StackFrames(StackFrames.Parameters(share=1.0))
    context = Context((capture,), reader=read)
    state = fold.prepare(table, context)
    after = Context((capture,), state=state)
    stack = fold.finish(fold.fold(None, read(np.arange(COUNT)), table, after), table, after)
    found = find_hot(table, np.arange(COUNT), context)
    assert sorted(map(tuple, found)) == (sorted(map(tuple, HOT)) if hot else [])
    return stack, [note.name for note in context.notes]


@pytest.mark.parametrize(("cfa", "dtype"), [(None, np.uint8), ("RGGB", np.uint8), (None, np.float32)])
def test_hot_pixels_leave_no_trace(cfa: str | None, dtype: type) -> None:
    clean, said = stacked(cfa, False, dtype)
    assert "hot_pixels" not in said
    hit, said = stacked(cfa, True, dtype)
    assert "hot_pixels" in said
    # In a capture that never moved nothing else saw these spots: their neighbours stand in. ADU.
    off = np.abs(hit.data - clean.data)[..., 4:-4, 4:-4] * 255
    assert off.max() < 8
    # Where no dark fits, a pixel 90 ADU too bright on 110 would have shone out.
    assert np.percentile(off, 99) < 0.5


def test_a_pixel_takes_the_median_of_its_colour() -> None:
    frame = np.arange(36, dtype=np.uint16).reshape(6, 6)
    frame[2, 2] = 999
    assert repaired(frame, np.array([[2, 2]], np.int32), False)[2, 2] == 14
    assert frame[2, 2] == 999
    frame[2, 2] = 14
    # At the corner what lies beyond the edge is what lies on the other side.
    assert repaired(frame, np.array([[0, 0]], np.int32), True)[0, 0] == np.median([14, 14, 14, 14, 12, 12, 2, 2])
