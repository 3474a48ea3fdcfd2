"""Telescope and tabled air against formulas from the literature."""

from __future__ import annotations

import numpy as np
import pytest

from nightmill.artefacts import Picture
from nightmill_sky.optics import modulation_transfer
from nightmill_stages.sharpen.blur import Blur, core_halo, expected_jitter
from nightmill_stages.sharpen.cutoff import fit_cutoff
from nightmill_stages.sharpen.optics import Optics, channel_wavelengths, picture_scale, seen_cutoff, telescope_cutoff
from nightmill_stages.sharpen.signal import measure_signal
from nightmill_stages.sharpen.spectral import apply_transfer, frequencies, uncosine


def test_open_aperture_is_the_textbook_one():
    # Goodman, Introduction to Fourier Optics: transfer of a circular pupil.
    u = np.linspace(0, 1.2, 61)
    inside = np.clip(u, 0, 1)
    expected = 2 / np.pi * (np.arccos(inside) - inside * np.sqrt(1 - inside**2))
    np.testing.assert_allclose(Optics(0.3).transfer(0.3 * u), expected, atol=1e-9)


def test_annular_aperture_is_its_own_autocorrelation():
    n, radius, obstruction = 512, 100.0, 0.33
    y, x = np.mgrid[:n, :n] - n // 2
    r = np.hypot(y, x)
    pupil = ((r <= radius) & (r >= obstruction * radius)).astype(float)
    overlap = np.fft.ifft2(np.abs(np.fft.fft2(pupil)) ** 2).real
    line = overlap[0, :201] / overlap[0, 0]
    # The sampled annulus knows its area to about one part in radius.
    np.testing.assert_allclose(Optics(0.3, obstruction).transfer(0.3 * np.arange(201) / 200), line, atol=0.012)


def test_cutoff_of_a_usual_telescope():
    # 203 mm at 550 nm: lambda/D = 0.5588 arc seconds; with 0.19 arc seconds a pixel 0.34 cycles a pixel.
    assert telescope_cutoff(203.0, 550.0, 0.19) == pytest.approx(0.19 / (550e-9 / 0.203 * 206264.806), rel=1e-6)


def test_scale_comes_from_geometry_then_from_the_night():
    night = {"telescope": {"focal_length_mm": 2030.0, "amplifier": 2.0}, "camera": {"pixel_um": 3.75}}
    picture = Picture(np.zeros((4, 4), np.float32), header={"scale": 2})
    assert picture_scale(picture, night) == pytest.approx(206.264806 * 3.75 / 4060 / 2)
    assert picture_scale(picture.replace(geometry={"scale_arcsec": 0.2}), night) == 0.2
    assert picture_scale(picture, {}) is None


def test_wavelengths_of_channels():
    assert channel_wavelengths(("RGB",), 3, {"G": 540.0}) == [630.0, 540.0, 460.0]
    assert channel_wavelengths(("ir",), 1, {}) == [742.0]
    assert channel_wavelengths((), 1, {}) == [560.0]


@pytest.mark.parametrize("ratio", [1.5, 3.0, 5.0])
def test_mean_of_all_frames_is_the_short_exposure_of_theory(ratio):
    # Fried 1966, doi:10.1364/JOSA.56.001372: mean short exposure, near field. The theory takes tilt out of the
    # wavefront as if the rest were independent of it, which is too dark near the cut-off; the table registers by
    # correlation.
    u = np.linspace(0.05, 0.4, 8)
    theory = np.exp(-3.44 * (ratio * u) ** (5 / 3) * (1 - u ** (1 / 3)))
    np.testing.assert_allclose(Blur(ratio, 1.0).transfer(0.3 * u, 0.3), theory, atol=0.09)


