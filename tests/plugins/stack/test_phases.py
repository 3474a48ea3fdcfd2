"""Sums over phases and their reconstruction against analytic pictures and Monte Carlo."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightmill_stages.stack.finish import make_stack
from nightmill_stages.stack.model import wide_open
from nightmill_stages.stack.phases import Layout, add, empty, envelope, mosaic, split
from nightmill_stages.stack.reconstruct import reconstruct


def waves(y: np.ndarray, x: np.ndarray, phase: float = 0.0) -> np.ndarray:
    """A smooth blob with fine waves on it, known at any position: 0.11 and 0.17 cycles a pixel, far below Nyquist."""
    blob = np.exp(-((y - 31) ** 2 + (x - 33) ** 2) / (2 * 9.0**2))
    return 20 + 100 * blob * (1 + 0.3 * np.cos(2 * np.pi * (0.11 * y + 0.17 * x) + phase))


def sampled(dy: float, dx: float, phase: float = 0.0, size: int = 64) -> np.ndarray:
    """What a frame records when its content lies (dy, dx) further down and right."""
    y, x = np.mgrid[:size, :size].astype(float)
    return waves(y - dy, x - dx, phase)


def raw(dy: float, dx: float, cfa: str) -> np.ndarray:
    """The same behind a colour filter array; each colour has waves of its own phase."""
    colours = {name: sampled(dy, dx, phase) for name, phase in zip("RGB", (0.0, 1.0, 2.0), strict=True)}
    frame = np.empty((64, 64))
    for site, name in enumerate(cfa):
        frame[site // 2 :: 2, site % 2 :: 2] = colours[name][site // 2 :: 2, site % 2 :: 2]
    return frame


def stacked(layout: Layout, frames: list[np.ndarray], shifts: np.ndarray) -> np.ndarray:
    sums, expected = empty(layout), wide_open(layout, np.float32)
    for frame, shift in zip(frames, shifts, strict=True):
        add(sums, layout, frame.astype(np.float32), 0, (shift[0], shift[1]), 1.0, 1.0, expected)
    return reconstruct(sums["sum"][0], sums["weight"][0], sums["moment"][0], expected.centre, layout)


def test_mono_is_exact_where_shifts_are_known() -> None:
    shifts = np.random.default_rng(1).uniform(-3, 3, (80, 2))
    picture = stacked(Layout(64, 64, 1, None, 4), [sampled(*s) for s in shifts], shifts)
    error = (picture - sampled(0, 0))[8:-8, 8:-8]
    # The scatter of shifts within a phase (1/14 px rms) averages out over some five frames a phase.
    assert np.sqrt((error**2).mean()) < 0.25
    # A bilinear mapping of every frame would lose 12 % of the waves' contrast, some 2 units rms.


@pytest.mark.parametrize("cfa", ["RGGB", "GBRG"])
def test_every_raw_sample_is_put_where_it_belongs(cfa: str) -> None:
    shifts = np.random.default_rng(2).uniform(-4, 4, (300, 2))
    picture = stacked(Layout(64, 64, 1, cfa, 4), [raw(*s, cfa) for s in shifts], shifts)
    for channel, phase in enumerate((0.0, 1.0, 2.0)):
        error = (picture[channel] - sampled(0, 0, phase))[8:-8, 8:-8]
        assert np.sqrt((error**2).mean()) < 0.4
        # Colours are registered and unmixed: no trace of another colour's waves.
        assert abs(error.mean()) < 0.05


def test_a_mosaic_that_never_moved_still_gives_a_smooth_picture() -> None:
    picture = stacked(Layout(64, 64, 1, "RGGB", 4), [raw(0, 0, "RGGB")] * 8, np.zeros((8, 2)))
    error = (picture[1] - sampled(0, 0, 1.0))[8:-8, 8:-8]
    assert np.sqrt((error**2).mean()) < 3.0
    assert np.isfinite(picture).all()


@given(st.floats(-40, 40), st.floats(-40, 40), st.integers(2, 8))
@settings(max_examples=50, deadline=None)
def test_split_is_complete(dy: float, dx: float, phases: int) -> None:
    iy, ix, fy, fx, parity, py, px = split(dy, dx, Layout(64, 64, 1, "RGGB", phases))
    assert iy + fy == pytest.approx(dy, abs=1e-9)
    assert ix + fx == pytest.approx(dx, abs=1e-9)
    assert -0.5 <= fy <= 0.5
    assert -0.5 <= fx <= 0.5
    assert 0 <= py < phases
    assert 0 <= px < phases
    assert parity == (iy % 2) * 2 + ix % 2


def test_flux_is_conserved_and_weights_add_up() -> None:
    rng = np.random.default_rng(3)
    layout = Layout(64, 64, 1, None, 4)
    shifts = rng.uniform(-2, 2, (40, 2))
    weights = rng.uniform(0.5, 1.5, 40)
    sums, expected = empty(layout), wide_open(layout, np.float32)
    for index, (shift, weight) in enumerate(zip(shifts, weights, strict=True)):
        frame = (sampled(*shift) - 20).astype(np.float32)
        add(sums, layout, frame, index % 2, (shift[0], shift[1]), float(weight), 1.0, expected)
    stack = make_stack(sums, layout, expected, 255.0, {})
    inner = stack.data[8:-8, 8:-8] * 255
    # The blob lies inside with its tails: its sum is that of the analytic one.
    assert inner.sum() == pytest.approx((sampled(0, 0) - 20)[8:-8, 8:-8].sum(), rel=2e-3)
    assert stack.weight is not None
    assert stack.weight[32, 32] == pytest.approx(weights.sum(), rel=1e-5)
    assert sums["frames"].tolist() == [20, 20]


@pytest.mark.parametrize("cfa", [None, "RGGB"])
def test_noise_map_predicts_the_error(cfa: str | None) -> None:
    """Monte Carlo: photon and read noise on a known scene; the error against the noise-free stack."""
    rng = np.random.default_rng(4)
    layout = Layout(64, 64, 1, cfa, 3)
    shifts = rng.uniform(-3, 3, (160, 2))
    clean = [sampled(*s) if cfa is None else raw(*s, cfa) for s in shifts]
    truth = stacked(layout, clean, shifts)
    ratios = []
    for _ in range(3):
        sums, expected = empty(layout), wide_open(layout, np.float32)
        for index, (frame, shift) in enumerate(zip(clean, shifts, strict=True)):
            noisy = (rng.poisson(frame / 0.2) * 0.2 + rng.normal(0, 1.5, frame.shape)).astype(np.float32)
            add(sums, layout, noisy, index // 4 % 2, (shift[0], shift[1]), 1.0, 1.0, expected)
        stack = make_stack(sums, layout, expected, 1.0, {})
        assert stack.noise is not None
        pull = (stack.data - truth) / stack.noise
        ratios.append(np.sqrt((pull[..., 8:-8, 8:-8] ** 2).mean(axis=(-1, -2))))
    assert np.all(np.abs(np.mean(ratios, axis=0) - 1) < 0.2)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
def test_cosmic_rays_and_tracks_vanish(dtype: type) -> None:
    rng = np.random.default_rng(5)
    layout = Layout(64, 64, 1, None, 4)
    shifts = rng.uniform(-2, 2, (60, 2))
    picture, sigma = sampled(0, 0).astype(np.float32), np.full((64, 64), 2.0, np.float32)
    expected = envelope(picture, sigma, layout, dtype, 5.0, 0.03)
    results = []
    for spoilt in (False, True):
        noise = np.random.default_rng(6)
        sums = empty(layout)
        for index, shift in enumerate(shifts):
            frame = sampled(*shift) + noise.normal(0, 2, (64, 64))
            if spoilt and index == 7:
                frame[20, 10:50] = 250
                frame[40:43, 30:32] = 250
            add(sums, layout, np.round(frame).astype(dtype), index % 2, (shift[0], shift[1]), 1.0, 1.0, expected)
        results.append(make_stack(sums, layout, expected, 255.0, {}))
    clean, hit = results
    assert clean.noise is not None
    # What is left of a track of 46 samples is less than half the noise of the stack, anywhere.
    assert np.nanmax(np.abs(hit.data - clean.data) / clean.noise) < 0.6
    assert hit.weight is not None
    assert hit.weight.min() < clean.weight.max()


def test_mosaic_lays_colours_by_parity() -> None:
    layout = Layout(4, 4, 1, "RGGB", 2)
    picture = np.stack([np.full((4, 4), value, np.float32) for value in (1, 2, 3)])
    laid = mosaic(picture, layout)
    assert laid[0][:2, :2].tolist() == [[1, 2], [2, 3]]
    assert laid[3][:2, :2].tolist() == [[3, 2], [2, 1]]
