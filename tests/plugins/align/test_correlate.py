"""Registration against analytic shifts and an independent implementation."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import scipy.fft as sf
from skimage.registration import phase_cross_correlation

from nightmill_stages.align.correlate import band_filter, make_template, moved, register, taper
from nightmill_stages.align.reference import build_reference


def gaussian(dy: float, dx: float, sigma: float = 6.0, size: int = 96) -> np.ndarray:
    """A Gaussian, its centre shifted analytically."""
    rows, columns = np.mgrid[:size, :size] - (size - 1) / 2
    return np.exp(-((rows - dy) ** 2 + (columns - dx) ** 2) / (2 * sigma**2)).astype(np.float32)


def texture(size: int = 128, seed: int = 3) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return cv2.GaussianBlur(rng.normal(0, 1, (size, size)).astype(np.float32), (0, 0), 2.5) * 100


def spectra(pictures: list[np.ndarray], window: np.ndarray) -> np.ndarray:
    return sf.rfft2(np.stack(pictures).astype(np.float32) * window, workers=1)


def test_analytic_gaussian() -> None:
    shifts = [(0.0, 0.0), (0.3, -0.7), (5.25, 3.5), (-11.1, 8.9)]
    window = np.ones((96, 96), np.float32)
    template = make_template(spectra([gaussian(0, 0)], window)[0], band_filter((96, 96), 0.015, 0.3), window)
    dy, dx, fit, gain = register(spectra([gaussian(*s) for s in shifts], window), template)
    # Noise-free and band-limited: only float32 and the cut tails of the Gaussian remain.
    assert np.abs(dy - [s[0] for s in shifts]).max() < 2e-3
    assert np.abs(dx - [s[1] for s in shifts]).max() < 2e-3
    assert fit == pytest.approx(1, abs=1e-3)
    assert gain == pytest.approx(1, abs=1e-3)


def test_agrees_with_scikit_image_on_texture() -> None:
    """scikit-image's up-sampled plain cross-correlation (normalization=None) of the same pictures."""
    scene = texture()
    window = np.ones(scene.shape, np.float32)
    rng = np.random.default_rng(5)
    true = rng.uniform(-6, 6, (6, 2))
    base = spectra([scene], window)
    pictures = [sf.irfft2(moved(base, np.array([-y]), np.array([-x]), scene.shape)[0], s=scene.shape) for y, x in true]
    template = make_template(base[0], np.ones_like(base[0].real), window)
    dy, dx, _, _ = register(spectra(pictures, window), template)
    for row, picture in enumerate(pictures):
        other, _, _ = phase_cross_correlation(picture, scene, upsample_factor=100, normalization=None)
        # Theirs is quantised to 0.01 px.
        assert dy[row] == pytest.approx(other[0], abs=0.011)
        assert dx[row] == pytest.approx(other[1], abs=0.011)
    assert np.abs(np.stack([dy, dx], axis=1) - true).max() < 2e-3


def test_noisy_discs_to_a_tenth_of_a_pixel() -> None:
    """Limb-darkened discs with a spot, photon and read noise as at 4,000 electrons full well, unknown shifts."""
    rng = np.random.default_rng(7)
    size, radius = 96, 34.0
    rows, columns = np.mgrid[:size, :size] - (size - 1) / 2

    def frame(dy: float, dx: float) -> np.ndarray:
        r = np.hypot(rows - dy, columns - dx)
        mu = np.sqrt(np.clip(1 - (r / radius) ** 2, 0, 1))
        light = np.where(r < radius, 0.35 + 0.65 * mu, 0)
        light = light * (1 - 0.3 * np.exp(-((rows - dy - 8) ** 2 + (columns - dx + 10) ** 2) / 30))
        light = cv2.GaussianBlur(light, (0, 0), 2.0) * 2800
        electrons = rng.poisson(light) + rng.normal(0, 2, light.shape)
        return np.round(electrons * 255 / 4000 + 4).clip(0, 255).astype(np.float32)

    shifts = rng.uniform(-2, 2, (60, 2))
    boxes = np.stack([frame(*shift) for shift in shifts])
    window = taper((size, size), 0.1)
    _, dy, dx, fit = build_reference(boxes, np.full(60, 4.0), window, seed=False)
    found = np.stack([dy, dx], axis=1)
    error = (found - found.mean(axis=0)) - (shifts - shifts.mean(axis=0))
    assert np.sqrt((error**2).mean()) < 0.1
    assert fit.min() > 0.9


def test_one_frame_with_a_cosmic_ray_does_not_spoil_the_reference() -> None:
    rng = np.random.default_rng(9)
    shifts = rng.uniform(-1, 1, (20, 2))
    boxes = np.stack([1000 * gaussian(*s, sigma=12) for s in shifts]) + rng.normal(0, 5, (20, 96, 96))
    boxes[4, 30:33, 60:64] = 20000
    window = taper((96, 96), 0.1)
    _, dy, dx, _ = build_reference(boxes.astype(np.float32), np.zeros(20), window, seed=False)
    others = np.arange(20) != 4
    error = np.stack([dy, dx], axis=1)[others] - shifts[others]
    # A wide smooth Gaussian at this noise is known to a few hundredths of a pixel.
    assert np.abs(error - error.mean(axis=0)).max() < 0.15


def test_moved_is_the_shift_theorem() -> None:
    picture = gaussian(0, 0)
    window = np.ones_like(picture)
    got = sf.irfft2(moved(spectra([picture], window), np.array([1.5]), np.array([-2.25]), picture.shape)[0])
    assert np.abs(got - gaussian(-1.5, 2.25)).max() < 1e-5
