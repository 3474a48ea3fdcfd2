"""Finding the object: position, disc or surface, and odd grids."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from nightmill_stages.grade.locate import halvings, look, survey_scene
from nightmill_stages.grade.luminance import box_around, cut, halve, shrink


def disc(y: float, x: float, radius: float, shape: tuple[int, int] = (240, 320), bright: float = 150.0) -> np.ndarray:
    """An evenly lit disc with a limb one pixel soft, on a sky of 5."""
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    inside = np.clip(radius - np.hypot(rows - y, columns - x) + 0.5, 0, 1)
    return (5 + bright * inside).astype(np.float32)


def small(frames: list[np.ndarray], times: int) -> np.ndarray:
    return np.stack([cv2.blur(shrink(frame, times).astype(np.float32), (3, 3)) for frame in frames])


def test_centre_is_found_to_a_quarter_pixel() -> None:
    centres = [(100.0, 150.0), (120.3, 160.8), (60.7, 250.2)]
    times = halvings(240, 320, None)
    frames = [disc(y, x, 40) for y, x in centres]
    scene = survey_scene(small(frames, times), 2**times, "mars")
    assert not scene.fills_frame
    # A cell is four pixels, and smoothing widens the disc of 80 by about one on either side.
    assert scene.extent_px == pytest.approx(84, abs=6)
    seen = look(small(frames, times), scene, 2**times)
    for row, (y, x) in enumerate(centres):
        assert seen["y_px"][row] == pytest.approx(y, abs=0.25)
        assert seen["x_px"][row] == pytest.approx(x, abs=0.25)


def test_a_disc_over_the_edge_is_seen_at_the_edge() -> None:
    times = halvings(240, 320, None)
    scene = survey_scene(small([disc(120, 160, 40)] * 4, times), 2**times, "jupiter")
    seen = look(small([disc(120, 160, 40), disc(20, 160, 40)], times), scene, 2**times)
    assert seen["edge"][0] == 0
    assert seen["edge"][1] > 0.05


def test_a_textured_field_fills_the_frame() -> None:
    rng = np.random.default_rng(1)
    field = 120 + 30 * cv2.GaussianBlur(rng.normal(0, 1, (240, 320)).astype(np.float32), (0, 0), 3)
    times = halvings(240, 320, None)
    assert survey_scene(small([field] * 3, times), 2**times, "moon").fills_frame


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
def test_halving_is_the_mean_of_four(dtype: type) -> None:
    rng = np.random.default_rng(2)
    plane = rng.integers(0, 255, (11, 13)).astype(dtype)
    expected = plane[:10, :12].reshape(5, 2, 6, 2).astype(np.float64).mean(axis=(1, 3))
    # Integers are rounded: half a unit at most.
    assert np.abs(halve(plane) - expected).max() <= (0.5 if np.issubdtype(dtype, np.integer) else 1e-4)


def test_boxes_stay_inside_and_cuts_repeat_the_edge() -> None:
    assert box_around(5.0, 20, 100) == 0
    assert box_around(96.0, 20, 100) == 80
    plane = np.arange(12, dtype=np.float32).reshape(3, 4)
    assert np.array_equal(cut(plane, -1, -1, 3, 3), plane[np.ix_([0, 0, 1], [0, 0, 1])])
