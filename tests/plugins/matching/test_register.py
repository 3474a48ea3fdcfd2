"""Registration of channels against known offsets, an independent library and a real lunar picture."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from nightmill_stages.matching.register import Offset, find_offset, move

from .planets import planet

# Goal of the project: channels registered to 0.1 px rms. Limb darkening is that of a red and a blue picture of a giant
# (Minnaert exponents 0.9 and 0.65), contrast in blue is a quarter, blur is worse, and both filters see spots that the
# other does not.
CASES = {
    "full disc": {"phase": 0.0},
    "jupiter at its largest phase": {"phase": 0.2},
    "mars with a bright cap in blue": {"phase": 0.35, "flat": 0.006, "cap": 0.8},
    "ringed": {"phase": 0.1, "ring": 0.35},
}


@pytest.mark.parametrize("case", CASES)
def test_blue_against_red_within_a_tenth_of_a_pixel(case):
    options = dict(CASES[case])
    cap = options.pop("cap", 0.0)
    radius, size = (30.0, 150) if "ring" in options else (40.0, 112)
    errors = []
    for seed in range(4):
        offset = np.random.default_rng(seed).uniform(-4.0, 4.0, 2)
        middle = size / 2.0
        red = planet(size, (middle, middle), radius, limb=0.9, noise=0.004, seed=seed, own_spots=100 + seed, **options)
        blue = planet(
            size,
            (middle + offset[0], middle + offset[1]),
            radius,
            limb=0.65,
            belts=0.05,
            spots=-0.05,
            own_spots=200 + seed,
            cap=cap,
            blur=1.8,
            gain=0.25,
            noise=0.004,
            seed=50 + seed,
            **options,
        )
        found = find_offset(red, blue)
        assert found.fit > 0.5
        errors.append((found.dy_px - offset[0], found.dx_px - offset[1]))
    rms = np.sqrt(np.mean(np.square(errors), axis=0))
    assert rms.max() < 0.1, rms


def test_offset_against_the_analytic_case():
    # A Gaussian is known everywhere without sampling error, so only arithmetic is left; without noise 0.01 px is
    # twice the finest step of the peak search.
    y, x = np.mgrid[:64, :72].astype(float)
    first = np.exp(-((y - 30.0) ** 2 + (x - 33.0) ** 2) / 50.0)
    second = 0.3 + 0.2 * np.exp(-((y - 33.37) ** 2 + (x - 30.62) ** 2) / 50.0)
    found = find_offset(first.astype(np.float32), second.astype(np.float32))
    assert found.dy_px == pytest.approx(3.37, abs=0.01)
    assert found.dx_px == pytest.approx(-2.38, abs=0.01)


def test_lunar_surface_against_scikit_image():
    # The lunar picture that scikit-image ships; its own registration of the same pictures is the reference. Both see
    # noise of 1 %, so they may differ by their summed errors.
    data = pytest.importorskip("skimage.data")
    registration = pytest.importorskip("skimage.registration")
    moon = data.moon()[150:406, 150:406].astype(np.float64) / 255.0
    shifted = ndimage.shift(ndimage.gaussian_filter(moon, 1.4), (5.3, -7.6), order=5, mode="nearest")
    rng = np.random.default_rng(1)
    first = ndimage.gaussian_filter(moon, 1.0) + 0.01 * rng.standard_normal(moon.shape)
    second = 0.4 * shifted + 0.005 * rng.standard_normal(moon.shape)
    found = find_offset(first.astype(np.float32), second.astype(np.float32))
    assert (found.dy_px, found.dx_px) == pytest.approx((5.3, -7.6), abs=0.1)
    windowed = [p * np.outer(np.hanning(256), np.hanning(256)) for p in (second - second.mean(), first - first.mean())]
    reference, *_ = registration.phase_cross_correlation(*windowed, upsample_factor=50, normalization=None)
    assert (found.dy_px, found.dx_px) == pytest.approx(tuple(reference), abs=0.3)


def test_pictures_of_different_size_and_far_apart():
    first = planet(120, (60.0, 50.0), 25.0)
    second = planet(144, (93.25, 101.5), 25.0, noise=0.002)
    found = find_offset(first, second)
    assert (found.dy_px, found.dx_px) == pytest.approx((33.25, 51.5), abs=0.05)


def test_nothing_to_see_has_no_fit():
    flat = np.full((40, 50), 0.2, np.float32)
    assert find_offset(flat, flat) == Offset(0.0, 0.0, 0.0)
    noise = np.random.default_rng(0).standard_normal((2, 80, 80)).astype(np.float32)
    assert find_offset(noise[0], noise[1]).fit < 0.2


def test_missing_data_and_hot_pixels_do_not_disturb():
    first, second = planet(112, (56.0, 56.0), 36.0, noise=0.003), planet(112, (57.2, 54.9), 36.0, noise=0.003, seed=1)
    second = second.copy()
    second[:9, :] = np.nan
    second[70, 20] = 5.0
    found = find_offset(first, second)
    assert (found.dy_px, found.dx_px) == pytest.approx((1.2, -1.1), abs=0.05)


@settings(max_examples=25, deadline=None)
@given(dy=st.floats(-3.0, 3.0), dx=st.floats(-3.0, 3.0))
def test_moving_follows_the_analytic_case(dy, dx):
    # A Gaussian of 2.5 px is sampled well: a quintic spline is good to 0.1 % of it.
    y, x = np.mgrid[:40, :44].astype(float)
    plane = np.exp(-((y - 20.0 - dy) ** 2 + (x - 21.0 - dx) ** 2) / 12.5).astype(np.float32)
    wanted = np.exp(-((y - 20.0) ** 2 + (x - 21.0) ** 2) / 12.5)
    moved = move(plane, Offset(dy, dx, 1.0), plane.shape)
    assert moved.dtype == np.float32
    seen = np.isfinite(moved)
    assert seen.mean() > 0.8
    # Values that left the picture come from its edge value, where the Gaussian is nearly 0.
    np.testing.assert_allclose(moved[seen], wanted[seen], atol=1.5e-3)


def test_whole_pixels_are_copied_and_gaps_stay_gaps():
    plane = np.arange(20, dtype=np.float32).reshape(4, 5)
    plane[1, 1] = np.nan
    moved = move(plane, Offset(1.0, -2.001, 1.0), (4, 5))
    np.testing.assert_array_equal(moved[:3, 2:], plane[1:, :3])
    assert np.isnan(moved[3]).all()
    assert np.isnan(moved[:, :2]).all()
    half = move(planet(40, (20.0, 20.0), 12.0), Offset(0.5, 0.0, 1.0), (40, 40))
    assert np.isfinite(half[:38]).all()
