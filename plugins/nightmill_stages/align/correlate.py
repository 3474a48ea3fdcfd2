"""Shifts between pictures by band-limited plain cross-correlation, to small fractions of a pixel.

The correlation is plain, never normalised by the spectrum's amplitude: on smooth discs phase normalisation amplifies
nothing but noise. Its peak is found on the grid and then refined on the cross spectrum itself by Newton's method, which
converges to the maximum of the continuous correlation, the point that an up-sampled matrix DFT approaches
(Guizar-Sicairos, Thurman & Fienup 2008, Optics Letters 33, 156, doi:10.1364/OL.33.000156).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

__all__ = ["Template", "band_filter", "frequencies", "make_template", "moved", "register", "taper"]

Float = NDArray[np.float32]
Complex = NDArray[np.complex64]


@dataclass(frozen=True)
class Template:
    """A reference, ready for correlation.

    Attributes
    ----------
    spectrum : ndarray of complex64, shape (h, w // 2 + 1)
        Conjugate spectrum of the reference times the band's filter.
    band : ndarray of float32, shape (h, w // 2 + 1)
        The filter, 0 to 1, counted twice where a half-spectrum coefficient stands for two.
    window : ndarray of float32, shape (h, w)
        What pictures are multiplied by beforehand.
    energy : float
        Power of the reference in the band.
    """

    spectrum: Complex
    band: Float
    window: Float
    energy: float

    @property
    def shape(self) -> tuple[int, int]:
        """Shape of the pictures it compares with."""
        return self.window.shape[0], self.window.shape[1]

    def to_state(self) -> dict[str, Any]:
        """Return arrays and numbers that `from_state` takes."""
        return {"spectrum": self.spectrum, "band": self.band, "window": self.window, "energy": self.energy}

    @classmethod
    def from_state(cls, state: dict[str, Any]) -> Template:
        """Rebuild a template."""
        return cls(
            np.asarray(state["spectrum"], np.complex64),
            np.asarray(state["band"], np.float32),
            np.asarray(state["window"], np.float32),
            float(state["energy"]),
        )


def frequencies(shape: tuple[int, int]) -> tuple[Float, Float]:
    """Return the frequencies of `rfft2`, cycles per pixel, as a column (h, 1) and a row (1, w // 2 + 1)."""
    rows = np.fft.fftfreq(shape[0]).astype(np.float32)[:, None]
    columns = np.fft.rfftfreq(shape[1]).astype(np.float32)[None, :]
    return rows, columns


def band_filter(shape: tuple[int, int], low: float, high: float) -> Float:
    """Return a smooth band-pass on the half spectrum: Gaussian roll-offs below `low` and above `high`, cycles/pixel."""
    rows, columns = frequencies(shape)
    square = rows**2 + columns**2
    passed = (1 - np.exp(-square / max(low, 1e-9) ** 2)) * np.exp(-square / high**2)
    return passed.astype(np.float32)


def taper(shape: tuple[int, int], share: float) -> Float:
    """Return a window that falls to zero over `share` of each half axis (raised cosine; 1 is a Hann window)."""

    def axis(length: int) -> NDArray[np.float64]:
        distance = 1 - np.abs((np.arange(length) + 0.5) / length * 2 - 1)
        ramp = np.clip(distance / max(share, 1e-6), 0, 1)
        return 0.5 - 0.5 * np.cos(np.pi * ramp)

    return np.outer(axis(shape[0]), axis(shape[1])).astype(np.float32)


def make_template(spectrum: Complex, band: Float, window: Float) -> Template:
    """Make a template of a reference's half spectrum (already windowed)."""
    doubled = np.full(band.shape[1], 2.0, np.float32)
    doubled[0] = 1.0
    if window.shape[1] % 2 == 0:
        doubled[-1] = 1.0
    weight = band * doubled
    energy = float(np.sum(np.abs(spectrum).astype(np.float64) ** 2 * weight))
    return Template((np.conj(spectrum) * weight).astype(np.complex64), weight, window, energy)


def moved(spectra: Complex, dy: NDArray[np.floating], dx: NDArray[np.floating], shape: tuple[int, int]) -> Complex:
    """Move pictures, given as half spectra (n, h, w // 2 + 1), by fractions of a pixel.

    Returns spectra of pictures g with g(y, x) = f(y + dy, x + dx), circularly.
    """
    rows, columns = frequencies(shape)
    turn_y = np.exp(2j * np.pi * dy[:, None] * rows[None, :, 0]).astype(np.complex64)
    turn_x = np.exp(2j * np.pi * dx[:, None] * columns[0][None, :]).astype(np.complex64)
    return spectra * turn_y[:, :, None] * turn_x[:, None, :]


def register(
    spectra: Complex, template: Template, reach: float | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Find where a reference lies in pictures.

    Parameters
    ----------
    spectra : ndarray of complex64, shape (n, h, w // 2 + 1)
        Half spectra of the pictures, windowed like the template.
    template : Template
    reach : float or None
        Largest shift looked for, in pixels; a quarter of the picture by default.

    Returns
    -------
    dy, dx : ndarray of float64, shape (n,)
        picture(y + dy, x + dx) = reference(y, x), in pixels.
    fit : ndarray of float64, shape (n,)
        Normalised correlation in the band, -1 to 1.
    gain : ndarray of float64, shape (n,)
        Factor by which the reference fits the picture best (least squares in the band).
    """
    height, width = template.shape
    cross = spectra * template.spectrum
    plane = scipy.fft.irfft2(_single(cross, width), s=(height, width), workers=1)
    rows = np.abs(np.fft.fftfreq(height) * height)
    columns = np.abs(np.fft.fftfreq(width) * width)
    limit = min(height, width) / 4 if reach is None else reach
    plane += np.where((rows[:, None] > limit) | (columns[None, :] > limit), -np.inf, 0).astype(np.float32)
    peak = plane.reshape(len(plane), -1).argmax(axis=1)
    dy, dx = np.divmod(peak, width)
    each = np.arange(len(plane))
    y = (
        (dy + height // 2) % height
        - height // 2
        + _vertex(plane[each, dy - 1, dx], plane[each, dy, dx], plane[each, (dy + 1) % height, dx])
    )
    x = (
        (dx + width // 2) % width
        - width // 2
        + _vertex(plane[each, dy, dx - 1], plane[each, dy, dx], plane[each, dy, (dx + 1) % width])
    )
    y, x, value = _climb(cross, y, x, (height, width))
    power = _power(spectra, template.band)
    scale = np.sqrt(np.maximum(power, 1e-30) * max(template.energy, 1e-30))
    return y, x, value / scale, value / max(template.energy, 1e-30)


def _vertex(before: Float, peak: Float, after: Float) -> NDArray[np.float64]:
    """Return the vertex of parabolas through three neighbouring values, -0.5 to 0.5; 0 beside the search's limit."""
    curve = 2.0 * peak - before - after
    good = np.isfinite(curve) & (curve > 0)
    slope = np.where(good, after - before, 0).astype(np.float64)
    return np.clip(slope / (2 * np.where(good, curve, 1)), -0.5, 0.5)


def _single(cross: Complex, width: int) -> Complex:
    """Undo the double count of the half spectrum for the inverse transform."""
    single: Complex = (cross.view(np.float32) * np.float32(0.5)).view(np.complex64)
    single[..., 0] = cross[..., 0]
    if width % 2 == 0:
        single[..., -1] = cross[..., -1]
    return single


def _power(spectra: Complex, band: Float) -> NDArray[np.float64]:
    """Return the sum of |spectrum|^2 times the band for each picture: row by row in float32, then in float64."""
    parts = np.ascontiguousarray(spectra).view(np.float32)
    rows = np.einsum("nij,ij->ni", parts * parts, np.repeat(band, 2, axis=-1))
    return rows.sum(axis=1, dtype=np.float64)


def _waves(place: NDArray[np.float64], omega: NDArray[np.float64]) -> Complex:
    """Return exp(i omega place) and its first two derivatives by place, complex64 (n, frequencies, 3)."""
    phase = place[:, None] * omega[None, :]
    waves = np.empty((*phase.shape, 3), np.complex64)
    cosine, sine = np.cos(phase), np.sin(phase)
    waves.real[..., 0], waves.imag[..., 0] = cosine, sine
    waves.real[..., 1], waves.imag[..., 1] = -omega * sine, omega * cosine
    square = -(omega**2)
    waves.real[..., 2], waves.imag[..., 2] = square * cosine, square * sine
    return waves


def _climb(
    cross: Complex, y: NDArray[np.float64], x: NDArray[np.float64], shape: tuple[int, int]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Climb from parabolic peaks to the maximum of the continuous correlation, at most 0.75 px away."""
    rows, columns = frequencies(shape)
    omega_y = (2 * np.pi * rows[:, 0]).astype(np.float64)
    omega_x = (2 * np.pi * columns[0]).astype(np.float64)
    y0, x0 = y.copy(), x.copy()
    value = np.zeros(len(y))
    for step in range(3):
        # The correlation and its derivatives at (y, x) as two small matrix products on each side.
        inner = np.matmul(cross, _waves(x, omega_x))
        left = np.ascontiguousarray(_waves(y, omega_y).transpose(0, 2, 1))
        c = np.matmul(left, inner).real.astype(np.float64)
        value = c[:, 0, 0]
        if step == 2:
            break
        gy, gx, hyy, hxx, hyx = c[:, 1, 0], c[:, 0, 1], c[:, 2, 0], c[:, 0, 2], c[:, 1, 1]
        determinant = hyy * hxx - hyx**2
        bent = (determinant > 0) & (hyy < 0)
        safe = np.where(bent, determinant, 1.0)
        step_y = np.where(bent, -(hxx * gy - hyx * gx) / safe, 0.0)
        step_x = np.where(bent, -(hyy * gx - hyx * gy) / safe, 0.0)
        y = np.clip(y + np.clip(step_y, -0.5, 0.5), y0 - 0.75, y0 + 0.75)
        x = np.clip(x + np.clip(step_x, -0.5, 0.5), x0 - 0.75, x0 + 0.75)
    return y, x, value
