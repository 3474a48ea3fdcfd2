"""Registers pictures through different filters on one another: pure functions on arrays.

Through another filter a planet shows other clouds and another fall-off towards its limb, but the limb lies at the same
place. So the gradient fields are correlated, as complex numbers that keep their direction: the whole limb adds up,
features that agree add to it, and those that differ add nothing that is coherent.

Sources
-------
Fitch, Kadyrov, Christmas & Kittler 2002, "Orientation correlation", Proc. BMVC, doi:10.5244/C.16.11 (complex gradient
fields). Guizar-Sicairos, Thurman & Fienup 2008, Opt. Lett. 33, 156, doi:10.1364/OL.33.000156 (peak by a matrix DFT).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from nightmill_sky import Disc

from .features import fit_feature_offset
from .limb import fit_limb_offset
from .outline import fit_outline_offset, object_mask
from .voices import agree, combine_voices

__all__ = ["NO_OFFSET", "Offset", "find_offset", "levelled", "move"]

SPIKE = 0.25
"""A pixel that stands out from the median around it by more of the object's brightness is hot: no sharp limb does."""


@dataclass(frozen=True)
class Offset:
    """Where a picture lies against a reference: ``moving(y + dy, x + dx) = reference(y, x)``.

    Attributes
    ----------
    dy_px, dx_px : float
        Offset in pixels.
    fit : float
        Normalised correlation of the gradient fields on the overlap, 0 to 1; below about 0.2 the offset is not
        to be trusted.
    sigma_px : float or None
        Standard error along an axis, where the object is surrounded by sky.
    """

    dy_px: float
    dx_px: float
    fit: float
    sigma_px: float | None = None


NO_OFFSET = Offset(0.0, 0.0, 1.0)


def find_offset(
    reference: NDArray[np.float32],
    moving: NDArray[np.float32],
    *,
    scale_px: float | None = None,
    disc: Disc | None = None,
    features: bool = True,
) -> Offset:
    """Find the offset of `moving` against `reference` to a fraction of a pixel.

    Parameters
    ----------
    reference, moving : ndarray of float, shapes (h, w) and (h2, w2)
        Linear light in any unit; NaN where there are no data. The shapes may differ.
    scale_px : float, optional
        Standard deviation of the Gaussian whose derivatives make the gradients; noise of smaller scale is ignored.
        By default 0.7 to 1.5, the more the noisier the pictures are.
    disc : Disc, optional
        The globe on the reference, where its orientation is known: then the limb is fitted with phase and darkening.
    features : bool
        Whether features lie at the same place in both; the limb alone decides otherwise.

    Returns
    -------
    Offset
        Of an object surrounded by sky its limb and what it shows through both filters decide, each by its worth along
        each direction; of a surface its features do. Any offset of up to half the size of the pictures can be found.
        Pictures without any structure give (0, 0) with a fit of 0.

    Notes
    -----
    Measured on discs of 60 to 160 px with noise, different features, limb darkening, blur and phase: see the tests.
    """
    (first, noise_first), (second, noise_second) = _prepare(reference), _prepare(moving)
    if scale_px is None:
        scale_px = float(np.clip(0.7 + 10.0 * max(noise_first, noise_second), 0.7, 1.5))
    coarse = _whole_offset(_gradients(first, scale_px), _gradients(second, scale_px))
    if coarse is None:
        return Offset(0.0, 0.0, 0.0)
    dy, dx = coarse
    height = min(first.shape[0], second.shape[0] - dy) - max(0, -dy)
    width = min(first.shape[1], second.shape[1] - dx) - max(0, -dx)
    y, x = max(0, -dy), max(0, -dx)
    here = _gradients(first[y : y + height, x : x + width], scale_px)
    there = _gradients(second[y + dy : y + dy + height, x + dx : x + dx + width], scale_px)
    energy = float(np.sqrt((np.abs(here) ** 2).sum() * (np.abs(there) ** 2).sum()))
    if energy <= 0.0:
        return Offset(0.0, 0.0, 0.0)
    fine_y, fine_x, peak = _peak(here, there)
    fit = float(np.clip(peak / energy, 0.0, 1.0))
    start = (dy + fine_y, dx + fine_x)
    limb = fit_outline_offset(first, second, scale_px=scale_px, start=start)
    if limb is None:
        return Offset(*start, fit)
    near = (float(limb.offset[0]), float(limb.offset[1]))
    clean = [_despiked(plane, smooth) for plane, smooth in ((reference, first), (moving, second))]
    whole = None if disc is None else fit_limb_offset(clean[0], clean[1], disc, near)
    limb = limb if whole is None else whole
    # Clouds differ between filters, the limb is softened by darkening and phase: each is weak where the other is not.
    mask = object_mask(scipy.ndimage.gaussian_filter(first, scale_px)) if features else None
    inner = None if mask is None else fit_feature_offset(clean[0], clean[1], mask, near)
    both = limb if inner is None or not agree(limb, inner) else combine_voices([limb, inner])
    return Offset(float(both.offset[0]), float(both.offset[1]), fit, both.sigma_px)


