"""What a telescope can show and how finely a camera must sample it.

Plain formulas of wave optics on numbers or arrays; no equipment, no files. Lengths carry their unit in the name.

Source
------
Born & Wolf, Principles of Optics, section 8.5 (circular aperture) and 9.5 (transfer function); O'Neill, E. L. (1956),
"Transfer function for an annular aperture", J. Opt. Soc. Am. 46, 285, doi:10.1364/JOSA.46.000285; Dawes's limit of
4.56 arcsec / aperture in inches (Dawes 1867, Mem. R. Astron. Soc. 35, 137).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "ARCSEC_PER_RADIAN",
    "USUAL_OBSTRUCTION",
    "Sampling",
    "cutoff_frequency_per_arcsec",
    "dawes_limit_arcsec",
    "diffraction_limit_arcsec",
    "focal_length_mm",
    "modulation_transfer",
    "nyquist_focal_ratio",
    "nyquist_scale_arcsec_per_px",
    "pixel_scale_arcsec_per_px",
    "rayleigh_limit_arcsec",
    "sampling",
]

Array = NDArray[np.float64]

ARCSEC_PER_RADIAN = 206_264.806_247_096_36
"""180 * 3600 / pi."""

USUAL_OBSTRUCTION = 0.3
"""Of telescopes that nobody tells of: reflectors have 0.2 to 0.4, refractors none (common practice, no source)."""


def _positive(**values: ArrayLike) -> list[Array]:
    out = []
    for name, value in values.items():
        array = np.asarray(value, dtype=np.float64)
        if not np.all(np.isfinite(array) & (array > 0.0)):
            raise ValueError(f"{name} must be a finite number above 0, got {value}.")
        out.append(array)
    return out


def diffraction_limit_arcsec(aperture_mm: ArrayLike, wavelength_nm: ArrayLike) -> Array:
    """Finest period that the telescope passes, wavelength / aperture.

    Parameters
    ----------
    aperture_mm, wavelength_nm : array_like
        Above 0.

    Returns
    -------
    ndarray of float64
        Arcseconds a cycle: the inverse of the cut-off frequency.

    Raises
    ------
    ValueError
        An argument is not above 0.
    """
    aperture, wavelength = _positive(aperture_mm=aperture_mm, wavelength_nm=wavelength_nm)
    return ARCSEC_PER_RADIAN * wavelength * 1e-6 / aperture


def cutoff_frequency_per_arcsec(aperture_mm: ArrayLike, wavelength_nm: ArrayLike) -> Array:
    """Spatial frequency beyond which nothing passes, aperture / wavelength, in cycles an arcsecond.

    Parameters and errors as for `diffraction_limit_arcsec`.
    """
    return 1.0 / diffraction_limit_arcsec(aperture_mm, wavelength_nm)


def rayleigh_limit_arcsec(aperture_mm: ArrayLike, wavelength_nm: ArrayLike) -> Array:
    """Radius of the first dark ring of the diffraction disc, 1.2197 wavelength / aperture, in arcseconds.

    Parameters and errors as for `diffraction_limit_arcsec`.
    """
    return 1.219_669_89 * diffraction_limit_arcsec(aperture_mm, wavelength_nm)


def dawes_limit_arcsec(aperture_mm: ArrayLike) -> Array:
    """Dawes's limit for double stars, 4.56 arcsec for an inch of aperture (115.8 arcsec for a millimetre)."""
    (aperture,) = _positive(aperture_mm=aperture_mm)
    return 4.56 * 25.4 / aperture


def nyquist_scale_arcsec_per_px(aperture_mm: ArrayLike, wavelength_nm: ArrayLike) -> Array:
    """Coarsest scale that loses nothing: two pixels to the finest period.

    Parameters and errors as for `diffraction_limit_arcsec`.

    Returns
    -------
    ndarray of float64
        Arcseconds a pixel.
    """
    return 0.5 * diffraction_limit_arcsec(aperture_mm, wavelength_nm)


def nyquist_focal_ratio(pixel_um: ArrayLike, wavelength_nm: ArrayLike) -> Array:
    """Focal ratio at which the pixel takes two samples of the finest period, 2 pixel / wavelength.

    Parameters
    ----------
    pixel_um : array_like
        Pixel pitch, above 0; of one colour on a sensor with a colour filter array (twice the pitch) to be strict.
    wavelength_nm : array_like
        Above 0.

    Returns
    -------
    ndarray of float64
    """
    pixel, wavelength = _positive(pixel_um=pixel_um, wavelength_nm=wavelength_nm)
    return 2.0 * pixel * 1e3 / wavelength


