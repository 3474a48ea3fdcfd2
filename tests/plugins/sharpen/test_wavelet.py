"""The wavelet transform: exact reconstruction, known noise, thresholds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightmill_stages.sharpen.wavelet import (
    decompose,
    layer_transfer,
    most_layers,
    recompose,
    shrink,
    white_noise_factors,
)


@settings(max_examples=20, deadline=None)
@given(st.integers(9, 70), st.integers(9, 70), st.integers(0, 1000), st.sampled_from([np.float32, np.float64]))
def test_layers_add_up_to_the_picture(height, width, seed, kind):
    picture = np.random.default_rng(seed).normal(size=(height, width)).astype(kind)
    picture.flags.writeable = False
    details, rest = decompose(picture, most_layers(picture.shape))
    again = recompose(details, rest)
    assert again.dtype == kind
    # Each of a handful of additions rounds once, at values of up to about 5.
    assert np.abs(again - picture).max() <= 40 * np.finfo(kind).eps


def test_noise_of_layers_is_the_published_one():
    # Starck & Murtagh, Astronomical Image and Data Analysis: table of the standard deviations of the layers for
    # Gaussian noise of 1 and the B3 spline in two dimensions; found there by simulation, so its third digit is loose.
    published = [0.889, 0.200, 0.086, 0.041, 0.020]
    np.testing.assert_allclose(white_noise_factors(5), published, atol=2e-3)


def test_noise_of_layers_is_measured_on_noise():
    noise = np.random.default_rng(3).normal(size=(512, 512))
    details, _ = decompose(noise, 3)
    np.testing.assert_allclose(details.std(axis=(1, 2)), white_noise_factors(3), rtol=0.03)


@pytest.mark.parametrize("level", [0, 1, 2])
def test_layer_transfer_is_what_the_layer_does_to_a_wave(level):
    x = np.arange(512)
    for frequency in (0.02, 0.07, 0.2, 0.35):
        wave = np.tile(np.cos(2 * np.pi * frequency * x), (64, 1))
        details, _ = decompose(wave, 3)
        middle = slice(100, 400)
        factor = (details[level][32, middle] * wave[32, middle]).sum() / (wave[32, middle] ** 2).sum()
        assert factor == pytest.approx(float(layer_transfer(np.array(frequency), level)), abs=2e-3)


def test_shrink_is_zero_in_the_noise_and_gentle_far_above():
    detail = np.array([[-2.9, 0.0, 2.9, 30.0, -30.0]])
    out = shrink(detail, 1.0, 3.0)
    assert (out[0, :3] == 0).all()
    np.testing.assert_allclose(out[0, 3:], detail[0, 3:] * (1 - 0.01))


def test_too_many_layers_are_refused():
    with pytest.raises(ValueError, match="layers"):
        decompose(np.zeros((20, 20)), 9)
