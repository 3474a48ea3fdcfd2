"""How good a picture is, measured against the truth: PSNR, SSIM, ring correlation, rim at the limb.

Knows arrays only. A picture is first matched to the truth by the best shift, scale and offset: none of these is a
matter of quality here.
"""

from __future__ import annotations

import numpy as np
import scipy.fft
from numpy.typing import NDArray

__all__ = ["match", "psnr", "resolution", "rim", "ring_correlation", "shifted", "structural_similarity"]

Float = NDArray[np.floating]
MIRRORED = 32
"""Pixels by which a field is mirrored at its borders before it is shifted."""


def shifted(picture: Float, dy_px: float, dx_px: float) -> NDArray[np.float64]:
    """Return `picture` sampled at (y + dy, x + dx), by the Fourier shift theorem (periodic)."""
    spectrum = scipy.fft.rfft2(np.asarray(picture, np.float64))
    fy = scipy.fft.fftfreq(picture.shape[0])[:, None]
    fx = scipy.fft.rfftfreq(picture.shape[1])[None, :]
    return scipy.fft.irfft2(spectrum * np.exp(2j * np.pi * (fy * dy_px + fx * dx_px)), s=picture.shape)


def match(
    picture: Float, truth: Float, *, shift: bool = True, border: int = 0
) -> tuple[NDArray[np.float64], tuple[float, float]]:
    """Match a picture to the truth by sub-pixel shift (least squares, at most a few pixels), scale and offset.

    `border` pixels on each side of the truth are not compared: of a field they may not have been seen. The picture is
    then mirrored at its borders before it is shifted, for what the Fourier shift carries in from the other side
    rings far into it.

    Returns
    -------
    ndarray of shape (h, w), float64
        The picture in the units of the truth.
    tuple of float
        The shift found, (rows, columns), in pixels.
    """
    picture, truth = np.asarray(picture, np.float64), np.asarray(truth, np.float64)
    inner = tuple(slice(border, n - border) for n in truth.shape)
    aim = truth[inner].ravel()

    def placed(at: NDArray[np.float64]) -> NDArray[np.float64]:
        if not border:
            return shifted(picture, *at)
        wide = shifted(np.pad(picture, MIRRORED, mode="symmetric"), *at)
        return wide[MIRRORED:-MIRRORED, MIRRORED:-MIRRORED]

    at = np.zeros(2)
    if shift:
        at = _coarse(picture, truth)
        for _ in range(8):
            moved = placed(at)
            moved = np.polyval(np.polyfit(moved[inner].ravel(), aim, 1), moved)
            design = np.stack([slope[inner].ravel() for slope in np.gradient(moved)], axis=1)
            step, *_ = np.linalg.lstsq(design, aim - moved[inner].ravel(), rcond=None)
            at += np.clip(step, -2, 2)
            if np.abs(step).max() < 1e-4:
                break
    moved = placed(at)
    return np.polyval(np.polyfit(moved[inner].ravel(), aim, 1), moved), (float(at[0]), float(at[1]))


