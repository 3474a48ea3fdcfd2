"""Wiener and Richardson-Lucy against closed forms and scikit-image; filters and noise measurement."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.signal import fftconvolve
from skimage import restoration

from nightmill_stages.sharpen.lucy import richardson_lucy
from nightmill_stages.sharpen.signal import Signal, measure_signal, white_noise
from nightmill_stages.sharpen.spectral import apply_transfer, fill_gaps, frequencies
from nightmill_stages.sharpen.wiener import wiener_gain

from .scenes import blob, gaussian_psf

SIGMA = 1.6


def gaussian_transfer(f):
    return np.exp(-2 * (np.pi * SIGMA * f) ** 2)


def flat_signal(noise: float) -> Signal:
    """White scene of power 1 behind a Gaussian blur, in white noise."""
    f = np.linspace(0.0005, 0.71, 1400)
    return Signal(f, gaussian_transfer(f) ** 2 + noise, np.full_like(f, noise), 1.0, None)


def test_filter_is_convolution_with_mirrored_borders():
    picture = np.random.default_rng(1).normal(size=(60, 47))
    expected = gaussian_filter(picture, SIGMA, mode="reflect", truncate=8)
    # A sampled Gaussian of 1.6 pixels differs from its continuous transform by 3e-6 at the highest frequencies.
    np.testing.assert_allclose(apply_transfer(picture, gaussian_transfer), expected, atol=3e-6)


def test_wiener_gain_is_the_closed_form():
    noise, f = 1e-3, np.linspace(0, 0.22, 100)
    gain = wiener_gain(f, gaussian_transfer, flat_signal(noise), 2.0)
    h = gaussian_transfer(f)
    # Rings and their smoothing stand between: a per cent.
    np.testing.assert_allclose(gain, h / (h**2 + noise), rtol=0.012)


def test_wiener_is_that_of_scikit_image():
    noise, scene = 1e-3, blob()
    blurred = fftconvolve(scene, gaussian_psf(SIGMA), mode="same")
    expected = restoration.wiener(blurred, gaussian_psf(SIGMA), noise, reg=np.ones((96, 57), complex), clip=False)
    gain = wiener_gain(frequencies(scene.shape), gaussian_transfer, flat_signal(noise), 2.0)
    # Signal below 5 % is given up here and not there: a weight that hardly changes the picture.
    ours = apply_transfer(blurred, gain)
    inner = np.s_[12:-12, 12:-12]
    assert np.abs(ours - expected)[inner].max() < 0.02
    assert np.abs(ours - scene)[inner].std() < 0.5 * np.abs(blurred - scene)[inner].std()


def test_nothing_beyond_the_cutoff_and_never_more_than_the_inverse():
    f = np.linspace(0, 0.7, 500)
    gain = wiener_gain(f, gaussian_transfer, flat_signal(1e-6), 0.2)
    assert (gain[f >= 0.2] == 0).all()
    assert (gain <= 1 / gaussian_transfer(f) + 1e-9).all()
    none = wiener_gain(f, gaussian_transfer, flat_signal(1e-6), 0.2, strength=0.0)
    assert (none <= 1).all() and none[5] == pytest.approx(1, abs=0.01)


def test_lucy_is_that_of_scikit_image():
    blurred = fftconvolve(blob(), gaussian_psf(SIGMA, 33), mode="same")
    expected = restoration.richardson_lucy(blurred, gaussian_psf(SIGMA, 33), num_iter=12, clip=False)
    start = np.full_like(blurred, 0.5)
    ours = richardson_lucy(blurred, gaussian_transfer(frequencies(blurred.shape)), iterations=12, start=start)
    inner = np.s_[20:-20, 20:-20]
    # Borders are mirrored here and dark there; the middle does not know of it.
    np.testing.assert_allclose(ours.picture[inner], expected[inner], rtol=2e-3, atol=2e-3)


def test_lucy_keeps_flux_is_positive_and_stops_at_the_noise():
    rng = np.random.default_rng(2)
    scene = blob()
    transfer = gaussian_transfer(frequencies(scene.shape))
    noisy = apply_transfer(scene, transfer) + 0.01 * rng.normal(size=scene.shape)
    done = richardson_lucy(noisy, transfer, noise=0.01, iterations=200)
    assert 0 < done.iterations < 200 and done.residual <= 1.0
    assert (done.picture >= 0).all()
    assert done.picture.sum() == pytest.approx(np.maximum(noisy, 0).sum(), rel=0.01)
    error = np.sqrt(np.mean((done.picture - scene) ** 2))
    assert error < 0.7 * np.sqrt(np.mean((noisy - scene) ** 2))
    assert richardson_lucy(noisy, transfer, iterations=3).iterations == 3


def test_lucy_bears_a_blur_that_takes_light_away():
    """A measured transfer that rises again has a spread function with negative parts, on which the iteration breaks."""
    shape = (64, 64)
    f = frequencies(shape)
    transfer = 0.62 + 0.38 * np.exp(-((f / 0.03) ** 2)) - 0.2 * np.exp(-(((f - 0.1) / 0.02) ** 2))
    y, x = np.mgrid[:64, :64] - 31.5
    disc = np.clip(12.5 - np.hypot(y, x), 0, 1)
    picture = (disc + 0.005 * np.random.default_rng(3).normal(size=shape)).astype(np.float32)
    done = richardson_lucy(picture, transfer.astype(np.float32), iterations=100)
    # float32 over 4096 pixels; without care the light overflows.
    assert done.picture.sum() == pytest.approx(np.maximum(picture, 0).sum(), rel=1e-4)
    assert done.picture.max() < 1.5


def test_shared_noise_is_found_beyond_the_cutoff():
    rng = np.random.default_rng(3)
    clean = apply_transfer(rng.normal(size=(200, 200)) * 5, lambda f: np.clip(1 - f / 0.25, 0, 1))
    pattern = 0.1 * rng.normal(size=clean.shape)
    halves = [clean + pattern + 0.1 * np.sqrt(2) * rng.normal(size=clean.shape) for _ in range(2)]
    signal = measure_signal((halves[0] + halves[1]) / 2, *halves, None, 0.25)
    # The halves see 0.01 of the noise's 0.02.
    assert signal.shared == pytest.approx(2.0, rel=0.1)
    np.testing.assert_allclose(signal.noise.mean(), 0.02, rtol=0.1)
    alone = measure_signal((halves[0] + halves[1]) / 2, *halves, None, 0.9)
    assert alone.shared == 1.0


def test_weight_falls_to_zero_at_the_cutoff():
    signal = flat_signal(1e-9)
    assert signal.weight(np.array([0.1]), 0.3)[0] == pytest.approx(1, abs=1e-3)
    assert (signal.weight(np.array([0.3, 0.5]), 0.3) == 0).all()
    assert 0.9 < signal.resolution(0.3) <= 1.0


def test_white_noise_is_measured_under_detail():
    rng = np.random.default_rng(4)
    assert white_noise(blob((200, 200)) * 0.01 + 0.02 * rng.normal(size=(200, 200))) == pytest.approx(0.02, rel=0.03)


def test_gaps_take_their_nearest_neighbour():
    picture = np.arange(12, dtype=np.float32).reshape(3, 4)
    holed = picture.copy()
    holed[0, 0] = np.nan
    assert fill_gaps(holed, np.isfinite(holed))[0, 0] in (1.0, 4.0)
    with pytest.raises(ValueError, match="no usable pixel"):
        fill_gaps(holed, np.zeros((3, 4), bool))
