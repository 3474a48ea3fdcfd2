"""The reference: a mean of the sharpest frames, registered to each other again and again until it stands still."""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

from .correlate import Complex, Float, Template, band_filter, make_template, moved, register

__all__ = ["build_reference", "reference_band", "spectra_of"]


def spectra_of(boxes: Float, backgrounds: NDArray[np.floating], window: Float) -> Complex:
    """Return half spectra (n, h, w // 2 + 1), complex64, of boxes less their background under a window."""
    return scipy.fft.rfft2((boxes - backgrounds[:, None, None].astype(np.float32)) * window, workers=1)


def reference_band(spectra: Complex, shape: tuple[int, int]) -> Float:
    """Choose the band for registration: up to where the mean of the frames stands clear of its noise.

    Parameters
    ----------
    spectra : ndarray of complex64, shape (n, h, w // 2 + 1)
        Frames, moved onto each other.
    shape : (int, int)
    """
    mean = spectra.mean(axis=0)
    count = len(spectra)
    # Scatter about the mean is the noise of a frame (seeing included), its n-th part that of the mean.
    scatter = np.mean(np.abs(spectra - mean) ** 2, axis=0) * count / max(count - 1, 1)
    rows = np.fft.fftfreq(shape[0])[:, None]
    columns = np.fft.rfftfreq(shape[1])[None, :]
    ring = np.minimum((np.hypot(rows, columns) * min(shape)).astype(int), min(shape) // 2)
    size = np.bincount(ring.ravel())
    power = np.bincount(ring.ravel(), np.maximum(np.abs(mean) ** 2 - scatter / count, 0).ravel()) / size
    noise = np.bincount(ring.ravel(), scatter.ravel()) / size
    # Single frames decide the accuracy: pass what has at least a twentieth of a frame's noise as signal.
    clear = np.flatnonzero(power[2:] < 0.05 * noise[2:])
    edge = (clear[0] + 2 if len(clear) else len(power)) / min(shape)
    high = float(np.clip(edge, 0.08, 0.35))
    return band_filter(shape, 1.5 / min(shape), high)


def build_reference(
    boxes: Float, backgrounds: NDArray[np.floating], window: Float, *, seed: bool, rounds: int = 4
) -> tuple[Template, NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Build a reference of frames that are roughly in place.

    Parameters
    ----------
    boxes : ndarray of float32, shape (n, h, w)
        Boxes of the sharpest frames, in ADU.
    backgrounds : ndarray, shape (n,)
        Sky to be taken off, ADU.
    window : ndarray of float32, shape (h, w)
    seed : bool
        Whether the boxes may be many cells apart (surfaces): then the first round compares with the frame that fits
        the others best, and only that round.
    rounds : int
        Rounds of registering and averaging.

    Returns
    -------
    template : Template
    dy, dx, fit : ndarray of float64, shape (n,)
        Shifts of the boxes to the reference, in cells, and their correlation.
    """
    shape = (window.shape[0], window.shape[1])
    spectra = spectra_of(boxes, backgrounds, window)
    spectra = spectra / np.maximum(np.abs(spectra[:, 0, 0]), 1e-9)[:, None, None] * np.abs(spectra[:, 0, 0]).mean()
    count = len(spectra)
    rough = band_filter(shape, 1.5 / min(shape), 0.08)
    start = spectra.mean(axis=0)
    if seed and count > 2:
        trial = np.unique(np.linspace(0, count - 1, min(count, 5)).round().astype(int))
        scores = [np.median(register(spectra, make_template(spectra[i], rough, window))[2]) for i in trial]
        start = spectra[trial[int(np.argmax(scores))]]
    template = make_template(start, rough, window)
    dy, dx, fit, _ = register(spectra, template)
    for turn in range(rounds):
        # The mean shift carries no information, and taking it off keeps the reference from walking away.
        centred_y, centred_x = dy - np.median(dy), dx - np.median(dx)
        onto = moved(spectra, centred_y, centred_x, shape)
        good = fit >= np.median(fit) - 4 * max(float(np.median(np.abs(fit - np.median(fit)))), 1e-4)
        mean = onto[good].mean(axis=0)
        band = rough if turn == 0 and seed else reference_band(onto[good], shape)
        template = make_template(mean, band, window)
        dy, dx, fit, _ = register(spectra, template)
    return template, dy, dx, fit
