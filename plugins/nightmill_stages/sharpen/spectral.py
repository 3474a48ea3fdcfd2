"""Pictures in terms of spatial frequency: isotropic filters with mirrored borders, ring spectra, filling of gaps.

Filters run on the cosine transform, which is the Fourier transform of the picture continued by its mirror image: no
jump at the border, no padding, no wrap-around. That is exact for the real, symmetric transfers used here.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import scipy
from numpy.typing import NDArray

__all__ = ["Rings", "apply_transfer", "cosine", "fill_gaps", "frequencies", "uncosine"]

Float = NDArray[np.floating]


def frequencies(shape: tuple[int, int]) -> NDArray[np.float32]:
    """Return the radial frequency of every cosine coefficient, cycles a pixel, float32 of `shape`."""
    fy, fx = (np.arange(n, dtype=np.float32) / np.float32(2 * n) for n in shape)
    return np.hypot(fy[:, None], fx[None, :])


def cosine(picture: Float) -> Float:
    """Return the orthonormal cosine transform (type II) of a picture, same shape and dtype."""
    return scipy.fft.dctn(picture, norm="ortho")


def uncosine(coefficients: Float, shape: tuple[int, ...] | None = None) -> Float:
    """Undo `cosine`; for a picture of `shape` coefficients that are left out, the highest ones, are zero."""
    return scipy.fft.idctn(coefficients, s=shape, norm="ortho")


def apply_transfer(picture: Float, transfer: Callable[[Float], Float] | Float) -> Float:
    """Filter a picture with an isotropic transfer, mirrored at the borders.

    Parameters
    ----------
    picture : ndarray of float32 or float64, shape (h, w)
        Finite everywhere.
    transfer : function or ndarray
        Transfer as a function of frequency (cycles a pixel), or its values on `frequencies(picture.shape)`.

    Returns
    -------
    ndarray of shape (h, w)
        Dtype of `picture`.
    """
    gain = transfer(frequencies(picture.shape)) if callable(transfer) else transfer
    return uncosine(cosine(picture) * np.asarray(gain, picture.dtype))


def fill_gaps(picture: Float, usable: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Return a float32 copy in which unusable pixels continue their nearest usable neighbour.

    Raises
    ------
    ValueError
        If no pixel is usable.
    """
    if not usable.any():
        raise ValueError("the picture has no usable pixel")
    filled = np.array(picture, np.float32)
    if not usable.all():
        nearest = scipy.ndimage.distance_transform_edt(~usable, return_distances=False, return_indices=True)
        filled = filled[tuple(nearest)]
    return filled


class Rings:
    """Means over rings of equal frequency for one shape of picture.

    Parameters
    ----------
    shape : tuple of int
        Shape of the pictures.
    count : int
        Number of rings from frequency 0 to `highest`.
    highest : float, optional
        Upper end, cycles a pixel; 0.5 by default (corners beyond are left out).
    """

    def __init__(self, shape: tuple[int, int], count: int, highest: float = 0.5) -> None:
        f = frequencies(shape)
        self.count = count
        self._ring = np.minimum((f * (count / highest)).astype(np.int64), count).ravel()
        self.members = np.bincount(self._ring, minlength=count + 1)[:count]
        self.centres = (np.arange(count) + 0.5) * (highest / count)

    def mean(self, values: Float) -> NDArray[np.float64]:
        """Return the mean of `values` (shape of the pictures) in each ring; 0 in empty rings."""
        total = np.bincount(self._ring, np.asarray(values, np.float64).ravel(), self.count + 1)[: self.count]
        return total / np.maximum(self.members, 1)

    def power(self, picture: Float) -> NDArray[np.float64]:
        """Return the mean power of a picture's cosine coefficients in each ring (the variance, for white noise)."""
        return self.mean(cosine(np.asarray(picture, np.float64)) ** 2)
