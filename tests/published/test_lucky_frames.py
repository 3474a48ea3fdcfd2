"""Simulated air against what is published of lucky short exposures: how often they come, and how much they gain."""

from __future__ import annotations

import numpy as np
import pytest
import scipy

from nightmill.testing.screens import REFERENCE_WAVELENGTH_M, make_screen

SAMPLES = 32
APERTURE_M = 1.0
Y, X = np.mgrid[:SAMPLES, :SAMPLES] - (SAMPLES - 1) / 2
INSIDE = np.hypot(Y, X) <= SAMPLES / 2


@pytest.fixture(scope="module")
def wavefronts() -> np.ndarray:
    """Return phases over a round aperture of D/r0 = 1, radians; each screen is crossed some hundred times."""
    rng = np.random.default_rng(78)
    drawn = []
    for _ in range(10):
        screen = make_screen(APERTURE_M, APERTURE_M / SAMPLES, 512, rng)
        # On the screen's own samples: interpolation would smooth.
        corners = rng.integers(0, 512, (320, 2)) * (APERTURE_M / SAMPLES)
        drawn += [screen.sample((float(y), float(x)), APERTURE_M / SAMPLES, SAMPLES) for y, x in corners]
    return np.stack(drawn) * (2 * np.pi / REFERENCE_WAVELENGTH_M)


def straight(phases: np.ndarray) -> np.ndarray:
    """Return phases on the aperture without their mean and their tilt."""
    values = phases[:, INSIDE].astype(np.float64)
    design = np.stack([np.ones(INSIDE.sum()), Y[INSIDE], X[INSIDE]], axis=1)
    return values - values @ design @ np.linalg.pinv(design)


@pytest.mark.parametrize(("ratio", "share"), [(3.0, 0.765), (4.0, 0.334), (5.0, 0.0938), (6.0, 0.01915), (7.0, 0.0029)])
def test_share_of_lucky_frames(wavefronts, ratio, share):
    """Fried 1978, J. Opt. Soc. Am. 68, 1651, doi:10.1364/JOSA.68.001651, table 1 (from memory).

    A frame is lucky when its wavefront, tilt taken out, is flat to 1 radian rms. About 5.6 exp(-0.1557 (D/r0)^2).
    """
    variance = straight(wavefronts).var(axis=1) * ratio ** (5 / 3)
    found = float(np.mean(variance < 1))
    # 3200 draws that overlap: chance, and a table that is itself a simulation.
    assert found == pytest.approx(share, rel=0.25, abs=3 * np.sqrt(share / len(variance)))


def test_gain_of_the_best_frames_at_d_over_r0_of_7(wavefronts):
    """Law, Mackay & Baldwin 2006, A&A 446, 739, doi:10.1051/0004-6361:20053695 (from memory).

    Near D/r0 = 7 the best 1 % of the frames, put upon each other by their brightest speckle, showed images some four
    times as sharp as the long exposure, and even all of them some two times, through finite pixels and exposures:
    frozen frames gain at least that, and no more than diffraction allows: 0.98 D/r0 over 1.03 (Fried 1966).
    """
    size = 4 * SAMPLES
    phases = wavefronts[::4] * np.float32(7.0 ** (5 / 6))
    waves = np.where(INSIDE, np.exp(1j * phases), 0).astype(np.complex64)
    light = np.abs(scipy.fft.fft2(waves, s=(size, size))) ** 2 / (INSIDE.sum() * size) ** 2
    long_exposure = light.mean(axis=0)
    peak = light.reshape(len(light), -1).max(axis=1)
    order = np.argsort(peak)[::-1]

    def stacked(share: float) -> np.ndarray:
        total = np.zeros((size, size))
        for index in order[: round(share * len(order))]:
            top = np.unravel_index(int(light[index].argmax()), light[index].shape)
            total += np.roll(light[index], (-int(top[0]), -int(top[1])), (0, 1))
        return total / round(share * len(order))

    def width(spread: np.ndarray, middle: tuple[int, int]) -> float:
        """Return the full width at half maximum of the mean profile, pixels."""
        rows, columns = np.fft.fftfreq(size, 1 / size)[:, None], np.fft.fftfreq(size, 1 / size)[None, :]
        ring = np.hypot(rows, columns).round().astype(int).ravel()
        turned = np.roll(spread, (-middle[0], -middle[1]), (0, 1))
        profile = np.bincount(ring, turned.ravel()) / np.bincount(ring)
        below = int(np.argmax(profile < profile[0] / 2))
        part = (profile[below - 1] - profile[0] / 2) / (profile[below - 1] - profile[below])
        return 2 * (below - 1 + part)

    # The long exposure is centred on the mean tilt, which over so many draws is none.
    wide = width(long_exposure, (0, 0))
    gains = [wide / width(stacked(share), (0, 0)) for share in (0.01, 0.1, 1.0)]
    peaks = [float(stacked(share)[0, 0] / long_exposure[0, 0]) for share in (0.01, 0.1, 1.0)]
    assert 4.0 < gains[0] < 1.1 * 0.98 * 7.0 / 1.03
    assert gains[0] >= gains[1] >= gains[2] > 2.0
    # A lucky frame, flat to 1 radian, keeps exp(-1) of its peak (Marechal); the long exposure 1 / (1 + (D/r0)^2).
    assert 0.5 * np.exp(-1) * (1 + 7.0**2) < peaks[0] < 1.3 * np.exp(-1) * (1 + 7.0**2)
    assert peaks[0] > 1.2 * peaks[1] > 1.2 * 1.2 * peaks[2]