def move(plane: NDArray[np.float32], offset: Offset, shape: tuple[int, int], *, order: int = 5) -> NDArray[np.float32]:
    """Resample a picture on the reference's pixels.

    Parameters
    ----------
    plane : ndarray of float32, shape (h2, w2)
        The moving picture; NaN where there are no data.
    offset : Offset
        From `find_offset`.
    shape : tuple of int
        Shape (h, w) of the result.
    order : int
        Order of the B-spline; 5 keeps detail to near the sampling limit (Thévenaz, Blu & Unser 2000,
        doi:10.1109/42.875199), 1 suits maps of noise and weight.

    Returns
    -------
    ndarray of float32, shape (h, w)
        NaN where `plane` has no data. An offset of whole pixels (to 0.005) copies values without change.
    """
    whole_y, whole_x = round(offset.dy_px), round(offset.dx_px)
    rest = (offset.dy_px - whole_y, offset.dx_px - whole_x)
    placed = np.full(shape, np.nan, np.float32)
    y, x = max(0, -whole_y), max(0, -whole_x)
    height = min(shape[0], plane.shape[0] - whole_y) - y
    width = min(shape[1], plane.shape[1] - whole_x) - x
    if height <= 0 or width <= 0:
        return placed
    if max(abs(rest[0]), abs(rest[1])) < 0.005:
        moved = plane
    else:
        missing = ~np.isfinite(plane)
        moved = scipy.ndimage.shift(_filled(plane), (-rest[0], -rest[1]), order=order, mode="nearest").astype(
            np.float32
        )
        if missing.any():
            # Whatever a pixel without data reaches by more than a tenth has no data either.
            share = scipy.ndimage.shift(missing.astype(np.float32), (-rest[0], -rest[1]), order=1, mode="nearest")
            moved[share > 0.1] = np.nan
    part = moved[y + whole_y : y + whole_y + height, x + whole_x : x + whole_x + width]
    placed[y : y + height, x : x + width] = part
    return placed


def _filled(plane: NDArray[np.float32]) -> NDArray[np.float64]:
    """The picture with the median in place of missing data."""
    values = np.asarray(plane, np.float64)
    finite = np.isfinite(values)
    if finite.all():
        return values
    return np.where(finite, values, np.median(values[finite]) if finite.any() else 0.0)


def _prepare(plane: NDArray[np.float32]) -> tuple[NDArray[np.float64], float]:
    """Missing data filled, hot pixels levelled, brightness of the object near 1; and the noise in that measure."""
    filled = _filled(plane)
    values = scipy.ndimage.median_filter(filled, size=3, mode="nearest")
    low, high = float(np.percentile(values, 1.0)), float(values.max())
    if not high > low:
        return np.zeros_like(values), 0.0
    noise = 1.4826 * float(np.median(np.abs(filled - values)))
    return (values - low) / (high - low), noise / (high - low)


def levelled(plane: NDArray[np.float32]) -> NDArray[np.float64]:
    """The picture without gaps and hot pixels, its sky at 0 and its object at 1."""
    return _despiked(plane, _prepare(plane)[0])


