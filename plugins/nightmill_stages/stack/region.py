"""Which part of the sensor is stacked: the object with its halo, and whatever else stands out in the sky.

Most of a planet's frame is dark sky. A plain mean of some frames, on cells of 2x2 samples, shows the whole sensor: what
stands out there (moons, stars) is stacked as well, and the sky beyond is given by that mean, smoothed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill import stage
from nightmill.artefacts import FrameTable, Stack

from .hot import repaired
from .phases import Layout

__all__ = ["Overview", "choose_region", "framed", "overview"]

Float = NDArray[np.float32]

MARGIN = 0.5
"""Sky kept around the object on each side, in its own sizes: sharpening measures the blur by the halo there."""

MARGIN_PX = (48.0, 72.0)
"""At least and at most."""

WHOLE = 0.75
"""A part as large as this share of the sensor is not worth the trouble."""

STANDS_OUT = 7.0
"""Times the noise of a smoothed cell: among 10^5 cells noise alone reaches 4.5."""

FAINTEST = 0.002
"""Of the object's brightness: hot pixels drifting through the sky stay below it, and so does what nobody would see."""

SKY_CELLS = 4.0
"""Standard deviation of the Gaussian by which the sky beyond is smoothed, cells."""

ROOM_PX = 24
"""Kept around something small that stands out."""


@dataclass(frozen=True)
class Overview:
    """Plain mean of some frames in cells of 2x2 samples.

    Attributes
    ----------
    mean : ndarray of float32, shape (h // 2, w // 2, channels)
        ADU; NaN where no frame showed anything.
    error : ndarray of float32, same shape
        Standard error of it, ADU.
    seen : ndarray of float32, shape (h // 2, w // 2)
        Frames that showed the cell.
    """

    mean: Float
    error: Float
    seen: Float

    def to_state(self) -> dict[str, Any]:
        """Return arrays that `from_state` takes."""
        return {"sky_mean": self.mean, "sky_error": self.error, "sky_seen": self.seen}

    @classmethod
    def from_state(cls, state: stage.State) -> Overview:
        """Rebuild it."""
        return cls(*(np.asarray(state[name], np.float32) for name in ("sky_mean", "sky_error", "sky_seen")))


