"""Joins panels without visible seams: each octave of detail is blended over a width of its own.

Fine detail changes from one panel to the next within a pixel or two, so nothing doubles where the registration is a
little off; broad light changes over much of the overlap, so no step is seen (Burt & Adelson 1983, ACM Trans. Graph. 2,
217, doi:10.1145/245.247). The pyramids are OpenCV's, in float32 with the generating kernel of that paper; its blender
and its exposure correction work on 16-bit and 8-bit integers and would cost the faint parts of a linear picture.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from .canvas import Box

__all__ = ["Blender", "pyramid_levels"]

Float = NDArray[np.float32]

MOST_LEVELS = 7


def pyramid_levels(overlap_px: float) -> int:
    """So many octaves that the widest transition stays within an overlap of this width."""
    return int(np.clip(np.floor(np.log2(max(overlap_px, 8.0) / 4.0)), 1, MOST_LEVELS))


class Blender:
    """Collects the pyramids of all panels of one channel.

    Parameters
    ----------
    owner : ndarray of int16, shape (h, w)
        Index of the panel that each pixel belongs to; -1 for none.
    levels : int
        Octaves apart from the last, broad one.

    Notes
    -----
    In memory are four thirds of one float32 picture of the mosaic, and two pyramids of one panel.
    """

    def __init__(self, owner: NDArray[np.int16], levels: int) -> None:
        self.levels = levels
        self.align = 2**levels
        self._owner = owner
        height, width = (-(-size // self.align) * self.align for size in owner.shape)
        self._sums = [np.zeros((height >> k, width >> k), np.float32) for k in range(levels + 1)]

    @property
    def margin(self) -> int:
        """Pixels by which the last octave reaches beyond a panel's own area."""
        return 4 * self.align

    def add(self, index: int, box: Box, light: Float) -> None:
        """Add a panel.

        Parameters
        ----------
        index : int
            Its number in `owner`.
        box : Box
            Where it lies; its corners are multiples of `align`.
        light : ndarray of float32
            The panel on the mosaic's pixels, continued smoothly where it has no data.
        """
        mask = np.zeros(box.shape, np.float32)
        own = self._owner[box.rows, box.columns] == index
        mask[: own.shape[0], : own.shape[1]] = own
        for level in range(self.levels + 1):
            rows = slice(box.top >> level, box.bottom >> level)
            columns = slice(box.left >> level, box.right >> level)
            if level == self.levels:
                self._sums[level][rows, columns] += light * mask
                return
            smaller = cv2.pyrDown(light)
            band = light - cv2.pyrUp(smaller, dstsize=light.shape[::-1])
            self._sums[level][rows, columns] += band * mask
            light, mask = smaller, cv2.pyrDown(mask)

    def finish(self) -> Float:
        """Join the octaves; NaN where no panel has data. Frees what was collected."""
        shares = _shares(self._owner, self._sums[0].shape, self.levels)
        picture = _evened(self._sums.pop(), shares.pop())
        while self._sums:
            band = self._sums.pop()
            if shares:
                band = _evened(band, shares.pop())
            band += cv2.pyrUp(picture, dstsize=band.shape[::-1])
            picture = band
        height, width = self._owner.shape
        picture = np.ascontiguousarray(picture[:height, :width])
        picture[self._owner < 0] = np.nan
        return picture


def _evened(band: Float, share: Float) -> Float:
    """Divide an octave by what the masks add up to; 0 where there is next to nothing."""
    there = share > 1e-3
    np.divide(band, share, out=band, where=there)
    band[~there] = 0
    return band


def _shares(owner: NDArray[np.int16], shape: tuple[int, int], levels: int) -> list[Float]:
    """What the masks of all panels add up to, from the second finest octave on; in the finest it is 1."""
    covered = np.zeros(shape, np.float32)
    covered[: owner.shape[0], : owner.shape[1]] = owner >= 0
    found = []
    for _ in range(levels):
        covered = cv2.pyrDown(covered)
        found.append(covered)
    return found
