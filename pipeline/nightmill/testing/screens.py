"""Phase screens of the turbulent air, as optical path differences that the wind carries over the telescope.

A screen is a sum of plane waves with random amplitudes: the fine ones on an FFT grid (periodic), the coarse ones,
longer than the grid, as sub-harmonics that are evaluated where they are needed and therefore never repeat.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

__all__ = ["REFERENCE_WAVELENGTH_M", "Screen", "make_screen"]

REFERENCE_WAVELENGTH_M = 500e-9
"""Wavelength at which r0 is stated."""

Float = NDArray[np.float32]
_NEAR = 4  # FFT waves up to this index get the power of their cell instead of the spectrum at their frequency


@dataclass(frozen=True)
class Screen:
    """One frozen layer of turbulence.

    Attributes
    ----------
    path_m : ndarray of shape (n, n), float32
        Optical path difference of the FFT part, metres; periodic.
    pitch_m : float
        Distance of its samples, metres.
    waves : ndarray of shape (2, k), float64
        Frequencies (row, column) of the sub-harmonics, cycles per metre.
    amplitudes_m : ndarray of shape (k,), complex128
        Their complex amplitudes, metres.
    """

    path_m: Float
    pitch_m: float
    waves: NDArray[np.float64]
    amplitudes_m: NDArray[np.complex128]

    def sample(self, origin_m: tuple[float, float], step_m: float, count: int) -> Float:
        """Return the path difference on a square of points.

        Parameters
        ----------
        origin_m : tuple of float
            Row and column position of the first point, metres; any size, the screen goes on for ever.
        step_m : float
            Distance of the points, metres.
        count : int
            Points a side; the square should span far less than the periodic part.

        Returns
        -------
        ndarray of shape (count, count), float32
            Optical path difference, metres.
        """
        size = self.path_m.shape[0]
        scale = step_m / self.pitch_m
        # Wrapped in double precision first: float32 coordinates far out would be too coarse.
        row, column = ((v / self.pitch_m) % size for v in origin_m)
        matrix = np.array([[scale, 0, column], [0, scale, row]], dtype=np.float64)
        fine = cv2.warpAffine(
            self.path_m,
            matrix,
            (count, count),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_WRAP,
        )
        # Sub-harmonics are at least three grids long: over a pupil of a tenth of the grid or less their second-order
        # expansion is good to a thousandth of a wavelength, and it needs no matrix product, whose library threads
        # would get in the way of ours.
        reach = step_m * (count - 1) / 2
        at = self.amplitudes_m * np.exp(
            2j * np.pi * (self.waves[0] * (origin_m[0] + reach) + self.waves[1] * (origin_m[1] + reach))
        )
        turn_y, turn_x = 2 * np.pi * self.waves[0], 2 * np.pi * self.waves[1]
        line = np.linspace(-reach, reach, count)
        y, x = line[:, None], line[None, :]
        coarse = (
            at.real.sum()
            - (at.imag * turn_y).sum() * y
            - (at.imag * turn_x).sum() * x
            - 0.5 * (at.real * turn_y**2).sum() * y**2
            - 0.5 * (at.real * turn_x**2).sum() * x**2
            - (at.real * turn_y * turn_x).sum() * y * x
        )
        return np.asarray(fine + coarse, dtype=np.float32)

    def coarse_slope(self, rows_m: NDArray[np.float64], columns_m: NDArray[np.float64]) -> tuple[Float, Float]:
        """Return the slope (row, column; metres per metre) of the sub-harmonics on a grid of positions.

        `rows_m` (r,) and `columns_m` (c,) are positions in metres; both results have shape (r, c).
        """
        rows = np.exp(2j * np.pi * rows_m[:, None] * self.waves[0][None, :])
        columns = np.exp(2j * np.pi * self.waves[1][:, None] * columns_m[None, :])
        slopes = []
        for axis in range(2):
            weight = self.amplitudes_m * (2j * np.pi * self.waves[axis])
            slopes.append(np.einsum("rk,kc->rc", rows * weight, columns).real.astype(np.float32))
        return slopes[0], slopes[1]


def make_screen(
    r0_m: float,
    pitch_m: float,
    size: int,
    rng: np.random.Generator,
    *,
    outer_scale_m: float = np.inf,
    levels: int = 7,
) -> Screen:
    """Draw a screen of Kolmogorov (or von Kármán) turbulence.

    Parameters
    ----------
    r0_m : float
        Fried parameter at 500 nm, metres.
    pitch_m : float
        Distance of the samples, metres.
    size : int
        Samples a side of the periodic part.
    rng : numpy.random.Generator
        Source of randomness.
    outer_scale_m : float, optional
        Outer scale L0 of von Kármán's spectrum, metres; infinite gives Kolmogorov's.
    levels : int, optional
        Levels of sub-harmonics, each three times coarser than the one before.

    Returns
    -------
    Screen
        The layer.

    Notes
    -----
    Phase spectrum 0.0229 r0^(-5/3) (f^2 + L0^-2)^(-11/6), f in cycles per metre (Noll 1976, doi:10.1364/JOSA.66.000207;
    Roddier 1981, doi:10.1016/S0079-6638(08)70204-X). Sub-harmonics after Lane, Glindemann & Dainty 1992,
    doi:10.1088/0959-7174/2/3/003. The spectrum is steep: waves near the origin get the power that gives their whole
    cell's share of the structure function at short distances (the integral of f^2 times the spectrum), without which
    the structure function falls some 10 % short. The phase structure function of an infinite Kolmogorov screen is
    6.88 (r / r0)^(5/3) (Fried 1966, doi:10.1364/JOSA.56.001372).
    """
    floor = 0.0 if np.isinf(outer_scale_m) else 1 / outer_scale_m
    to_metres = REFERENCE_WAVELENGTH_M / (2 * np.pi)
    strength = 0.0229 * r0_m ** (-5 / 3)
    step = 1 / (size * pitch_m)
    fy = scipy.fft.fftfreq(size, pitch_m).astype(np.float32)[:, None]
    fx = scipy.fft.rfftfreq(size, pitch_m).astype(np.float32)[None, :]
    square = fy * fy + fx * fx + np.float32(floor**2)
    square[0, 0] = 1.0
    # The transform of real white noise has the Hermitian symmetry a real screen needs; its power is size**2 per bin.
    white = scipy.fft.rfft2(rng.standard_normal((size, size), dtype=np.float32), workers=2)
    spectrum = white * (square ** np.float32(-11 / 12)) * np.float32(np.sqrt(strength) * step * size * to_metres)
    spectrum[0, 0] = 0.0
    near = range(-_NEAR, _NEAR + 1)
    for i in near:
        for j in range(_NEAR + 1):
            if i or j:
                spectrum[i, j] *= np.float32(np.sqrt(_cell_power(i, j, step, floor) / _point_power(i, j, step, floor)))
    path = scipy.fft.irfft2(spectrum, s=(size, size), workers=2).astype(np.float32)
    waves, amplitudes = [], []
    for level in range(1, levels + 1):
        fine = step / 3**level
        for i in (-1, 0, 1):
            for j in (-1, 0, 1):
                if i or j:
                    power = strength * _cell_power(i, j, fine, floor)
                    draw = rng.standard_normal() + 1j * rng.standard_normal()
                    waves.append((i * fine, j * fine))
                    amplitudes.append(draw * np.sqrt(power) * to_metres)
    return Screen(path, pitch_m, np.array(waves).T.reshape(2, -1), np.array(amplitudes, dtype=np.complex128))


def _point_power(i: int, j: int, step: float, floor: float) -> float:
    """Power of the wave (i, j) by the spectrum at its frequency times the area of its cell, without strength."""
    return float(((i * i + j * j) * step**2 + floor**2) ** (-11 / 6) * step**2)


def _cell_power(i: int, j: int, step: float, floor: float) -> float:
    """Power of the wave (i, j) that keeps the integral of f^2 times the spectrum over its cell, without strength."""
    sub = (np.arange(24) + 0.5) / 24 - 0.5
    square = ((i + sub)[:, None] ** 2 + (j + sub)[None, :] ** 2) * step**2
    mean = float((square * (square + floor**2) ** (-11 / 6)).mean())
    return mean / ((i * i + j * j) * step**2) * step**2
