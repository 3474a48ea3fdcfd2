"""What happened during a capture, thinned to what a plot can show: courses in time, drift, distributions."""

from __future__ import annotations

import itertools
import math
import warnings
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..artefacts import FrameTable

__all__ = ["course", "describe", "distribution", "drift", "jitter_px", "seconds", "text_number", "tidy"]

POINTS = 120
"""Points of a course in time: more than a small plot can resolve."""

BINS = 40
JITTER_WINDOW_S = 5.0


def seconds(table: FrameTable) -> NDArray[np.float64] | None:
    """Return seconds since the first frame, or None where the times are not known or stand still."""
    utc = np.asarray(table["utc"], np.float64)
    if not np.isfinite(utc).all() or len(utc) < 2 or utc[-1] <= utc[0]:
        return None
    return np.asarray(utc - utc[0], np.float64)


def course(values: NDArray[Any], x: NDArray[np.float64]) -> dict[str, list[float | None]]:
    """Thin a column to its course: lowest tenth, median and highest tenth in equal stretches of time.

    Parameters
    ----------
    values : ndarray of shape (n,)
        NaN where nothing was measured.
    x : ndarray of float64, shape (n,)
        Time or frame number, increasing.

    Returns
    -------
    dict
        "x", "low", "middle", "high", as JSON values; None where a stretch has no value.
    """
    values = np.asarray(values, np.float64)
    parts = min(POINTS, len(values))
    edges = np.linspace(0, len(values), parts + 1).round().astype(int)
    rows = [values[a:b] for a, b in itertools.pairwise(edges)]
    with warnings.catch_warnings():
        # A stretch in which nothing was measured is a gap in the plot, nothing to warn of.
        warnings.simplefilter("ignore", RuntimeWarning)
        bands = np.array([np.nanpercentile(row, [10, 50, 90]) for row in rows])
    middle = [float(x[a:b].mean()) for a, b in itertools.pairwise(edges)]
    names = ("low", "middle", "high")
    return {"x": tidy(middle), **{name: tidy(bands[:, k]) for k, name in enumerate(names)}}


def distribution(values: NDArray[Any], used: NDArray[np.bool_]) -> dict[str, Any]:
    """Count a column's values in equal bins, all of them and those of the frames in the stack.

    The last bin also holds whatever lies beyond the highest percent, so that one outlier does not flatten the rest.
    """
    values = np.asarray(values, np.float64)
    good = np.isfinite(values)
    low, high = np.percentile(values[good], [0.0, 99.5])
    high = high if high > low else low + max(abs(low), 1.0) * 1e-6
    edges = np.linspace(low, high, BINS + 1)

    def count(mask: NDArray[np.bool_]) -> list[int]:
        return [int(one) for one in np.histogram(np.clip(values[mask], low, high), edges)[0]]

    return {"low": text_number(low), "high": text_number(high), "all": count(good), "used": count(good & used)}


def drift(table: FrameTable) -> dict[str, list[float | None]] | None:
    """Return the path of the object on the sensor, thinned: "dx_px", "dy_px" against its median place."""
    names = ("dx_px", "dy_px") if "dx_px" in table and "dy_px" in table else ("x_px", "y_px")
    if not all(name in table for name in names):
        return None
    x, y = (np.asarray(table[name], np.float64) for name in names)
    good = np.isfinite(x) & np.isfinite(y)
    if good.sum() < 2:
        return None
    x, y = x[good] - np.median(x[good]), y[good] - np.median(y[good])
    edges = np.linspace(0, len(x), min(POINTS, len(x)) + 1).round().astype(int)
    pairs = list(itertools.pairwise(edges))
    return {
        "dx_px": tidy([np.median(x[a:b]) for a, b in pairs]),
        "dy_px": tidy([np.median(y[a:b]) for a, b in pairs]),
    }


def jitter_px(table: FrameTable) -> float | None:
    """Return the frame-to-frame motion: standard deviation along one axis about a running mean of five seconds."""
    when = seconds(table)
    if when is None or "dx_px" not in table or "dy_px" not in table:
        return None
    x, y = (np.asarray(table[name], np.float64) for name in ("dx_px", "dy_px"))
    good = np.isfinite(x) & np.isfinite(y)
    if good.sum() < 20:
        return None
    stretch = (when[good] // JITTER_WINDOW_S).astype(int)
    total = 0.0
    for values in (x[good], y[good]):
        counts = np.maximum(np.bincount(stretch), 1)
        total += float(np.mean((values - (np.bincount(stretch, values) / counts)[stretch]) ** 2))
    return text_number(math.sqrt(total / 2))


def tidy(values: Any) -> list[float | None]:
    """Return numbers as JSON values with as many digits as a plot can show."""
    return [text_number(float(one)) if np.isfinite(one) else None for one in values]


def text_number(value: float) -> float:
    """Round to five significant digits."""
    return float(f"{value:.5g}")


def describe(table: FrameTable, gives: Mapping[str, str], x: NDArray[np.float64]) -> list[dict[str, Any]]:
    """Return the course and range of every plain measured column, with what its stage says of it."""
    found = []
    for name, meaning in gives.items():
        if name not in table or name == "kept":
            continue
        values = np.asarray(table[name])
        if values.ndim != 1 or values.dtype.kind not in "fiu" or name == "flags":
            continue
        numbers = values.astype(np.float64)
        good = numbers[np.isfinite(numbers)]
        if len(good) == 0 or good.min() == good.max():
            continue
        low, middle, high = (text_number(float(one)) for one in np.percentile(good, [5, 50, 95]))
        entry = {"name": name, "meaning": meaning, "low": low, "median": middle, "high": high}
        found.append({**entry, "course": course(numbers, x)})
    return found
