"""What 16-bit samples say of themselves: the order of their bytes and where in the word their bits lie.

Programs write the same header for different data; the pixels do not lie. Pure functions on a few sampled frames.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Levels", "find_levels", "is_big_endian", "roughness"]

ENOUGH = 8
"""Distinct values from which on empty low bits are no coincidence (chance below 2**-8 a bit)."""


@dataclass(frozen=True)
class Levels:
    """Where the bits of a sample lie.

    Attributes
    ----------
    shift : int
        Bits to shift right so that samples are right-aligned.
    bits : int
        Bits of a sample after that.
    caution : str or None
        What is odd, as a clause to put behind the file's name.
    """

    shift: int
    bits: int
    caution: str | None = None

    @property
    def full_scale(self) -> float:
        """Largest value of a right-aligned sample."""
        return float(2**self.bits - 1)


def roughness(samples: NDArray[np.uint16]) -> float:
    """Return the mean absolute difference, in ADU, of samples two columns apart.

    Parameters
    ----------
    samples : ndarray of uint16, shape (n, rows, columns) or (n, rows, columns, 3)
        Two columns apart lie samples of one colour, also behind a colour filter array.
    """
    wide = samples.astype(np.int32)
    if samples.shape[2] > 2:
        return float(np.abs(wide[:, :, 2:] - wide[:, :, :-2]).mean())
    flat = wide.reshape(-1)
    return float(np.abs(np.diff(flat)).mean()) if flat.size > 1 else 0.0


def is_big_endian(samples: NDArray[np.uint16], bits: int) -> bool:
    """Decide from the pixels whether 16-bit samples were written with the high byte first.

    Read in the wrong order, noise of the low byte becomes noise of the high one, so that pictures are hundreds of
    times rougher. Where one byte is always zero the order cannot be told by that: either these are small values, as
    in darks, or 8-bit values in the upper byte; the latter is taken only when the byte is well filled.

    Parameters
    ----------
    samples : ndarray of uint16
        Some frames read as little-endian, shapes as for `roughness`.
    bits : int
        Bits that the header states; breaks ties.

    Returns
    -------
    bool
        True for big-endian. Little-endian when the data leave it open (what nearly all computers write; common
        practice, no source).
    """
    low, high = samples & 0xFF, samples >> 8
    if not low.any() or not high.any():
        filled = bits == 16 and np.percentile(low if low.any() else high, 99) >= 128
        little_small = not high.any()
        # Well filled: the non-zero byte is the high one. Otherwise: the low one.
        return bool(low.any() or high.any()) and bool(little_small == filled)
    little, big = roughness(samples), roughness(samples.byteswap())
    if max(little, big) > 1.25 * min(little, big):
        return big < little
    limit = 2**bits
    return bool((samples >= limit).any() and not (samples.byteswap() >= limit).any())


def find_levels(samples: NDArray[Any], bits: int) -> Levels:
    """Find where the bits of 16-bit samples lie, and how many there are.

    Parameters
    ----------
    samples : ndarray of uint16, any shape
        Samples in native order.
    bits : int
        Bits that the header states, 9 to 16.

    Returns
    -------
    Levels
        Left-aligned data (12 bits in the upper part of 16, say) have a shift. A header that states fewer bits than
        the data need is overruled, with a caution.
    """
    values = np.unique(samples)
    values = values[values > 0]
    if not len(values):
        return Levels(0, bits)
    top = int(values[-1])
    union = int(np.bitwise_or.reduce(values))
    empty = (union & -union).bit_length() - 1
    spare = 16 - bits
    if spare and empty >= spare and (len(values) >= ENOUGH or top >= 2**bits):
        return Levels(spare, bits)
    if not spare and empty and len(values) >= ENOUGH:
        return Levels(empty, 16 - empty)
    if top >= 2**bits:
        needed = next(b for b in (10, 12, 14, 16) if top < 2**b)
        return Levels(0, needed, f"states {bits} bits a sample but holds values up to {top}: taken as {needed} bits")
    return Levels(0, bits)
