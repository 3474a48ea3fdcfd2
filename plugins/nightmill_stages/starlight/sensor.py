"""Samples that always read wrong, found beside and within a star that hardly moves over the sensor.

A sample is compared with the means of opposite neighbours of its own colour: on the flank of a star these agree with it
to the curvature of the profile, where its neighbours one by one differ by the whole slope.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..stack.hot import around

__all__ = ["odd_samples"]

STANDS_OUT = 8.0
"""Standard errors; of a million samples none reaches it by noise."""
LONELY = 4.0
"""Times what the four means differ among themselves; the peak of a star two samples wide reaches 3."""
FAINTEST = 5e-4
"""Of full scale."""
MOST = 0.003
"""Share of the sensor beyond which it is not single samples."""


def odd_samples(
    mean: NDArray[np.float32], error: NDArray[np.float32], full_scale: float, cfa: bool
) -> NDArray[np.int32]:
    """Find samples that stand out by themselves in the mean of frames as the sensor sees them.

    Parameters
    ----------
    mean, error : ndarray of float32, shape (h, w)
        Mean of some frames and its standard error.
    full_scale : float
    cfa : bool
        Neighbours of the same colour lie two samples away.

    Returns
    -------
    ndarray of int32, shape (n, 2)
        Rows and columns; none when there are so many that a dark is needed.
    """
    near = around(mean, cfa)
    pairs = np.sort(np.stack([0.5 * (near[k] + near[7 - k]) for k in range(4)]), axis=0)
    apart = np.abs(mean - 0.5 * (pairs[1] + pairs[2]))
    odd = apart > np.maximum(STANDS_OUT * error, FAINTEST * full_scale)
    odd &= apart > LONELY * (pairs[3] - pairs[0])
    places = np.argwhere(odd).astype(np.int32)
    return places if len(places) <= MOST * mean.size else places[:0]
