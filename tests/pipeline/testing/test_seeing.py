"""The physics of the air and the telescope against closed formulas."""

from __future__ import annotations

import erfa
import numpy as np
import pytest
import scipy.special

from nightmill.testing.optics import ARCSEC, dispersion_arcsec, make_pupil
from nightmill.testing.screens import REFERENCE_WAVELENGTH_M, make_screen
from nightmill.testing.seeing import Atmosphere, Layer, Seeing


def test_perfect_psf_is_the_annular_airy_pattern():
    """Born & Wolf, Principles of Optics, 8.6.2: annular aperture, I = [(2J1(v)/v - e^2 2J1(ev)/(ev)) / (1-e^2)]^2."""
    aperture, obstruction, wavelength, scale, size = 0.2, 0.33, 550e-9, 0.07, 256
    pupil = make_pupil(aperture, obstruction, wavelength, scale, size)
    psf = pupil.psf()
    assert psf.sum() == pytest.approx(1, abs=1e-5)
    at = (np.arange(size) - size // 2) * scale * ARCSEC
    v = np.pi * aperture / wavelength * np.hypot(at[:, None], at[None, :]) + 1e-9

    def jinc(x):
        return 2 * scipy.special.j1(x) / x

    airy = ((jinc(v) - obstruction**2 * jinc(obstruction * v)) / (1 - obstruction**2)) ** 2
    middle = (slice(size // 2 - 30, size // 2 + 31),) * 2
    # The pupil is some 30 samples wide with area-weighted edges: a thousandth of the peak.
    assert np.abs(psf / psf.max() - airy)[middle].max() < 1.5e-3
    # Peak for unit energy: area of the aperture / wavelength^2 per steradian. Light scattered beyond the grid (a few
    # hundredths; what area weighting takes from edge samples) is counted as if it stayed.
    area = np.pi * aperture**2 / 4 * (1 - obstruction**2)
    share = np.abs(pupil.amplitude)
    kept = (share**2).sum() / share.sum()
    assert 0.95 < kept < 1
    assert psf.max() * kept == pytest.approx(area / wavelength**2 * (scale * ARCSEC) ** 2, rel=2e-3)


def test_tilted_wavefront_moves_the_image_by_its_slope():
    pupil = make_pupil(0.2, 0.3, 550e-9, 0.12, 128)
    slope = np.array([0.5, -0.8]) * ARCSEC
    line = pupil.corner_m + pupil.step_m * np.arange(pupil.count)
    psf = pupil.psf((slope[0] * line[:, None] + slope[1] * line[None, :]).astype(np.float32))
    peak = np.unravel_index(psf.argmax(), psf.shape)
    assert np.array(peak) - 64 == pytest.approx([round(0.5 / 0.12), round(-0.8 / 0.12)], abs=0)


def test_structure_function_is_kolmogorov():
    """Fried 1966, doi:10.1364/JOSA.56.001372: D(r) = 6.88 (r/r0)^(5/3)."""
    r0, pitch, size = 0.1, 0.01, 256
    distances = np.array([2, 5, 10, 30, 80, 128])
    measured = np.zeros(distances.size)
    draws = 60
    for seed in range(draws):
        screen = make_screen(r0, pitch, size, np.random.default_rng(seed), levels=6)
        # Lines along both axes, sub-harmonics included, evaluated by the slow definition.
        index = np.arange(size) * pitch
        for axis in range(2):
            wave = np.exp(2j * np.pi * np.outer(index, screen.waves[axis])) @ screen.amplitudes_m
            path = (screen.path_m[:, 0] if axis == 0 else screen.path_m[0]) + wave.real
            phase = path * (2 * np.pi / REFERENCE_WAVELENGTH_M)
            measured += [np.mean((phase[d:] - phase[:-d]) ** 2) / (2 * draws) for d in distances]
    expected = 6.88 * (distances * pitch / r0) ** (5 / 3)
    # 120 lines; the long distances have a spread of some 12 % of their own.
    assert measured == pytest.approx(expected, rel=0.3)
    assert np.mean(measured / expected) == pytest.approx(1, abs=0.12)


def test_sampling_agrees_with_the_slow_definition():
    rng = np.random.default_rng(8)
    screen = make_screen(0.1, 0.004, 512, rng)
    count, step, origin = 40, 0.005, (17.3, -4.2)
    from scipy.ndimage import map_coordinates

    rows = (origin[0] + step * np.arange(count))[:, None] + np.zeros(count)
    columns = (origin[1] + step * np.arange(count))[None, :] + np.zeros((count, 1))
    fine = map_coordinates(
        screen.path_m.astype(float), [rows / 0.004 % 512, columns / 0.004 % 512], order=1, mode="grid-wrap"
    )
    phase = rows[..., None] * screen.waves[0] + columns[..., None] * screen.waves[1]
    slow = fine + (np.exp(2j * np.pi * phase) * screen.amplitudes_m).real.sum(-1)
    found = screen.sample(origin, step, count)
    # Bilinear weights in float32, and a screen of only ten pupils a side for the expansion of the coarse waves.
    assert np.abs(found - slow).max() < 5e-3 * slow.std()


def still_air(r0: float, seed: int = 3, **options) -> Seeing:
    return Seeing(r0_m=r0, outer_scale_m=np.inf, layers=(Layer(1.0, 10.0, 21.0),), wander=0.0, **options)


def test_long_exposure_transfer_is_frieds():
    """Fried 1966: long exposure, exp(-3.44 (lambda f / r0)^(5/3)) times the telescope's own transfer."""
    r0, aperture, wavelength, scale, size = 0.08, 0.2, 500e-9, 0.2, 192
    pupil = make_pupil(aperture, 0.0, wavelength, scale, size)
    mean = np.zeros((size, size))
    moments = 0
    for seed in range(8):
        air = Atmosphere(still_air(r0), aperture, 3.0, seed)
        for time_s in np.arange(0, 300.0, 5.0):
            mean += pupil.psf(air.path_m(pupil, float(time_s)))
            moments += 1
    mean /= moments
    ratio = np.abs(np.fft.rfft2(mean)) / np.abs(np.fft.rfft2(pupil.psf()))
    f = np.fft.rfftfreq(size)
    separation = wavelength * f / (scale * ARCSEC)
    along = (ratio[0] + ratio[: size // 2 + 1, 0]) / 2
    for d in (0.02, 0.04, 0.06):
        k = int(np.argmin(np.abs(separation - d)))
        exponent = -np.log(along[k]) / (3.44 * (separation[k] / r0) ** (5 / 3))
        # 480 moments far apart in time; over 2400 it is 0.97 to 0.98.
        assert exponent == pytest.approx(1, abs=0.1)


def test_tilt_variance():
    """One-axis variance of the Zernike tilt, 0.182 (lambda / D)^2 (D / r0)^(5/3) rad^2.

    Noll 1976, doi:10.1364/JOSA.66.000207: each tilt mode has 0.449 (D/r0)^(5/3) rad^2, and a mode of 1 rad rms,
    2 rho cos(theta), is an angle of 2 lambda / (pi D): 0.449 (2 / pi)^2 = 0.182.
    """
    r0, aperture = 0.1, 0.2
    slopes = []
    pupil = make_pupil(aperture, 0.0, 500e-9, 0.2, 96)
    inside = np.abs(pupil.amplitude) > 0.5
    line = pupil.corner_m + pupil.step_m * np.arange(pupil.count)
    y = (line[:, None] + 0 * line[None, :])[inside]
    for seed in range(14):
        air = Atmosphere(still_air(r0), aperture, 3.0, seed)
        for time_s in np.arange(0, 300.0, 10.0):
            path = air.path_m(pupil, float(time_s))
            for p in (path, path.T):
                values = p[inside]
                slopes.append(((values - values.mean()) * y).sum() / (y**2).sum())
    expected = 0.182 * (500e-9 / aperture) ** 2 * (aperture / r0) ** (5 / 3)
    assert np.mean(np.square(slopes)) == pytest.approx(expected, rel=0.2)  # 420 moments, two axes


def test_bending_agrees_with_the_wavefronts_own_slope():
    """The displacement field at a direction is the mean slope over the pupil seen in that direction."""
    seeing = Seeing(r0_m=0.1, layers=(Layer(1.0, 8.0, 30.0, 5000.0),), wander=0.0)
    air = Atmosphere(seeing, 0.2, 3.0, 1)
    pupil = make_pupil(0.2, 0.0, 500e-9, 0.2, 96)
    inside = np.abs(pupil.amplitude) > 0.5
    angles = np.array([-30.0, 0.0, 25.0])
    field = air.bending_px(angles, angles, 0.7, 0.2)
    for i, a in enumerate(angles):
        for j, b in enumerate(angles):
            path = air.path_m(pupil, 0.7, (float(a), float(b)))
            gy, gx = np.gradient(path, pupil.step_m)
            # Gradients next to the rim look outside: the mean over the inside is good to a few per cent of the rms.
            found = np.array([gy[inside].mean(), gx[inside].mean()]) / (0.2 * ARCSEC)
            assert field[:, i, j] == pytest.approx(found, abs=0.35)
            straight = air.path_m(pupil, 0.7, (float(a), float(b)), straight=True)
            sy, sx = np.gradient(straight, pupil.step_m)
            assert abs(sy[inside].mean()) + abs(sx[inside].mean()) < 0.5 * 0.2 * ARCSEC


def test_frames_close_in_time_are_alike():
    air = Atmosphere(still_air(0.08), 0.2, 3.0, 5)
    pupil = make_pupil(0.2, 0.3, 500e-9, 0.2, 96)

    def likeness(gap: float) -> float:
        pairs = [
            (pupil.psf(air.path_m(pupil, t)).ravel(), pupil.psf(air.path_m(pupil, t + gap)).ravel())
            for t in np.arange(0, 2.0, 0.1)
        ]
        return float(np.mean([np.corrcoef(a, b)[0, 1] for a, b in pairs]))

    # Wind over aperture: 10 m/s carries the air over 0.2 m in 20 ms.
    assert likeness(0.001) > 0.9
    assert likeness(0.001) > likeness(0.01) > likeness(0.1)


@pytest.mark.parametrize("altitude", [25.0, 40.0, 60.0])
@pytest.mark.parametrize("wavelength", [400, 460, 630, 742, 850])
def test_dispersion_against_the_iau_library(wavelength, altitude):
    """ERFA's refco, the IAU SOFA collection's refraction (A tan z + B tan^3 z), in the same dry air."""
    zenith = np.radians(90 - altitude)

    def refraction(nm):
        a, b = erfa.refco(1013.25, 15.0, 0.0, nm / 1000)
        return (a * np.tan(zenith) + b * np.tan(zenith) ** 3) / ARCSEC

    expected = refraction(wavelength) - refraction(530)
    # Edlen's formula of 1953 against a newer one, and no B term here.
    assert dispersion_arcsec(wavelength, 530, altitude) == pytest.approx(expected, rel=0.03)


def test_too_coarse_a_scale_is_refused():
    with pytest.raises(ValueError, match="too coarse"):
        make_pupil(0.2, 0.0, 500e-9, 0.5, 64)
