"""Boxes cut out together are those that are cut out one by one."""

from __future__ import annotations

import numpy as np
import pytest

from nightmill_stages.align.geometry import Grid


@pytest.mark.parametrize("halvings", [0, 1, 2])
@pytest.mark.parametrize("shape", [(9, 240, 320), (9, 241, 319, 3)])
@pytest.mark.parametrize("dtype", [np.uint8, np.float32])
def test_boxes_together_and_alone_are_the_same(halvings: int, shape: tuple[int, ...], dtype: type) -> None:
    rng = np.random.default_rng(1)
    frames = rng.integers(0, 200, shape).astype(dtype)
    grid = Grid(halvings, 32, 40, 120.0, 160.0, 0.3)
    # Some reach beyond the frame, some lie inside.
    y, x = rng.uniform(0, 240, 7), rng.uniform(0, 320, 7)
    y[0], x[0] = 120.0, 160.0
    chosen = np.array([0, 1, 3, 4, 5, 7, 8])
    boxes, top, left = grid.boxes(frames, chosen, y, x)
    for index, frame in enumerate(frames[chosen]):
        box, row, column = grid.box(frame, float(y[index]), float(x[index]))
        assert np.array_equal(boxes[index], box)
        assert (top[index], left[index]) == (row, column)
