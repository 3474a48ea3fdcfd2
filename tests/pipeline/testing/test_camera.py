"""The sensor: statistics of the noise, colour filter arrays, pattern, depth and saturation."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats

from nightmill.testing import Camera, Sensor
from nightmill.testing.camera import add_noise, filter_mosaic


@pytest.mark.parametrize("mean", [0.0, 0.5, 3.0, 40.0, 3000.0])
@pytest.mark.parametrize("read", [0.5, 2.0])
def test_noise_has_the_moments_of_poisson_plus_gauss(mean, read):
    """Mean l, variance l + r^2, third central moment l (Poisson's cumulants are all l)."""
    n = 400_000
    normal = np.random.default_rng(1).standard_normal(n, dtype=np.float32)
    noisy = add_noise(np.full(n, mean, np.float32), read, normal).astype(np.float64)
    variance = mean + read**2
    # Five standard errors of each estimate.
    assert noisy.mean() == pytest.approx(mean, abs=5 * np.sqrt(variance / n))
    assert noisy.var() == pytest.approx(variance, rel=5 * np.sqrt(2 / n) + 0.002)
    third = ((noisy - noisy.mean()) ** 3).mean()
    assert third == pytest.approx(mean, abs=5 * np.sqrt(15 / n) * variance**1.5 + 0.03)


def test_noise_quantiles_against_exact_poisson():
    """At thirty electrons, quantiles of drawn Poisson plus Gaussian numbers within a twentieth of a sigma."""
    rng = np.random.default_rng(2)
    n = 300_000
    exact = rng.poisson(30.0, n) + 1.5 * rng.standard_normal(n)
    noisy = add_noise(np.full(n, 30.0, np.float32), 1.5, rng.standard_normal(n, dtype=np.float32))
    at = [0.01, 0.1, 0.5, 0.9, 0.99]
    assert np.quantile(noisy, at) == pytest.approx(np.quantile(exact, at), abs=0.05 * np.sqrt(32.25))


def clean(**changes) -> Camera:
    base = {"dark_e_s": 0.0, "hot_pixels": 0.0, "vignetting": 0.0, "dust": 0, "read_noise_e": 2.0}
    return Camera(**(base | changes))


def test_photon_transfer():
    """Variance against mean of flats is a line whose slope is the gain: Janesick, Photon Transfer, 2007, ch. 5."""
    camera = clean(bits=16, full_well_e=20000.0, offset_adu=500.0)
    sensor = Sensor(camera, (200, 200))
    rng = np.random.default_rng(3)
    means, variances = [], []
    for level in (0.05, 0.2, 0.4, 0.6):
        a, b = (sensor.expose(sensor.flat_light(level), rng)[0].astype(float) for _ in range(2))
        means.append((a.mean() + b.mean()) / 2 - 500)
        variances.append((a - b).var() / 2)
    line = scipy.stats.linregress(means, variances)
    assert line.slope == pytest.approx(sensor.adu_per_e, rel=0.02)


def test_filter_arrays_are_named_by_their_first_rows():
    """CFAPattern convention of TIFF/EP and DNG: colours in reading order."""
    planes = np.stack([np.full((4, 4), float(k), np.float32) for k in range(3)])
    for pattern in ("RGGB", "GRBG", "GBRG", "BGGR"):
        mosaic = filter_mosaic(planes, pattern)
        assert "".join("RGB"[int(v)] for v in mosaic[:2, :2].ravel()) == pattern
        assert np.array_equal(mosaic[2:, 2:], mosaic[:2, :2])


def test_depth_alignment_and_saturation():
    for bits, dtype in [(8, np.uint8), (12, np.uint16), (16, np.uint16)]:
        sensor = Sensor(clean(bits=bits), (32, 32))
        digits, _ = sensor.expose(sensor.flat_light(5.0), np.random.default_rng(0))
        assert digits.dtype == dtype
        assert (digits == 2**bits - 1).all()
    left = Sensor(clean(bits=12, left_aligned=True), (32, 32))
    digits, _ = left.expose(left.flat_light(0.5), np.random.default_rng(0))
    assert (digits % 16 == 0).all()
    assert digits.max() > 4095


def test_the_same_camera_has_the_same_pattern():
    one, two = (Sensor(Camera(serial=5, hot_pixels=1e-2), (64, 80)) for _ in range(2))
    other = Sensor(Camera(serial=6, hot_pixels=1e-2), (64, 80))
    assert np.array_equal(one.flat, two.flat)
    assert np.array_equal(one.hot, two.hot)
    assert not np.array_equal(one.hot, other.hot)
    rng = np.random.default_rng(1)
    dark = np.mean([one.expose(one.flat_light(0.0), rng)[0] for _ in range(30)], axis=0)
    assert dark[one.hot].mean() > dark[~one.hot].mean() + 1


def test_cosmic_rays_are_bright_and_few():
    sensor = Sensor(clean(), (64, 64))
    digits, hit = sensor.expose(sensor.flat_light(0.1), np.random.default_rng(4), cosmic_rays=5.0)
    assert hit
    assert 1 <= (digits > 70).sum() < 120
