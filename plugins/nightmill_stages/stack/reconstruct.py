"""From sums over sub-pixel phases to one picture: least squares in the Fourier domain.

Every sum is a picture of the same scene, sampled at known positions: exactly known fractions of a pixel off, and behind
a colour filter array only at the sites of a colour. The band-limited picture that fits all samples best in the least
squares sense is found in closed form: sampling at every second pixel couples a frequency with its three aliases and no
others, and how they couple does not depend on the frequency (Tsai & Huang 1984, Advances in Computer Vision and Image
Processing 1, 317: registration and restoration of a picture from several under-sampled ones). Without a colour filter
array nothing couples and the solution is the mean of the sums, each moved by its fraction by the Fourier shift theorem:
no interpolation kernel softens the picture or correlates its noise.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import scipy
from numpy.typing import NDArray

from .phases import Layout

__all__ = ["reconstruct"]

Array = NDArray[Any]
PAD = 16
RIDGE = 2e-3
"""Where samples leave a frequency undecided (no motion behind a colour filter array), lower frequencies win."""


def reconstruct(
    total: NDArray[np.float32],
    weight: NDArray[np.float64],
    moment: NDArray[np.float64],
    centre: NDArray[np.float32],
    layout: Layout,
) -> NDArray[np.float32]:
    """Return the picture that fits the sums best.

    Parameters
    ----------
    total : ndarray of float32, shape (parities, phases, phases, *frame)
        Weighted sums of differences from `centre`.
    weight : ndarray of float64, shape (parities, phases, phases)
    moment : ndarray of float64, shape (parities, phases, phases, 2)
        Weight times fractional shift.
    centre : ndarray of float32, shape (parities, *frame)
        What the differences refer to.
    layout : Layout

    Returns
    -------
    ndarray of float32, shape (h, w) or (3, h, w)
        ADU.
    """
    if not weight.sum() > 0:
        shape = (layout.height, layout.width)
        return np.full(shape if layout.channels == 1 else (3, *shape), np.nan, np.float32)
    if layout.cfa:
        spectra = _sampled(total, weight, moment, centre, layout)
        return np.stack([_colour(*one, weight, moment, layout) for one in zip(spectra, "RGB", strict=True)])
    if layout.planes == 3:
        return np.stack([_plain(total[0, ..., c], weight[0], moment[0], centre[0, ..., c], layout) for c in range(3)])
    return _plain(total[0], weight[0], moment[0], centre[0], layout)


def _padded_shape(layout: Layout) -> tuple[int, int]:
    def good(length: int) -> int:
        size = length + 2 * PAD
        while True:
            size = scipy.fft.next_fast_len(size, real=True)
            if size % 2 == 0:
                return size
            size += 1

    return good(layout.height), good(layout.width)


def _pad(picture: NDArray[np.float32], shape: tuple[int, int]) -> NDArray[np.float32]:
    """Surround a picture so that it continues smoothly, also from one side round to the other."""
    height, width = picture.shape
    bottom, right = shape[0] - height - PAD, shape[1] - width - PAD
    wide = cv2.copyMakeBorder(picture, PAD, bottom, PAD, right, cv2.BORDER_REFLECT_101)
    other = cv2.copyMakeBorder(picture, PAD, bottom, PAD, right, cv2.BORDER_WRAP)
    # The outermost samples meet round the corner: both sides fade into the mean of what meets there.
    fade = np.minimum(_ramp(height, PAD, bottom)[:, None], _ramp(width, PAD, right)[None, :])
    mean = np.float32(0.5) * (wide + other)
    edge = cv2.GaussianBlur(mean, (0, 0), 3)
    return fade * wide + (1 - fade) * edge


def _ramp(length: int, before: int, after: int) -> NDArray[np.float32]:
    rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(before) + 0.5) / before)
    fall = (0.5 - 0.5 * np.cos(np.pi * (np.arange(after) + 0.5) / after))[::-1]
    return np.concatenate([rise, np.ones(length), fall]).astype(np.float32)


def _fractions(weight: NDArray[np.float64], moment: NDArray[np.float64]) -> tuple[Array, Array, Array]:
    """Return weight and mean fractional shift of each phase, over all parities."""
    total = weight.sum(axis=0)
    mean = moment.sum(axis=0) / np.maximum(total, 1e-300)[..., None]
    return total, mean[..., 0], mean[..., 1]


def _spread(shape: tuple[int, int], phases: int, half: bool) -> NDArray[np.float32]:
    """Return the loss by the scatter of shifts within a phase, over the spectrum: uniform, a sinc along each axis."""
    rows = np.sinc(np.fft.fftfreq(shape[0]) / phases)[:, None]
    columns = np.sinc((np.fft.rfftfreq if half else np.fft.fftfreq)(shape[1]) / phases)[None, :]
    return (rows * columns).astype(np.float32)


def _turn(shape: tuple[int, int], fy: float, fx: float) -> tuple[Array, Array]:
    """Return factors on the half spectrum that make g(y, x) = f(y + fy, x + fx)."""
    rows = np.exp(2j * np.pi * fy * np.fft.fftfreq(shape[0])).astype(np.complex64)
    columns = np.exp(2j * np.pi * fx * np.fft.rfftfreq(shape[1])).astype(np.complex64)
    # The Nyquist frequency has no sign: half of each turn.
    rows[shape[0] // 2] = np.cos(np.pi * fy)
    columns[-1] = np.cos(np.pi * fx)
    return rows[:, None], columns[None, :]


def _plain(
    total: Array, weight: Array, moment: Array, centre: NDArray[np.float32], layout: Layout
) -> NDArray[np.float32]:
    shape = _padded_shape(layout)
    mass, fy, fx = _fractions(weight[None], moment[None])
    spectrum = np.zeros((shape[0], shape[1] // 2 + 1), np.complex64)
    for index in zip(*np.nonzero(mass > 0), strict=True):
        share = np.float32(mass[index] / mass.sum())
        picture = _pad(centre + total[index] / np.float32(mass[index]), shape)
        rows, columns = _turn(shape, float(fy[index]), float(fx[index]))
        spectrum += scipy.fft.rfft2(picture, workers=1) * (rows * share) * columns
    spectrum /= _spread(shape, layout.phases, half=True)
    full = scipy.fft.irfft2(spectrum, s=shape, workers=1)
    return np.ascontiguousarray(full[PAD : PAD + layout.height, PAD : PAD + layout.width], np.float32)


def _sampled(
    total: Array, weight: Array, moment: Array, centre: NDArray[np.float32], layout: Layout
) -> list[NDArray[np.complex64]]:
    """Return, for each colour of a mosaic, the half spectrum of its samples, every phase moved into its place."""
    assert layout.cfa is not None
    shape = _padded_shape(layout)
    mass, fy, fx = _fractions(weight, moment)
    spectra = [np.zeros((shape[0], shape[1] // 2 + 1), np.complex64) for _ in "RGB"]
    for index in zip(*np.nonzero(mass > 0), strict=True):
        pictures = np.zeros((3, *shape), np.float32)
        for parity in range(4):
            part = weight[(parity, *index)]
            if part == 0:
                continue
            values = _pad(total[(parity, *index)] + np.float32(part) * centre[parity], shape)
            for site, name in enumerate(layout.cfa):
                row, column = _site(site, parity)
                pictures["RGB".index(name), row::2, column::2] += values[row::2, column::2]
        rows, columns = _turn(shape, float(fy[index]), float(fx[index]))
        for spectrum, picture in zip(spectra, pictures, strict=True):
            spectrum += scipy.fft.rfft2(picture, workers=1) * rows * columns
    return spectra


def _colour(
    spectrum: NDArray[np.complex64], name: str, weight: Array, moment: Array, layout: Layout
) -> NDArray[np.float32]:
    """Solve for one colour of a mosaic."""
    assert layout.cfa is not None
    shape = _padded_shape(layout)
    _, fy, fx = _fractions(weight, moment)
    sites = [index for index in range(4) if layout.cfa[index] == name]
    full = scipy.fft.fft2(scipy.fft.irfft2(spectrum, s=shape, workers=1), workers=1)
    coupling = _coupling(weight, fy, fx, sites)
    half = (shape[0] // 2, shape[1] // 2)
    # Four aliases of each frequency of the first quadrant, in the order k = (0,0), (0,1), (1,0), (1,1).
    rows_of = [np.arange(half[0]), np.arange(half[0]) - half[0]]
    columns_of = [np.arange(half[1]), np.arange(half[1]) - half[1]]
    aliases = np.stack([full[np.ix_(rows_of[k // 2], columns_of[k % 2])] for k in range(4)], axis=-1)
    scale = float(np.trace(coupling).real) / 4
    frequency = [np.hypot(rows_of[k // 2][:, None] / shape[0], columns_of[k % 2][None, :] / shape[1]) for k in range(4)]
    ridge = RIDGE * (np.stack(frequency, axis=-1) / 0.25) ** 4
    # The Nyquist frequency itself has no sign, so its phase cannot be turned: nothing is put there.
    outer = np.zeros((*half, 4), bool)
    outer[0, :, 2:] = True
    outer[:, 0, 1::2] = True
    matrix = coupling[None, None] / scale + np.where(outer, 1e6, ridge)[..., None] * np.eye(4)
    solved = np.linalg.solve(matrix.astype(np.complex64), (aliases / np.float32(scale))[..., None])[..., 0]
    # Undo the ridge where the samples decide everything, so that it costs no sharpness there.
    solved = np.where(outer, 0, solved * (1 + ridge).astype(np.float32))
    result = np.empty_like(full)
    for k in range(4):
        result[np.ix_(rows_of[k // 2], columns_of[k % 2])] = solved[..., k]
    result /= _spread(shape, layout.phases, half=False)
    picture = scipy.fft.ifft2(result, workers=1).real
    return np.ascontiguousarray(picture[PAD : PAD + layout.height, PAD : PAD + layout.width], np.float32)


def _site(site: int, parity: int) -> tuple[int, int]:
    """Return row and column parity, in the reference's grid, of a site of the mosaic seen at a parity of shift."""
    return (site // 2 - parity // 2) % 2, (site % 2 - parity % 2) % 2


def _coupling(weight: Array, fy: Array, fx: Array, sites: list[int]) -> NDArray[np.complex128]:
    """Return the matrix by which a frequency f - j/2 of the summed samples sees the picture's frequency f - k/2."""
    matrix = np.zeros((4, 4), np.complex128)
    for index in zip(*np.nonzero(weight > 0), strict=True):
        parity, phase = index[0], index[1:]
        for site in sites:
            row, column = _site(site, parity)
            for j in range(4):
                for k in range(4):
                    step = (k // 2 - j // 2, k % 2 - j % 2)
                    sign = -1.0 if (step[0] * row + step[1] * column) % 2 else 1.0
                    turn = np.exp(1j * np.pi * (step[0] * fy[phase] + step[1] * fx[phase]))
                    matrix[j, k] += 0.25 * weight[index] * sign * turn
    return matrix
