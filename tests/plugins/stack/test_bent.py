"""Frames bent by a known mesh come back straight, sample by sample."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from nightmill_stages.align.mesh import field_of
from nightmill_stages.stack.bent import add_bent, empty_bent, mean_of, variance_of
from nightmill_stages.stack.bent_mosaic import add_bent_mosaic, corrected, empty_bent_mosaic
from nightmill_stages.stack.mapping import Bending, Way, field_over
from nightmill_stages.stack.model import wide_open
from nightmill_stages.stack.phases import Layout
from nightmill_stages.stack.turning import Seen

SIZE = 96


def scene(y: np.ndarray, x: np.ndarray, phase: float = 0.0) -> np.ndarray:
    """Waves of 0.1 cycles a pixel in both directions, known at any position."""
    return 100 + 30 * np.cos(2 * np.pi * 0.1 * y + phase) + 30 * np.sin(2 * np.pi * 0.1 * x + 0.5 * phase)


def frame_of(mesh: np.ndarray, shift: np.ndarray, phase: float = 0.0) -> np.ndarray:
    """What is recorded when frame(y + u(y)) = scene(y): the scene at the point that is moved onto each pixel."""
    rows, columns = field_of(mesh + shift.astype(np.float32), SIZE, SIZE)
    grid_y, grid_x = np.mgrid[:SIZE, :SIZE].astype(np.float64)
    y, x = grid_y - shift[0], grid_x - shift[1]
    from scipy.ndimage import map_coordinates

    for _ in range(15):
        u_y = map_coordinates(rows - grid_y, [y, x], order=1, mode="nearest")
        u_x = map_coordinates(columns - grid_x, [y, x], order=1, mode="nearest")
        y, x = grid_y - u_y, grid_x - u_x
    return scene(y, x, phase)


def meshes(count: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(3)
    return rng.normal(0, 0.6, (count, 5, 5, 2)).astype(np.float32), rng.uniform(-2, 2, (count, 2))


def test_mono_is_straightened_and_the_noise_is_known() -> None:
    layout = Layout(SIZE, SIZE, 1, None, 2)
    expected = wide_open(layout, np.float32)
    bends, shifts = meshes(30)
    rng = np.random.default_rng(4)
    sums = empty_bent(layout)
    for index in range(30):
        frame = frame_of(bends[index], shifts[index]) + rng.normal(0, 2, (SIZE, SIZE))
        where = (float(shifts[index, 0]), float(shifts[index, 1]))
        field = field_over(bends[index], layout)
        add_bent(sums, layout, frame.astype(np.float32), index % 2, Way(where, field), 1.0, expected)
    picture = mean_of(sums["sum"].sum(axis=0), sums["weight"].sum(axis=0), expected.centre[0])
    y, x = np.mgrid[:SIZE, :SIZE].astype(float)
    inner = (slice(10, -10), slice(10, -10))
    error = (picture - scene(y, x))[inner]
    # Noise of 2 / sqrt(30) and the bicubic kernel's own error of some per cent of the waves.
    assert np.sqrt((error**2).mean()) < 0.9
    predicted = np.sqrt(variance_of(sums)[1][inner].mean())
    assert predicted == pytest.approx(np.sqrt((error**2).mean()), rel=0.35)
    assert sums["weight"].sum(axis=0)[48, 48] == 30


@pytest.mark.parametrize(
    "layout", [Layout(96, 96, 1, None, 2), Layout(40, 30, 1, None, 2, 20, 50, (96, 96))], ids=["frame", "part"]
)
def test_a_strip_lies_where_the_whole_field_has_it(layout: Layout) -> None:
    mesh, shift = meshes(1)[0][0], (0.25, -0.375)
    strip = slice(8, 19), slice(3, 27)
    whole = field_over(mesh, layout, shift)
    for found, wanted in zip(Bending(mesh, layout).at(strip, shift), whole, strict=True):
        # Both are rounded at some tens of pixels, float32.
        assert np.allclose(found, wanted[strip], rtol=0, atol=2e-5)


def test_uniform_weights_and_a_map_of_them_agree() -> None:
    layout = Layout(SIZE, SIZE, 1, None, 2)
    expected = wide_open(layout, np.float32)
    bends, shifts = meshes(4)
    half = np.full((SIZE, SIZE), 0.5, np.float32)
    one, other = empty_bent(layout), empty_bent(layout)
    for index in range(4):
        frame = frame_of(bends[index], shifts[index]).astype(np.float32)
        where = (float(shifts[index, 0]), float(shifts[index, 1]))
        field = field_over(bends[index], layout)
        add_bent(one, layout, frame, index % 2, Way(where, field, Seen(0.5)), 1.0, expected)
        add_bent(other, layout, frame, index % 2, Way(where, field, Seen(half)), 1.0, expected)
    for name in one:
        assert np.allclose(one[name], other[name], rtol=1e-5, atol=1e-3), name


@cache
def mosaics() -> list[np.ndarray]:
    """Raw frames, bent; each colour has waves of its own phase."""
    frames = []
    for bend, shift in zip(*meshes(60), strict=True):
        colours = [frame_of(bend, shift, phase) for phase in (0.0, 1.0, 2.0)]
        raw = np.empty((SIZE, SIZE), np.float32)
        for site, name in enumerate("RGGB"):
            raw[site // 2 :: 2, site % 2 :: 2] = colours["RGB".index(name)][site // 2 :: 2, site % 2 :: 2]
        frames.append(raw)
    return frames


@pytest.mark.parametrize(("wide", "limit"), [(True, 1.5), (False, 1.5)])
def test_mosaic_is_straightened_without_mixing_colours(wide: bool, limit: float) -> None:
    layout = Layout(SIZE, SIZE, 1, "RGGB", 2)
    expected = wide_open(layout, np.float32)
    bends, shifts = meshes(60)
    frames = mosaics()
    picture = np.full((3, SIZE, SIZE), 100, np.float32)
    for _ in range(5):
        sums = empty_bent_mosaic(layout)
        planes = np.ascontiguousarray(np.moveaxis(picture, 0, -1))
        for raw, bend, shift in zip(frames, bends, shifts, strict=True):
            way = Way((float(shift[0]), float(shift[1])), field_over(bend, layout))
            add_bent_mosaic(sums, layout, raw, 0, way, 1.0, expected, planes)
        picture = corrected(sums["sum"].sum(axis=0), sums["weight"].sum(axis=0), planes, wide)
    y, x = np.mgrid[:SIZE, :SIZE].astype(float)
    for channel, phase in enumerate((0.0, 1.0, 2.0)):
        error = (picture[channel] - scene(y, x, phase))[12:-12, 12:-12]
        # Of waves with 30 rms: the corrections converge to a few per cent.
        assert np.sqrt((error**2).mean()) < limit, np.sqrt((error**2).mean())