def _despiked(plane: NDArray[np.float32], smooth: NDArray[np.float64]) -> NDArray[np.float64]:
    """The picture on the scale of its smooth copy (sky 0, object 1), hot pixels levelled and nothing else touched."""
    filled = _filled(plane)
    values = scipy.ndimage.median_filter(filled, size=3, mode="nearest")
    low, high = float(np.percentile(values, 1.0)), float(values.max())
    level = (filled - low) / max(high - low, 1e-30)
    return np.where(np.abs(level - smooth) > SPIKE, smooth, level)


def _gradients(plane: NDArray[np.float64], scale_px: float) -> NDArray[np.complex128]:
    """Complex gradient field, fading to nothing towards the borders so that they do not correlate."""
    down = scipy.ndimage.gaussian_filter(plane, scale_px, order=(1, 0), mode="nearest")
    right = scipy.ndimage.gaussian_filter(plane, scale_px, order=(0, 1), mode="nearest")
    field: NDArray[np.complex128] = (right + 1j * down) * np.outer(_taper(plane.shape[0]), _taper(plane.shape[1]))
    return field


def _taper(length: int) -> NDArray[np.float64]:
    """Raised-cosine flanks over an eighth of the length at either end."""
    flank = max(2, length // 8)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(flank) + 0.5) / flank)
    weights = np.ones(length)
    weights[: min(flank, length)] = ramp[: min(flank, length)]
    weights[-flank:] = np.minimum(weights[-flank:], ramp[::-1][-min(flank, length) :])
    return weights


def _whole_offset(first: NDArray[np.complex128], second: NDArray[np.complex128]) -> tuple[int, int] | None:
    """Offset in whole pixels, by correlation of the zero-padded fields; None without structure."""
    shape = tuple(scipy.fft.next_fast_len(a + b) for a, b in zip(first.shape, second.shape, strict=True))
    spectrum = np.conj(scipy.fft.fft2(first.astype(np.complex64), shape)) * scipy.fft.fft2(
        second.astype(np.complex64), shape
    )
    surface = scipy.fft.ifft2(spectrum).real
    limits = [max(1, max(a, b) // 2) for a, b in zip(first.shape, second.shape, strict=True)]
    for axis, limit in enumerate(limits):
        reach = np.abs(scipy.fft.fftfreq(shape[axis], 1.0 / shape[axis])) > limit
        surface[(reach, slice(None)) if axis == 0 else (slice(None), reach)] = -np.inf
    best = np.unravel_index(int(np.argmax(surface)), surface.shape)
    if not surface[best] > 0.0:
        return None
    dy, dx = (int(p) if p <= n // 2 else int(p) - n for p, n in zip(best, shape, strict=True))
    return dy, dx


def _peak(first: NDArray[np.complex128], second: NDArray[np.complex128]) -> tuple[float, float, float]:
    """Sub-pixel peak of the correlation within 1.5 px of zero: (dy, dx, height)."""
    spectrum = np.conj(scipy.fft.fft2(first)) * scipy.fft.fft2(second)
    centre = (0.0, 0.0)
    surface = np.zeros((1, 1))
    for step in (0.25, 0.05, 0.01):
        grid = step * np.arange(-6.0, 7.0, dtype=np.float64)
        surface = _correlation_at(spectrum, centre[0] + grid, centre[1] + grid)
        row, column = np.unravel_index(int(np.argmax(surface)), surface.shape)
        centre = (centre[0] + grid[row], centre[1] + grid[column])
    return float(centre[0]), float(centre[1]), float(surface.max())


def _correlation_at(
    spectrum: NDArray[np.complex128], rows: NDArray[np.float64], columns: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Real part of the inverse DFT at any fractional places, as two small matrix products."""
    height, width = spectrum.shape
    left = np.exp(2j * np.pi * np.outer(rows, scipy.fft.fftfreq(height)))
    right = np.exp(2j * np.pi * np.outer(scipy.fft.fftfreq(width), columns))
    surface: NDArray[np.float64] = (left @ spectrum @ right).real / (height * width)
    return surface