def cells_of(frame: NDArray[Any], cfa: str | None) -> Float:
    """Return a frame as cells of 2x2 samples, (h // 2, w // 2, channels) float32."""
    height, width = frame.shape[0] & ~1, frame.shape[1] & ~1
    if cfa is None:
        small = cv2.resize(frame[:height, :width], (width // 2, height // 2), interpolation=cv2.INTER_AREA)
        return np.atleast_3d(small).astype(np.float32)
    sites = [frame[site // 2 : height : 2, site % 2 : width : 2].astype(np.float32) for site in range(4)]
    planes = [[sites[i] for i in range(4) if cfa[i] == name] for name in "RGB"]
    return np.stack([sum(one[1:], one[0]) / np.float32(len(one)) for one in planes], axis=-1)


def overview(
    table: FrameTable, rows: NDArray[np.int64], context: stage.Context, hot: NDArray[np.int32] | None = None
) -> Overview:
    """Average some frames, moved by whole cells.

    Parameters
    ----------
    table : FrameTable
    rows : ndarray of int64
        Registered frames.
    context : Context
        Frames are read through it.
    hot : ndarray of int32, shape (n, 2), or None
        Pixels of the sensor to be repaired: they would draw trails through the sky.
    """
    cfa = context.capture.cfa
    total: Float | None = None
    for row in rows:
        frame = context.read(table["number"][row : row + 1]).data[0]
        cells = cells_of(frame if hot is None else repaired(frame, hot, cfa is not None), cfa)
        if total is None:
            height, width = cells.shape[:2]
            total, square = np.zeros_like(cells), np.zeros_like(cells)
            seen = np.zeros((height, width), np.float32)
        place = Layout(height, width, 1, None, 1)
        both = place.overlap(round(float(table["dy_px"][row]) / 2), round(float(table["dx_px"][row]) / 2))
        if both is None:
            continue
        where, inside = both
        part = np.nan_to_num(cells[inside])
        total[where] += part
        square[where] += part * part
        seen[where] += 1
    assert total is not None
    count = np.maximum(seen, 1)[..., None]
    mean = total / count
    error = np.sqrt(np.maximum(square / count - mean**2, 0) / count)
    mean[seen == 0] = np.nan
    return Overview(mean, error, seen)


def choose_region(table: FrameTable, chosen: NDArray[np.bool_], whole: Layout, sky: Overview) -> Layout:
    """Choose the part of the reference that is stacked.

    Parameters
    ----------
    table : FrameTable
    chosen : ndarray of bool, shape (rows,)
    whole : Layout
        Of whole frames.
    sky : Overview

    Returns
    -------
    Layout
        `whole` where little would be left out.
    """
    if bool(table["fills_frame"][chosen].any()):
        return whole
    extent = float(np.median(table["extent_px"][chosen]))
    side = extent / 2 + float(np.clip(MARGIN * extent, *MARGIN_PX))
    box = []
    for name, shift, length in (("y_px", "dy_px", whole.height), ("x_px", "dx_px", whole.width)):
        middle = float(np.median(table[name][chosen] - table[shift][chosen]))
        box.append([middle - side, middle + side, length])
    # What is compact and stands out beyond the box: the halo is wide and goes with the wide Gaussian.
    grey = np.nan_to_num(sky.mean.mean(axis=2), nan=float(np.nanmedian(sky.mean)))
    detail = cv2.subtract(cv2.GaussianBlur(grey, (0, 0), 1.0), cv2.GaussianBlur(grey, (0, 0), 5.0))
    out = sky.seen > 0.5 * sky.seen.max()
    edges = [slice(*(int(np.clip(v // 2, 0, length // 2)) for v in ends)) for *ends, length in box]
    out[edges[0], edges[1]] = False
    if np.count_nonzero(out) > 100:
        noise = 1.4826 * float(np.median(np.abs(detail[out] - np.median(detail[out]))))
        bright = float(np.median(grey[edges[0], edges[1]].max(axis=0)) - np.median(grey[out]))
        stands = out & (detail > max(STANDS_OUT * noise, FAINTEST * bright))
        places = np.argwhere(stands) * 2
        if len(places):
            for axis in range(2):
                box[axis][0] = min(box[axis][0], places[:, axis].min() - ROOM_PX)
                box[axis][1] = max(box[axis][1], places[:, axis].max() + ROOM_PX)
    first, size = [], []
    for start, stop, length in box:
        low = int(max(start, 0)) & ~1
        first.append(low)
        size.append(min(-(-int(np.ceil(stop)) // 2) * 2, length) - low)
    if min(size) < 16 or size[0] * size[1] > WHOLE * whole.height * whole.width:
        return whole
    return replace(
        whole, height=size[0], width=size[1], top=first[0], left=first[1], sensor=(whole.height, whole.width)
    )


def framed(stack: Stack, layout: Layout, sky: Overview, full_scale: float) -> Stack:
    """Put the part that was stacked back into the frame; the sky beyond is the smoothed mean of some frames.

    Parameters
    ----------
    stack : Stack
        Of the part, header with "scale".
    layout : Layout
    sky : Overview
    full_scale : float

    Returns
    -------
    Stack
        Of the whole frame. Beyond the part both halves are the same, the weight is the number of frames averaged, and
        the noise is what smoothing left of it.
    """
    if layout.sensor is None:
        return stack
    scale = int(stack.header["scale"])
    height, width = (length * scale for length in layout.sensor)
    beyond = np.isfinite(sky.mean).astype(np.float32).min(axis=2)
    mass = np.maximum(cv2.GaussianBlur(beyond, (0, 0), SKY_CELLS), 1e-6)[..., None]
    level = np.atleast_3d(cv2.GaussianBlur(np.nan_to_num(sky.mean), (0, 0), SKY_CELLS)) / mass
    # A Gaussian of that width averages 4 pi sigma^2 cells.
    power = np.atleast_3d(cv2.GaussianBlur(sky.error**2, (0, 0), SKY_CELLS)) / mass
    noise = np.sqrt(power / (4 * np.pi * SKY_CELLS**2))
    density = np.array([layout.cfa.count(name) / 4 for name in "RGB"]) if layout.cfa else np.ones(level.shape[2])
    weight = sky.seen[..., None] * density.astype(np.float32) / np.float32(scale**2)
    weight = np.where(beyond[..., None] > 0, weight, np.float32(0))
    rows = slice(layout.top * scale, (layout.top + layout.height) * scale)
    columns = slice(layout.left * scale, (layout.left + layout.width) * scale)

    def laid(cells: NDArray[Any], part: NDArray[np.float32] | None, units: float, blank: bool) -> Float:
        large = np.atleast_3d(cv2.resize(cells.astype(np.float32), (width, height), interpolation=cv2.INTER_LINEAR))
        result = np.ascontiguousarray(np.moveaxis(large, -1, 0)) / np.float32(units)
        if blank:
            result[:, cv2.resize(beyond, (width, height), interpolation=cv2.INTER_NEAREST) == 0] = np.nan
        assert part is not None
        result[:, rows, columns] = part
        return result if part.ndim == 3 else result[0]

    return Stack(
        data=laid(level, stack.data, full_scale, True),
        weight=laid(weight, stack.weight, 1.0, False),
        noise=laid(noise, stack.noise, full_scale, True),
        half_a=laid(level, stack.half_a, full_scale, True),
        half_b=laid(level, stack.half_b, full_scale, True),
        header={**stack.header, "region_px": [layout.top, layout.left, layout.height, layout.width]},
        record=stack.record,
    )
