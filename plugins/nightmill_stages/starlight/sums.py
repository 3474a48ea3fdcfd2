"""Sums of what surrounds the star, frame by frame, on a grid that moves with it; mosaics without interpolation."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["add_cut", "empty_sums", "mean_planes"]

COLOURS = "RGB"


def empty_sums(reach: int, channels: int) -> dict[str, NDArray[Any]]:
    """Return sums of nothing: two halves, `channels` planes of (2 reach + 1) squared; and what is counted."""
    side = 2 * reach + 1
    return {
        "sum": np.zeros((2, channels, side, side)),
        "weight": np.zeros((2, channels, side, side)),
        "light": np.zeros((3, channels)),
        "left_out": np.zeros(4),
        "peak": np.zeros(1),
    }


def add_cut(
    sums: dict[str, NDArray[Any]], frame: NDArray[Any], at: tuple[float, float], half: int, cfa: str | None
) -> None:
    """Add the surroundings of the star in one frame, moved by whole pixels.

    Parameters
    ----------
    sums : dict
        From `empty_sums`; changed.
    frame : ndarray, shape (h, w) or (h, w, 3)
    at : tuple of float
        Row and column of the star.
    half : int
        0 or 1.
    cfa : str or None
        Colour filter array: a sample then counts in the plane of its colour alone.
    """
    side = sums["sum"].shape[-1]
    reach = side // 2
    top, left = round(at[0]) - reach, round(at[1]) - reach
    rows = slice(max(top, 0), min(top + side, frame.shape[0]))
    columns = slice(max(left, 0), min(left + side, frame.shape[1]))
    part = np.asarray(frame[rows, columns], np.float64)
    to = (slice(rows.start - top, rows.stop - top), slice(columns.start - left, columns.stop - left))
    total, weight = sums["sum"][half], sums["weight"][half]
    seen = np.isfinite(part)
    part = np.where(seen, part, 0.0)
    if cfa is None:
        for channel in range(len(total)):
            plane = part if part.ndim == 2 else part[..., channel]
            total[(channel, *to)] += plane
            weight[(channel, *to)] += seen if seen.ndim == 2 else seen[..., channel]
        return
    for place, letter in enumerate(cfa):
        first = (place // 2 - rows.start) % 2, (place % 2 - columns.start) % 2
        grid = (slice(first[0], None, 2), slice(first[1], None, 2))
        channel = COLOURS.index(letter)
        total[(channel, *to)][grid] += part[grid]
        weight[(channel, *to)][grid] += seen[grid]


def mean_planes(total: NDArray[np.float64], weight: NDArray[np.float64]) -> list[NDArray[np.float32]]:
    """Return the mean of each plane; places that no sample of a colour fell on take the mean of those around them.

    Parameters
    ----------
    total, weight : ndarray of float64, shape (channels, n, n)

    Returns
    -------
    list of ndarray of float32, shape (n, n)
        NaN where there is nothing around either.
    """
    planes = []
    for values, count in zip(total, weight, strict=True):
        mean = values / np.maximum(count, 1e-9)
        if (count <= 0).any() and (count > 0).any():
            near = cv2.GaussianBlur((count > 0).astype(np.float64), (5, 5), 0.8)
            around = cv2.GaussianBlur(np.where(count > 0, mean, 0.0), (5, 5), 0.8)
            mean = np.where(count > 0, mean, np.where(near > 0.02, around / np.maximum(near, 1e-9), np.nan))
        elif not (count > 0).any():
            mean = np.full_like(mean, np.nan)
        planes.append(mean.astype(np.float32))
    return planes