def test_jitter_is_the_tilt_of_theory():
    # Variance of the tilt of one axis 0.182 (D/r0)^(5/3) (lambda/D)^2 (Noll 1976, doi:10.1364/JOSA.66.000207, Zernike
    # tilt). Registration by correlation follows the bright core, which moves a little less or more.
    for ratio in (2.0, 4.0):
        assert expected_jitter(ratio) == pytest.approx(np.sqrt(0.182 * ratio ** (5 / 3)), rel=0.2)


def test_family_is_ordered_and_is_a_core_with_a_halo():
    f = np.linspace(0, 0.3, 61)
    weak, strong = Blur(2.0, 0.2, 0.33), Blur(5.0, 0.2, 0.33)
    few, many = Blur(4.0, 0.1, 0.33), Blur(4.0, 0.8, 0.33)
    assert (weak.transfer(f, 0.3)[1:-3] > strong.transfer(f, 0.3)[1:-3]).all()
    assert few.core > many.core
    for blur in (weak, few, many):
        values = blur.transfer(f, 0.3)
        assert values[0] == 1.0 and (values > 0).all() and (values <= 1).all()
        best = min(
            np.abs(values[:50] - core_halo(f[:50], core, halo)).max()
            for core in np.linspace(0, 1, 41)
            for halo in np.linspace(0.01, 0.12, 45)
        )
        assert best < 0.08


def test_cutoff_is_seen_in_the_spectrum():
    rng = np.random.default_rng(5)
    optics = Optics(0.3, 0.33)
    scene = rng.normal(size=(256, 256))
    clean = apply_transfer(scene, optics.transfer)
    halves = [clean + 0.01 * rng.normal(size=scene.shape) for _ in range(2)]
    cutoff, seen = seen_cutoff(measure_signal((halves[0] + halves[1]) / 2, *halves, None, 0.5))
    assert seen and cutoff == pytest.approx(0.3, rel=0.1)


@pytest.mark.parametrize(("cutoff", "shape"), [(0.22, (160, 160)), (0.36, (160, 160)), (0.36, (240, 320))])
def test_cutoff_follows_from_the_way_the_spectrum_ends(cutoff, shape):
    """Analytic case: noise of power f^-3 through a telescope's own transfer, two halves with white noise."""
    rng = np.random.default_rng(8)
    f = np.maximum(frequencies(shape).astype(float), 0.004)
    passed = modulation_transfer(np.minimum(f / cutoff, 1), 0.25) * f**-1.5
    scene = uncosine(rng.standard_normal(shape) * passed)
    halves = [scene + 3e-3 * scene.std() * rng.standard_normal(shape) for _ in range(2)]
    fit = fit_cutoff([(halves[0], halves[1])], [530.0], 0.25)
    # To some per cent: the sum of two steep unknowns, slope and cut-off; a wrong scale of a fifth must show.
    assert fit.best == pytest.approx(cutoff, rel=0.05)
    assert fit.at(cutoff) + 4 < fit.at(0.8 * cutoff)


def test_air_does_not_raise_the_cutoff():
    """As above behind an obstruction and air, of which the upper half of the band loses less than the lower."""
    rng, shape, cutoff = np.random.default_rng(9), (200, 200), 0.32
    f = np.maximum(frequencies(shape).astype(float), 0.004)
    blur = Blur(5.0, 0.3, 0.33)
    passed = modulation_transfer(np.minimum(f / cutoff, 1), 0.33) * blur.transfer(np.minimum(f, cutoff), cutoff)
    scene = uncosine(rng.standard_normal(shape) * passed * f**-1.5)
    halves = [scene + 4e-3 * scene.std() * rng.standard_normal(shape) for _ in range(2)]
    blind, knowing = (fit_cutoff([(halves[0], halves[1])], [530.0], 0.33, air).best for air in (None, (5.0, 0.3)))
    # Five seeds: 0.318 to 0.323 with the air, 0.332 to 0.342 without.
    assert knowing == pytest.approx(cutoff, rel=0.02)
    assert blind > 1.02 * knowing
