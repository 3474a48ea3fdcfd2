"""Cosine transforms of what lies in a window of a picture, up to a frequency beyond which nothing passes.

The same as `spectral.cosine` and `uncosine` of the whole, without the rows and columns that are zero, or not asked for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

__all__ = ["Window", "passed"]

Float = NDArray[np.float32]


@dataclass(frozen=True)
class Window:
    """A window of a picture of `shape`, and how many coefficients along each axis are not zero (`keep`)."""

    shape: tuple[int, int]
    rows: slice
    columns: slice
    keep: tuple[int, int]

    @classmethod
    def around(cls, mask: NDArray[np.bool_], keep: tuple[int, int]) -> Window:
        """Return the window of what is set; all of the picture when nothing is."""
        sides = [np.flatnonzero(mask.any(axis=axis)) for axis in (1, 0)]
        spans = [slice(int(at[0]), int(at[-1]) + 1) if at.size else slice(None) for at in sides]
        return cls((mask.shape[0], mask.shape[1]), spans[0], spans[1], keep)

    def cut(self, picture: Float) -> Float:
        """Return what of a picture lies in the window."""
        return picture[self.rows, self.columns]

    def cosine(self, part: Float) -> Float:
        """Return the coefficients (`keep`) of a picture that is zero outside the window."""
        tall = np.zeros((self.shape[0], part.shape[1]), np.float32)
        tall[self.rows] = part
        wide = np.zeros((self.keep[0], self.shape[1]), np.float32)
        wide[:, self.columns] = scipy.fft.dct(tall, axis=0, norm="ortho", overwrite_x=True)[: self.keep[0]]
        return scipy.fft.dct(wide, axis=1, norm="ortho", overwrite_x=True)[:, : self.keep[1]]

    def uncosine(self, coefficients: Float) -> Float:
        """Return what of a picture lies in the window, of its coefficients (`keep`)."""
        wide = scipy.fft.idct(coefficients, n=self.shape[1], axis=1, norm="ortho")[:, self.columns]
        return scipy.fft.idct(wide, n=self.shape[0], axis=0, norm="ortho")[self.rows]


def passed(transfer: Float) -> tuple[int, int]:
    """Return up to which coefficient along each axis a transfer is not zero."""
    open_ = transfer != 0
    ends = [np.flatnonzero(open_.any(axis=axis)) for axis in (1, 0)]
    return int(ends[0][-1]) + 1 if ends[0].size else 1, int(ends[1][-1]) + 1 if ends[1].size else 1
