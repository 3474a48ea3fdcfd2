"""The sums that bent frames are added to, and the two things done to them sample by sample: cleaning and counting in.

Knows nothing of how a frame is mapped: `bent`, `bent_mosaic` and `bent_fine` do that, each in its way.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .phases import Envelope, Layout, misfits

__all__ = ["cleaned", "count_in", "empty_sums"]

Array = NDArray[Any]
Float = NDArray[np.float32]


def empty_sums(values: tuple[int, ...], weights: tuple[int, ...]) -> dict[str, Array]:
    """Return sums of nothing.

    Parameters
    ----------
    values, weights : tuple of int
        Shapes of the picture, and of its weights (the same, or without the axis of colours they share).

    Returns
    -------
    dict
        "sum" (2 halves, *values) and "weight" (2 halves, *weights): weighted differences and weights; "square"
        (*values) and "weight2" (*weights): weighted squares and squares of weights; all float32. "clipped", "frames"
        as in `phases.empty`.
    """
    return {
        "sum": np.zeros((2, *values), np.float32),
        "weight": np.zeros((2, *weights), np.float32),
        "square": np.zeros(values, np.float32),
        "weight2": np.zeros(weights, np.float32),
        "clipped": np.zeros(1, np.int64),
        "frames": np.zeros(2, np.int64),
    }


def cleaned(
    sums: dict[str, Array], layout: Layout, frame: Array, shift: tuple[float, float], gain: float, expected: Envelope
) -> Float | None:
    """Return a frame over its gain, impulses NaN and counted; None when nothing of the reference lies on it.

    Impulses are found in the frame's own grid, where the envelope lies at the whole shift.
    """
    iy, ix = int(np.floor(shift[0] + 0.5)), int(np.floor(shift[1] + 0.5))
    both = layout.overlap(iy, ix)
    if both is None:
        return None
    where, inside = both
    parity = (iy % 2) * 2 + ix % 2 if layout.cfa else 0
    values = frame.astype(np.float32)
    if gain != 1:
        values *= np.float32(1 / gain)
    hit = misfits(frame[inside], expected.low[parity][where], expected.high[parity][where])
    if hit is not None:
        values[inside][hit] = np.nan
        sums["clipped"] += int(np.count_nonzero(hit))
    return values


def count_in(sums: dict[str, Array], half: int, channel: int, difference: Float, weight: Float) -> None:
    """Count one colour's differences (h, w) in with their weights (h, w), in place."""
    weighted = difference * weight
    sums["sum"][half][..., channel] += weighted
    sums["weight"][half][..., channel] += weight
    sums["weight2"][..., channel] += weight * weight
    sums["square"][..., channel] += weighted * difference