def pixel_scale_arcsec_per_px(pixel_um: ArrayLike, focal_length_mm: ArrayLike) -> Array:
    """Angle a pixel covers, 206264.8 pixel / focal length.

    Parameters
    ----------
    pixel_um, focal_length_mm : array_like
        Above 0.

    Returns
    -------
    ndarray of float64
        Arcseconds a pixel.
    """
    pixel, focal = _positive(pixel_um=pixel_um, focal_length_mm=focal_length_mm)
    return ARCSEC_PER_RADIAN * pixel * 1e-3 / focal


def focal_length_mm(pixel_um: ArrayLike, scale_arcsec_per_px: ArrayLike) -> Array:
    """Focal length that was really at work, from the pixel and a measured scale.

    Parameters
    ----------
    pixel_um, scale_arcsec_per_px : array_like
        Above 0.

    Returns
    -------
    ndarray of float64
        Millimetres.
    """
    pixel, scale = _positive(pixel_um=pixel_um, scale_arcsec_per_px=scale_arcsec_per_px)
    return ARCSEC_PER_RADIAN * pixel * 1e-3 / scale


@dataclass(frozen=True)
class Sampling:
    """How a camera samples a telescope.

    Parameters
    ----------
    scale_arcsec_per_px : float
    focal_length_mm, focal_ratio : float
        Really at work, amplifier included.
    nyquist_focal_ratio : float
    pixels_per_cycle : float
        Pixels across the finest period that the telescope passes; 2 is the limit.
    sentence : str
        The finding in plain words.
    """

    scale_arcsec_per_px: float
    focal_length_mm: float
    focal_ratio: float
    nyquist_focal_ratio: float
    pixels_per_cycle: float
    sentence: str


def sampling(pixel_um: float, scale_arcsec_per_px: float, aperture_mm: float, wavelength_nm: float) -> Sampling:
    """Compare a measured scale with the sampling limit of the aperture at a wavelength.

    Parameters
    ----------
    pixel_um, scale_arcsec_per_px, aperture_mm, wavelength_nm : float
        Above 0.

    Returns
    -------
    Sampling

    Raises
    ------
    ValueError
        An argument is not above 0.
    """
    focal = float(focal_length_mm(pixel_um, scale_arcsec_per_px))
    ratio = focal / aperture_mm
    limit = float(nyquist_focal_ratio(pixel_um, wavelength_nm))
    cycle = float(diffraction_limit_arcsec(aperture_mm, wavelength_nm)) / scale_arcsec_per_px
    start = (
        f"At f/{ratio:.1f} a pixel covers {scale_arcsec_per_px:.3f} arcsec; "
        f"the limit at {wavelength_nm:.0f} nm is f/{limit:.1f}"
    )
    if cycle < 1.8:
        verdict = "the finest detail falls between the pixels: a longer focal length would show more."
    elif cycle <= 3.0:
        verdict = "the sampling suits the telescope."
    else:
        verdict = "finer than needed: a shorter focal length would lose nothing and allow shorter exposures."
    return Sampling(float(scale_arcsec_per_px), focal, ratio, limit, cycle, f"{start}: {verdict}")


def _overlap(nu: Array, ratio: float) -> Array:
    """Area common to two circles of radius 1 and `ratio`, centres 2 nu apart."""
    d = 2.0 * np.abs(nu)
    small, large = min(1.0, ratio), max(1.0, ratio)
    safe = np.clip(d, max(large - small, 1e-12), large + small)
    a = np.arccos(np.clip((safe**2 + small**2 - large**2) / (2.0 * safe * small), -1.0, 1.0))
    b = np.arccos(np.clip((safe**2 + large**2 - small**2) / (2.0 * safe * large), -1.0, 1.0))
    lens = small**2 * (a - np.sin(2.0 * a) / 2.0) + large**2 * (b - np.sin(2.0 * b) / 2.0)
    return np.where(d >= large + small, 0.0, np.where(d <= large - small, np.pi * small**2, lens))


def modulation_transfer(frequency: ArrayLike, obstruction: float = 0.0) -> Array:
    """Contrast that a perfect telescope keeps at a spatial frequency.

    Parameters
    ----------
    frequency : array_like
        In units of the cut-off frequency; the sign does not matter.
    obstruction : float
        Diameter of the central obstruction over that of the aperture, 0 to below 1.

    Returns
    -------
    ndarray of float64
        1 at frequency 0, 0 from 1 on.

    Raises
    ------
    ValueError
        The obstruction is outside its range.

    Notes
    -----
    Autocorrelation of the annulus: O'Neill (1956).
    """
    if not 0.0 <= obstruction < 1.0:
        raise ValueError(f"obstruction must lie from 0 to below 1, got {obstruction}.")
    nu = np.asarray(frequency, dtype=np.float64)
    full = _overlap(nu, 1.0)
    if obstruction == 0.0:
        return full / np.pi
    hole = obstruction**2 * _overlap(nu / obstruction, 1.0)
    return (full - 2.0 * _overlap(nu, obstruction) + hole) / (np.pi * (1.0 - obstruction**2))
