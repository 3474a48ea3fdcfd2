"""Mean of thousands of frames without their outliers, in one pass and to the same bits in any grouping.

A sample of frames gives each pixel's median and spread; the pass then adds up what lies within a few standard
deviations of the median. All sums are of integers, so that their order cannot matter. Memory does not depend on the
number of frames.

Median and MAD as robust first guess: Hampel 1974, J. Am. Stat. Assoc. 69, 383, doi:10.1080/01621459.1974.10482962.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Sums", "add_frames", "clip_bounds", "join_sums", "levels_of", "mean_and_variance", "to_integers"]

Sums = dict[str, NDArray[Any]]
STEPS = 2**20
"""Steps that the full scale of float frames is divided into: finer than any 16-bit master needs."""
FEWEST = 5
"""Frames below which outliers cannot be told."""
BLOCK = 2**20
MAD_TO_SIGMA = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation."""


def to_integers(data: NDArray[Any], full_scale: float) -> tuple[NDArray[Any], float]:
    """Return samples as integers, and the ADU that one of their steps stands for.

    Parameters
    ----------
    data : ndarray
        uint8 or uint16 pass unchanged; float32 become int32 in steps of full_scale / 2**20, limited to eight times
        the full scale either way; what is not finite becomes 0.
    full_scale : float
        ADU at which a sample saturates.
    """
    if data.dtype.kind == "u":
        return data, 1.0
    limit = np.float32(8 * full_scale)
    finite = np.where(np.isfinite(data), np.clip(data, -limit, limit), np.float32(0))
    return np.rint(finite * np.float32(STEPS / full_scale)).astype(np.int32), full_scale / STEPS


def levels_of(values: NDArray[Any]) -> NDArray[np.int64]:
    """Return the mean of each frame in 1/256 steps, int64 of shape (n,), at least 1."""
    size = values[0].size
    sums = values.reshape(len(values), -1).sum(axis=1, dtype=np.int64)
    levels: NDArray[np.int64] = np.maximum(1, (sums * 256 + size // 2) // size)
    return levels


def clip_bounds(
    sample: NDArray[Any], clip: float, levels: NDArray[np.int64] | None = None
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the lowest and highest value that each pixel may take.

    Parameters
    ----------
    sample : ndarray of integers, shape (n, ...)
        Some frames, spread over the recording.
    clip : float
        Standard deviations from the median. The deviation is 1.4826 times the median absolute deviation of the
        pixel, at least that of the typical pixel, and at least one step.
    levels : ndarray of int64, shape (n,), or None
        From `levels_of`, when frames differ in brightness: bounds are then for frames of the first level.

    Returns
    -------
    low, high : ndarray of float32, shape of one frame
        Infinite when there are fewer than five frames.
    """
    shape = sample.shape[1:]
    if len(sample) < FEWEST:
        return np.full(shape, -np.inf, np.float32), np.full(shape, np.inf, np.float32)
    flat = sample.reshape(len(sample), -1)
    scale = np.ones(len(sample)) if levels is None else levels[0] / levels
    middle, spread = (np.empty(flat.shape[1], np.float32) for _ in range(2))
    step = max(1, BLOCK // len(sample))
    for start in range(0, flat.shape[1], step):
        part = flat[:, start : start + step] * scale[:, None].astype(np.float32)
        middle[start : start + step] = centre = _median(part)
        spread[start : start + step] = _median(np.abs(part - centre))
    sigma = np.maximum(MAD_TO_SIGMA * np.maximum(spread, np.median(spread)), 1.0)
    reach = (clip * sigma).astype(np.float32)
    return (middle - reach).reshape(shape), (middle + reach).reshape(shape)


def add_frames(
    sums: Sums | None,
    values: NDArray[Any],
    low: NDArray[np.float32],
    high: NDArray[np.float32],
    levels: NDArray[np.int64] | None = None,
    reference: int = 1,
) -> Sums:
    """Add frames to sums, leaving out outliers.

    Parameters
    ----------
    sums : dict or None
        From before, changed in place; None to begin.
    values : ndarray of integers, shape (n, ...)
        Frames.
    low, high : ndarray of float32
        From `clip_bounds`.
    levels, reference
        Brightness of each frame, and of the frames that the bounds are for.

    Returns
    -------
    dict of ndarray of int64
        "count", "sum", "squares" and "levels" (sum of the levels of the frames that were added, 0 without
        `levels`), each of the shape of a frame.
    """
    if sums is None:
        sums = {name: np.zeros(values.shape[1:], np.int64) for name in ("count", "sum", "squares", "levels")}
    if levels is None and values.dtype.kind == "u":
        # Comparing in the samples' own type is several times faster, and the same.
        top = np.iinfo(values.dtype).max
        low = np.ceil(np.clip(low, 0, top)).astype(values.dtype)
        high = np.floor(np.clip(high, 0, top)).astype(values.dtype)
    squares_type = np.uint32 if values.dtype.kind == "u" else np.int64
    for number, frame in enumerate(values):
        level = 1 if levels is None else int(levels[number])
        scaled = frame if levels is None else frame * np.float32(reference / level)
        good = (scaled >= low) & (scaled <= high)
        kept = frame * good
        sums["count"] += good
        sums["sum"] += kept
        sums["squares"] += np.multiply(kept, kept, dtype=squares_type)
        if levels is not None:
            sums["levels"] += good * np.int64(level)
    return sums


def join_sums(first: Sums, second: Sums) -> Sums:
    """Add the sums of two ranges of frames."""
    return {name: first[name] + second[name] for name in first}


def mean_and_variance(sums: Sums) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return mean and variance of what was added, in steps; NaN where nothing (variance: fewer than two) was."""
    count = np.maximum(sums["count"], 1).astype(np.float64)
    mean = sums["sum"] / count
    # Both terms are large integers and nearly equal: take the difference before rounding to float.
    whole = np.rint(mean)
    variance = (sums["squares"] - whole.astype(np.int64) * sums["sum"] + (whole - mean) * sums["sum"]) / count
    variance = np.maximum(variance, 0) * count / np.maximum(count - 1, 1)
    return np.where(sums["count"] > 0, mean, np.nan), np.where(sums["count"] > 1, variance, np.nan)


def _median(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the median along the first axis; five times faster than `np.median` for a few tens of rows."""
    ordered = np.sort(values, axis=0)
    half = len(values) // 2
    middle: NDArray[np.float32] = ordered[half]
    return middle if len(values) % 2 else (ordered[half - 1] + middle) * np.float32(0.5)
