"""Drops on a finer grid: shares by area, brightness kept, detail beyond the camera's own grid."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightmill_stages.stack.drizzle import drizzle, overlaps
from nightmill_stages.stack.finish import make_fine_stack
from nightmill_stages.stack.model import wide_open
from nightmill_stages.stack.phases import Layout, add, empty


@given(st.floats(-0.5, 0.5), st.integers(1, 3), st.floats(0.1, 1))
def test_shares_of_a_drop_sum_to_one(fraction: float, scale: int, drop: float) -> None:
    shares = overlaps(fraction, scale, drop)
    # Shares below a billionth are left out.
    assert sum(share for _, share in shares) == pytest.approx(1, abs=1e-7)


def test_worked_example() -> None:
    """By hand: at scale 2 a drop of half a pixel at the pixel's middle covers a quarter pixel of each half."""
    assert overlaps(0.0, 2, 0.5) == [(0, pytest.approx(0.5)), (1, pytest.approx(0.5))]
    # Moved up by a quarter of a pixel, it covers the first half pixel exactly.
    assert overlaps(0.25, 2, 0.5) == [(0, pytest.approx(1.0))]


@pytest.mark.parametrize("cfa", [None, "RGGB"])
def test_flat_light_stays_flat(cfa: str | None) -> None:
    rng = np.random.default_rng(1)
    layout = Layout(32, 40, 1, cfa, 4)
    sums, expected = empty(layout), wide_open(layout, np.float32)
    for shift in rng.uniform(-3, 3, (150, 2)):
        add(sums, layout, np.full((32, 40), 77, np.float32), 0, (shift[0], shift[1]), 1.0, 1.0, expected)
    picture, mass, _ = drizzle(sums["sum"][0], sums["weight"][0], sums["moment"][0], expected.centre, layout, 2, 0.7)
    # Where nothing was seen the reference, here zero, stands in: look inside.
    inner = picture[..., 8:-8, 8:-8]
    assert inner == pytest.approx(77, abs=1e-3)
    # All drops that fall are counted: 150 frames on four times as many pixels.
    share = 1.0 if cfa is None else 0.25
    whole = mass if cfa is None else mass[0]
    assert whole[8:-8, 8:-8].mean() == pytest.approx(150 * share / 4, rel=0.02)


def test_detail_beyond_the_cameras_grid_is_resolved() -> None:
    """Waves of 0.7 cycles a camera pixel alias on single frames; twice the scale shows them as they are."""
    rng = np.random.default_rng(2)
    layout = Layout(48, 48, 1, None, 5)
    sums, expected = empty(layout), wide_open(layout, np.float32)
    rows = np.arange(48)[:, None]
    for index, shift in enumerate(rng.uniform(-2, 2, (300, 2))):
        frame = 50 + 20 * np.cos(2 * np.pi * 0.7 * (rows - shift[0])) * np.ones((1, 48))
        add(sums, layout, frame.astype(np.float32), index % 2, (shift[0], shift[1]), 1.0, 1.0, expected)
    stack = make_fine_stack(sums, layout, expected, 2, 0.5, 1.0, {})
    assert stack.data.shape == (96, 96)
    column = stack.data[10:-10, 48] - 50
    fine = (np.arange(96)[10:-10] + 0.5) / 2 - 0.5
    amplitude = 2 * np.abs(np.mean(column * np.exp(2j * np.pi * 0.7 * fine)))
    # Drop and output pixel, both half a camera pixel, each cost sinc(0.35); phases of a fifth cost sinc(0.14).
    assert amplitude == pytest.approx(20 * np.sinc(0.35) ** 2 * np.sinc(0.14), rel=0.1)
