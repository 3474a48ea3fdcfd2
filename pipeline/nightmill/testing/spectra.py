"""Small Fourier tools of the renderers: grids, pixel integration, registration truth. Pure functions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

__all__ = ["Registrar", "crop_spectrum", "even_fast", "pixel_response", "transfer"]

Float = NDArray[np.float32]
Complex = NDArray[np.complex64]


def even_fast(size: float) -> int:
    """Return the next even size that transforms fast."""
    n = int(np.ceil(size))
    while (n := scipy.fft.next_fast_len(n, real=True)) % 2:
        n += 1
    return n


def crop_spectrum(fine: Float, factor: int, shape: tuple[int, int]) -> Complex:
    """Return the spectrum, on a coarser grid, of a picture drawn `factor` times finer.

    Sample (i, j) of the coarse grid lies on the centre of its factor x factor block of fine pixels; nothing is
    aliased, because the band beyond the coarse grid is dropped. Values keep their meaning (surface brightness).

    Parameters
    ----------
    fine : ndarray of shape (factor * rows, factor * columns), float32
        The picture.
    factor : int
        Ratio of the grids.
    shape : tuple of int
        Rows and columns of the coarse grid, both even.

    Returns
    -------
    ndarray of shape (rows, columns // 2 + 1), complex64
        For `scipy.fft.irfft2`.
    """
    rows, columns = shape
    full = scipy.fft.rfft2(fine, workers=2)
    half = rows // 2
    spectrum = np.concatenate([full[:half, : columns // 2 + 1], full[-half:, : columns // 2 + 1]])
    # The Nyquist row and column of an even grid are ambiguous: leave them out.
    spectrum[half] = 0
    spectrum[:, -1] = 0
    centre = (factor - 1) / 2 / factor
    ramp_y = np.exp(2j * np.pi * scipy.fft.fftfreq(rows) * centre)[:, None]
    ramp_x = np.exp(2j * np.pi * scipy.fft.rfftfreq(columns) * centre)[None, :]
    return np.asarray(spectrum * (ramp_y * ramp_x / factor**2), np.complex64)


def pixel_response(shape: tuple[int, int], width: float) -> Float:
    """Return the transfer of a square pixel `width` samples wide, on the half-plane grid of `rfft2`."""
    return np.asarray(
        np.sinc(scipy.fft.fftfreq(shape[0]) * width)[:, None] * np.sinc(scipy.fft.rfftfreq(shape[1]) * width)[None, :],
        np.float32,
    )


def transfer(psf: Float, shape: tuple[int, int]) -> Complex:
    """Return the transfer function of a point-spread function, on the half-plane grid of a larger picture.

    The function's centre, pixel (n // 2, n // 2), is taken as its origin only by `origin_ramp`-corrected spectra: the
    renderers fold that shift into the scene's spectrum once. Rows are transformed before padding, which is cheaper
    than padding first.
    """
    rows = scipy.fft.rfft(psf, n=shape[1], axis=1)
    return np.asarray(scipy.fft.fft(rows, n=shape[0], axis=0, overwrite_x=True), np.complex64)


@dataclass(frozen=True)
class Registrar:
    """Finds the shift at which a blurred picture correlates best with the perfect one, from transfer functions.

    Attributes
    ----------
    rows, columns : ndarray of int
        Indices of the low-frequency block that is used.
    fy, fx : ndarray
        Its frequencies, cycles a sample, shapes (r, 1) and (1, c).
    weight : ndarray of shape (r, c), float32
        Power of the scene (both pictures pass their own transfer functions).
    """

    rows: NDArray[np.int64]
    columns: NDArray[np.int64]
    fy: NDArray[np.float64]
    fx: NDArray[np.float64]
    weight: NDArray[np.float64]

    @classmethod
    def make(cls, scene: Complex, shape: tuple[int, int], highest: float) -> Registrar:
        """Prepare for a scene's spectrum (half-plane), using frequencies below `highest`."""
        fy, fx = scipy.fft.fftfreq(shape[0]), scipy.fft.rfftfreq(shape[1])
        rows, columns = np.flatnonzero(np.abs(fy) <= highest), np.flatnonzero(fx <= highest)
        weight = np.abs(scene[np.ix_(rows, columns)]).astype(np.float64) ** 2
        weight[:, columns > 0] *= 2  # the half-plane counts for both
        inside = fy[rows][:, None] ** 2 + fx[columns][None, :] ** 2 <= highest**2
        return cls(rows, columns, fy[rows][:, None], fx[columns][None, :], weight * inside)

    def climb(self, passed: Complex, start: tuple[float, float]) -> tuple[float, float]:
        """Return the shift (rows, columns) in samples.

        `passed` (r, c) is the transfer of the blurred picture times the conjugate of the perfect one's, on the block.
        The correlation, sum(weight Re(passed exp(2 pi i f d))), is climbed by Newton's method from `start`.
        """
        block = passed * self.weight
        dy, dx = start
        for _ in range(6):
            turned = block * (np.exp(2j * np.pi * self.fy * dy) * np.exp(2j * np.pi * self.fx * dx))
            real, imag = turned.real, turned.imag
            gy, gx = -(self.fy * imag).sum(), -(self.fx * imag).sum()
            hyy, hxx = (self.fy**2 * real).sum(), (self.fx**2 * real).sum()
            hxy = (self.fy * self.fx * real).sum()
            det = hyy * hxx - hxy * hxy
            if det <= 0:
                break
            step_y = (hxx * gy - hxy * gx) / det / (2 * np.pi)
            step_x = (hyy * gx - hxy * gy) / det / (2 * np.pi)
            dy, dx = dy + step_y, dx + step_x
            if abs(step_y) + abs(step_x) < 1e-4:
                break
        return float(dy), float(dx)
