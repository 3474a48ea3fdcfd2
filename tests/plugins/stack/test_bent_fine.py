"""Drops of bent frames on a finer grid: areas, brightness, and detail beyond the camera's own grid."""

from __future__ import annotations

import numpy as np
import pytest

from nightmill_stages.stack.bent_fine import add_bent_fine, empty_bent_fine, finer
from nightmill_stages.stack.drizzle import overlaps
from nightmill_stages.stack.finish import make_bent_fine_stack
from nightmill_stages.stack.mapping import Way, field_over
from nightmill_stages.stack.model import wide_open
from nightmill_stages.stack.phases import Layout

SIZE = 48


def waves(y: np.ndarray, x: np.ndarray) -> np.ndarray:
    """A blob, and waves of 0.65 cycles a camera pixel along the rows: beyond what the camera's own grid can show."""
    return 50 + 40 * np.exp(-((y - 24) ** 2 + (x - 23) ** 2) / 30) + 10 * np.cos(2 * np.pi * 0.65 * y) + 0 * x


def bent(mesh: np.ndarray, shift: np.ndarray, layout: Layout) -> np.ndarray:
    """What a frame records when frame(y + u(y)) = scene(y)."""
    from scipy.ndimage import map_coordinates

    rows, columns = field_over(mesh, layout, (float(shift[0]), float(shift[1])))
    grid = np.mgrid[:SIZE, :SIZE].astype(np.float64)
    y, x = grid[0] - shift[0], grid[1] - shift[1]
    for _ in range(10):
        u_y = map_coordinates(rows - grid[0], [y, x], order=1, mode="nearest")
        u_x = map_coordinates(columns - grid[1], [y, x], order=1, mode="nearest")
        y, x = grid[0] - u_y, grid[1] - u_x
    return waves(y, x).astype(np.float32)


def folded(cfa: str | None, scale: int, drop: float, count: int) -> tuple[dict[str, np.ndarray], Layout, np.ndarray]:
    rng = np.random.default_rng(5)
    layout = Layout(SIZE, SIZE, 1, cfa, 1)
    sums, expected = empty_bent_fine(layout, scale), wide_open(layout, np.float32)
    level = np.full((3, SIZE, SIZE) if cfa else (SIZE, SIZE), 60, np.float32)
    for index in range(count):
        mesh, shift = rng.normal(0, 0.3, (4, 4, 2)).astype(np.float32), rng.uniform(-2, 2, 2)
        frame = bent(mesh, shift, layout)
        field = field_over(mesh, layout, scale=scale)
        where = (float(shift[0]), float(shift[1]))
        add_bent_fine(sums, layout, drop, frame, index % 2, Way(where, field), 1.0, expected, finer(level, scale))
    return sums, layout, finer(level, scale)


@pytest.mark.parametrize(("scale", "drop"), [(2, 0.7), (3, 0.5)])
def test_areas_are_those_of_the_drops(scale: int, drop: float) -> None:
    """Without bending every output pixel gets what the one-dimensional overlaps say."""
    layout = Layout(12, 12, 1, None, 1)
    sums, expected = empty_bent_fine(layout, scale), wide_open(layout, np.float32)
    dy, dx = 0.31, -0.22
    field = field_over(np.zeros((1, 1, 2), np.float32), layout, scale=scale)
    frame, level = np.ones((12, 12), np.float32), np.zeros((12 * scale, 12 * scale, 1), np.float32)
    add_bent_fine(sums, layout, drop, frame, 0, Way((dy, dx), field), 1.0, expected, level)
    wanted = np.zeros((12 * scale + 2 * scale, 12 * scale + 2 * scale))
    for row in range(12):
        for column in range(12):
            for k, share_y in overlaps(dy, scale, drop):
                for m, share_x in overlaps(dx, scale, drop):
                    wanted[(row + 1) * scale + k, (column + 1) * scale + m] += share_y * share_x
    inner = slice(scale, 11 * scale)
    assert sums["weight"][0, inner, inner, 0] == pytest.approx(
        wanted[scale:-scale, scale:-scale][inner, inner], abs=1e-5
    )


@pytest.mark.parametrize("cfa", [None, "RGGB"])
def test_light_is_kept_and_detail_beyond_the_grid_is_resolved(cfa: str | None) -> None:
    sums, _, level = folded(cfa, 2, 0.5, 120)
    stack = make_bent_fine_stack(sums, level, 1.0, {"scale": 2})
    green = stack.data if cfa is None else stack.data[1]
    fine = (np.mgrid[: 2 * SIZE, : 2 * SIZE] + 0.5) / 2 - 0.5
    truth = waves(fine[0], fine[1])
    inner = (slice(12, -12), slice(12, -12))
    # Brightness is kept: the sum over four output pixels is four times that over one camera pixel.
    assert green[inner].sum() == pytest.approx(truth[inner].sum(), rel=2e-3)
    wave = np.exp(2j * np.pi * 0.65 * fine[0][inner])
    blob = 40 * np.exp(-((fine[0] - 24) ** 2 + (fine[1] - 23) ** 2) / 30)[inner]
    amplitude = 2 * np.abs(np.mean((green[inner] - 50 - blob) * wave))
    # Drop and output pixel, half a camera pixel each; the simulated mesh is inverted to some hundredths of a pixel.
    assert amplitude == pytest.approx(10 * np.sinc(0.325) ** 2, rel=0.12)
    assert stack.weight is not None
    # All of the drops is shared out: frames times samples of the colour, over four output pixels a camera pixel.
    share = 1.0 if cfa is None else 0.5
    weight = stack.weight if cfa is None else stack.weight[1]
    assert weight[inner].mean() == pytest.approx(120 * share / 4, rel=0.03)
