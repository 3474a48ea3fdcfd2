"""The mean bending of a capture, which is the reference's own: found, and taken off, a few frames at a time."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from nightmill.artefacts import FrameTable

__all__ = ["mean_bending", "straightened"]

Float = NDArray[np.float32]


def mean_bending(table: FrameTable, kept: NDArray[np.bool_]) -> tuple[Float, float]:
    """Return the mean of the column "mesh" over frames, and how far they lie about it.

    Parameters
    ----------
    table : FrameTable
    kept : ndarray of bool, shape (rows,)
        At least one.

    Returns
    -------
    mean : ndarray of float32, shape (rows, columns, 2)
        Camera pixels.
    rms : float
        Over all nodes, both axes and all these frames, camera pixels.
    """
    total = np.zeros(table["mesh"].shape[1:])
    squares = np.zeros_like(total)
    for _, mesh in table.blocks("mesh", kept):
        total += mesh.sum(axis=0, dtype=np.float64)
        # Half a megabyte at a time in float64.
        for one in mesh:
            squares += np.square(one, dtype=np.float64)
    count = max(int(kept.sum()), 1)
    mean = total / count
    return mean.astype(np.float32), float(np.sqrt(np.mean(np.maximum(squares / count - mean**2, 0.0))))


def straightened(table: FrameTable, kept: NDArray[np.bool_], mean: Float) -> Iterator[Float]:
    """Iterate over the column "mesh" with the mean taken off the frames that are kept."""
    for rows, mesh in table.blocks("mesh"):
        block = mesh.astype(np.float32)
        block[kept[rows]] -= mean
        yield block
