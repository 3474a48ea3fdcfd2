"""What a telescope does to a point of light: pupil, instantaneous and perfect point-spread functions, dispersion.

All grids are square, in float32; the point-spread function is centred on pixel (n // 2, n // 2) and sums to 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

__all__ = ["ARCSEC", "Pupil", "dispersion_arcsec", "make_pupil"]

ARCSEC = np.pi / 648000
"""One arc second in radians."""

Float = NDArray[np.float32]


@dataclass(frozen=True)
class Pupil:
    """An annular aperture sampled for one wavelength and one angular scale.

    Attributes
    ----------
    amplitude : ndarray of shape (m, m), float32
        Transmission; edge samples carry the share of their area. Signs alternate, which moves the centre of the
        point-spread function to the middle of its grid.
    step_m : float
        Distance of the samples, metres.
    size : int
        Side n of the point-spread function's grid.
    wavelength_m : float
        Wavelength.
    """

    amplitude: Float
    step_m: float
    size: int
    wavelength_m: float

    @property
    def count(self) -> int:
        """Samples a side."""
        return int(self.amplitude.shape[0])

    @property
    def corner_m(self) -> float:
        """Position of the first sample relative to the axis, metres; the same in rows and columns."""
        return -0.5 * (self.count - 1) * self.step_m

    def psf(self, path_m: Float | None = None) -> Float:
        """Return the point-spread function behind the given path differences.

        Parameters
        ----------
        path_m : ndarray of shape (m, m), float32, optional
            Optical path difference over the pupil, metres; None is the perfect telescope.

        Returns
        -------
        ndarray of shape (n, n), float32
            Sums to 1. A slope of the path towards larger columns moves the light to larger columns.
        """
        field: NDArray[np.complex64] = self.amplitude.astype(np.complex64)
        if path_m is not None:
            phase = path_m * np.float32(2 * np.pi / self.wavelength_m)
            field = np.empty(self.amplitude.shape, np.complex64)
            np.multiply(self.amplitude, np.cos(phase), out=field.real)
            np.multiply(self.amplitude, np.sin(phase), out=field.imag)
        # The forward transform peaks at +k for exp(+2 pi i k x), which is the sign promised above. Rows beyond the
        # pupil are zero: transforming along the columns' axis first touches only the rows that hold light.
        rows = scipy.fft.fft(field, n=self.size, axis=1)
        wave = scipy.fft.fft(rows, n=self.size, axis=0, overwrite_x=True)
        light = wave.real**2 + wave.imag**2
        return np.asarray(light / (light.sum(dtype=np.float64)), dtype=np.float32)


def make_pupil(
    aperture_m: float, obstruction: float, wavelength_m: float, scale_arcsec: float, size: int, *, fine: int = 16
) -> Pupil:
    """Sample an annular pupil.

    Parameters
    ----------
    aperture_m : float
        Diameter, metres.
    obstruction : float
        Diameter of the central obstruction as a share of the aperture, 0-1.
    wavelength_m : float
        Wavelength, metres.
    scale_arcsec : float
        Pixel of the point-spread function, arc seconds; at most wavelength / (2 aperture).
    size : int
        Side of the point-spread function's grid in pixels, even.
    fine : int, optional
        Sub-samples a side for the share of area in edge samples.

    Returns
    -------
    Pupil
        The pupil.

    Raises
    ------
    ValueError
        If the scale is too coarse for the point-spread function's band.
    """
    step = wavelength_m / (size * scale_arcsec * ARCSEC)
    if aperture_m / step > size / 2 * 1.0001:
        limit = wavelength_m / (2 * aperture_m) / ARCSEC
        raise ValueError(f"pixels of {scale_arcsec:.3f} arcsec are too coarse here: at most {limit:.3f} arcsec")
    count = int(np.ceil(aperture_m / step)) + 1
    sub = (np.arange(count * fine) + 0.5) / fine - count / 2
    radius = np.hypot(sub[:, None], sub[None, :]) * step / (aperture_m / 2)
    open_ = ((radius <= 1) & (radius >= obstruction)).astype(np.float32)
    share = open_.reshape(count, fine, count, fine).mean(axis=(1, 3))
    sign = 1 - 2 * (np.add.outer(np.arange(count), np.arange(count)) % 2)
    return Pupil((share * sign).astype(np.float32), step, size, wavelength_m)


def dispersion_arcsec(wavelength_nm: float, reference_nm: float, altitude_deg: float) -> float:
    """Return how much higher in the sky one colour appears than another.

    Parameters
    ----------
    wavelength_nm, reference_nm : float
        The colour and the one it is compared with, nm (300-1100).
    altitude_deg : float
        Altitude above the horizon, degrees (15-90).

    Returns
    -------
    float
        Arc seconds towards the zenith; positive for colours bluer than the reference.

    Notes
    -----
    206265 (n - n_ref) tan z with the refractive index of dry air at 15 degC and 760 mm Hg after Edlén 1953, as in
    Filippenko 1982, doi:10.1086/131052.
    """

    def index(nm: float) -> float:
        inverse = (1000 / nm) ** 2
        return 1e-6 * (64.328 + 29498.1 / (146 - inverse) + 255.4 / (41 - inverse))

    zenith = np.radians(90 - altitude_deg)
    return float((index(wavelength_nm) - index(reference_nm)) * np.tan(zenith) / ARCSEC)
