"""Richardson-Lucy deconvolution with mirrored borders, stopped when what is left is noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from .spectral import cosine, uncosine

__all__ = ["Restored", "richardson_lucy"]

Float = NDArray[np.floating]


@dataclass(frozen=True)
class Restored:
    """Outcome of `richardson_lucy`.

    Attributes
    ----------
    picture : ndarray of shape (h, w)
        The restored picture.
    iterations : int
        How many were done.
    residual : float
        Root mean square of (data - blurred picture) over the noise at the end; NaN when the noise is not known.
    """

    picture: Float
    iterations: int
    residual: float


def richardson_lucy(
    picture: Float,
    transfer: Float,
    *,
    noise: Float | float | None = None,
    iterations: int = 50,
    floor: float = 1.0,
    start: Float | None = None,
) -> Restored:
    """Deconvolve a picture that cannot be negative.

    Parameters
    ----------
    picture : ndarray of float32 or float64, shape (h, w)
        Linear light above the sky background; negative values count as 0.
    transfer : ndarray of shape (h, w)
        Transfer of the blur on `frequencies(picture.shape)`; 1 at frequency 0.
    noise : ndarray of shape (h, w), or float, optional
        Standard deviation of the picture. Iteration stops when the residual's root mean square falls to `floor` times
        the noise (the discrepancy principle of Morozov).
    iterations : int, optional
        At most so many.
    floor : float, optional
        See `noise`.
    start : ndarray of shape (h, w), optional
        First estimate, positive; the picture itself by default.

    Returns
    -------
    Restored
        Same dtype as `picture`; flux is kept.

    References
    ----------
    Richardson 1972, J. Opt. Soc. Am. 62, 55, doi:10.1364/JOSA.62.000055; Lucy 1974, Astron. J. 79, 745,
    doi:10.1086/111605. The blur is symmetric, so that it is its own transpose.
    """
    gain = np.asarray(_lawful(transfer), picture.dtype)
    data = np.maximum(picture, 0)
    tiny = picture.dtype.type(max(1e-6 * float(data.mean()), 1e-30))
    estimate = np.maximum(data if start is None else np.asarray(start, picture.dtype), tiny)
    done, residual = 0, float("nan")
    while True:
        blurred = np.maximum(uncosine(cosine(estimate) * gain), tiny)
        if noise is not None:
            residual = float(np.sqrt(np.mean(((picture - blurred) / noise) ** 2)))
        if done >= iterations or (noise is not None and done and residual <= floor):
            return Restored(estimate, done, residual)
        estimate = estimate * np.maximum(uncosine(cosine(data / blurred) * gain), 0)
        done += 1


def _lawful(transfer: Float) -> Float:
    """Return the transfer of the same blur without what it takes away from places.

    A measured blur may be negative somewhere by a little. Richardson-Lucy divides by the blurred estimate, and makes
    light from nothing where that is not positive, more with each iteration.
    """
    whole = np.pad(transfer, ((0, transfer.shape[0]), (0, 1)), mode="edge").astype(np.float64)
    # Frequencies of the cosine transform are those of the Fourier transform of twice the size, the last one apart.
    rows = transfer.shape[0]
    whole[rows + 1 :] = whole[rows - 1 : 0 : -1]
    spread = np.maximum(scipy.fft.irfft2(whole, s=(2 * rows, 2 * transfer.shape[1])), 0)
    return np.asarray(scipy.fft.rfft2(spread / spread.sum()).real[:rows, :-1])
