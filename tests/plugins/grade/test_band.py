"""Sharpness in a band: noise, brightness and impulses must not count, blur must."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.stats import spearmanr

from nightmill_stages.grade.band import Band, respond, response_gain, sharpness
from nightmill_stages.grade.noise import noise_line


def texture(size: int = 128, seed: int = 1) -> np.ndarray:
    """A scene with detail at all scales around a mean of 100."""
    rng = np.random.default_rng(seed)
    total = np.zeros((size, size), np.float32)
    for sigma in (1.5, 3, 6):
        layer = cv2.GaussianBlur(rng.normal(0, 1, (size, size)).astype(np.float32), (0, 0), sigma)
        total += layer / layer.std()
    return (100 + 8 * total).astype(np.float32)


def test_white_noise_alone_has_no_sharpness_left() -> None:
    rng = np.random.default_rng(2)
    gain = response_gain(1.0, 2.0)
    band = Band(1.0, 2.0, read_variance=gain * 9.0)
    values = [sharpness(rng.normal(100, 3, (128, 128)).astype(np.float32), band, 100.0) for _ in range(20)]
    plain = Band(1.0, 2.0)
    uncorrected = sharpness(rng.normal(100, 3, (128, 128)).astype(np.float32), plain, 100.0)
    # Reflected borders and the floor at zero leave a few per cent of what noise alone would have claimed.
    assert np.mean(values) < 0.08 * uncorrected


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
def test_ranks_blur_despite_noise_and_brightness(dtype: type) -> None:
    rng = np.random.default_rng(3)
    scene = texture()
    band = Band(1.0, 2.0, read_variance=response_gain(1.0, 2.0) * 9.0)
    blurs = rng.uniform(0.5, 2.5, 60)
    brightness = rng.uniform(0.6, 1.4, 60)
    values = []
    for blur, bright in zip(blurs, brightness, strict=True):
        frame = cv2.GaussianBlur(scene, (0, 0), blur) * bright + rng.normal(0, 3, scene.shape)
        values.append(sharpness(np.clip(frame, 0, 255).astype(dtype), band, 100.0 * bright))
    assert spearmanr(blurs, values)[0] < -0.98


def test_a_cosmic_ray_does_not_make_a_frame_sharp() -> None:
    rng = np.random.default_rng(4)
    scene = cv2.GaussianBlur(texture(), (0, 0), 2.0) + rng.normal(0, 2, (128, 128)).astype(np.float32)
    response = np.abs(respond(scene, 1.0, 2.0))
    band = Band(1.0, 2.0, limit=1.5 * float(np.percentile(response, 99.95)) / 100)
    clean = sharpness(scene, band, 100.0)
    hit = scene.copy()
    hit[40, 40:46] = 255
    hit[70:73, 80:82] = 255
    assert sharpness(hit, band, 100.0) < 1.05 * clean


def test_noise_line_recovers_read_and_photon_noise() -> None:
    """Poisson plus Gaussian noise of known strength on a smooth ramp: variance = 4 + 0.5 x brightness."""
    rng = np.random.default_rng(5)
    ramp = np.tile(np.linspace(10, 200, 200), (160, 1))
    frames = [rng.poisson(ramp / 0.5) * 0.5 + rng.normal(0, 2, ramp.shape) for _ in range(8)]
    offset, slope = noise_line([frame.astype(np.float32) for frame in frames])
    # Some 250,000 samples fix the line to a per cent; the cut of the tail may bias it by some more.
    assert slope == pytest.approx(0.5, rel=0.05)
    assert offset == pytest.approx(4.0, abs=1.0)
