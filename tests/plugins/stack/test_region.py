"""The part of the sensor that is stacked: nothing is lost by leaving out the empty sky."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from nightmill.artefacts import Capture, Frames, FrameTable, Stack
from nightmill.stage import Context
from nightmill_stages.stack import StackFrames

HEIGHT, WIDTH, COUNT = 200, 260, 80
PLANET, MOON = (90.0, 100.0), (150.0, 236.0)


def light(dy: float, dx: float, moon: bool) -> np.ndarray:
    """A soft disc of 20 px radius on a sky of 10, and a moon; ADU."""
    y, x = np.mgrid[:HEIGHT, :WIDTH].astype(float)
    radius = np.hypot(y - PLANET[0] - dy, x - PLANET[1] - dx)
    disc = 120 / (1 + np.exp((radius - 20) / 1.5)) * (1 + 0.2 * np.cos(0.5 * (y - dy)))
    spot = 40 * np.exp(-((y - MOON[0] - dy) ** 2 + (x - MOON[1] - dx) ** 2) / 6) if moon else 0
    return 10 + disc + spot


@cache
def made(cfa: str | None, moon: bool) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(7)
    shifts = rng.uniform(-3, 3, (COUNT, 2))
    frames = np.stack([light(*shift, moon) for shift in shifts])
    if cfa:
        for site, name in enumerate(cfa):
            frames[:, site // 2 :: 2, site % 2 :: 2] *= {"R": 1.0, "G": 0.8, "B": 0.5}[name]
    return (frames + rng.normal(0, 2, frames.shape)).astype(np.float32), shifts


def stacked(cfa: str | None = None, moon: bool = True, fills: bool = False, **parameters: object) -> Stack:
    frames, shifts = made(cfa, moon)
    capture = Capture("x", "x", "test", COUNT, HEIGHT, WIDTH, dtype="float32", full_scale=255.0, cfa=cfa)
    column = {
        "number": np.arange(COUNT),
        "utc": np.arange(COUNT) * 0.02,
        "kept": np.ones(COUNT, bool),
        "sharpness": np.linspace(2, 1, COUNT),
        "dy_px": shifts[:, 0],
        "dx_px": shifts[:, 1],
        "level": np.full(COUNT, 100 / 255),
        "background": np.full(COUNT, 10 / 255),
        "y_px": PLANET[0] + shifts[:, 0],
        "x_px": PLANET[1] + shifts[:, 1],
        "extent_px": np.full(COUNT, 42.0),
        "fills_frame": np.full(COUNT, fills),
        "mesh": np.zeros((COUNT, 1, 1, 2), np.float32),
        "contrast": np.ones((COUNT, 1, 1), np.float32),
    }
    table = FrameTable(column)

    def read(numbers: np.ndarray) -> Frames:
        return Frames(frames[numbers], numbers, numbers.astype(float), 255.0, cfa)

    fold = StackFrames(StackFrames.Parameters(share=1.0, **parameters))
    state = fold.prepare(table, Context((capture,), reader=read))
    context = Context((capture,), state=state)
    return fold.finish(fold.fold(None, read(np.arange(COUNT)), table, context), table, context)


@pytest.mark.parametrize(("cfa", "scale"), [(None, 1), ("GRBG", 1), (None, 2)])
def test_the_box_shows_what_the_whole_sensor_shows(cfa: str | None, scale: int) -> None:
    part, whole = stacked(cfa, scale=scale), stacked(cfa, scale=scale, region="sensor")
    assert part.data.shape == whole.data.shape
    top, left, height, width = (value * scale for value in part.header["region_px"])
    assert height * width < 0.7 * whole.data.shape[-1] * whole.data.shape[-2]
    assert "region_px" not in whole.header
    # Within the border that padding for the Fourier transform reaches.
    inner = (..., slice(top + 12, top + height - 12), slice(left + 12, left + width - 12))
    assert part.noise is not None
    off = (part.data - whole.data)[inner] / part.noise[inner]
    assert np.sqrt(np.mean(off**2)) < 0.15
    assert np.isfinite(part.data[..., 8:-8, 8:-8]).all()
    # A moon far from the planet is stacked like the planet.
    spot = (..., int(MOON[0] * scale), int(MOON[1] * scale))
    assert np.all(part.data[spot] * 255 > 15)
    assert np.allclose(part.data[spot], whole.data[spot], atol=0.01)


def test_the_sky_beyond_is_level_and_its_noise_is_told() -> None:
    stack = stacked(moon=False)
    assert stack.noise is not None
    assert stack.weight is not None
    top, left, height, width = stack.header["region_px"]
    beyond = np.ones(stack.data.shape, bool)
    beyond[top : top + height, left : left + width] = False
    beyond[:8] = beyond[-8:] = False
    beyond[:, :8] = beyond[:, -8:] = False
    assert beyond.mean() > 0.3
    error = stack.data[beyond] * 255 - 10
    # The halo of the logistic edge is below 1e-3 there.
    assert np.abs(error).max() < 0.2
    predicted = 255 * float(np.sqrt(np.mean(stack.noise[beyond] ** 2)))
    assert predicted == pytest.approx(float(error.std()), rel=0.3)
    assert np.all(stack.weight[beyond] == COUNT)


def test_a_surface_is_stacked_whole() -> None:
    stack = stacked(moon=False, fills=True)
    assert "region_px" not in stack.header
    assert stack.data.shape == (HEIGHT, WIDTH)


@pytest.mark.parametrize("cfa", [None, "RGGB"])
def test_sky_goes_on_to_the_border(cfa):
    """Frames wander by 3 px, so the outermost pixels were seen by some of them only: they show the same sky."""
    stack = stacked(cfa, moon=False, region="sensor")
    planes = stack.data if stack.data.ndim == 3 else stack.data[None]
    weights = stack.weight if stack.weight.ndim == 3 else stack.weight[None]
    for plane, weight, sky in zip(planes * 255, weights, (10.0, 8.0, 5.0) if cfa else (10.0,), strict=True):
        assert weight[0].mean() < 0.8 * weight[60:120].mean()
        for side in (plane[:2], plane[-2:], plane[:, :2].T, plane[:, -2:].T):
            # 80 frames of noise 2, half of them there: a pixel is known to 0.3, 500 pixels better. In a mosaic the sky
            # of all colours is taken for the same, and here it is half as bright in blue.
            assert float(np.nanmean(side)) == pytest.approx(sky, abs=1.0 if cfa else 0.3)
