"""Pixels of the sensor that always read too high or too low, found on the frames themselves.

No telescope puts light on a single sample and none on its neighbours. In the mean of some frames as the sensor sees
them, a sample that differs from those around it of the same colour by far more than noise allows is the sensor's own,
whether the planet moved or not. A dark frame that fits takes such pixels out beforehand; then nothing is found here.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightmill import stage
from nightmill.artefacts import FrameTable

__all__ = ["find_hot", "marked", "moves", "repaired"]

Array = NDArray[Any]

FRAMES = 48
"""Frames looked at."""

STANDS_OUT = 8.0
"""Standard errors by which such a sample differs from its neighbours' median; of 10^6 samples none does by noise."""

LONELY = 4.0
"""And times what its neighbours differ among themselves: at edges all of them do."""

FAINTEST = 0.004
"""Of full scale: what is less does no harm."""

MOST = 0.003
"""Share of the sensor beyond which it is not single pixels."""


def around(plane: Array, cfa: bool) -> Array:
    """Return the eight neighbours of the same colour of every sample, (8, h, w); edges repeat."""
    step = 2 if cfa else 1
    wide = np.pad(plane, step, mode="reflect")
    height, width = plane.shape
    places = [(r, c) for r in (0, step, 2 * step) for c in (0, step, 2 * step) if (r, c) != (step, step)]
    return np.stack([wide[r : r + height, c : c + width] for r, c in places])


def find_hot(table: FrameTable, rows: NDArray[np.int64], context: stage.Context) -> NDArray[np.int32]:
    """Find them.

    Parameters
    ----------
    table : FrameTable
    rows : ndarray of int64
        Of frames to choose from.
    context : Context
        Frames are read through it; what was found is noted there.

    Returns
    -------
    ndarray of int32, shape (n, 2)
        Rows and columns on the sensor.
    """
    none = np.zeros((0, 2), np.int32)
    capture = context.capture
    if capture.planes != 1 or len(rows) < 12:
        return none
    rows = rows[np.unique(np.linspace(0, len(rows) - 1, min(FRAMES, len(rows))).round().astype(int))]
    total = np.zeros((capture.height, capture.width), np.float32)
    square = np.zeros_like(total)
    for row in rows:
        raw = context.read(table["number"][row : row + 1]).data[0]
        frame = raw.astype(np.float32)
        if raw.dtype.kind == "f":
            frame = np.nan_to_num(frame)
        total += frame
        square += frame * frame
    mean = total / len(rows)
    # Digits hide noise that is smaller than they are.
    step = 0.3 if capture.full_scale > 1.5 else 0.3 / 65535
    error = np.sqrt((np.maximum(square / len(rows) - mean**2, 0) + step**2) / len(rows))
    # A quick look first: few samples are worth the sorting.
    neighbours = around(mean, capture.cfa is not None)
    rough = np.abs(mean - neighbours.mean(axis=0, dtype=np.float32))
    places = np.argwhere(rough > np.maximum(0.7 * STANDS_OUT * error, 0.7 * FAINTEST * capture.full_scale))
    if not len(places):
        return none
    # A detail that is small but real shows on the samples beside it too, in whatever colour.
    here = mean[places[:, 0], places[:, 1]]
    near = neighbours[:, places[:, 0], places[:, 1]]
    level = np.median(near, axis=0)
    apart = np.abs(here - level)
    spread = np.sort(np.abs(near - level), axis=0)[6]
    limit = np.maximum(STANDS_OUT * error[places[:, 0], places[:, 1]], FAINTEST * capture.full_scale)
    found = places[(apart > limit) & (apart > LONELY * spread)].astype(np.int32)
    if capture.cfa is not None and len(found):
        found = found[~_real(mean, neighbours, found)]
    if len(found) > MOST * mean.size:
        context.caution(
            "hot_pixels",
            f"{len(found)} pixels of the sensor stand out by themselves, too many to be repaired one by one: record a "
            "dark with the cap on, with the same exposure and gain.",
        )
        return none
    if len(found):
        context.measure(
            "hot_pixels",
            len(found),
            f"{len(found)} single pixels of the sensor always read wrong and were left out.",
        )
    return found


def _real(mean: Array, neighbours: Array, found: NDArray[np.int32]) -> NDArray[np.bool_]:
    """Say which samples of a mosaic stand out together with those of other colours beside them."""
    rows, columns = mean.shape

    def relative(y: Array, x: Array) -> Array:
        level = np.median(neighbours[:, y, x], axis=0)
        return np.asarray((mean[y, x] - level) / np.maximum(np.abs(level), 1e-6))

    own = relative(found[:, 0], found[:, 1])
    beside = [
        relative(np.clip(found[:, 0] + r, 0, rows - 1), np.clip(found[:, 1] + c, 0, columns - 1))
        for r, c in ((-1, 0), (1, 0), (0, -1), (0, 1))
    ]
    return np.asarray(np.median(np.stack(beside) * np.sign(own), axis=0) > np.abs(own) / 4)


def repaired(frame: Array, hot: NDArray[np.int32], cfa: bool) -> Array:
    """Return a frame in which such pixels take the median of their neighbours of the same colour."""
    if not len(hot):
        return frame
    step = 2 if cfa else 1
    result = frame.copy()
    height, width = frame.shape[:2]
    values = []
    for r in (-step, 0, step):
        for c in (-step, 0, step):
            if r or c:
                # Beyond the edge the pixel on the other side stands in.
                y, x = hot[:, 0] + r, hot[:, 1] + c
                y, x = np.where((y < 0) | (y >= height), y - 2 * r, y), np.where((x < 0) | (x >= width), x - 2 * c, x)
                values.append(frame[y, x])
    result[hot[:, 0], hot[:, 1]] = np.median(values, axis=0).astype(frame.dtype)
    return result


def moves(table: FrameTable, chosen: NDArray[np.bool_], cfa: bool) -> bool:
    """Say whether the planet moved enough for other samples to see what a hot pixel hid."""
    least = 1.5 if cfa else 0.8
    return any(float(np.std(table[name][chosen])) > least for name in ("dy_px", "dx_px"))


def marked(frame: Array, hot: NDArray[np.int32]) -> Array:
    """Return a frame in which such pixels have a value that no envelope lets pass."""
    if not len(hot):
        return frame
    result = frame.copy()
    kind = result.dtype
    result[hot[:, 0], hot[:, 1]] = np.nan if kind.kind == "f" else np.iinfo(kind).max
    return result
