"""Bad pixels and colour channels of a sensor: finding the one, normalising the other. Pure functions on one picture.

A sensor picture here has the shape (h, w), raw behind a colour filter array or monochrome, or (h, w, 3). A channel is
what belongs to one colour: a plane, or one of the four places of the 2x2 block, the two greens apart.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Repair", "channels", "local_median", "normalise", "outliers", "plan_repair", "repair"]

RINGS = (((-1, 0), (1, 0), (0, -1), (0, 1)), ((-1, -1), (-1, 1), (1, -1), (1, 1)))
WIDER = tuple((y, x) for y in (-2, 0, 2) for x in (-2, 0, 2) if (y, x) != (0, 0))


def channels(shape: tuple[int, ...], cfa: str | None) -> Iterator[tuple[Any, ...]]:
    """Yield an index for each channel, so that ``picture[index]`` is a 2-d view of it."""
    if len(shape) == 3:
        yield from ((slice(None), slice(None), plane) for plane in range(shape[2]))
    elif cfa is None:
        yield (slice(None), slice(None))
    else:
        yield from ((slice(y, None, 2), slice(x, None, 2)) for y in (0, 1) for x in (0, 1))


def local_median(picture: NDArray[np.float32], cfa: str | None) -> NDArray[np.float32]:
    """Return the median of the 5x5 nearest pixels of the same channel, float32, same shape."""
    out = np.empty_like(picture)
    for index in channels(picture.shape, cfa):
        out[index] = cv2.medianBlur(np.ascontiguousarray(picture[index]), 5)
    return out


def outliers(picture: NDArray[np.float32], cfa: str | None, sigmas: float, least: float) -> NDArray[np.bool_]:
    """Find pixels that stand out from their neighbours of the same channel, up or down.

    Parameters
    ----------
    picture : ndarray of float32
        Finite values.
    cfa : str or None
        Colour filter array.
    sigmas : float
        Standard deviations of the picture's fine structure (1.4826 MAD, a channel at a time) to exceed.
    least : float
        Smallest deviation that counts, in the unit of `picture`.

    Returns
    -------
    ndarray of bool, shape of `picture`
    """
    excess = np.abs(picture - local_median(picture, cfa))
    out = np.zeros(picture.shape, bool)
    for index in channels(picture.shape, cfa):
        out[index] = excess[index] > max(sigmas * 1.4826 * float(np.median(excess[index])), least)
    return out


def normalise(picture: NDArray[np.float64], cfa: str | None) -> NDArray[np.float64]:
    """Divide each channel by its mean over finite pixels, so that a flat keeps the balance of colours.

    Raises
    ------
    ValueError
        A channel has no positive mean.
    """
    out = np.array(picture, np.float64)
    for index in channels(picture.shape, cfa):
        part = out[index]
        good = np.isfinite(part)
        mean = float(part[good].mean()) if good.any() else 0.0
        if not mean > 0:
            raise ValueError("a colour channel has no light")
        out[index] = part / mean
    return out


@dataclass(frozen=True)
class Repair:
    """How to replace bad pixels: indices into a flattened frame.

    Attributes
    ----------
    bad : ndarray of int64, shape (m,)
        Samples to replace.
    near : ndarray of int64, shape (m, k)
        Samples to take instead.
    share : ndarray of float32, shape (m, k)
        Their weights, which add up to 1.
    """

    bad: NDArray[np.int64]
    near: NDArray[np.int64]
    share: NDArray[np.float32]


def plan_repair(bad: NDArray[np.bool_], cfa: str | None) -> Repair:
    """Choose for each bad sample good neighbours of its channel: the four beside it, else the diagonal, else wider.

    The four beside it lie symmetrically, so that their mean keeps a slope of brightness. A sample without any good
    neighbour keeps its value.
    """
    height, width = bad.shape[:2]
    step = 2 if cfa is not None and bad.ndim == 2 else 1
    rows, columns, *plane = np.nonzero(bad)
    depth = bad.shape[2] if bad.ndim == 3 else 1
    planes = plane[0] if plane else np.zeros_like(rows)
    flat_bad = bad.reshape(-1)
    centre = (rows * width + columns) * depth + planes
    near = np.repeat(centre[:, None], 8, axis=1)
    share = np.zeros((len(rows), 8), np.float32)
    open_ = np.ones(len(rows), bool)
    for ring in (*RINGS, WIDER):
        offsets = np.array(ring) * step
        y, x = rows[:, None] + offsets[:, 0], columns[:, None] + offsets[:, 1]
        inside = (y >= 0) & (y < height) & (x >= 0) & (x < width)
        index = np.where(inside, (y * width + x) * depth + planes[:, None], centre[:, None])
        good = inside & ~flat_bad[index]
        count = good.sum(axis=1)
        take = open_ & (count >= min(2, len(ring)))
        near[take, : len(ring)] = np.where(good, index, centre[:, None])[take]
        share[take, : len(ring)] = (good[take] / count[take, None]).astype(np.float32)
        open_ &= ~take
    share[open_, 0] = 1.0
    return Repair(centre.astype(np.int64), near.astype(np.int64), share)


def repair(frames: NDArray[np.float32], plan: Repair) -> None:
    """Replace bad samples in place, in frames of shape (n, ...) that are contiguous in memory."""
    if not len(plan.bad):
        return
    flat = frames.reshape(len(frames), -1)
    for row in flat:
        row[plan.bad] = (row[plan.near] * plan.share).sum(axis=1)