def _coarse(picture: NDArray[np.float64], truth: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the shift in whole pixels, by plain correlation of the tapered, mean-free pictures."""
    taper = np.outer(*[np.hanning(n + 2)[1:-1] for n in truth.shape])
    one, two = (scipy.fft.rfft2((p - p.mean()) * taper) for p in (picture, truth))
    surface = scipy.fft.irfft2(one * two.conj(), s=truth.shape)
    place = np.unravel_index(int(surface.argmax()), surface.shape)
    return np.array([(k + n // 2) % n - n // 2 for k, n in zip(place, truth.shape, strict=True)], np.float64)


def psnr(picture: Float, truth: Float, *, shift: bool = True, border: int = 0) -> float:
    """Return the peak signal-to-noise ratio in dB after `match`; the peak is the truth's maximum.

    `border` pixels on each side are neither matched nor counted.
    """
    matched, _ = match(picture, truth, shift=shift, border=border)
    inner = tuple(slice(border, n - border) for n in truth.shape)
    return float(20 * np.log10(np.max(truth)) - 10 * np.log10(np.mean((matched - truth)[inner] ** 2)))


def structural_similarity(picture: Float, truth: Float) -> float:
    """Return the structural similarity after `match`, by scikit-image.

    Wang et al. 2004, doi:10.1109/TIP.2003.819861.
    """
    from skimage.metrics import structural_similarity as ssim

    matched, _ = match(picture, truth)
    peak = float(np.max(truth))
    return float(ssim(matched, np.asarray(truth, np.float64), data_range=peak, gaussian_weights=True, sigma=1.5))


def ring_correlation(picture: Float, scene: Float, rings: int = 40, *, highest: float) -> NDArray[np.float64]:
    """Return the Fourier ring correlation in `rings` rings from 0 to `highest` cycles a pixel.

    Saxton & Baumeister 1982, doi:10.1111/j.1365-2818.1982.tb00405.x. Both pictures are tapered at the border.
    """
    taper = np.outer(*[np.clip(8 * np.minimum(np.arange(n), n - 1 - np.arange(n)) / n, 0, 1) for n in scene.shape])
    taper = 0.5 - 0.5 * np.cos(np.pi * taper)
    one, two = (scipy.fft.rfft2((np.asarray(p, np.float64) - np.mean(p)) * taper) for p in (picture, scene))
    f = np.hypot(scipy.fft.fftfreq(scene.shape[0])[:, None], scipy.fft.rfftfreq(scene.shape[1])[None, :])
    ring = np.minimum((f / highest * rings).astype(int), rings).ravel()

    def total(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.bincount(ring, values.ravel(), rings + 1)[:rings]

    cross, p1, p2 = total((one * two.conj()).real), total(np.abs(one) ** 2), total(np.abs(two) ** 2)
    return cross / np.sqrt(np.maximum(p1 * p2, 1e-300))


def resolution(picture: Float, scene: Float, *, cutoff: float, threshold: float = 0.5) -> float:
    """Return where ring correlation with the true scene falls below `threshold`, as a share of `cutoff`."""
    matched, _ = match(picture, scene)
    curve = ring_correlation(matched, scene, highest=cutoff)
    below = np.flatnonzero(curve[1:] < threshold) + 1
    if not below.size:
        return 1.0
    k = int(below[0])
    part = (curve[k - 1] - threshold) / max(curve[k - 1] - curve[k], 1e-12)
    return float((k - 0.5 + part) / curve.size)


def rim(
    picture: Float, truth: Float, centre_px: tuple[float, float], axes_px: tuple[float, float], angle_deg: float = 0.0
) -> tuple[float, float]:
    """Return the strongest dark and bright rim: the azimuthal mean of (picture - truth) near the limb.

    Parameters
    ----------
    picture, truth : ndarray of shape (h, w)
        Matched inside.
    centre_px, axes_px : tuple of float
        Disc centre (row, column) and semi-axes (along, across `angle_deg`).

    Returns
    -------
    tuple of float
        Most negative and most positive mean error between 0.85 and 1.25 radii, as a share of the disc's mean.
    """
    matched, _ = match(picture, truth)
    y, x = np.mgrid[: truth.shape[0], : truth.shape[1]].astype(np.float64)
    turn = np.radians(angle_deg)
    dy, dx = y - centre_px[0], x - centre_px[1]
    u = (dx * np.cos(turn) - dy * np.sin(turn)) / axes_px[0]
    v = (dx * np.sin(turn) + dy * np.cos(turn)) / axes_px[1]
    radius = np.hypot(u, v)
    level = float(np.mean(truth[radius < 0.8]))
    step = 1.0 / max(axes_px)
    bins = ((radius - 0.85) / step).astype(int)
    near = (radius >= 0.85) & (radius < 1.25)
    count = np.bincount(bins[near])
    mean = np.bincount(bins[near], (matched - truth)[near]) / np.maximum(count, 1)
    mean = mean[count > 10] / level
    return float(mean.min()), float(mean.max())
