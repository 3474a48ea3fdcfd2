"""Steadies measured angles and sizes over a night: a change is believed only where it stands out from its error.

Each picture's own measure would make a sequence tremble. A camera that stays on its mount keeps its angle; behind a
mount without a field rotator it drifts evenly; at the meridian it may be turned by half a turn at once. So a constant
is tried first, then a straight line in time, and else every picture keeps its own. The method is our own.
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["steady", "steady_angles"]

_SIGMAS = 3.5


def steady(values: ArrayLike, sigmas: ArrayLike, times_s: ArrayLike, *, floor: float) -> NDArray[np.float64]:
    """Replace values by the simplest course that agrees with all of them.

    Parameters
    ----------
    values : array_like, shape (n,)
        Measured values; NaN where there is none.
    sigmas : array_like, shape (n,)
        Standard errors, above 0.
    times_s : array_like, shape (n,)
        Seconds, increasing or not.
    floor : float
        Differences up to this are never believed, in the unit of the values.

    Returns
    -------
    ndarray of float64, shape (n,)
        The weighted mean, a straight line in time, or the values themselves with gaps filled from the nearest in time.
        All NaN when no value is known.
    """
    y, t = np.asarray(values, np.float64), np.asarray(times_s, np.float64)
    known = np.isfinite(y)
    if not known.any():
        return y.copy()
    errors = np.maximum(np.asarray(sigmas, np.float64), 1e-6)
    allowed = np.maximum(floor, _SIGMAS * errors)
    weights = np.where(known, errors**-2.0, 0.0)
    for order in (0, 1):
        if known.sum() < order + 1 or (order == 1 and known.sum() < 4):
            break
        middle = float(np.average(t[known], weights=weights[known]))
        spread = max(float(np.abs(t[known] - middle).max()), 1.0)
        design = np.stack([((t - middle) / spread) ** k for k in range(order + 1)], axis=1)
        root = np.sqrt(weights[known] / weights[known].max())[:, None]
        found = np.linalg.lstsq(design[known] * root, y[known] * root[:, 0], rcond=None)[0]
        course: NDArray[np.float64] = design @ found
        if (np.abs(course - y)[known] <= allowed[known]).all():
            return course
    places = np.flatnonzero(known)
    nearest = places[np.abs(t[:, None] - t[places][None, :]).argmin(axis=1)]
    return np.where(known, y, y[nearest])


def steady_angles(
    angles_deg: ArrayLike, sigmas_deg: ArrayLike, times_s: ArrayLike, *, period_deg: float, floor_deg: float = 0.5
) -> NDArray[np.float64]:
    """As `steady`, for angles that repeat after `period_deg`; the result is not reduced to one period."""
    angles = np.asarray(angles_deg, np.float64).copy()
    known = np.flatnonzero(np.isfinite(angles))
    order = known[np.argsort(np.asarray(times_s, np.float64)[known], kind="stable")]
    for before, here in itertools.pairwise(order):
        angles[here] -= period_deg * round((angles[here] - angles[before]) / period_deg)
    return steady(angles, sigmas_deg, times_s, floor=floor_deg)
